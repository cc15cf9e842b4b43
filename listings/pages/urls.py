"""Addresses of the listings' pages: each kind of work lists its own, here they come together."""

from django.urls import URLPattern, URLResolver

from listings.pages import delivery_urls, intake_urls, sheet_urls, visit_urls

app_name = "listings"

urlpatterns: list[URLPattern | URLResolver] = []
urlpatterns += intake_urls.urlpatterns
urlpatterns += sheet_urls.urlpatterns
urlpatterns += visit_urls.urlpatterns
urlpatterns += delivery_urls.urlpatterns
