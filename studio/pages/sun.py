"""The page of the sun: one day's light at a home or anywhere, drawn and in words."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from studio import access, sun_strip, sunlight
from studio.forms.sun import SunForm
from studio.models import Booking, Business, Property


@access.staff_only
@require_safe
def anywhere(request: HttpRequest) -> HttpResponse:
    """Any place, any day; the business's own place today when nothing is asked."""
    return _page(request, None)


@access.staff_only
@require_safe
def of_booking(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The home and the day of a booking, to begin with."""
    return _page(request, access.booking_for_staff(request, public_id))


def _page(request: HttpRequest, booking: Booking | None) -> HttpResponse:
    business, now = Business.current(), timezone.now()
    start = booking.starts_at.astimezone(business.zone) if booking and booking.starts_at else None
    begin: dict[str, Any] = {
        "on": start.date() if start else now.astimezone(business.zone).date(),
        "point": booking.home.point if booking else None,
        "front": booking.home.front_bearing_deg if booking else None,
        "zone": business.time_zone,
    }
    form = SunForm(request.GET if "on" in request.GET else None, initial=begin)
    if form.is_bound:
        form.is_valid()
        found = {name: form.good(name) for name in begin}
        on, zone = found["on"] or begin["on"], ZoneInfo(found["zone"] or business.time_zone)
    else:
        found, on, zone = begin, begin["on"], business.zone
    is_home = booking is not None and found["point"] == booking.home.point
    home = booking.home if booking is not None and is_home else None
    spot = _spot(found["point"], business, home)
    context: dict[str, Any] = {"booking": booking, "form": form, "spot": spot, "on": on, "zone": zone.key}
    if spot is not None and not form.errors:
        light = sunlight.light(spot, on, bearing_deg=found["front"], business=business, zone=zone)
        visit = None
        if start and booking and booking.ends_at and is_home and start.astimezone(zone).date() == on:
            visit = (start.astimezone(zone), booking.ends_at.astimezone(zone))
        context |= {
            "light": light,
            "strips": sun_strip.strips(light.day, visit),
            "visit": visit,
            "marks": light.marks(*visit) if visit else (),
            "before": on - dt.timedelta(days=1),
            "after": on + dt.timedelta(days=1),
            "rest": _rest(request, found),
        }
    return render(request, "studio/sun.html", context)


def _spot(point: sunlight.Point | None, business: Business, home: Property | None) -> sunlight.Where | None:
    if home is not None:
        return sunlight.where(point, business, postcode=home.postcode)
    if point is not None:
        return sunlight.Where(point, "the map point written here")
    spot = sunlight.where(point, business)
    return sunlight.Where(spot.point, "our own place") if spot else None


def _rest(request: HttpRequest, found: dict[str, Any]) -> str:
    """Return what else the address asks for, so that the next day keeps it."""
    asked = request.GET.copy()
    asked.pop("on", None)
    if not asked:
        point, front = found["point"], found["front"]
        asked["point"] = f"{point[0]},{point[1]}" if point else ""
        asked["front"] = "" if front is None else f"{front:g}"
        asked["zone"] = found["zone"]
    return asked.urlencode()
