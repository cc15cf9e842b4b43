"""Invoices: numbered without gaps, frozen when issued, put right only by a credit note."""

from __future__ import annotations

import calendar
import datetime as dt
from typing import Any

from django.db import transaction
from django.db.models import F

from studio import documents, money, records
from studio.crediting import credit, left_to_credit
from studio.errors import AlreadyIssued
from studio.issuing import NotReady, buyer_of, rows_of, seller_of, sum_up, write
from studio.models import Booking, Business, Invoice, InvoiceLine, User
from studio.payments import (
    balance_minor,
    close_if_paid,
    close_paid,
    record_payment,
    standing_of,
    take_back,
)

__all__ = [
    "NotReady",
    "balance_minor",
    "close_if_paid",
    "close_paid",
    "credit",
    "draft",
    "issue",
    "left_to_credit",
    "record_payment",
    "standing_invoice",
    "standing_of",
    "take_back",
]

# A booking can be billed once a visit is agreed; a called-off one too, for the fee that the terms name.
NOT_YET_BILLABLE = frozenset({Booking.State.ASKED, Booking.State.HELD})


# --- issuing ----------------------------------------------------------------------------------------


def issue(booking: Booking, *, by: User | None, now: dt.datetime) -> Invoice:
    """Issue the booking's invoice: number, lines, parties, sums and digest in one transaction.

    The PDF is made afterwards, from the frozen rows alone. Raises AlreadyIssued while an earlier invoice of
    the booking stands (that is, isn't wholly credited), NotReady when something is missing.
    """
    business = Business.current()
    seller = seller_of(business) | documents.freeze_logo(business.logo)
    with transaction.atomic():
        Booking.objects.select_for_update().get(pk=booking.pk)
        booking = _with_parties(booking)
        if standing := standing_invoice(booking):
            raise AlreadyIssued(f"Booking {booking.number} has its invoice already: {standing.number}.")
        rows, totals = _billable(booking, business)
        invoice = write(
            _invoice_of(booking, business, seller, now=now),
            rows,
            totals.taxes,
            series=business.invoice_series,
        )
        records.note("issued the invoice", booking=booking, user=by, now=now, number=invoice.number)
        documents.queue_pdf(invoice)
    return invoice


def draft(booking: Booking, *, now: dt.datetime) -> dict[str, Any]:
    """Return what the booking's invoice would say if it were issued now; nothing is written."""
    business = Business.current()
    booking = _with_parties(booking)
    rows, totals = _billable(booking, business)
    invoice = _invoice_of(booking, business, seller_of(business), now=now)
    return documents.content_of(sum_up(invoice, rows, totals.taxes), lines=rows)


def _with_parties(booking: Booking) -> Booking:
    return Booking.objects.select_related("client__agency", "home").get(pk=booking.pk)


def _invoice_of(booking: Booking, business: Business, seller: dict[str, str], *, now: dt.datetime) -> Invoice:
    """Return the booking's invoice without number, lines and sums."""
    today = now.astimezone(business.zone).date()
    client = booking.client
    days = client.payment_days if client.payment_days is not None else business.payment_days
    visited_on = booking.starts_at.astimezone(business.zone).date() if booking.starts_at else None
    return Invoice(
        client=client,
        booking=booking,
        issued_on=today,
        issued_at=now,
        supplied_on=visited_on if visited_on and visited_on <= today else None,
        currency=business.currency,
        prices_include_tax=business.prices_include_tax,
        seller=seller,
        buyer=buyer_of(client),
        subject=f"Pictures of {booking.home}"[:300],
        reference=booking.number,
        note=business.invoice_note,
        due_on=today + dt.timedelta(days=days),
        payment_details=business.payment_details,
        licence_until=_months_later(visited_on or today, business.licence_months),
    )


def _billable(booking: Booking, business: Business) -> tuple[list[InvoiceLine], money.Totals]:
    if booking.state in NOT_YET_BILLABLE:
        raise NotReady(f"Booking {booking.number} isn't agreed yet; it can be billed when it is.")
    lines = list(booking.lines.all())
    if not lines:
        raise NotReady(f"Booking {booking.number} has no price lines. Add what is to be billed first.")
    totals = money.add_up(lines, prices_include_tax=business.prices_include_tax)
    if totals.total_minor < 0:
        raise NotReady("The lines come to less than nothing. Money is given back by a credit note.")
    return rows_of(InvoiceLine, lines, totals), totals


def standing_invoice(booking: Booking) -> Invoice | None:
    """Return the booking's invoice that isn't wholly credited."""
    invoice: Invoice | None = (
        booking.invoices.with_balance().exclude(credited__gt=0, credited__gte=F("total_minor")).first()
    )
    return invoice


def _months_later(day: dt.date, months: int) -> dt.date:
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))
