"""Mails: written into the database first, sent by a worker afterwards when SMTP is set.

Without SMTP every mail is kept and shown on the mail page. A mail goes out at least once: should a worker
die between the server's "accepted" and our row, it goes twice, under the same Message-ID.
"""

from __future__ import annotations

import datetime as dt
import errno
import smtplib
import socket
from collections.abc import Iterable
from email import encoders
from email.mime.base import MIMEBase
from email.utils import formataddr
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.db import transaction
from django.db.models import Q

from studio import documents
from studio.errors import StaleState, StudioError
from studio.models import Booking, Business, CreditNote, Invoice, Message, MessageAttachment
from studio.queueing import queue

if TYPE_CHECKING:
    from django.db.models import QuerySet

Attachment = tuple[str, bytes | str, str]

CLAIM = dt.timedelta(minutes=3)
# After a passing error the next try waits this long; after the last one the mail has failed.
WAITS = tuple(dt.timedelta(minutes=minutes) for minutes in (1, 5, 15, 60, 180, 360, 720))
# Links in secret mails work for a day at most; later such a mail is of no use to anyone.
SECRET_LASTS = dt.timedelta(days=1)
ATTACHMENTS_LIMIT_BYTES = 5_000_000
PASSING_ERRNOS = frozenset(
    {errno.ECONNREFUSED, errno.ECONNRESET, errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EPIPE}
)


class CannotSend(StudioError):
    """This mail can't be sent again."""


def send(
    kind: str,
    *,
    to: str,
    subject: str,
    body: str,
    booking: Booking | None = None,
    attachments: Iterable[Attachment] = (),
    secret: bool = False,
    invoice: Invoice | None = None,
    credit_note: CreditNote | None = None,
    now: dt.datetime,
) -> Message:
    """Write a mail into the database, in the caller's transaction; a worker sends it after the commit.

    `attachments` are (name, content, content type). The PDF of `invoice` or `credit_note` goes with the mail
    and is made first if it isn't there yet. `secret`: the body carries a link that signs in; it isn't kept
    once the mail is sent.
    """
    files = [(name, _as_bytes(content), content_type) for name, content, content_type in attachments]
    if (size := sum(len(content) for _, content, _ in files)) > ATTACHMENTS_LIMIT_BYTES:
        raise ValueError(f"attachments: need at most {ATTACHMENTS_LIMIT_BYTES} bytes, got {size}")
    with transaction.atomic():
        message = Message.objects.create(
            kind=kind,
            to=to,
            subject=" ".join(subject.split())[:240],
            body=body,
            is_secret=secret,
            attachments=[{"name": name, "type": content_type} for name, _, content_type in files],
            booking=booking,
            invoice=invoice,
            credit_note=credit_note,
            state=Message.State.WAITING if settings.SMTP_HOST else Message.State.KEPT,
            created_at=now,
        )
        MessageAttachment.objects.bulk_create(
            MessageAttachment(message=message, name=name, content_type=content_type, content=content)
            for name, content, content_type in files
        )
        if message.state == Message.State.WAITING:
            queue("deliver_message", message.pk)
    return message


def send_again(message: Message, *, now: dt.datetime) -> Message:
    """Send a mail once more: one that was kept or failed goes out itself, a sent one as a new mail."""
    if not settings.SMTP_HOST:
        raise CannotSend(
            "Mails can't leave yet: no SMTP server is set. They are kept here and can be copied."
        )
    if message.is_secret:
        raise CannotSend("A sign-in mail isn't sent twice. The agent can ask for a new link.")
    if message.state == Message.State.SENT:
        return send(
            message.kind,
            to=message.to,
            subject=message.subject,
            body=message.body,
            booking=message.booking,
            attachments=[(file.name, bytes(file.content), file.content_type) for file in message.files.all()],
            invoice=message.invoice,
            credit_note=message.credit_note,
            now=now,
        )
    with transaction.atomic():
        changed = Message.objects.filter(
            pk=message.pk, state__in=(Message.State.KEPT, Message.State.FAILED)
        ).update(state=Message.State.WAITING, attempts=0, claimed_until=None, failed_reason="")
        if not changed:
            raise StaleState("This mail is on its way already.")
        queue("deliver_message", message.pk)
    message.refresh_from_db()
    return message


def deliver(message_pk: int, *, now: dt.datetime) -> None:
    """Send one waiting mail. Safe to call twice: one worker claims the row, a sent mail is left alone."""
    if not settings.SMTP_HOST or not _waiting(now).filter(pk=message_pk).update(claimed_until=now + CLAIM):
        return
    message = Message.objects.select_related("invoice", "credit_note").get(pk=message_pk)
    message.attempts += 1
    if message.is_secret and now - message.created_at > SECRET_LASTS:
        _end(message, failed="The link in it ran out before the mail could be sent.")
        return
    try:
        _compose(message, now=now).send()
    except Exception as error:
        if not is_passing(error):
            _end(message, failed=reason_of(error))
        elif message.attempts > len(WAITS):
            _end(message, failed=f"Given up after {message.attempts} tries. {reason_of(error)}")
        else:
            _put_off(message, error, until=now + WAITS[message.attempts - 1])
    else:
        _end(message, sent_at=now)


def waiting(now: dt.datetime) -> list[int]:
    """Return the ids of mails that nobody is sending now and whose time has come. For the sweep."""
    return list(_waiting(now).values_list("pk", flat=True)) if settings.SMTP_HOST else []


def forget_secrets(now: dt.datetime) -> int:
    """Wipe the bodies of sign-in mails whose link is long of no use. For the sweep."""
    old = Message.objects.filter(is_secret=True, created_at__lt=now - SECRET_LASTS).exclude(body="")
    return old.exclude(state=Message.State.WAITING).update(body="")


def _waiting(now: dt.datetime) -> QuerySet[Message]:
    is_free = Q(claimed_until=None) | Q(claimed_until__lte=now)
    return Message.objects.filter(is_free, state=Message.State.WAITING)


def _end(message: Message, *, sent_at: dt.datetime | None = None, failed: str = "") -> None:
    changes: dict[str, object] = {"body": ""} if message.is_secret else {}
    Message.objects.filter(pk=message.pk).update(
        state=Message.State.FAILED if failed else Message.State.SENT,
        sent_at=sent_at,
        attempts=message.attempts,
        claimed_until=None,
        failed_reason=failed[:300],
        **changes,
    )


def _put_off(message: Message, error: Exception, *, until: dt.datetime) -> None:
    Message.objects.filter(pk=message.pk).update(
        attempts=message.attempts, claimed_until=until, failed_reason=reason_of(error)[:300]
    )


# --- the mail itself --------------------------------------------------------------------------------


def _compose(message: Message, *, now: dt.datetime) -> EmailMessage:
    business = Business.current()
    host = urlsplit(settings.PUBLIC_URL).hostname
    mail = EmailMessage(
        subject=message.subject,
        body=message.body,
        from_email=formataddr((business.name, settings.DEFAULT_FROM_EMAIL)),
        to=[message.to],
        reply_to=[business.email] if business.email else [],
        headers={"Message-ID": f"<{message.public_id}@{host}>", "Auto-Submitted": "auto-generated"},
        connection=get_connection(),
    )
    for file in message.files.all():
        mail.attach(_part(file.name, bytes(file.content), file.content_type))
    for document in (message.invoice, message.credit_note):
        if document is not None:
            content = documents.pdf_bytes(document, now=now)
            mail.attach(_part(f"{document.number}.pdf", content, "application/pdf"))
    return mail


def _part(name: str, content: bytes, content_type: str) -> MIMEBase:
    """Return an attachment that keeps the parameters of its type, such as a calendar's method."""
    essence, *parameters = [piece.strip() for piece in content_type.split(";")]
    part = MIMEBase(*essence.split("/", 1))
    for parameter in parameters:
        key, _, value = parameter.partition("=")
        part.set_param(key.strip(), value.strip().strip('"'))
    part.set_payload(content)
    encoders.encode_base64(part)
    part.add_header("Content-Disposition", "attachment", filename=name)
    return part


def _as_bytes(content: bytes | str) -> bytes:
    return content.encode() if isinstance(content, str) else bytes(content)


# --- what went wrong --------------------------------------------------------------------------------


def is_passing(error: Exception) -> bool:
    """Say whether the same mail may well go out later: the server is away, busy, or asks to come back."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return all(400 <= code < 500 for code, _ in error.recipients.values())
    if isinstance(error, smtplib.SMTPServerDisconnected | smtplib.SMTPConnectError | documents.PdfNotMade):
        return True
    if isinstance(error, smtplib.SMTPResponseException):
        return 400 <= error.smtp_code < 500
    if isinstance(error, socket.gaierror):
        return error.errno == socket.EAI_AGAIN
    return isinstance(error, TimeoutError) or (isinstance(error, OSError) and error.errno in PASSING_ERRNOS)


def reason_of(error: Exception) -> str:
    """Say in a sentence why a mail did not go out."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        code, words = next(iter(error.recipients.values()))
        return f"The mail server refused the address: {code} {_text(words)}"
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"The mail server refused our name or password: {error.smtp_code} {_text(error.smtp_error)}"
    if isinstance(error, smtplib.SMTPResponseException):
        return f"The mail server answered {error.smtp_code} {_text(error.smtp_error)}"
    if isinstance(error, StudioError):
        return str(error)
    return f"The mail server could not be reached or broke off: {error or type(error).__name__}"


def _text(words: bytes | str) -> str:
    return words.decode(errors="replace") if isinstance(words, bytes) else str(words)
