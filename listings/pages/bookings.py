"""The booking page: everything about one job, from both floors."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from listings import changes, delivery, progress, visiting
from listings.models import Picture, ShotList, VisitNote
from studio import access

PICTURES_SHOWN = 12
NOTHING = "listings/_nothing.html"


@access.staff_only
@require_safe
def booking(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Facts, prices, shot list, frames and pictures, set, money, mail, events."""
    row = access.booking_for_staff(request, public_id)
    rows = visiting.stops(row)
    pictures = Picture.objects.filter(booking=row, correction__isnull=False).select_related(
        "correction", "room"
    )
    pictures = pictures.defer("analysis", "plan", "correction__report", "correction__plan")
    last = delivery.current(row)
    return render(
        request,
        "listings/booking.html",
        {
            "booking": row,
            "stops": rows,
            "shot_list": ShotList.objects.get(booking=row),
            "visit": visiting.progress(rows),
            "notes": VisitNote.objects.filter(booking=row).select_related("room", "written_by"),
            "progress": progress.of(row, now=timezone.now()),
            "pictures": pictures[:PICTURES_SHOWN],
            "delivery": last,
            "files": delivery.files_state(last) if last else None,
            "money_fragments": ["studio/money/_booking.html", NOTHING],
            "mail_fragments": ["studio/mail/_booking.html", NOTHING],
            "open_changes": changes.of_delivery(last).filter(answered_at=None).count() if last else 0,
        },
    )
