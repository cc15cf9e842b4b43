"""The first page: what waits and what is next, for each kind of visitor."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_safe

from studio import access, set_up


@require_safe
def start(request: HttpRequest) -> HttpResponse:
    """Staff see their day, an agent the bookings, a stranger the way in."""
    if access.staff_of(request):
        return render(request, "studio/start.html")
    if set_up.is_needed():
        return redirect("studio:set-up")
    return redirect("studio:sign-in")
