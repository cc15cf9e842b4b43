"""How to get in: written sealed, read by the few who need it, every look recorded."""

from __future__ import annotations

import datetime as dt

from studio import records, sealing
from studio.models import AccessNote, Booking, Client, User


def write(booking: Booking, text: str, *, by: User | Client | None, now: dt.datetime) -> None:
    """Seal the note of a booking; an empty text takes the note away."""
    text = text.strip()
    if not text:
        AccessNote.objects.filter(booking=booking).delete()
        records.note_by("removed the access note", by, booking=booking, now=now)
        return
    AccessNote.objects.update_or_create(
        booking=booking, defaults={"sealed": sealing.seal(text), "written_at": now, "wiped_at": None}
    )
    records.note_by("wrote the access note", by, booking=booking, now=now)


def read(booking: Booking, *, by: User, now: dt.datetime) -> str:
    """Open the note and record who looked; empty when there is none or it was wiped."""
    note = AccessNote.objects.filter(booking=booking, wiped_at=None).first()
    if note is None or not note.sealed:
        return ""
    records.note_by("read the access note", by, booking=booking, now=now)
    return sealing.unseal(bytes(note.sealed))


def of(booking: Booking) -> AccessNote | None:
    """Return the note's row, its text still sealed."""
    return AccessNote.objects.filter(booking=booking).first()
