"""Addresses that can't be guessed: nothing secret is stored, so a link can be shown again at will.

A token is the row's public identifier and a keyed sum over the identifier and its generation. Raising the
generation makes every address given out before useless.
"""

from __future__ import annotations

import base64
import binascii
import datetime as dt
import hmac
import uuid

from django.conf import settings
from django.contrib.auth.hashers import check_password, make_password
from django.urls import reverse
from django.utils.crypto import salted_hmac

from listings.models import GalleryLink

SALT = "listings.links.gallery"
SUM_BYTES = 20


def token(link: GalleryLink) -> str:
    """Return the part of the gallery's address that lets its holder in."""
    return _encode(link.public_id.bytes + _sum(link))


def address(link: GalleryLink) -> str:
    """Return the whole public address of the gallery."""
    return settings.PUBLIC_URL + reverse("listings:gallery", args=[token(link)])


def find(given: str) -> GalleryLink | None:
    """Return the link that a token opens, expired or not; None for a false or revoked one."""
    try:
        raw = base64.urlsafe_b64decode(given + "=" * (-len(given) % 4))
        public_id = uuid.UUID(bytes=raw[:16])
    except (ValueError, binascii.Error):
        return None
    link = GalleryLink.objects.select_related("delivery__booking__home", "delivery__booking__client").filter(
        public_id=public_id
    )
    row = link.first()
    if row is None or row.revoked_at is not None or not hmac.compare_digest(_encode(raw), token(row)):
        return None
    return row if _encode(raw) == given else None


def revoke(link: GalleryLink, *, now: dt.datetime) -> None:
    """Make every address given out for this link useless, for good."""
    GalleryLink.objects.filter(pk=link.pk, revoked_at=None).update(
        revoked_at=now, generation=link.generation + 1
    )
    link.refresh_from_db()


def hash_passphrase(words: str) -> str:
    """Return what is kept of a passphrase; case and spaces around it don't matter to people."""
    return make_password(_folded(words))


def is_passphrase(link: GalleryLink, words: str) -> bool:
    return check_password(_folded(words), link.passphrase)


def _folded(words: str) -> str:
    return " ".join(words.split()).casefold()


def _sum(link: GalleryLink) -> bytes:
    text = f"{link.public_id}:{link.generation}"
    return salted_hmac(SALT, text, algorithm="sha256").digest()[:SUM_BYTES]


def _encode(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()
