"""Addresses of signing in, requests, bookings, the diary, and what the owner sets."""

from django.urls import URLPattern, URLResolver, path

from studio.pages import signing_in, starting

urlpatterns: list[URLPattern | URLResolver] = [
    path("", starting.start, name="start"),
    path("sign-in/", signing_in.sign_in, name="sign-in"),
    path("sign-in/link/", signing_in.send_link, name="sign-in-link"),
    path("sign-in/<uuid:public_id>/<slug:token>/", signing_in.open_link, name="sign-in-open"),
    path("sign-out/", signing_in.sign_out, name="sign-out"),
    path("set-up/", signing_in.first_owner, name="set-up"),
    path("set-up/<slug:token>/", signing_in.first_owner, name="set-up-by-address"),
]
