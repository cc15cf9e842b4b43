"""Sealing short secrets (how to get into a home) with a key that is never in the database.

The key comes from ACCESS_KEY or ACCESS_KEY_FILE, else it is made on first use in the data folder, readable by
its owner alone. Several keys, separated by commas, let a key be changed: the first seals, all of them open.
"""

from __future__ import annotations

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

from studio.errors import StudioError
from studio.keys import read_or_make

KEY_FILE = "access.key"


class CannotUnseal(StudioError):
    """The key at hand is not the one that sealed this."""


def _keys() -> MultiFernet:
    text = settings.ACCESS_KEY or read_or_make(settings.DATA_DIR / KEY_FILE, make=_new_key)
    try:
        return MultiFernet([Fernet(key.strip()) for key in text.split(",") if key.strip()])
    except ValueError as error:
        raise ImproperlyConfigured(
            "ACCESS_KEY: need 32 random bytes in url-safe base64, as they are printed by: "
            "python -c 'import base64, os; print(base64.urlsafe_b64encode(os.urandom(32)).decode())'"
        ) from error


def _new_key() -> str:
    return Fernet.generate_key().decode()


def seal(text: str) -> bytes:
    """Encrypt a text so that it can lie in the database."""
    return _keys().encrypt(text.encode())


def unseal(sealed: bytes | memoryview) -> str:
    """Decrypt what `seal` made."""
    try:
        return _keys().decrypt(bytes(sealed)).decode()
    except InvalidToken as error:
        raise CannotUnseal(
            "This note can't be read: it was sealed with another key. Nothing is lost: put back the key it "
            f"was written with ({KEY_FILE} in the data folder, or ACCESS_KEY), or write the note anew."
        ) from error
