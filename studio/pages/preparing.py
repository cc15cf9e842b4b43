"""The household's page: how the home is made ready. Public, by an address nobody can guess."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from studio import booking_states, guides, records, tokens
from studio.models import Booking, Business


@never_cache
@require_http_methods(["GET", "POST"])
def preparation(request: HttpRequest, public_id: UUID, token: str) -> HttpResponse:
    """Show the guide; the button says that the home will be ready."""
    if not tokens.fits(token, "preparation", public_id):
        raise Http404
    booking = get_object_or_404(Booking.objects.select_related("home", "photographer"), public_id=public_id)
    is_coming = booking.state in booking_states.OPEN
    if request.method == "POST" and is_coming:
        now = timezone.now()
        first = Booking.objects.filter(pk=booking.pk, household_ready_at=None).update(household_ready_at=now)
        if first:
            records.note("the household said ready", booking=booking, now=now)
        messages.success(request, "Thank you. We know now that the home will be ready.")
        return redirect(request.path)
    response = render(
        request,
        "studio/preparation.html",
        {
            "booking": booking,
            "is_coming": is_coming,
            "parts": guides.parts(Business.current().preparation_guide),
        },
    )
    response["X-Robots-Tag"] = "noindex"
    return response
