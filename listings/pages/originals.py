"""The public page of an altered picture's original: for anyone who reads the listing."""

from __future__ import annotations

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_safe

from listings import files, galleries, originals

WHICH = ("sent", "unaltered", "camera")


@require_safe
def page(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Say that the picture was altered, how, and show it unaltered."""
    original = originals.find(public_id)
    context = {"original": original, "statement": galleries.statement(original.address)}
    response = render(request, "listings/original.html", context)
    response["X-Robots-Tag"] = "noindex"
    return response


@require_safe
def image(request: HttpRequest, public_id: UUID, which: str) -> HttpResponseBase:
    """The picture as it was sent, the unaltered one, or the frame as the camera made it."""
    original = originals.find(public_id)
    file = {
        "sent": original.sent.preview,
        "unaltered": original.unaltered.preview if original.unaltered else None,
        "camera": original.sent.before,
    }.get(which)
    if not file:
        raise Http404
    response = files.serve(request, file, name=f"{which}-{public_id}.jpg", max_age_s=3600)
    response["X-Robots-Tag"] = "noindex"
    return response


@require_safe
def qr(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The page's address as a QR code."""
    return HttpResponse(originals.qr_svg(originals.find(public_id).address), content_type="image/svg+xml")
