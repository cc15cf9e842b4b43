"""Originals on their way in: from a complete local file to a row that says it is safe.

Order of work: sum over the bytes, rename into the storage (synced), row last. The same bytes are stored once
within a visit; two visits share nothing, whatever their files are called.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from django.db import transaction
from django.utils.text import get_valid_filename

from listings import storing
from listings.models import Frame, VisitWork
from listings.queueing import queue
from studio import booking_states
from studio.errors import StaleState
from studio.models import Booking, User

# How long after the last frame a visit is settled when nobody says that it was the last.
QUIET_TIME = dt.timedelta(seconds=60)
# File systems take 255 bytes; a draft of the same name is a little longer.
LONGEST_NAME_BYTES = 200


def original_name(booking: Booking, sha256: str, name: str) -> str:
    """Name an original by its visit and its bytes; its own name comes last, for people who look there."""
    own = get_valid_filename(storing.base_name(name)[-80:]).encode()[-LONGEST_NAME_BYTES:]
    return f"originals/{booking.public_id}/{sha256}/{own.decode(errors='ignore')}"


def known(booking: Booking, sha256: str) -> Frame | None:
    """Return the frame of this visit that has these very bytes."""
    return Frame.objects.filter(booking=booking, sha256=sha256).first()


def store(
    path: Path, *, booking: Booking, name: str, sha256: str, by: User | None, now: dt.datetime
) -> tuple[Frame, bool]:
    """Take a complete local file as an original of the visit; return its frame and whether it is new.

    The file is moved away. Safe to run again after a stop at any point: the name follows from the bytes.
    """
    if (frame := known(booking, sha256)) and storing.exists(frame.file):
        path.unlink(missing_ok=True)
        return frame, False
    size = path.stat().st_size
    stored = storing.put(path, original_name(booking, sha256, name))
    return record(booking, sha256=sha256, name=name, size=size, stored=stored, by=by, now=now)


def record(
    booking: Booking, *, sha256: str, name: str, size: int, stored: str, by: User | None, now: dt.datetime
) -> tuple[Frame, bool]:
    """Write the row of an original whose bytes are in the storage, and let the work begin."""
    with transaction.atomic():
        frame, is_new = Frame.objects.get_or_create(
            booking=booking,
            sha256=sha256,
            defaults={"name": storing.base_name(name), "size": size, "file": stored, "stored_at": now},
        )
        if is_new:
            due_later(booking, now=now)
            queue("read_frame", frame.pk)
    if is_new:
        _begin_visit(booking, by=by, now=now)
    return frame, is_new


def due_later(booking: Booking, *, now: dt.datetime) -> None:
    """Settle the visit when no more frames have come for a while."""
    due_at = now + QUIET_TIME
    VisitWork.objects.update_or_create(booking=booking, defaults={"due_at": due_at, "reason": ""})


def due_now(booking: Booking, *, now: dt.datetime) -> None:
    """Settle the visit at once: the drop or the card is complete."""
    with transaction.atomic():
        work, _ = VisitWork.objects.update_or_create(
            booking=booking, defaults={"due_at": now, "reason": "", "attempts": 0}
        )
        queue("settle_visit", work.pk)


def _begin_visit(booking: Booking, *, by: User | None, now: dt.datetime) -> None:
    """The first frame means that the visit is under way, if nobody said so before."""
    booking.refresh_from_db(fields=["state"])
    if booking.state == Booking.State.AGREED:
        try:
            booking_states.move(booking, Booking.State.UNDER_WAY, by=by, now=now)
        except StaleState:
            return
