"""Mails: kept in the database, sent by a worker, tried again on passing errors only, secrets wiped."""

from __future__ import annotations

import datetime as dt
import smtplib
import socket
from typing import Any

import pytest
from django.core import mail as outbox
from django.core.mail import EmailMessage

from studio import documents, invoice_letters, invoicing, mailing
from studio.errors import StaleState
from studio.models import Invoice, Message
from tests.factories import NOW, make_booking, make_business

pytestmark = pytest.mark.django_db

TEMPORARY = smtplib.SMTPRecipientsRefused({"a@b.example": (451, b"Try later")})
FOREVER = smtplib.SMTPRecipientsRefused({"a@b.example": (550, b"No such user")})


@pytest.fixture(autouse=True)
def _business() -> None:
    make_business()


@pytest.fixture
def smtp(settings: Any) -> None:
    settings.SMTP_HOST = "mail.example"
    settings.DEFAULT_FROM_EMAIL = "pictures@plumb-lantern.example"
    settings.PUBLIC_URL = "https://pictures.example"


def written(**changed: Any) -> Message:
    values: dict[str, Any] = {
        "to": "cleo@tansy-rook.example",
        "subject": "Your visit is agreed",
        "body": "Hello Cleo,\n",
        "now": NOW,
    }
    return mailing.send("agreed", **(values | changed))


def fail_with(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    def refuse(self: EmailMessage, fail_silently: bool = False) -> int:
        raise error

    monkeypatch.setattr(EmailMessage, "send", refuse)


def test_without_smtp_a_mail_is_kept_and_nothing_is_sent() -> None:
    message = written()
    mailing.deliver(message.pk, now=NOW)
    message.refresh_from_db()
    assert (message.state, message.body) == (Message.State.KEPT, "Hello Cleo,\n")
    assert outbox.outbox == []
    assert mailing.waiting(NOW) == []


@pytest.mark.usefixtures("smtp")
def test_a_mail_goes_out_once_in_the_voice_of_the_business() -> None:
    message = written()
    assert message.state == Message.State.WAITING
    mailing.deliver(message.pk, now=NOW)
    mailing.deliver(message.pk, now=NOW)
    message.refresh_from_db()
    assert (message.state, message.sent_at) == (Message.State.SENT, NOW)
    (sent,) = outbox.outbox
    assert sent.from_email == "Plumb & Lantern <pictures@plumb-lantern.example>"
    assert sent.reply_to == ["studio@plumb-lantern.example"]
    assert sent.extra_headers["Message-ID"] == f"<{message.public_id}@pictures.example>"
    assert sent.body == "Hello Cleo,\n"


@pytest.mark.usefixtures("smtp")
@pytest.mark.django_db(transaction=True)
def test_a_mail_written_in_a_transaction_that_fails_is_never_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    from django.db import transaction

    from studio import queueing

    queued: list[Any] = []
    monkeypatch.setattr(queueing, "_send", lambda name, args: queued.append((name, args)))

    def write_and_break_off() -> None:
        with transaction.atomic():
            written()
            raise RuntimeError("the caller changed its mind")

    with pytest.raises(RuntimeError):
        write_and_break_off()
    assert not Message.objects.exists()
    assert queued == []
    message = written()
    assert queued == [("studio.deliver_message", (message.pk,))]


@pytest.mark.usefixtures("smtp")
def test_a_calendar_file_keeps_its_method() -> None:
    message = written(attachments=[("visit.ics", "BEGIN:VCALENDAR", "text/calendar; method=REQUEST")])
    mailing.deliver(message.pk, now=NOW)
    (part,) = [part for part in outbox.outbox[0].message().walk() if part.get_filename()]
    assert (part.get_content_type(), part.get_param("method")) == ("text/calendar", "REQUEST")
    assert part.get_filename() == "visit.ics"
    assert part.get_payload(decode=True) == b"BEGIN:VCALENDAR"
    assert message.attachments == [{"name": "visit.ics", "type": "text/calendar; method=REQUEST"}]


@pytest.mark.usefixtures("smtp")
def test_a_secret_body_is_wiped_once_it_is_sent() -> None:
    message = written(secret=True, body="https://pictures.example/sign-in/x/")
    mailing.deliver(message.pk, now=NOW)
    message.refresh_from_db()
    assert "sign-in" in outbox.outbox[0].body
    assert (message.state, message.body) == (Message.State.SENT, "")


def test_a_secret_body_is_kept_without_smtp_and_wiped_after_a_day() -> None:
    message = written(secret=True)
    mailing.forget_secrets(NOW + dt.timedelta(hours=23))
    message.refresh_from_db()
    assert message.body
    assert mailing.forget_secrets(NOW + dt.timedelta(hours=25)) == 1
    message.refresh_from_db()
    assert message.body == ""


@pytest.mark.usefixtures("smtp")
def test_a_secret_mail_whose_link_ran_out_is_not_sent_any_more() -> None:
    message = written(secret=True)
    mailing.deliver(message.pk, now=NOW + dt.timedelta(hours=25))
    message.refresh_from_db()
    assert (message.state, message.body, outbox.outbox) == (Message.State.FAILED, "", [])


@pytest.mark.usefixtures("smtp")
def test_a_passing_error_is_tried_again_later_and_the_reason_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    message = written()
    with monkeypatch.context() as patched:
        fail_with(patched, TEMPORARY)
        mailing.deliver(message.pk, now=NOW)
    message.refresh_from_db()
    assert (message.state, message.attempts) == (Message.State.WAITING, 1)
    assert "451 Try later" in message.failed_reason
    assert mailing.waiting(NOW) == []
    mailing.deliver(message.pk, now=NOW)  # too early: left alone
    assert outbox.outbox == []
    later = NOW + mailing.WAITS[0]
    assert mailing.waiting(later) == [message.pk]
    mailing.deliver(message.pk, now=later)
    message.refresh_from_db()
    assert (message.state, message.attempts, message.failed_reason) == (Message.State.SENT, 2, "")


@pytest.mark.usefixtures("smtp")
def test_a_mail_is_given_up_after_the_last_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    message, now = written(), NOW
    fail_with(monkeypatch, ConnectionRefusedError(111, "Connection refused"))
    for wait in (*mailing.WAITS, dt.timedelta()):
        mailing.deliver(message.pk, now=now)
        now += wait
    message.refresh_from_db()
    assert (message.state, message.attempts) == (Message.State.FAILED, len(mailing.WAITS) + 1)
    assert "Given up" in message.failed_reason


@pytest.mark.usefixtures("smtp")
def test_a_lasting_error_fails_at_once_with_its_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    message = written()
    fail_with(monkeypatch, FOREVER)
    mailing.deliver(message.pk, now=NOW)
    message.refresh_from_db()
    assert (message.state, message.attempts) == (Message.State.FAILED, 1)
    assert message.failed_reason == "The mail server refused the address: 550 No such user"


@pytest.mark.parametrize(
    ("error", "passes"),
    [
        (TEMPORARY, True),
        (FOREVER, False),
        (smtplib.SMTPServerDisconnected("closed"), True),
        (smtplib.SMTPConnectError(421, b"busy"), True),
        (smtplib.SMTPDataError(452, b"full"), True),
        (smtplib.SMTPDataError(554, b"spam"), False),
        (smtplib.SMTPAuthenticationError(535, b"bad password"), False),
        (smtplib.SMTPAuthenticationError(454, b"later"), True),
        (TimeoutError("timed out"), True),
        (socket.gaierror(socket.EAI_AGAIN, "try again"), True),
        (socket.gaierror(socket.EAI_NONAME, "unknown"), False),
        (ConnectionResetError(104, "reset"), True),
        (ValueError("a bug of ours"), False),
    ],
)
def test_only_named_errors_pass(error: Exception, passes: bool) -> None:
    """RFC 5321 4.2.1: 4yz is transient, 5yz permanent."""
    assert mailing.is_passing(error) is passes


@pytest.mark.usefixtures("smtp")
def test_a_mail_whose_worker_died_is_found_by_the_sweep() -> None:
    message = written()
    Message.objects.filter(pk=message.pk).update(claimed_until=NOW + mailing.CLAIM)
    assert mailing.waiting(NOW) == []
    assert mailing.waiting(NOW + mailing.CLAIM) == [message.pk]


@pytest.mark.usefixtures("smtp")
def test_an_invoice_mail_waits_for_its_pdf_and_carries_it() -> None:
    invoice = invoicing.issue(make_booking(), by=None, now=NOW)
    message = invoice_letters.send_invoice(invoice, by=None, now=NOW)
    mailing.deliver(message.pk, now=NOW)
    (sent,) = outbox.outbox
    (part,) = [part for part in sent.message().walk() if part.get_filename()]
    invoice = Invoice.objects.get(pk=invoice.pk)
    assert part.get_filename() == f"{invoice.number}.pdf"
    assert part.get_payload(decode=True) == documents.pdf_bytes(invoice, now=NOW)
    assert invoice_letters.link_path(invoice) in sent.body
    assert "€252.00" in sent.body


@pytest.mark.usefixtures("smtp")
def test_an_invoice_mail_whose_pdf_is_being_made_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    invoice = invoicing.issue(make_booking(), by=None, now=NOW)
    Invoice.objects.filter(pk=invoice.pk).update(pdf_claimed_until=NOW + dt.timedelta(minutes=1))
    message = invoice_letters.send_invoice(invoice, by=None, now=NOW)
    mailing.deliver(message.pk, now=NOW)
    message.refresh_from_db()
    assert (message.state, outbox.outbox) == (Message.State.WAITING, [])
    assert "being made" in message.failed_reason


@pytest.mark.usefixtures("smtp")
def test_sending_again_makes_a_new_mail_of_a_sent_one_and_revives_a_failed_one() -> None:
    message = written(attachments=[("visit.ics", b"x", "text/calendar")])
    mailing.deliver(message.pk, now=NOW)
    message.refresh_from_db()
    again = mailing.send_again(message, now=NOW)
    assert again.pk != message.pk
    mailing.deliver(again.pk, now=NOW)
    assert len(outbox.outbox) == 2
    Message.objects.filter(pk=again.pk).update(state=Message.State.FAILED, failed_reason="550")
    again.refresh_from_db()
    revived = mailing.send_again(again, now=NOW)
    assert (revived.pk, revived.state, revived.failed_reason) == (again.pk, Message.State.WAITING, "")
    with pytest.raises(StaleState, match="on its way"):
        mailing.send_again(again, now=NOW)


@pytest.mark.usefixtures("smtp")
def test_a_sign_in_mail_is_not_sent_again() -> None:
    with pytest.raises(mailing.CannotSend, match="new link"):
        mailing.send_again(written(secret=True), now=NOW)


def test_without_smtp_sending_again_says_why_not() -> None:
    with pytest.raises(mailing.CannotSend, match="no SMTP"):
        mailing.send_again(written(), now=NOW)


def test_mails_kept_before_smtp_was_set_stay_where_they_are(settings: Any) -> None:
    message = written()
    settings.SMTP_HOST = "mail.example"
    assert mailing.waiting(NOW) == []
    mailing.deliver(message.pk, now=NOW)
    assert outbox.outbox == []


def test_a_line_break_in_a_subject_makes_no_header() -> None:
    assert written(subject="Hello\nBcc: x@y.example").subject == "Hello Bcc: x@y.example"


def test_too_large_attachments_are_refused() -> None:
    with pytest.raises(ValueError, match="at most"):
        written(
            attachments=[("x.bin", b"x" * (mailing.ATTACHMENTS_LIMIT_BYTES + 1), "application/octet-stream")]
        )
