"""What issuing any document takes: who sells, who buys, the next number, the frozen rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, TypeVar

from django.db.models import F

from studio import arithmetic, documents, money
from studio.errors import StudioError
from studio.models import Business, Client, CreditNote, Invoice, NumberSeries
from studio.models.invoices import DocumentLine

Doc = TypeVar("Doc", Invoice, CreditNote)
Line = TypeVar("Line", bound=DocumentLine)


class NotReady(StudioError):
    """Something is missing before a document can be issued."""


def seller_of(business: Business) -> dict[str, str]:
    """Return the business as it stands on documents issued now."""
    missing = [
        words
        for words, value in (("name", business.name), ("address", business.address))
        if not value.strip()
    ]
    if missing:
        raise NotReady(
            f"An invoice must say who issues it: the business's {' and '.join(missing)} is missing. "
            "The owner can fill it in on the business page."
        )
    if business.invoice_series == business.credit_series:
        raise NotReady("Invoices and credit notes need series of their own; both are called the same.")
    money.minor_units(business.currency)
    return {
        "name": business.name,
        "address": business.address.strip(),
        "country_code": business.country_code,
        "email": business.email,
        "phone": business.phone,
        "website": business.website,
        "tax_id": business.tax_id,
        "iban": business.iban.replace(" ", ""),
        "bic": business.bic,
    }


def buyer_of(client: Client) -> dict[str, str]:
    """Return who is billed: the client's agency if there is one, with the client as the person to ask for."""
    agency = client.agency
    return {
        "name": client.billing_name,
        "contact": client.name if agency else "",
        "address": ((agency.billing_address if agency else "") or client.address).strip(),
        "country_code": (agency.country_code if agency else "") or client.country_code,
        "tax_id": (agency.tax_id if agency else "") or client.tax_id,
        "email": client.billing_email,
    }


def next_number(kind: str, series: str, year: int) -> int:
    """Take the next number of a series; its row stays locked until the transaction ends: no gaps."""
    NumberSeries.objects.get_or_create(kind=kind, series=series, year=year)
    rows = NumberSeries.objects.filter(kind=kind, series=series, year=year)
    rows.update(last=F("last") + 1)
    return rows.values_list("last", flat=True).get()


def rows_of(model: type[Line], lines: Sequence[Any], totals: money.Totals) -> list[Line]:
    return [
        model(
            position=position,
            description=line.description,
            quantity=line.quantity,
            unit_minor=line.unit_minor,
            amount_minor=amount_minor,
            net_minor=net_minor,
            tax_name=line.tax_name,
            tax_percent=line.tax_percent,
            tax_category=line.tax_category,
        )
        for position, (line, amount_minor, net_minor) in enumerate(
            zip(lines, totals.line_minor, totals.line_net_minor, strict=True), start=1
        )
    ]


def sum_up(document: Doc, rows: Sequence[Any], taxes: Sequence[money.TaxSum]) -> Doc:
    """Put the sums of its lines and taxes on a document."""
    document.taxes = [asdict(tax) | {"percent": f"{tax.percent:.3f}"} for tax in taxes]
    document.net_minor = sum(row.net_minor for row in rows)
    document.tax_minor = sum(tax.tax_minor for tax in taxes)
    document.total_minor = document.net_minor + document.tax_minor
    return document


def write(document: Doc, rows: Sequence[Any], taxes: Sequence[money.TaxSum], *, series: str) -> Doc:
    """Number a document, sum it up, seal it with its digest, and store it with its lines."""
    kind = documents.kind_of(document)
    document.series, document.year = series, document.issued_on.year
    document.sequence = next_number(kind, series, document.year)
    document.number = f"{series}-{document.year}-{document.sequence:04d}"
    sum_up(document, rows, taxes)
    content = documents.content_of(document, lines=rows)
    if wrong := arithmetic.contradictions(content):
        raise NotReady(f"This doesn't add up, so nothing was issued: {'; '.join(wrong)}.")
    document.digest = documents.digest_of(content)
    document.save()
    for row in rows:
        setattr(row, kind, document)
    type(rows[0]).objects.bulk_create(rows)
    return document


def locked(invoice: Invoice) -> Invoice:
    """Return the invoice, its row locked until the transaction ends."""
    rows = Invoice.objects.select_for_update(of=("self",)).select_related("booking", "client")
    found: Invoice = rows.get(pk=invoice.pk)
    return found
