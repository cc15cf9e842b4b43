"""Mails over a real connection: a small mail server that takes, puts off, refuses or hangs up."""

from __future__ import annotations

import email
import email.policy
import socketserver
import threading
from collections.abc import Iterator
from email.message import EmailMessage
from typing import Any

import pytest

from studio import invoice_letters, invoicing, mailing
from studio.models import Message
from tests.factories import NOW, make_booking, make_business

pytestmark = pytest.mark.django_db


class Conversation(socketserver.StreamRequestHandler):
    """The server's side of RFC 5321, as far as a client that sends one mail needs it."""

    server: MailServer

    def handle(self) -> None:
        self.say("220 mail.example ready")
        while line := self.rfile.readline():
            verb = line.decode().split(maxsplit=1)[0].upper()
            if verb == "QUIT":
                self.say("221 bye")
                return
            if verb == "RCPT" and self.server.answer != "250 ok":
                if self.server.answer == "hang up":
                    return
                self.say(self.server.answer)
            elif verb == "DATA":
                self.say("354 go on")
                self.take()
            else:
                self.say("250 ok")

    def take(self) -> None:
        lines = []
        while (line := self.rfile.readline()) != b".\r\n":
            lines.append(line[1:] if line.startswith(b"..") else line)
        self.server.taken.append(b"".join(lines))
        self.say("250 taken")

    def say(self, text: str) -> None:
        self.wfile.write(f"{text}\r\n".encode())


class MailServer(socketserver.ThreadingTCPServer):
    daemon_threads = True
    allow_reuse_address = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Conversation)
        self.answer = "250 ok"
        self.taken: list[bytes] = []

    def mails(self) -> list[EmailMessage]:
        return [email.message_from_bytes(raw, policy=email.policy.default) for raw in self.taken]  # type: ignore[misc]


@pytest.fixture
def server(settings: Any) -> Iterator[MailServer]:
    make_business(name="Plumb & Lantern – Bilder")
    with MailServer() as running:
        thread = threading.Thread(target=running.serve_forever, args=(0.05,))
        thread.start()
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.SMTP_HOST = settings.EMAIL_HOST = "127.0.0.1"
        settings.EMAIL_PORT = running.server_address[1]
        settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False
        settings.EMAIL_HOST_USER = settings.EMAIL_HOST_PASSWORD = ""
        settings.DEFAULT_FROM_EMAIL = "pictures@plumb-lantern.example"
        yield running
        running.shutdown()
        thread.join()


def delivered(**changed: Any) -> Message:
    values: dict[str, Any] = {
        "to": "cleo@tansy-rook.example",
        "subject": "Ihr Termin – Ζωή",
        "body": "Grüße aus Harrowmere\n.\nnach dem Punkt\n",
        "now": NOW,
    }
    message = mailing.send("agreed", **(values | changed))
    mailing.deliver(message.pk, now=NOW)
    message.refresh_from_db()
    return message


def test_a_mail_arrives_whole(server: MailServer) -> None:
    message = delivered(attachments=[("visit.ics", "BEGIN:VCALENDAR", "text/calendar; method=REQUEST")])
    assert message.state == Message.State.SENT
    (mail,) = server.mails()
    assert mail["Subject"] == "Ihr Termin – Ζωή"
    assert mail["From"] == "Plumb & Lantern – Bilder <pictures@plumb-lantern.example>"
    assert mail["Message-ID"].startswith(f"<{message.public_id}@")
    body = mail.get_body(("plain",))
    assert body is not None
    assert body.get_content().replace("\r\n", "\n") == "Grüße aus Harrowmere\n.\nnach dem Punkt\n"
    (part,) = mail.iter_attachments()
    assert part.get_filename() == "visit.ics"
    assert part["Content-Type"].params["method"] == "REQUEST"


def test_an_invoice_arrives_with_its_pdf(server: MailServer) -> None:
    invoice = invoicing.issue(make_booking(), by=None, now=NOW)
    message = invoice_letters.send_invoice(invoice, by=None, now=NOW)
    mailing.deliver(message.pk, now=NOW)
    (part,) = server.mails()[0].iter_attachments()
    assert part.get_content_type() == "application/pdf"
    assert part.get_content().startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("answer", "state", "words"),
    [
        ("451 come back later", Message.State.WAITING, "451 come back later"),
        ("550 no such user", Message.State.FAILED, "550 no such user"),
        ("hang up", Message.State.WAITING, "broke off"),
    ],
)
def test_a_refusal_is_kept_in_the_servers_words(
    server: MailServer, answer: str, state: str, words: str
) -> None:
    server.answer = answer
    message = delivered()
    assert (message.state, server.taken) == (state, [])
    assert words in message.failed_reason
    server.answer = "250 ok"
    mailing.deliver(message.pk, now=NOW + mailing.WAITS[0])
    assert len(server.taken) == (1 if state == Message.State.WAITING else 0)


def test_a_server_that_is_away_is_tried_again(server: MailServer, settings: Any) -> None:
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        settings.EMAIL_PORT = probe.getsockname()[1]
    assert delivered().state == Message.State.WAITING
