"""What depends on who is looking stays out of caches that others look into."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase
from django.utils.cache import has_vary_header


class KeepPrivate:
    """Middleware: an answer that read the visitor's cookie is for that visitor's own browser alone.

    The browser may keep it (so that a phone without signal can go back to a room) but asks again before use.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        if not response.has_header("Cache-Control") and has_vary_header(response, "Cookie"):
            response["Cache-Control"] = "private, no-cache"
        return response
