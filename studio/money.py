"""Money: whole minor units, one rounding, tax once per rate, and the ways amounts are written and read."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from typing import Protocol

# ISO 4217 list one, active codes, by their number of minor-unit digits (package iso4217 1.16.20260101).
# Codes without minor units (gold, test codes, drawing rights) are left out: nobody bills in them.
_CODES = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
    2: "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BOV BRL BSD BTN BWP BYN BZD CAD CDF CHE "
    "CHF CHW CNY COP COU CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD "
    "HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP "
    "MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD "
    "SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD USN UYU UZS "
    "VED VES WST XAD XCD XCG YER ZAR ZMW ZWG",
    3: "BHD IQD JOD KWD LYD OMR TND",
    4: "CLF UYW",
}
MINOR_UNITS = {code: digits for digits, codes in _CODES.items() for code in codes.split()}
SYMBOLS = {"USD": "$", "EUR": "€", "GBP": "£", "JPY": "¥", "AUD": "A$", "CAD": "C$", "NZD": "NZ$"}
# UNCL 5305 codes that EN 16931-1 uses for a tax of zero; every other code may carry a rate.
UNTAXED_CATEGORIES = frozenset({"Z", "E", "AE", "K", "G", "O"})


# The most that one price or payment may be: what the narrowest column of the database holds.
MOST_MINOR = 2_000_000_000


class UnknownCurrency(ValueError):
    """Not a currency of ISO 4217 that people bill in."""


class UnreadableAmount(ValueError):
    """What was typed is not an amount of this currency."""


def minor_units(currency: str) -> int:
    """Return how many digits stand behind the point in this currency (ISO 4217)."""
    try:
        return MINOR_UNITS[currency]
    except KeyError:
        raise UnknownCurrency(
            f"currency: need a three-letter ISO 4217 code such as EUR, got {currency!r}"
        ) from None


def round_minor(amount: Decimal) -> int:
    """Round to a whole minor unit, halves away from zero: the only rounding of money there is.

    On the amounts of an invoice, which are positive, this is "half up" as EN 16931 has it.
    """
    return int(amount.quantize(Decimal(1), rounding=ROUND_HALF_UP))


def percent_text(percent: Decimal) -> str:
    """Write a rate without useless zeros: 19, 8.25."""
    return f"{percent.normalize():f}"


# --- writing and reading amounts --------------------------------------------------------------------


def plain_amount(amount_minor: int, currency: str) -> str:
    """Write an amount for a form field or a table of figures for programs: -1234.50."""
    digits = minor_units(currency)
    return f"{Decimal(amount_minor).scaleb(-digits):.{digits}f}"


def format_minor(amount_minor: int, currency: str) -> str:
    """Write an amount for people: €1,234.50, −$5.00, CHF 120.00 (a space that does not break)."""
    digits = minor_units(currency)
    figure = f"{Decimal(abs(amount_minor)).scaleb(-digits):,.{digits}f}"
    symbol = SYMBOLS.get(currency, f"{currency}\N{NO-BREAK SPACE}")
    return f"{'−' if amount_minor < 0 else ''}{symbol}{figure}"


def parse_minor(text: str, currency: str) -> int:
    """Read an amount as people type it; refuse what could mean two things."""
    digits = minor_units(currency)
    bare = text.replace("−", "-").replace(SYMBOLS.get(currency, currency), "").replace(currency, "")
    bare = re.sub(r"[\s'’_]", "", bare)
    if not re.fullmatch(r"-?[\d.,]*\d[\d.,]*", bare, flags=re.ASCII):
        raise UnreadableAmount(f"{text!r} is not an amount. Write it like {plain_amount(123450, currency)}.")
    try:
        amount = Decimal(_with_point(bare, digits)).scaleb(digits)
    except (InvalidOperation, ValueError) as error:
        raise UnreadableAmount(
            f"{text!r} can be read in more than one way. Write it like {plain_amount(123450, currency)}."
        ) from error
    if amount != amount.to_integral_value():
        raise UnreadableAmount(
            f"{text!r} is not in whole {currency}."
            if digits == 0
            else f"{text!r} has more than {digits} digits behind the point."
        )
    return int(amount)


def _with_point(bare: str, digits: int) -> str:
    """Return the figure with a decimal point and no grouping; ValueError when it is ambiguous."""
    last = max(bare.rfind("."), bare.rfind(","))
    if last < 0:
        return bare
    mark, other = bare[last], "," if bare[last] == "." else "."
    whole, behind = bare[:last], bare[last + 1 :]
    if other in whole or (bare.count(mark) == 1 and len(behind) != 3):
        if mark in whole or not _is_grouped(whole, other):
            raise ValueError(bare)
        return f"{whole.replace(other, '')}.{behind}"
    if bare.count(mark) == 1 and digits == 3:
        if mark == ".":
            return bare
        raise ValueError(bare)
    if (mark == "." and bare.count(mark) == 1) or not _is_grouped(bare, mark):
        raise ValueError(bare)
    return bare.replace(mark, "")


def _is_grouped(whole: str, mark: str) -> bool:
    """Tell whether a whole number is written in groups of three, or without groups."""
    return mark not in whole or re.fullmatch(rf"-?\d{{1,3}}({re.escape(mark)}\d{{3}})+", whole) is not None


# --- sums -------------------------------------------------------------------------------------------


class Priced(Protocol):
    """What adding up needs of a line: a quoted line, an invoice line, a line on a form."""

    @property
    def quantity(self) -> Decimal: ...
    @property
    def unit_minor(self) -> int: ...
    @property
    def tax_name(self) -> str: ...
    @property
    def tax_percent(self) -> Decimal: ...
    @property
    def tax_category(self) -> str: ...


@dataclass(frozen=True)
class TaxSum:
    """The tax of one rate: rounded once, from the sum of its lines."""

    name: str
    percent: Decimal
    category: str
    base_minor: int
    tax_minor: int


@dataclass(frozen=True)
class Totals:
    """What some lines come to: `line_minor` as priced, `line_net_minor` without tax, both in line order."""

    line_minor: tuple[int, ...]
    line_net_minor: tuple[int, ...]
    taxes: tuple[TaxSum, ...]
    net_minor: int
    tax_minor: int
    total_minor: int


def line_amount_minor(quantity: Decimal, unit_minor: int) -> int:
    return round_minor(Decimal(quantity) * unit_minor)


def add_up(lines: Iterable[Priced], *, prices_include_tax: bool = False) -> Totals:
    """Add lines up: tax once per rate (EN 16931-1 BR-CO-17), never per line.

    With prices that include tax, the sum of a rate's lines is what the client pays; the tax in it is taken
    out once, and the nets of its lines are shared out so that they add up to the rate's base exactly.
    """
    lines = list(lines)
    amounts = [line_amount_minor(line.quantity, line.unit_minor) for line in lines]
    nets = list(amounts)
    taxes: list[TaxSum] = []
    for (category, percent), members in _by_rate(lines).items():
        amount = sum(amounts[index] for index in members)
        if prices_include_tax:
            base = round_minor(_without_tax(amount, percent))
            tax = amount - base
            exact = [_without_tax(amounts[index], percent) for index in members]
            for index, net in zip(members, round_together(exact, base), strict=True):
                nets[index] = net
        else:
            base = amount
            tax = round_minor(Decimal(base) * percent / 100)
        taxes.append(TaxSum(lines[members[0]].tax_name, percent, category, base, tax))
    net, tax_sum = sum(nets), sum(tax.tax_minor for tax in taxes)
    return Totals(tuple(amounts), tuple(nets), tuple(taxes), net, tax_sum, net + tax_sum)


def _without_tax(amount_minor: int, percent: Decimal) -> Decimal:
    return Decimal(amount_minor) * 100 / (100 + percent)


def _by_rate(lines: Sequence[Priced]) -> dict[tuple[str, Decimal], list[int]]:
    """Return the places of the lines of each rate, rates in the order in which they first appear."""
    places: dict[tuple[str, Decimal], list[int]] = {}
    for index, line in enumerate(lines):
        percent = Decimal(line.tax_percent)
        if percent < 0 or (percent and line.tax_category in UNTAXED_CATEGORIES):
            raise ValueError(f"tax: category {line.tax_category} can't have a rate of {percent} %")
        places.setdefault((line.tax_category, percent), []).append(index)
    return places


def round_together(exact: Sequence[Decimal], total: int) -> list[int]:
    """Round amounts so that they add up to their rounded sum: down, then up where most was cut off.

    Examples
    --------
    >>> round_together([Decimal("33.4"), Decimal("33.3"), Decimal("33.3")], 100)
    [34, 33, 33]
    """
    parts = [math.floor(amount) for amount in exact]
    order = sorted(range(len(exact)), key=lambda index: (parts[index] - exact[index], index))
    for index in order[: total - sum(parts)]:
        parts[index] += 1
    return parts
