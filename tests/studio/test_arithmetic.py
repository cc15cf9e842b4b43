"""Documents add up by the rules of EN 16931-1, to the minor unit; what doesn't is refused.

Rule numbers as in EN 16931-1 and the style sheets published with it.
"""

from __future__ import annotations

import copy
import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studio import arithmetic, documents, invoicing, issuing, money
from studio.models import Invoice, InvoiceLine
from tests.factories import NOW, make_booking, make_business


@dataclass
class Line:
    description: str
    unit_minor: int
    quantity: Decimal
    tax_percent: Decimal
    tax_category: str = "S"
    tax_name: str = "VAT"


def content_of(lines: list[Line], *, prices_include_tax: bool) -> dict[str, Any]:
    """What an invoice of these lines says, without a database."""
    totals = money.add_up(lines, prices_include_tax=prices_include_tax)
    rows = issuing.rows_of(InvoiceLine, lines, totals)
    invoice = Invoice(
        number="I-2027-0001",
        issued_on=dt.date(2027, 6, 2),
        due_on=dt.date(2027, 6, 16),
        currency="EUR",
        prices_include_tax=prices_include_tax,
        seller={},
        buyer={},
    )
    return documents.content_of(issuing.sum_up(invoice, rows, totals.taxes), lines=rows)


LINES = st.lists(
    st.builds(
        Line,
        description=st.just("Pictures"),
        unit_minor=st.integers(0, 500_000),
        quantity=st.decimals(Decimal("0.01"), Decimal(99), places=2),
        tax_percent=st.sampled_from(
            [Decimal(rate) for rate in ("0", "5", "7.7", "8.25", "9.975", "19", "20", "25")]
        ),
    ),
    min_size=1,
    max_size=30,
)


@settings(max_examples=2000, deadline=None)
@given(LINES, st.booleans())
def test_two_thousand_invoices_add_up(lines: list[Line], prices_include_tax: bool) -> None:
    content = content_of(lines, prices_include_tax=prices_include_tax)
    assert arithmetic.contradictions(content) == []
    if prices_include_tax:
        assert content["total_minor"] == sum(line["amount_minor"] for line in content["lines"])


GOOD = content_of(
    [
        Line("Pictures", 3333, Decimal(3), Decimal(19)),
        Line("Printed set", 5000, Decimal(1), Decimal(7)),
        Line("Export", 1000, Decimal(2), Decimal(0), "G", ""),
    ],
    prices_include_tax=False,
)


@pytest.mark.parametrize(
    ("path", "rule"),
    [
        (("total_minor",), "BR-CO-15"),
        (("net_minor",), "BR-CO-10"),
        (("net_minor",), "BR-CO-13"),
        (("tax_minor",), "BR-CO-14"),
        (("taxes", 0, "tax_minor"), "BR-CO-17"),
        (("taxes", 1, "base_minor"), "BR-S-08"),
        (("lines", 0, "net_minor"), "net and amount differ"),
        (("lines", 0, "amount_minor"), "quantity times price"),
    ],
)
@pytest.mark.parametrize("off_by", [-1, 1, 99900])
def test_a_sum_that_is_off_by_the_smallest_unit_is_found(
    path: tuple[str | int, ...], rule: str, off_by: int
) -> None:
    assert arithmetic.contradictions(GOOD) == []
    wrong: Any = copy.deepcopy(GOOD)
    place = wrong
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] += off_by
    assert any(rule in words for words in arithmetic.contradictions(wrong))


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (lambda content: content["lines"].clear(), "BR-16"),
        (lambda content: content["taxes"].pop(), "BR-CO-18"),
        (lambda content: content["taxes"][2].update(percent="19.000"), "BR-G-05"),
    ],
)
def test_a_missing_line_rate_or_reason_is_found(change: Any, rule: str) -> None:
    wrong = copy.deepcopy(GOOD)
    change(wrong)
    assert any(rule in words for words in arithmetic.contradictions(wrong))


@pytest.mark.django_db
def test_a_document_that_doesnt_add_up_is_not_issued(monkeypatch: pytest.MonkeyPatch) -> None:
    make_business()
    booking = make_booking()
    sum_up = issuing.sum_up

    def slip(document: Any, rows: Any, taxes: Any) -> Any:
        sum_up(document, rows, taxes).total_minor += 1
        return document

    monkeypatch.setattr(issuing, "sum_up", slip)
    with pytest.raises(invoicing.NotReady, match="BR-CO-15"):
        invoicing.issue(booking, by=None, now=NOW)
    assert not Invoice.objects.exists()
