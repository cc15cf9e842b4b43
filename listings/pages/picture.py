"""One picture at the desk: before and after, the few controls, its versions; and its files."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from listings import files, sheets, wishes
from listings.errors import StalePlan
from listings.forms.desk import WishForm
from listings.models import Correction, Frame, Picture
from listings.pages.sheet import access_picture
from studio import access

A_YEAR_S = 31_536_000
WHAT = {"full": "file", "preview": "preview", "thumbnail": "thumbnail", "before": "before"}
CONTENT_TYPES = {"jpg": "image/jpeg", "jpeg": "image/jpeg", "png": "image/png", "tif": "image/tiff"}


@access.staff_only
@require_http_methods(["GET", "HEAD", "POST"])
def picture(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Show the picture; POST asks for a new version by the controls."""
    row = access_picture(request, public_id)
    form = WishForm(row, request.POST or None)
    status = 200
    if request.method == "POST" and form.is_valid():
        try:
            return _ask(request, row, form)
        except StalePlan as error:
            messages.error(request, str(error))
            status = 409
            form = _with_their_version(row, request)
    return render(request, "listings/picture.html", _context(row, form), status=status)


def _ask(request: HttpRequest, row: Picture, form: WishForm) -> HttpResponse:
    by = access.staff_of(request)
    assert by is not None  # staff_only saw to it
    wish = {} if "as_found" in request.POST else form.wish
    wishes.ask(row, wish, seen_version=form.cleaned_data["plan_version"], by=by, now=timezone.now())
    messages.info(request, f"Being made again: {wishes.words(wish)}.")
    return redirect("listings:picture", row.public_id)


def _with_their_version(row: Picture, request: HttpRequest) -> WishForm:
    """Keep what this person had set, on top of what the other one did: asking again is their choice."""
    data = request.POST.copy()
    row.refresh_from_db(fields=["plan_version"])
    data["plan_version"] = str(row.plan_version)
    return WishForm(row, data)


def _context(row: Picture, form: WishForm) -> dict[str, Any]:
    before, after = sheets.neighbours(row)
    versions = row.corrections.select_related("made_by").defer("plan", "report")
    return {
        "picture": row,
        "booking": row.booking,
        "form": form,
        "earlier": before,
        "later": after,
        "frames": row.picture_frames.select_related("frame").defer("frame__thumbnail"),
        "versions": [(version, wishes.words(version.wish)) for version in versions],
        "wish_words": wishes.words(row.wish),
        "report": _figures(row),
    }


def _figures(row: Picture) -> dict[str, Any]:
    """Pick the report's figures that people read."""
    if row.correction_id is None:
        return {}
    report = Correction.objects.values_list("report", flat=True).get(pk=row.correction_id)
    return {key: report.get(key, {}) for key in ("geometry", "light", "exposure", "quality")}


@access.staff_only
@require_safe
def state(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The part of the page that says how far the new version is."""
    row = access_picture(request, public_id)
    seen = request.GET.get("seen", "")
    is_new = row.state == Picture.State.MADE and seen != str(
        row.correction.public_id if row.correction else ""
    )
    response = render(request, "listings/_picture_state.html", {"picture": row, "is_new": is_new})
    if is_new:
        response["HX-Refresh"] = "true"
    return response


@access.staff_only
@require_POST
def use_version(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Take an earlier version again."""
    version = get_object_or_404(Correction.objects.select_related("picture__booking"), public_id=public_id)
    access.booking_for_staff(request, version.picture.booking.public_id)
    by, seen = access.staff_of(request), request.POST.get("plan_version", "")
    if by is None or not seen.isdecimal() or len(seen) > 9:
        raise Http404
    try:
        wishes.use(version.picture, version, seen_version=int(seen), by=by, now=timezone.now())
        messages.info(request, "This version is the present one again.")
    except StalePlan as error:
        messages.error(request, str(error))
    return redirect("listings:picture", version.picture.public_id)


@access.staff_only
@require_safe
def version_file(request: HttpRequest, public_id: UUID, what: str) -> HttpResponseBase:
    """A file of one version; it never changes, so browsers may keep it."""
    version = get_object_or_404(
        Correction.objects.select_related("picture__booking").defer("report", "plan"), public_id=public_id
    )
    access.booking_for_staff(request, version.picture.booking.public_id)
    if what not in WHAT:
        raise Http404
    name = f"{what}-{version.picture.public_id}.jpg"
    return files.serve(request, getattr(version, WHAT[what]), name=name, max_age_s=A_YEAR_S)


@access.staff_only
@require_safe
def original(request: HttpRequest, public_id: UUID) -> HttpResponseBase:
    """An original as it came off the camera, to staff only."""
    frame = get_object_or_404(
        Frame.objects.select_related("booking").defer("thumbnail", "facts"), public_id=public_id
    )
    access.booking_for_staff(request, frame.booking.public_id)
    suffix = frame.name.rpartition(".")[2].lower()
    return files.serve(
        request,
        frame.file,
        name=frame.name,
        as_download=True,
        content_type=CONTENT_TYPES.get(suffix, "application/octet-stream"),
        etag=frame.sha256,
    )
