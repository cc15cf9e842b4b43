"""The first start: one owner account, made once, by whoever holds the address that `serve` prints."""

from __future__ import annotations

import datetime as dt

from django.conf import settings
from django.db import transaction
from django.http import HttpRequest
from django.urls import reverse

from studio import defaults, records, tokens
from studio.errors import StaleState
from studio.models import Business, User

LOOPBACK = ("127.0.0.1", "::1")


def is_needed() -> bool:
    """Say whether there is no account yet."""
    return not User.objects.exists()


def token() -> str:
    return tokens.token("set-up", "first-owner")


def address() -> str:
    """Return the one-time address, for the one who reads the server's own output."""
    return settings.PUBLIC_URL + reverse("studio:set-up-by-address", args=[token()])


def may_open(request: HttpRequest, given: str = "") -> bool:
    """Let in who holds the printed address, or who sits at this very machine (no proxy in between)."""
    if given:
        return tokens.fits(given, "set-up", "first-owner")
    comes_through = any(
        name in request.META for name in ("HTTP_X_FORWARDED_FOR", "HTTP_FORWARDED", "HTTP_VIA")
    )
    is_here = request.META.get("REMOTE_ADDR") in LOOPBACK
    names_here = request.get_host().rsplit(":", 1)[0] in ("127.0.0.1", "localhost", "[::1]", "testserver")
    return is_here and names_here and not comes_through


def make_first_owner(
    *,
    name: str,
    email: str,
    password: str,
    business_name: str,
    currency: str,
    time_zone: str,
    now: dt.datetime,
) -> User:
    """Make the owner and the business with sensible defaults; the second of two gets StaleState."""
    with transaction.atomic():
        Business.current()
        # Writing the one row first makes the second of two wait here and then see the account.
        Business.objects.filter(pk=1).update(
            name=business_name, currency=currency, time_zone=time_zone, email=email, set_up_at=now
        )
        if not is_needed():
            raise StaleState("The first account was made already. Sign in with it.")
        owner = User.objects.create_user(email, password, name=name, role=User.Role.OWNER)
        defaults.ensure(now=now)
        records.note("set up the business", user=owner, now=now)
    return owner
