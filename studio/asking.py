"""From a visitor's request to a booking.

A request needs no account. What a stranger sends is kept as a BookingRequest and takes no time from anybody;
a mail with a link goes to the address that was given. The button behind the link (or staff, who have the
person on the telephone) makes the client, the home and the booking, takes the wanted time, and leaves the
booking asked for; a known client's is agreed at once. An agent who is signed in skips the mail, and has the
time kept for a while from choosing it (`studio.holding`). Prices and terms are those that stood on the page
when the request was sent.
"""

from __future__ import annotations

import base64
import datetime as dt
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db import transaction

from studio import access_notes, booking_states, diary, holding, letters, quoting, records, sealing
from studio.errors import NotFree, StaleState
from studio.models import Agency, Booking, BookingRequest, Client, Property, Terms, User

State = Booking.State

LASTS = dt.timedelta(hours=24)
PER_DAY_FROM_AN_ADDRESS = 10
PER_DAY_FOR_A_MAILBOX = 5


@dataclass(frozen=True)
class Asked:
    """A request as the form read it."""

    name: str
    email: str
    phone: str
    agency: str
    home: dict[str, Any]
    quote: quoting.Quote
    wants_outside: bool
    wanted_at: dt.datetime | None
    terms: Terms | None
    wishes: str = ""
    access_contact: str = ""
    access_note: str = ""
    extras: list[str] = field(default_factory=list)


def too_many(email: str, asked_from: str, *, now: dt.datetime) -> bool:
    """Say whether enough requests came from this network address or for this mailbox within a day."""
    today = BookingRequest.objects.filter(created_at__gt=now - dt.timedelta(days=1))
    return (
        today.filter(asked_from=asked_from or None).count() >= PER_DAY_FROM_AN_ADDRESS
        or today.filter(email__iexact=email).count() >= PER_DAY_FOR_A_MAILBOX
    )


def keep(asked: Asked, *, asked_from: str, now: dt.datetime) -> BookingRequest:
    """Keep a stranger's request and mail the link that confirms it."""
    with transaction.atomic():
        request = _write(asked, asked_from=asked_from, now=now)
        letters.confirm_request(request, now=now)
    return request


def ask_as(client: Client, asked: Asked, *, now: dt.datetime, hold: UUID | None = None) -> Booking:
    """Ask on behalf of a client who is signed in: the mailbox is theirs already.

    `hold` kept the time until now; the booking takes its place.
    """
    with transaction.atomic():
        request = _write(asked, asked_from="", now=now)
        booking = _make_booking(request, client, by=client, now=now)
        holding.release(client, hold)
        return booking


def confirm(request: BookingRequest, *, by: User | None = None, now: dt.datetime) -> Booking:
    """Make the booking of a request: by the mailed link's button, or by staff (`by`).

    Pressing twice gives the same booking. When the wanted time is gone meanwhile the booking is there
    without a time, and its page offers the next free ones.
    """
    with transaction.atomic():
        locked = BookingRequest.objects.select_for_update().get(pk=request.pk)
        if locked.booking is not None:
            return locked.booking
        if locked.declined_at is not None or (by is None and now >= locked.expires_at):
            raise StaleState("This request is over. Ask again: it takes two minutes, and prices are live.")
        return _make_booking(locked, _client_for(locked, now=now), by=by, now=now)


def decline(request: BookingRequest, *, by: User, now: dt.datetime) -> None:
    """Staff put a request aside (spam, or a mistake)."""
    if BookingRequest.objects.filter(pk=request.pk, booking=None, declined_at=None).update(declined_at=now):
        records.note("put a request aside", user=by, now=now, name=request.name, email=request.email)


def forget_old(*, now: dt.datetime) -> int:
    """Delete requests that nobody confirmed within thirty days, and the network addresses of older ones."""
    month_ago = now - dt.timedelta(days=30)
    BookingRequest.objects.filter(created_at__lt=now - dt.timedelta(days=2)).exclude(asked_from=None).update(
        asked_from=None
    )
    return BookingRequest.objects.filter(booking=None, created_at__lt=month_ago).delete()[0]


def _write(asked: Asked, *, asked_from: str, now: dt.datetime) -> BookingRequest:
    return BookingRequest.objects.create(
        name=asked.name,
        email=asked.email.lower(),
        answers={
            "phone": asked.phone,
            "agency": asked.agency,
            "home": asked.home,
            "lines": quoting.as_json(asked.quote.lines),
            "wants_outside": asked.wants_outside,
            "wishes": asked.wishes,
            "access_contact": asked.access_contact,
            "access_note": _sealed(asked.access_note),
        },
        wanted_at=asked.wanted_at,
        terms=asked.terms,
        terms_accepted_at=now if asked.terms else None,
        asked_from=asked_from or None,
        created_at=now,
        expires_at=now + LASTS,
    )


def _client_for(request: BookingRequest, *, now: dt.datetime) -> Client:
    """Return the client of this mailbox, made when new; what is known of a client is never overwritten."""
    if client := Client.objects.filter(email__iexact=request.email).first():
        return client
    client, _ = Client.objects.get_or_create(
        email=request.email,
        defaults={
            "name": request.name,
            "phone": request.answers.get("phone", ""),
            "agency": agency_named(request.answers.get("agency", "")),
            "created_at": now,
        },
    )
    return client


def agency_named(name: str) -> Agency | None:
    """Return the agency of this name in any case of letters, made when new; None without a name."""
    if not (name := name.strip()):
        return None
    return Agency.objects.filter(name__iexact=name).first() or Agency.objects.get_or_create(name=name)[0]


def _make_booking(
    request: BookingRequest, client: Client, *, by: User | Client | None, now: dt.datetime
) -> Booking:
    answers = request.answers
    booking = Booking.objects.create(
        home=Property.objects.create(**answers["home"]),
        client=client,
        wishes=answers["wishes"],
        access_contact=answers["access_contact"],
        wants_outside=answers["wants_outside"],
        terms=request.terms,
        terms_accepted_at=request.terms_accepted_at,
        created_at=now,
    )
    quoting.write_lines(booking, quoting.from_json(answers["lines"]))
    records.note_by("asked for a visit", by or client, booking=booking, now=now)
    if sealed := answers.get("access_note"):
        access_notes.write(booking, sealing.unseal(base64.b64decode(sealed)), by=by or client, now=now)
    if request.wanted_at:
        try:
            diary.take_any(booking, request.wanted_at, now=now, by=by or client)
        except NotFree as error:
            records.note_by("the wanted time was gone", None, booking=booking, now=now, why=str(error))
    # The sealed note now lies with the booking alone.
    request.answers = answers | {"access_note": ""}
    request.booking = booking
    request.save(update_fields=["answers", "booking"])
    if booking.starts_at and (client.is_known or isinstance(by, User)):
        booking_states.move(booking, State.AGREED, by=by if isinstance(by, User) else None, now=now)
        letters.agreed(booking, now=now)
    else:
        letters.asked(booking, now=now)
    return booking


def _sealed(text: str) -> str:
    return base64.b64encode(sealing.seal(text)).decode("ascii") if text.strip() else ""
