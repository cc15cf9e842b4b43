"""What the studio's rows still wait for: run every half minute, by `serve` or by beat."""

from __future__ import annotations

import datetime as dt

from django.db.models import Q

from studio import asking, booking_states, documents, holding, invoicing, mailing, records, reminders
from studio.models import AccessNote, Booking, Business
from studio.queueing import queue


def run(now: dt.datetime) -> None:
    """Queue PDFs and mails, end holds, close paid bookings, send reminders, wipe what should not be kept."""
    for kind, pk in documents.missing_pdfs(now):
        queue("make_pdf", kind, pk)
    for pk in mailing.waiting(now):
        queue("deliver_message", pk)
    mailing.forget_secrets(now)
    booking_states.end_holds(now=now)
    holding.forget_ended(now=now)
    asking.forget_old(now=now)
    invoicing.close_paid(now=now)
    reminders.send_due(now=now)
    wipe_access_notes(now)


def wipe_access_notes(now: dt.datetime) -> int:
    """Wipe how to get into homes some days after the visit, or after the booking was called off."""
    before = now - dt.timedelta(days=Business.current().access_note_days)
    is_over = Q(booking__ends_at__lt=before) | Q(
        booking__state=Booking.State.CALLED_OFF, booking__changed_at__lt=before
    )
    wiped = 0
    for note in AccessNote.objects.filter(is_over, wiped_at=None).select_related("booking"):
        if AccessNote.objects.filter(pk=note.pk, wiped_at=None).update(sealed=b"", wiped_at=now):
            records.note("wiped the access note", booking=note.booking, now=now)
            wiped += 1
    return wiped
