"""Addresses of the ways in."""

from django.urls import URLPattern, URLResolver, path

from listings.pages import intake, tus

urlpatterns: list[URLPattern | URLResolver] = [
    path("intake/", intake.intake, name="intake"),
    path("intake/<uuid:public_id>/go-on/", intake.go_on, name="intake-go-on"),
    path("bookings/<uuid:public_id>/intake/", intake.visit_intake, name="visit-intake"),
    path("bookings/<uuid:public_id>/intake/known/", intake.known, name="intake-known"),
    path("bookings/<uuid:public_id>/intake/close/", intake.close, name="intake-close"),
    path("bookings/<uuid:public_id>/intake/try-again/", intake.try_again, name="intake-try-again"),
    path("bookings/<uuid:public_id>/progress/", intake.progress_view, name="progress"),
    path("bookings/<uuid:visit>/uploads/", tus.uploads_view, name="uploads"),
    path("uploads/<uuid:upload>/", tus.upload_view, name="upload"),
]
