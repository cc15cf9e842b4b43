"""Times on pages are the business's: its zone is made the current one for each request."""

from __future__ import annotations

from collections.abc import Callable

from django.db import DatabaseError
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from studio.models import Business


class BusinessZone:
    """Middleware: reads the business once a request, and keeps it at `request.business` for the page."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        try:
            business = Business.current()
        except DatabaseError:  # not migrated yet, or away: pages that need no rows still answer
            return self.get_response(request)
        request.business = business  # type: ignore[attr-defined]
        with timezone.override(business.zone):
            return self.get_response(request)
