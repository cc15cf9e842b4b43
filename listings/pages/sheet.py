"""The sheet at the desk: a visit's pictures by room."""

from __future__ import annotations

from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from listings import correcting, placing, progress, sheets
from listings.forms.desk import PlaceForm
from listings.models import Picture
from studio import access


@access.staff_only
@require_safe
def sheet(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Show one page of the sheet, filtered by one sentence."""
    booking = access.booking_for_staff(request, public_id)
    page = request.GET.get("page", "1")
    shown = sheets.build(
        booking,
        shows=request.GET.get("shows", "all"),
        room=request.GET.get("room", ""),
        page=int(page) if page.isascii() and page.isdigit() else 1,
    )
    return render(
        request,
        "listings/sheet.html",
        {
            "booking": booking,
            "sheet": shown,
            "query": urlencode({"shows": shown.shows, "room": shown.room}),
            "progress": progress.of(booking, now=timezone.now()),
        },
    )


@access.staff_only
@require_POST
def place(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Put marked pictures into a room, on a view, or back to 'not placed yet'."""
    booking = access.booking_for_staff(request, public_id)
    form = PlaceForm(booking, request.POST)
    if "by_ticks" in request.POST:
        count = placing.place(booking)
        messages.info(
            request, f"{count} picture{'s' if count != 1 else ''} placed by time and order of the ticks."
        )
    elif form.is_valid():
        data = form.cleaned_data
        placing.put(data["pictures"], room=data["room"], shot=data["shot"])
        where = data["shot"] or data["room"] or "not placed yet"
        count = len(data["pictures"])
        messages.info(request, f"{count} picture{'s' if count > 1 else ''}: {where}.")
    else:
        messages.error(request, " ".join(str(error) for error in form.non_field_errors()))
    return redirect(_back(request, public_id))


@access.staff_only
@require_POST
def remake(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Try one failed picture again."""
    picture = access_picture(request, public_id)
    correcting.try_again(Picture.objects.filter(pk=picture.pk), now=timezone.now())
    return redirect(_back(request, picture.booking.public_id))


def access_picture(request: HttpRequest, public_id: UUID) -> Picture:
    """Return the picture, to staff who may see its booking."""
    picture = get_object_or_404(sheets.light_rows(Picture.objects.all()), public_id=public_id)
    picture.booking = access.booking_for_staff(request, picture.booking.public_id)
    return picture


def _back(request: HttpRequest, public_id: UUID) -> str:
    """Return to the page of the sheet that was left; only addresses of the sheet itself count."""
    address = reverse("listings:sheet", args=[public_id])
    query = request.POST.get("query", "")
    return f"{address}?{query}" if query and "\n" not in query and "//" not in query else address
