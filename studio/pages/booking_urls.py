"""Addresses of signing in, requests, bookings, the diary, and what the owner sets."""

from django.urls import URLPattern, URLResolver, path

from studio.pages import (
    bookings,
    clients,
    consenting,
    diary,
    house,
    preparing,
    requesting,
    signing_in,
    starting,
)

urlpatterns: list[URLPattern | URLResolver] = [
    path("", starting.start, name="start"),
    path("sign-in/", signing_in.sign_in, name="sign-in"),
    path("sign-in/link/", signing_in.send_link, name="sign-in-link"),
    path("sign-in/<uuid:public_id>/<slug:token>/", signing_in.open_link, name="sign-in-open"),
    path("sign-out/", signing_in.sign_out, name="sign-out"),
    path("set-up/", signing_in.first_owner, name="set-up"),
    path("set-up/<slug:token>/", signing_in.first_owner, name="set-up-by-address"),
    # an agent's request
    path("request/", requesting.ask, name="request"),
    path("request/look/", requesting.look, name="request-look"),
    path("request/<uuid:public_id>/take/", requesting.confirm_by_staff, name="request-take"),
    path("request/<uuid:public_id>/put-aside/", requesting.decline_by_staff, name="request-put-aside"),
    path("request/<uuid:public_id>/<slug:token>/", requesting.confirm, name="request-confirm"),
    path("prepare/<uuid:public_id>/<slug:token>/", preparing.preparation, name="preparation"),
    path("consent/<uuid:public_id>/<slug:token>/", consenting.consent, name="consent"),
    # bookings; the page of one is listings:booking
    path("bookings/", bookings.listing, name="bookings"),
    path("bookings/new/", bookings.enter, name="booking-enter"),
    path("bookings/<uuid:public_id>/agree/", bookings.agree, name="booking-agree"),
    path("bookings/<uuid:public_id>/time/", bookings.set_time, name="booking-time"),
    path("bookings/<uuid:public_id>/accept/", bookings.accept, name="booking-accept"),
    path("bookings/<uuid:public_id>/terms/", bookings.accept_terms, name="booking-accept-terms"),
    path("bookings/<uuid:public_id>/choose/", bookings.choose, name="booking-choose"),
    path("bookings/<uuid:public_id>/call-off/", bookings.call_off, name="booking-call-off"),
    path("bookings/<uuid:public_id>/consent/ask/", consenting.ask, name="consent-ask"),
    path("bookings/<uuid:public_id>/consent/write/", consenting.write_down, name="consent-write"),
    path("bookings/<uuid:public_id>/home/", bookings.home, name="booking-home"),
    path("bookings/<uuid:public_id>/lines/add/", bookings.add_line, name="booking-line-add"),
    path(
        "bookings/<uuid:public_id>/lines/<int:pk>/remove/", bookings.remove_line, name="booking-line-remove"
    ),
    path("bookings/<uuid:public_id>/visit.ics", bookings.calendar_file, name="booking-calendar"),
    path("bookings/<uuid:public_id>/access-note/read/", bookings.read_note, name="access-note-read"),
    path("bookings/<uuid:public_id>/access-note/write/", bookings.write_note, name="access-note-write"),
    # the diary
    path("diary/", diary.week, name="diary"),
    path("diary/feed/", diary.subscribe, name="calendar-address"),
    path("diary/feed/renew/", diary.renew_feed, name="calendar-renew"),
    path("diary/<str:on>/", diary.day, name="diary-day"),
    path("calendar/<int:pk>/<slug:token>.ics", diary.feed, name="calendar-feed"),
    # clients
    path("clients/", clients.listing, name="clients"),
    path("clients/new/", clients.edit_client, name="client-new"),
    path("clients/agencies/new/", clients.edit_agency, name="agency-new"),
    path("clients/agencies/<int:pk>/", clients.edit_agency, name="agency"),
    path("clients/<uuid:public_id>/", clients.client, name="client"),
    path("clients/<uuid:public_id>/edit/", clients.edit_client, name="client-edit"),
    # what the owner sets
    path("settings/", house.business, name="settings"),
    path("settings/prices/", house.prices, name="prices"),
    path("settings/prices/new/", house.price_list, name="price-list-new"),
    path("settings/prices/<int:pk>/", house.price_list, name="price-list"),
    path("settings/prices/<int:list_pk>/lines/new/", house.price_item, name="price-item-new"),
    path("settings/prices/<int:list_pk>/lines/<int:pk>/", house.price_item, name="price-item"),
    path(
        "settings/prices/<int:list_pk>/lines/<int:pk>/remove/",
        house.price_item_remove,
        name="price-item-remove",
    ),
    path("settings/taxes/new/", house.tax_rate, name="tax-rate-new"),
    path("settings/taxes/<int:pk>/", house.tax_rate, name="tax-rate"),
    path("settings/taxes/<int:pk>/remove/", house.tax_rate_remove, name="tax-rate-remove"),
    path("settings/hours/", house.hours, name="hours"),
    path("settings/hours/days-off/", house.day_off, name="day-off"),
    path("settings/hours/days-off/<int:pk>/remove/", house.day_off_remove, name="day-off-remove"),
    path("settings/terms/", house.terms, name="terms"),
    path("settings/guide/", house.guide, name="guide"),
    path("settings/letters/", house.letters, name="letters"),
    path("settings/people/", house.people, name="people"),
    path("settings/people/new/", house.person, name="person-new"),
    path("settings/people/<int:pk>/", house.person, name="person"),
]
