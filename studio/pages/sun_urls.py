"""Addresses of the page of the sun."""

from django.urls import URLPattern, URLResolver, path

from studio.pages import sun

urlpatterns: list[URLPattern | URLResolver] = [
    path("sun/", sun.anywhere, name="sun"),
    path("bookings/<uuid:public_id>/sun/", sun.of_booking, name="booking-sun"),
]
