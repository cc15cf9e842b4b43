"""Unguessable addresses without stored secrets: a keyed hash of the row's identifier and generation.

Anyone with the address may open it; raising the row's generation makes every earlier address useless.
"""

from __future__ import annotations

import base64
from uuid import UUID

from django.utils.crypto import constant_time_compare, salted_hmac


def token(purpose: str, public_id: UUID | str, generation: int = 1) -> str:
    """Return 32 letters that only the holder of the secret key can make."""
    digest = salted_hmac(f"mullion.{purpose}", f"{public_id}:{generation}", algorithm="sha256").digest()
    return base64.b32encode(digest[:20]).decode("ascii").lower()


def fits(given: str, purpose: str, public_id: UUID | str, generation: int = 1) -> bool:
    """Say whether `given` is the token of this row."""
    return constant_time_compare(given, token(purpose, public_id, generation))
