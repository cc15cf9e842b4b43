"""The payment code that banks' apps read: EPC069-12 (SEPA credit transfer), in euro, to an IBAN."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from segno import helpers

# The standard's bounds on an amount: 0.01 to 999 999 999.99 euro.
MOST_MINOR = 99_999_999_999


def is_iban(text: str) -> bool:
    """Say whether the text is an IBAN: its form and its check digits (ISO 13616, ISO 7064 mod 97-10).

    Examples
    --------
    >>> is_iban("GB82 WEST 1234 5698 7654 32"), is_iban("GB82 WEST 1234 5698 7654 33")
    (True, False)
    """
    bare = text.replace(" ", "").upper()
    if not re.fullmatch(r"[A-Z]{2}\d{2}[A-Z0-9]{11,30}", bare):
        return False
    return int("".join(str(int(sign, 36)) for sign in bare[4:] + bare[:4])) % 97 == 1


def group_iban(text: str) -> str:
    """Write an IBAN in groups of four, as people copy it."""
    bare = text.replace(" ", "").upper()
    return " ".join(bare[place : place + 4] for place in range(0, len(bare), 4))


def payment_code(
    *, name: str, iban: str, bic: str, amount_minor: int, currency: str, text: str
) -> Any | None:
    """Return the QR code of a transfer, or None where the standard has none for it."""
    if currency != "EUR" or not is_iban(iban) or not 0 < amount_minor <= MOST_MINOR:
        return None
    bank = bic.replace(" ", "").upper()
    return helpers.make_epc_qr(
        name=name[:70],
        iban=iban.replace(" ", "").upper(),
        amount=Decimal(amount_minor).scaleb(-2),
        text=text[:140],
        bic=bank if len(bank) in (8, 11) else None,
        encoding="utf-8",
    )
