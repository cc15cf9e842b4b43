"""Addresses of the day, the visit and the booking page."""

from django.urls import URLPattern, URLResolver, path

from listings.pages import bookings, on_site, today

urlpatterns: list[URLPattern | URLResolver] = [
    path("today/", today.today, name="today"),
    path("today/<int:year>-<int:month>-<int:day>/", today.today, name="day"),
    path("bookings/<uuid:public_id>/", bookings.booking, name="booking"),
    path("bookings/<uuid:public_id>/put-off/", bookings.put_off, name="booking-put-off"),
    path("bookings/<uuid:public_id>/on-site/", on_site.way_in, name="on-site"),
    path("bookings/<uuid:public_id>/on-site/leaving/", on_site.leaving, name="on-site-leaving"),
    path("bookings/<uuid:public_id>/on-site/new-room/", on_site.new_room, name="on-site-new-room"),
    path("bookings/<uuid:public_id>/on-site/acts/", on_site.acts, name="on-site-acts"),
    path("bookings/<uuid:public_id>/on-site/<uuid:room_id>/", on_site.room, name="on-site-room"),
]
