"""Addresses of the studio's pages: each kind of work lists its own, here they come together."""

from django.urls import URLPattern, URLResolver

from studio.pages import booking_urls, health_urls, money_urls, sun_urls

app_name = "studio"

urlpatterns: list[URLPattern | URLResolver] = []
urlpatterns += booking_urls.urlpatterns
urlpatterns += health_urls.urlpatterns
urlpatterns += money_urls.urlpatterns
urlpatterns += sun_urls.urlpatterns
