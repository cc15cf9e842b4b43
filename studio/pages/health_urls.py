"""Address of the health check."""

from django.urls import URLPattern, URLResolver, path

from studio.pages import health

urlpatterns: list[URLPattern | URLResolver] = [path("health/", health.health, name="health")]
