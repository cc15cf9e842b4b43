"""The lists that pages ask for: found by a sentence, or by what is due."""

from __future__ import annotations

import datetime as dt
from typing import Any

from studio import diary
from studio.models import Booking, Business
from studio.models.querysets import BookingQuerySet

State = Booking.State


def bookings(wanted: dict[str, Any], *, now: dt.datetime) -> BookingQuerySet:
    """Return the bookings that the sentence describes; an empty part of it narrows nothing."""
    rows = Booking.objects.with_people().order_by("-starts_at", "-pk")
    which = wanted.get("which") or "all"
    if which == "open":
        rows = rows.filter(state__in=[State.ASKED, State.HELD, State.VISITED, State.SENT])
    elif which == "coming":
        rows = rows.filter(state=State.AGREED, starts_at__gte=now).order_by("starts_at")
    elif which in State.values:
        rows = rows.filter(state=which)
    if span := _span(wanted.get("when") or "", now):
        rows = rows.filter(starts_at__gte=span[0], starts_at__lt=span[1])
    if who := wanted.get("who"):
        rows = rows.of(who)
    return rows.matching(wanted.get("q") or "")


def _span(when: str, now: dt.datetime) -> tuple[dt.datetime, dt.datetime] | None:
    """Return the beginning and end of this week, month or year by the business's clock."""
    zone = Business.current().zone
    today = now.astimezone(zone).date()
    if when == "week":
        first = today - dt.timedelta(days=today.weekday())
        last = first + dt.timedelta(days=7)
    elif when == "month":
        first = today.replace(day=1)
        last = (first + dt.timedelta(days=32)).replace(day=1)
    elif when == "year":
        first, last = today.replace(month=1, day=1), today.replace(year=today.year + 1, month=1, day=1)
    else:
        return None
    return diary.at(first, dt.time(0), zone), diary.at(last, dt.time(0), zone)
