"""Addresses of the desk: sheet, pictures and their files."""

from django.urls import URLPattern, URLResolver, path

from listings.pages import picture, sheet

urlpatterns: list[URLPattern | URLResolver] = [
    path("bookings/<uuid:public_id>/sheet/", sheet.sheet, name="sheet"),
    path("bookings/<uuid:public_id>/sheet/place/", sheet.place, name="sheet-place"),
    path("pictures/<uuid:public_id>/", picture.picture, name="picture"),
    path("pictures/<uuid:public_id>/state/", picture.state, name="picture-state"),
    path("pictures/<uuid:public_id>/try-again/", sheet.remake, name="picture-try-again"),
    path("versions/<uuid:public_id>/use/", picture.use_version, name="version-use"),
    path("versions/<uuid:public_id>/<str:what>.jpg", picture.version_file, name="version-file"),
    path("frames/<uuid:public_id>/original/", picture.original, name="original"),
]
