"""On site: one room fills the phone's screen, its views and ticks within a thumb's reach."""

from __future__ import annotations

from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from listings import operations, visiting
from listings.forms.on_site import REASONS, ActForm, RoomForm, read_acts
from listings.models import ShotList, VisitNote
from studio import access, telling
from studio.errors import StudioError
from studio.models import Booking, Business

LEAVING = "leaving"
WAY_IN = "way-in"


@access.staff_only
@require_safe
def way_in(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The first stop: where to go, whom to call or tell, what to mind."""
    booking = access.booking_for_staff(request, public_id)
    business = Business.current()
    frame = _frame(request, booking, WAY_IN) | {
        "can_tell": telling.can_tell(booking, business, now=timezone.now()),
        "late_minutes": business.late_minutes,
        "told": telling.last_words([booking]).get(booking.pk),
    }
    return render(request, "listings/on_site_way_in.html", frame)


@access.staff_only
@require_safe
def room(request: HttpRequest, public_id: UUID, room_id: UUID) -> HttpResponse:
    """One room."""
    booking = access.booking_for_staff(request, public_id)
    return render(request, "listings/on_site_room.html", _room_frame(request, booking, room_id))


@access.staff_only
@require_safe
def leaving(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The last stop: everything that is missing, by room."""
    booking = access.booking_for_staff(request, public_id)
    frame = _frame(request, booking, LEAVING)
    frame["shot_list"] = ShotList.objects.get(booking=booking)
    frame["notes"] = VisitNote.objects.filter(booking=booking, room=None).select_related("written_by")
    return render(request, "listings/on_site_leaving.html", frame)


@access.staff_only
def new_room(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Add a room that nobody had foreseen."""
    booking = access.booking_for_staff(request, public_id)
    form = RoomForm(request.POST or None, initial={"uuid": uuid4(), "kind": "other"})
    if request.method == "POST" and form.is_valid():
        act = form.act(timezone.now())
        operations.apply(booking, act, by=request.user, now=timezone.now())  # type: ignore[arg-type]
        return redirect("listings:on-site-room", booking.public_id, act.uuid)
    return render(request, "listings/on_site_new_room.html", _frame(request, booking, "") | {"form": form})


@access.staff_only
@require_POST
def acts(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Take one act from a form, or a batch from the page's module; each counts once."""
    booking = access.booking_for_staff(request, public_id)
    if request.content_type == "application/json":
        return _take_batch(request, booking)
    form = ActForm(request.POST)
    if not form.is_valid():
        return HttpResponse(form.errors.as_text(), status=400, content_type="text/plain; charset=utf-8")
    now = timezone.now()
    act = form.act(now)
    try:
        operations.apply(booking, act, by=request.user, now=now)  # type: ignore[arg-type]
    except StudioError as error:
        messages.error(request, str(error))
        return redirect(_back(booking, act))
    if act.kind == "leave":
        messages.success(request, "The visit is closed. What was left out is on the record.")
        return redirect("listings:booking", public_id)
    return redirect(_back(booking, act))


def _take_batch(request: HttpRequest, booking: Booking) -> JsonResponse:
    now = timezone.now()
    try:
        batch, results = read_acts(request.body, now)
    except ValidationError as error:
        return JsonResponse({"error": " ".join(error.messages)}, status=400)
    for act in batch:
        try:
            is_new = operations.apply(booking, act, by=request.user, now=now)  # type: ignore[arg-type]
            results[str(act.uuid)] = "done" if is_new else "known"
        except StudioError as error:
            results[str(act.uuid)] = f"refused: {error}"
    return JsonResponse({"results": results})


def _back(booking: Booking, act: operations.Act) -> str:
    if act.kind in operations.TELLING_ACTS:
        return reverse("listings:on-site", args=[booking.public_id])
    if act.room:
        return reverse("listings:on-site-room", args=[booking.public_id, act.room]) + f"#i{act.item or ''}"
    return reverse("listings:on-site-leaving", args=[booking.public_id])


def _frame(request: HttpRequest, booking: Booking, here: str) -> dict[str, Any]:
    """What every stop needs: the rooms along the line and the counts."""
    rows = visiting.stops(booking)
    return {
        "booking": booking,
        "stops": rows,
        "here": here,
        "progress": visiting.progress(rows),
        "reasons": REASONS,
    }


def _room_frame(request: HttpRequest, booking: Booking, room_id: UUID) -> dict[str, Any]:
    frame = _frame(request, booking, str(room_id))
    rows: list[visiting.Stop] = frame["stops"]
    at = next((at for at, row in enumerate(rows) if row.room.public_id == room_id), None)
    if at is None:
        raise Http404
    return frame | {"stop": rows[at], "next": rows[at + 1] if at + 1 < len(rows) else None}
