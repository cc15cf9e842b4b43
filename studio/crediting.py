"""Credit notes: a series of their own, positive amounts, each naming the invoice it takes back."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from django.db import transaction

from studio import documents, money, records
from studio.errors import AlreadyIssued
from studio.issuing import NotReady, locked, seller_of, write
from studio.models import Business, CreditNote, CreditNoteLine, Invoice, InvoiceLine, User
from studio.models.invoices import DocumentLine


def left_to_credit(invoice: Invoice) -> list[money.TaxSum]:
    """Return, for each rate of the invoice in its order, what its credit notes have not taken back yet."""
    credited: Counter[tuple[str, str, str]] = Counter()
    for note in invoice.credit_notes.all():
        for tax in note.taxes:
            credited[tax["category"], tax["percent"], "base"] += tax["base_minor"]
            credited[tax["category"], tax["percent"], "tax"] += tax["tax_minor"]
    return [
        money.TaxSum(
            name=tax["name"],
            percent=Decimal(tax["percent"]),
            category=tax["category"],
            base_minor=tax["base_minor"] - credited[tax["category"], tax["percent"], "base"],
            tax_minor=tax["tax_minor"] - credited[tax["category"], tax["percent"], "tax"],
        )
        for tax in invoice.taxes
    ]


def credit(
    invoice: Invoice,
    *,
    reason: str,
    by: User | None,
    now: dt.datetime,
    amounts_minor: Sequence[int] | None = None,
) -> CreditNote:
    """Issue a credit note: for all that is left of the invoice, or for amounts with tax, one for each rate.

    `amounts_minor` stands in the order of the invoice's rates. However an invoice is credited in parts, the
    last part takes exactly what is left of base and tax, so that the notes add up to the invoice.
    """
    if not reason.strip():
        raise NotReady("A credit note says why it is issued. Give a reason.")
    business = Business.current()
    seller = seller_of(business) | documents.freeze_logo(business.logo)
    with transaction.atomic():
        invoice = locked(invoice)
        rows, taxes = _what_to_credit(invoice, amounts_minor, reason.strip())
        note = write(
            CreditNote(
                client=invoice.client,
                invoice=invoice,
                issued_on=now.astimezone(business.zone).date(),
                issued_at=now,
                supplied_on=invoice.supplied_on,
                currency=invoice.currency,
                prices_include_tax=invoice.prices_include_tax,
                seller=seller,
                buyer=invoice.buyer,
                subject=invoice.subject,
                reference=invoice.reference,
                reason=reason.strip(),
            ),
            rows,
            taxes,
            series=business.credit_series,
        )
        records.note(
            "issued a credit note",
            booking=invoice.booking,
            user=by,
            now=now,
            number=note.number,
            invoice=invoice.number,
        )
        documents.queue_pdf(note)
    return note


def _what_to_credit(
    invoice: Invoice, amounts_minor: Sequence[int] | None, reason: str
) -> tuple[list[CreditNoteLine], list[money.TaxSum]]:
    left = left_to_credit(invoice)
    if not any(tax.base_minor or tax.tax_minor for tax in left):
        raise AlreadyIssued(f"Invoice {invoice.number} is wholly credited already.")
    if amounts_minor is None and not invoice.credit_notes.exists():
        return [_same_line(line) for line in invoice.lines.all()], left
    if amounts_minor is None:
        taxes = [tax for tax in left if tax.base_minor or tax.tax_minor]
    else:
        wanted = zip(left, amounts_minor, strict=True)
        taxes = [_part_of(tax, amount, invoice) for tax, amount in wanted if amount]
    if not taxes:
        raise NotReady("Give the amount that is to be credited.")
    return [_line_of(tax, place, invoice, reason) for place, tax in enumerate(taxes, start=1)], taxes


def _part_of(left: money.TaxSum, amount_minor: int, invoice: Invoice) -> money.TaxSum:
    """Split an amount with tax into base and tax, neither more than is left of it."""
    most = left.base_minor + left.tax_minor
    if not 0 < amount_minor <= most:
        raise NotReady(
            f"{money.format_minor(amount_minor, invoice.currency)} can't be credited: "
            f"{money.format_minor(most, invoice.currency)} is left at {money.percent_text(left.percent)} % "
            f"on {invoice.number}."
        )
    base = min(money.round_minor(Decimal(amount_minor) * 100 / (100 + left.percent)), left.base_minor)
    tax = min(amount_minor - base, left.tax_minor)
    return replace(left, base_minor=amount_minor - tax, tax_minor=tax)


def _line_of(tax: money.TaxSum, place: int, invoice: Invoice, reason: str) -> CreditNoteLine:
    amount = tax.base_minor + (tax.tax_minor if invoice.prices_include_tax else 0)
    return CreditNoteLine(
        position=place,
        description=f"Credit on invoice {invoice.number}: {reason}"[:240],
        quantity=Decimal(1),
        unit_minor=amount,
        amount_minor=amount,
        net_minor=tax.base_minor,
        tax_name=tax.name,
        tax_percent=tax.percent,
        tax_category=tax.category,
    )


def _same_line(line: InvoiceLine) -> CreditNoteLine:
    names = [field.name for field in DocumentLine._meta.fields]
    return CreditNoteLine(**{name: getattr(line, name) for name in names})
