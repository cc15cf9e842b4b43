"""Mailed links by which agents sign in: a page with one button, whose POST uses the link up."""

from __future__ import annotations

import datetime as dt
from urllib.parse import urlsplit

from django.conf import settings
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme

from studio import mailing, records, tokens
from studio.models import Business, Client, SignInLink

LASTS = dt.timedelta(minutes=30)


def send(email: str, *, next_path: str = "", now: dt.datetime) -> SignInLink | None:
    """Mail a link to the client with this address; do nothing, and say nothing, when there is none."""
    client = Client.objects.filter(email__iexact=email.strip()).first()
    if client is None:
        return None
    link = SignInLink.objects.create(
        client=client, next_path=safe_path(next_path), created_at=now, expires_at=now + LASTS
    )
    business = Business.current()
    mailing.send(
        "sign-in",
        to=client.email,
        subject=f"Your link to sign in to {business.name or 'your bookings'}",
        body=(
            f"Hello {client.name},\n\n"
            f"this link opens a page with one button that signs you in:\n\n{address(link)}\n\n"
            "It works once and for half an hour. If you did not ask for it, do nothing: "
            "nobody gets in without it.\n"
        ),
        secret=True,
        now=now,
    )
    return link


def address(link: SignInLink) -> str:
    """Return the link's full address, fit for a mail."""
    path = reverse("studio:sign-in-open", args=[link.public_id, tokens.token("sign-in", link.public_id)])
    return settings.PUBLIC_URL + path


def use_up(link: SignInLink, *, now: dt.datetime) -> bool:
    """Use the link up; False when it was used or ran out before."""
    changed = SignInLink.objects.filter(pk=link.pk, used_at=None, expires_at__gt=now).update(used_at=now)
    if changed:
        records.note("signed in", client=link.client, now=now)
    return bool(changed)


def safe_path(path: str) -> str:
    """Return `path` if it stays on this site, else nothing."""
    is_ours = url_has_allowed_host_and_scheme(path, allowed_hosts=None) and path.startswith("/")
    return path if is_ours and not urlsplit(path).netloc and len(path) <= 300 else ""
