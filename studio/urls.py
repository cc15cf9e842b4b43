"""Addresses of both floors; listings is named by its dotted string only."""

from django.contrib import admin
from django.urls import include, path

urlpatterns = [
    path("admin/", admin.site.urls),
    path("", include("studio.pages.urls")),
    path("", include("listings.pages.urls")),
]
