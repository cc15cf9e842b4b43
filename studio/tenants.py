"""Asking a tenant for consent, and keeping what the tenant said."""

from __future__ import annotations

import datetime as dt

from django.db import transaction

from studio import consents, letters, records
from studio.errors import StaleState
from studio.models import Booking, Business, Consent, User


def ask(booking: Booking, to: str, *, by: User, now: dt.datetime) -> None:
    """Mail the tenant the page on which to answer."""
    business = Business.current()
    with transaction.atomic():
        letters.to_household(
            booking,
            to,
            "consent",
            "Pictures of your home",
            f"{business.name} is asked by {booking.client} to take pictures of the home you live in, to sell "
            f"or let it. Do you agree? What you would agree to, and the answer, are one page:\n\n"
            f"{consents.address(booking)}\n\nWithout your yes no picture is handed over.",
            now=now,
        )
        records.note("asked the tenant", booking=booking, user=by, now=now, to=to)


def answer_by_link(booking: Booking, name: str, *, is_given: bool, seen: str, now: dt.datetime) -> Consent:
    """Keep what was answered on the tenant's page, and tell the business; `seen` names the text shown there.

    The same answer of the same person again is no second record. Raises StaleState when the text has changed
    since it was shown.
    """
    business = Business.current()
    text = consents.text_of(booking, business)
    if seen != consents.digest(text):
        raise StaleState("The text has changed meanwhile. Please read it again; no answer was kept.")
    with transaction.atomic():
        Booking.objects.select_for_update().get(pk=booking.pk)
        last = Consent.objects.filter(booking=booking).first()
        if last and (last.is_given, last.name, last.text) == (is_given, name, text):
            return last
        answer = _write(
            booking, name, business, is_given=is_given, how=Consent.How.LINK, text=text,
            on=now.astimezone(business.zone).date(), by=None, now=now,
        )  # fmt: skip
        letters.consent_answered(answer, now=now)
    return answer


def write_down(
    booking: Booking,
    name: str,
    *,
    is_given: bool,
    how: str,
    on: dt.date,
    note: str,
    by: User,
    now: dt.datetime,
) -> Consent:
    """Staff keep an answer that came another way."""
    business = Business.current()
    text = consents.text_of(booking, business)
    with transaction.atomic():
        return _write(
            booking, name, business, is_given=is_given, how=how, text=text, on=on, note=note, by=by, now=now
        )


def _write(
    booking: Booking,
    name: str,
    business: Business,
    *,
    is_given: bool,
    how: str,
    text: str,
    on: dt.date,
    by: User | None,
    now: dt.datetime,
    note: str = "",
) -> Consent:
    answer: Consent = Consent.objects.create(
        booking=booking, is_given=is_given, name=name, how=how, answered_on=on, text=text, note=note,
        recorded_at=now, recorded_by=by,
    )  # fmt: skip
    verb = "the tenant agreed" if is_given else "the tenant said no"
    records.note(verb, booking=booking, user=by, now=now, name=name, how=how)
    return answer
