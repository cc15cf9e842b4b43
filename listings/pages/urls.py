"""Addresses of the listings' pages: each kind of work lists its own, here they come together."""

from django.urls import URLPattern, URLResolver

app_name = "listings"

urlpatterns: list[URLPattern | URLResolver] = []
