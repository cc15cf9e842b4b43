"""The booking page: everything about one job, from both floors; the client sees what is the client's."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from listings import changes, delivery, galleries, progress, putting_off, visiting
from listings.models import Picture, ShotList, VisitNote
from studio import access
from studio.errors import StudioError
from studio.models import Booking

PICTURES_SHOWN = 12


@access.signed_in
@require_safe
def booking(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """One page for whoever the booking concerns."""
    row = access.booking_for_either(request, public_id)
    if access.staff_of(request) is None:
        link = galleries.open_link_of(row, now=timezone.now())
        return render(request, "listings/booking_client.html", {"booking": row, "link": link})
    return render(request, "listings/booking.html", _for_staff(row))


@access.staff_only
@require_POST
def put_off(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The weather does not suit the outside: make the short second visit, and go there to set its time."""
    row = access.booking_for_staff(request, public_id)
    staff = access.staff_of(request)
    assert staff is not None
    try:
        second = putting_off.put_off(row, by=staff, now=timezone.now())
    except StudioError as error:
        messages.error(request, str(error))
        return redirect("listings:booking", public_id)
    messages.success(request, f"{row.client.name} has a letter. Set the time of the second visit here.")
    return redirect("listings:booking", second.public_id)


def _for_staff(row: Booking) -> dict[str, Any]:
    """Shot list, frames and pictures, set; the studio's fragments fetch their own."""
    rows = visiting.stops(row)
    pictures = Picture.objects.filter(booking=row, correction__isnull=False).select_related(
        "correction", "room"
    )
    last = delivery.current(row)
    return {
        "booking": row,
        "stops": rows,
        "shot_list": ShotList.objects.get(booking=row),
        "visit": visiting.progress(rows),
        "notes": VisitNote.objects.filter(booking=row).select_related("room", "written_by"),
        "can_put_off": putting_off.can_put_off(row),
        "progress": progress.of(row, now=timezone.now()),
        "pictures": pictures.defer("analysis", "plan", "correction__report", "correction__plan")[
            :PICTURES_SHOWN
        ],
        "delivery": last,
        "in_set": last.items.count() if last else 0,
        "files": delivery.files_state(last) if last else None,
        "open_changes": changes.of_delivery(last).filter(answered_at=None).count() if last else 0,
    }
