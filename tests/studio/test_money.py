"""Amounts: rounded once, taxed once per rate, written and read."""

from __future__ import annotations

import json
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studio import money

CHECKS = json.loads((Path(__file__).parent / "values" / "money.json").read_text(encoding="utf-8"))["checks"]


def checks(prefix: str) -> list[object]:
    return [pytest.param(check, id=check["id"]) for check in CHECKS if check["id"].startswith(prefix)]


@dataclass
class Line:
    unit_minor: int
    quantity: Decimal = Decimal(1)
    tax_name: str = "VAT"
    tax_percent: Decimal = Decimal(20)
    tax_category: str = "S"


@pytest.mark.parametrize("check", checks("round-"))
def test_halves_round_up(check: dict) -> None:
    value = Decimal(check["inputs"]["value"]).scaleb(check["inputs"]["places"])
    assert money.round_minor(value) == int(Decimal(check["expected"]["half_up"]).scaleb(2))


@pytest.mark.parametrize("check", checks("tax-line-vs-total"))
def test_tax_is_rounded_once_per_rate(check: dict) -> None:
    percent = Decimal(check["inputs"]["rate"]) * 100
    lines = [Line(int(Decimal(net).scaleb(2)), tax_percent=percent) for net in check["inputs"]["lines"]]
    totals = money.add_up(lines)
    assert totals.tax_minor == int(Decimal(check["expected"]["per_category_total"]).scaleb(2))
    per_line = sum(money.add_up([line]).tax_minor for line in lines)
    assert per_line == int(Decimal(check["expected"]["per_line_sum"]).scaleb(2))


def test_half_a_cent_of_tax_three_times_is_not_three_times_a_cent() -> None:
    check = next(check for check in CHECKS if check["id"] == "tax-half-up-vs-even")
    lines = [Line(50, tax_percent=Decimal(25)) for _ in range(3)]
    assert money.add_up(lines).tax_minor == int(Decimal(check["expected"]["total_half_up"]).scaleb(2))


@pytest.mark.parametrize("check", checks("iso4217"))
def test_minor_units_are_those_of_iso_4217(check: dict) -> None:
    assert money.minor_units(check["inputs"]["code"]) == check["expected"]["minor_unit"]


def test_an_unknown_currency_is_named() -> None:
    with pytest.raises(money.UnknownCurrency, match="XYZ"):
        money.minor_units("XYZ")


@pytest.mark.parametrize(
    ("amount_minor", "currency", "text"),
    [
        (123450, "EUR", "€1,234.50"),
        (-500, "USD", "−$5.00"),
        (12, "JPY", "¥12"),
        (1234, "KWD", "KWD\N{NO-BREAK SPACE}1.234"),
        (5, "GBP", "£0.05"),
        (0, "CHF", "CHF\N{NO-BREAK SPACE}0.00"),
    ],
)
def test_amounts_are_written_with_the_digits_of_their_currency(
    amount_minor: int, currency: str, text: str
) -> None:
    assert money.format_minor(amount_minor, currency) == text


@pytest.mark.parametrize(
    ("text", "currency", "amount_minor"),
    [
        ("1,234.50", "USD", 123450),
        ("1.234,50", "EUR", 123450),
        ("1234,5", "EUR", 123450),
        ("1 234,50", "EUR", 123450),
        ("1'234.50", "CHF", 123450),
        ("CHF 120", "CHF", 12000),
        ("€12", "EUR", 1200),
        ("−5.00", "USD", -500),
        ("1,234", "USD", 123400),
        ("12.345.678", "EUR", 1234567800),
        ("1.234", "KWD", 1234),
        (".5", "USD", 50),
    ],
)
def test_amounts_are_read_as_people_type_them(text: str, currency: str, amount_minor: int) -> None:
    assert money.parse_minor(text, currency) == amount_minor


@pytest.mark.parametrize(
    ("text", "currency"),
    [
        ("1.234", "EUR"),  # a thousand and more, or one and a bit
        ("1,234", "KWD"),
        ("1,23,4", "USD"),
        ("1,2345.00", "USD"),
        ("12.345", "USD"),
        ("1.5", "JPY"),
        ("", "USD"),
        ("abc", "USD"),
        ("1e3", "USD"),
        ("٣", "USD"),
    ],
)
def test_what_could_mean_two_things_is_not_guessed(text: str, currency: str) -> None:
    with pytest.raises(money.UnreadableAmount):
        money.parse_minor(text, currency)


@given(st.integers(-(10**12), 10**12), st.sampled_from(sorted(money.MINOR_UNITS)))
def test_an_amount_written_is_read_back(amount_minor: int, currency: str) -> None:
    assert money.parse_minor(money.format_minor(amount_minor, currency), currency) == amount_minor
    assert money.parse_minor(money.plain_amount(amount_minor, currency), currency) == amount_minor


def test_a_rate_in_a_category_without_tax_is_refused() -> None:
    with pytest.raises(ValueError, match="category AE"):
        money.add_up([Line(100, tax_category="AE")])


@given(st.lists(st.decimals(-(10**6), 10**6, places=4), min_size=1, max_size=30))
def test_amounts_rounded_together_add_up_and_stay_within_one_of_themselves(exact: list[Decimal]) -> None:
    total = money.round_minor(sum(exact))
    parts = money.round_together(exact, total)
    assert sum(parts) == total
    assert all(abs(part - amount) <= 1 for part, amount in zip(parts, exact, strict=True))


LINES = st.lists(
    st.builds(
        Line,
        unit_minor=st.integers(-50_000, 2_000_000),
        quantity=st.decimals(Decimal("0.01"), Decimal(500), places=2),
        tax_percent=st.sampled_from(
            [Decimal(rate) for rate in ("0", "5", "7.7", "8.25", "9.975", "19", "20", "25")]
        ),
    ),
    min_size=1,
    max_size=40,
)


@settings(max_examples=2000, deadline=None)
@given(LINES, st.booleans())
def test_lines_taxes_and_totals_of_any_invoice_agree(lines: list[Line], prices_include_tax: bool) -> None:
    """EN 16931-1 BR-CO-10 (sum of lines), BR-CO-14 (sum of taxes), BR-CO-15 (total), BR-CO-17 (tax)."""
    totals = money.add_up(lines, prices_include_tax=prices_include_tax)
    assert totals.net_minor == sum(totals.line_net_minor) == sum(tax.base_minor for tax in totals.taxes)
    assert totals.tax_minor == sum(tax.tax_minor for tax in totals.taxes)
    assert totals.total_minor == totals.net_minor + totals.tax_minor
    for tax in totals.taxes:
        places = [place for place, line in enumerate(lines) if line.tax_percent == tax.percent]
        assert tax.base_minor == sum(totals.line_net_minor[place] for place in places)
        exact = Decimal(tax.base_minor) * tax.percent / 100
        if prices_include_tax:
            # What the client pays stays as it was told; the tax within it is right to the minor unit.
            assert tax.base_minor + tax.tax_minor == sum(totals.line_minor[place] for place in places)
            assert abs(tax.tax_minor - exact) <= Decimal(1)
        else:
            assert tax.tax_minor == exact.quantize(Decimal(1), rounding=ROUND_HALF_UP)
    if not prices_include_tax:
        assert totals.line_net_minor == totals.line_minor
