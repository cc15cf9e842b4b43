"""The tenant's consent to pictures of a home: what it says, and whether it stands."""

from __future__ import annotations

import hashlib

from django.conf import settings
from django.urls import reverse

from studio import tokens
from studio.models import Booking, Business, Consent, Property

# A starting text, the owner's to change; no source, not legal advice.
DEFAULT_TEXT = """\
I live in this home. I agree that pictures of it are taken, in which my furniture and other things may be \
seen, and that they are published to sell or let this home.

Family pictures, papers, screens and whatever else I name stay out of the pictures or are made unreadable.

I can take this back for pictures that are not published yet by answering "No" on this page. Saying no has \
no consequences for my tenancy."""


def is_needed(booking: Booking) -> bool:
    return booking.home.occupied_by == Property.Occupied.TENANT


def latest(booking: Booking) -> Consent | None:
    """Return the last answer; that of the first visit holds for a second one too."""
    answer: Consent | None = Consent.objects.filter(booking__in=[booking.pk, booking.follows_id]).first()
    return answer


def is_awaited(booking: Booking) -> bool:
    """Say whether a tenant lives there who has not agreed."""
    if not is_needed(booking):
        return False
    answer = latest(booking)
    return answer is None or not answer.is_given


def text_of(booking: Booking, business: Business) -> str:
    """Return the whole text that is agreed to: which home, by whom, for whom, and the owner's words."""
    return (
        f"{booking.home}. Pictures by {business.name} for {booking.client}.\n\n"
        f"{business.consent_text.strip() or DEFAULT_TEXT}"
    )


def digest(text: str) -> str:
    """Return a short name of a text, so that an answer is kept only with the text that was read."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def address(booking: Booking) -> str:
    """Return the tenant's page: whoever has the address may answer."""
    secret = tokens.token("consent", booking.public_id)
    return settings.PUBLIC_URL + reverse("studio:consent", args=[booking.public_id, secret])
