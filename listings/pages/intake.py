"""Bringing frames in: dropped in the browser, or taken from a card or folder on this machine."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from listings import cards, correcting, progress, uploads
from listings.forms.intake import FolderForm, KnownForm, PostedForm
from listings.models import FolderIntake, Frame, Picture, Upload
from studio import access
from studio.models import Booking

VISITS_OFFERED = 60


@access.staff_only
@require_http_methods(["GET", "POST"])
def visit_intake(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The page to drop a visit's files on; a plain form takes them too."""
    booking, now = access.booking_for_staff(request, public_id), timezone.now()
    form = PostedForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        taken = [_take(booking, file, request, now=now) for file in form.cleaned_data["frames"]]
        correcting.queue_visit(booking, now=now)
        for upload in taken:
            words = f"{upload.name}: {upload.reason or 'stored and verified'}"
            messages.add_message(request, messages.INFO if upload.frame_id else messages.WARNING, words)
        return redirect("listings:visit-intake", public_id)
    context = _state(booking, now=now)
    return render(request, "listings/visit_intake.html", context | {"form": form})


def _take(booking: Booking, file: Any, request: HttpRequest, *, now: dt.datetime) -> Upload:
    return uploads.take_whole(
        booking, file, name=file.name, size=file.size, by=access.staff_of(request), now=now
    )


@access.staff_only
@require_GET
def progress_view(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The part of the page that is asked for again while work goes on."""
    booking = access.booking_for_staff(request, public_id)
    context = _state(booking, now=timezone.now()) | {"shows_files": request.GET.get("files") == "yes"}
    return render(request, "listings/_progress.html", context)


def _state(booking: Booking, *, now: dt.datetime) -> dict[str, Any]:
    refused = Upload.objects.filter(
        booking=booking, state=Upload.State.REFUSED, folder_intake__isnull=True, frame__isnull=True
    )
    unreadable = Frame.objects.filter(booking=booking, state=Frame.State.UNREADABLE)
    known = Upload.objects.filter(booking=booking, state=Upload.State.KNOWN, folder_intake__isnull=True)
    return {
        "booking": booking,
        "progress": progress.of(booking, now=now),
        "refused": refused.order_by("-touched_at")[:50],
        "known_count": known.count(),
        "unreadable": unreadable.defer("thumbnail", "facts")[:50],
        "folder_intakes": [(row, cards.summary(row)) for row in booking.folder_intakes.all()[:5]],
        "shows_files": True,
    }


@access.staff_only
@require_POST
def known(request: HttpRequest, public_id: UUID) -> JsonResponse:
    """Tell which files are stored in this visit already, so that they need not be sent."""
    booking, now = access.booking_for_staff(request, public_id), timezone.now()
    form = KnownForm(request.POST)
    if not form.is_valid():
        return JsonResponse({"error": "The list of files can't be read."}, status=400)
    names = uploads.note_known(
        booking,
        form.cleaned_data["listed"],
        batch=form.cleaned_data["batch"],
        by=access.staff_of(request),
        now=now,
    )
    return JsonResponse({"known": names})


@access.staff_only
@require_POST
def close(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """All files of the drop are here: put them together now."""
    booking = access.booking_for_staff(request, public_id)
    correcting.queue_visit(booking, now=timezone.now())
    if request.htmx or request.headers.get("Accept") == "application/json":  # type: ignore[attr-defined]
        return HttpResponse(status=204)
    return redirect("listings:visit-intake", public_id)


@access.staff_only
@require_POST
def try_again(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Put everything that failed in this visit back into the work."""
    booking, now = access.booking_for_staff(request, public_id), timezone.now()
    count = correcting.try_again(Picture.objects.filter(booking=booking), now=now)
    count += correcting.try_frames_again(Frame.objects.filter(booking=booking), now=now)
    if hasattr(booking, "visit_work") and booking.visit_work.reason:
        correcting.queue_visit(booking, now=now)
    messages.info(request, f"{count} put back into the work." if count else "Trying again.")
    back = "listings:sheet" if request.POST.get("back") == "sheet" else "listings:visit-intake"
    return redirect(back, public_id)


@access.staff_only
@require_http_methods(["GET", "POST"])
def intake(request: HttpRequest) -> HttpResponse:
    """Cards and folders on this machine; choose one and the visit that it belongs to."""
    now = timezone.now()
    visits = _visits(now)
    form = FolderForm(visits, request.POST or None, initial={"visit": request.GET.get("visit")})
    if request.method == "POST" and form.is_valid():
        booking = form.cleaned_data["visit"]
        cards.begin(booking, form.folder, by=access.staff_of(request), now=now)
        return redirect("listings:visit-intake", booking.public_id)
    context = {
        "form": form,
        "folders": list(cards.folders()),
        "visits": visits,
        "has_folders": bool(settings.INTAKE_DIRS),
    }
    return render(request, "listings/intake.html", context)


def _visits(now: dt.datetime) -> QuerySet[Booking]:
    """Visits whose frames may come in: those of the last weeks first."""
    state = Booking.State
    wanted = access.bookings().filter(state__in=[state.AGREED, state.UNDER_WAY, state.VISITED, state.SENT])
    soon = now + dt.timedelta(days=1)
    recent = wanted.filter(starts_at__lte=soon).order_by("-starts_at").values("pk")[:VISITS_OFFERED]
    return wanted.filter(pk__in=list(recent.values_list("pk", flat=True))).order_by("-starts_at")


@access.staff_only
@require_POST
def go_on(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Go on with a card or folder that stopped."""
    row = get_object_or_404(FolderIntake.objects.select_related("booking"), public_id=public_id)
    booking = access.booking_for_staff(request, row.booking.public_id)
    cards.go_on(row)
    return redirect("listings:visit-intake", booking.public_id)
