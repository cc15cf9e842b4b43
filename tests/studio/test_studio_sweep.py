"""The studio's sweep: what was lost on the way is found again, and a second run does nothing new."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from studio import invoicing, mailing, queueing, sweep
from studio.models import Booking, Invoice, Message
from tests.factories import NOW, make_booking, make_business

pytestmark = pytest.mark.django_db


@pytest.fixture
def queued(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """What the sweep puts on the queue."""
    found: list[tuple[Any, ...]] = []
    monkeypatch.setattr(sweep, "queue", lambda name, *args: found.append((name, *args)))
    return found


def test_missing_pdfs_and_unsent_mails_are_queued_again(settings: Any, queued: list[tuple[Any, ...]]) -> None:
    make_business()
    settings.SMTP_HOST = "mail.example"
    invoice = invoicing.issue(make_booking(), by=None, now=NOW)
    note = invoicing.credit(invoice, reason="Late", by=None, now=NOW)
    message = mailing.send("x", to="a@b.example", subject="s", body="b", now=NOW)
    sweep.run(NOW)
    assert set(queued) == {
        ("make_pdf", "invoice", invoice.pk),
        ("make_pdf", "credit_note", note.pk),
        ("deliver_message", message.pk),
    }


def test_what_is_done_or_being_done_is_left_alone(settings: Any, queued: list[tuple[Any, ...]]) -> None:
    make_business()
    settings.SMTP_HOST = "mail.example"
    invoicing.issue(make_booking(), by=None, now=NOW)
    Invoice.objects.update(pdf_claimed_until=NOW + dt.timedelta(minutes=1))
    for state in (Message.State.KEPT, Message.State.SENT, Message.State.FAILED):
        message = mailing.send("x", to="a@b.example", subject="s", body="b", now=NOW)
        Message.objects.filter(pk=message.pk).update(state=state)
    sweep.run(NOW)
    assert queued == []


def test_holds_end_and_paid_bookings_close(queued: list[tuple[Any, ...]]) -> None:
    make_business()
    held = make_booking(state=Booking.State.HELD, held_until=NOW - dt.timedelta(minutes=1))
    paid = make_booking(state=Booking.State.VISITED)
    invoicing.record_payment(invoicing.issue(paid, by=None, now=NOW), by=None, now=NOW)
    Booking.objects.filter(pk=paid.pk).update(state=Booking.State.SENT)
    for _ in range(2):
        sweep.run(NOW)
        held.refresh_from_db()
        paid.refresh_from_db()
        assert (held.state, paid.state) == (Booking.State.ASKED, Booking.State.CLOSED)


def test_a_broker_that_is_away_loses_nothing(monkeypatch: pytest.MonkeyPatch, caplog: Any) -> None:
    make_business()

    def refuse(*_: Any, **__: Any) -> None:
        raise ConnectionRefusedError("no broker")

    monkeypatch.setattr(queueing.app, "send_task", refuse)
    queueing._send("studio.make_pdf", ("invoice", 1))
    assert "the sweep will" in caplog.text
