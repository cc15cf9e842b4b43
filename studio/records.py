"""The record of who did what: rows are added, never changed."""

from __future__ import annotations

import datetime as dt
from typing import Any

from studio.models import Booking, Client, Event, User


def note(
    verb: str,
    *,
    booking: Booking | None = None,
    user: User | None = None,
    client: Client | None = None,
    now: dt.datetime,
    **detail: Any,
) -> Event:
    """Write down one act; `detail` holds plain values (text, numbers, ISO times)."""
    return Event.objects.create(verb=verb, booking=booking, user=user, client=client, at=now, detail=detail)


def note_by(
    verb: str, by: User | Client | None, *, booking: Booking | None = None, now: dt.datetime, **detail: Any
) -> Event:
    """Write down an act of whoever acted: staff, agent, or the machine itself (None)."""
    user = by if isinstance(by, User) else None
    client = by if isinstance(by, Client) else None
    return note(verb, booking=booking, user=user, client=client, now=now, **detail)
