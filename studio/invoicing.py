"""Invoices: numbered without gaps, frozen when issued, put right only by a credit note."""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Sequence
from decimal import Decimal

from django.db import transaction
from django.db.models import F

from studio import documents, money, records
from studio.crediting import credit, left_to_credit
from studio.errors import AlreadyIssued, StaleState
from studio.issuing import NotReady, buyer_of, rows_of, seller_of, write
from studio.models import Booking, BookingLine, Business, Invoice, InvoiceLine, TaxRate, User
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
    "add_line",
    "balance_minor",
    "close_if_paid",
    "close_paid",
    "credit",
    "issue",
    "left_to_credit",
    "record_payment",
    "remove_line",
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
    seller = seller_of(business)
    with transaction.atomic():
        booking = (
            Booking.objects.select_for_update(of=("self",))
            .select_related("client__agency", "home")
            .get(pk=booking.pk)
        )
        if standing := standing_invoice(booking):
            raise AlreadyIssued(f"Booking {booking.number} has its invoice already: {standing.number}.")
        lines = list(booking.lines.all())
        totals = _totals_to_bill(booking, lines, business)
        today = now.astimezone(business.zone).date()
        client = booking.client
        days = client.payment_days if client.payment_days is not None else business.payment_days
        visited_on = booking.starts_at.astimezone(business.zone).date() if booking.starts_at else None
        invoice = write(
            Invoice(
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
            ),
            rows_of(InvoiceLine, lines, totals),
            totals.taxes,
            series=business.invoice_series,
        )
        records.note("issued the invoice", booking=booking, user=by, now=now, number=invoice.number)
        documents.queue_pdf(invoice)
    return invoice


def _totals_to_bill(booking: Booking, lines: Sequence[BookingLine], business: Business) -> money.Totals:
    if booking.state in NOT_YET_BILLABLE:
        raise NotReady(f"Booking {booking.number} isn't agreed yet; it can be billed when it is.")
    if not lines:
        raise NotReady(f"Booking {booking.number} has no price lines. Add what is to be billed first.")
    totals = money.add_up(lines, prices_include_tax=business.prices_include_tax)
    if totals.total_minor < 0:
        raise NotReady("The lines come to less than nothing. Money is given back by a credit note.")
    return totals


def standing_invoice(booking: Booking) -> Invoice | None:
    """Return the booking's invoice that isn't wholly credited."""
    invoice: Invoice | None = (
        booking.invoices.with_balance().exclude(credited__gt=0, credited__gte=F("total_minor")).first()
    )
    return invoice


def _months_later(day: dt.date, months: int) -> dt.date:
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


# --- lines after the visit --------------------------------------------------------------------------


def add_line(
    booking: Booking,
    *,
    description: str,
    quantity: Decimal,
    unit_minor: int,
    tax_rate: TaxRate,
    by: User,
    now: dt.datetime,
) -> BookingLine:
    """Add something to bill that came up after the price was agreed; impossible once the invoice stands."""
    with transaction.atomic():
        Booking.objects.select_for_update().get(pk=booking.pk)
        _refuse_if_billed(booking)
        last = booking.lines.order_by("position").last()
        line = BookingLine.objects.create(
            booking=booking,
            position=last.position + 1 if last else 0,
            code="added",
            description=description,
            quantity=quantity,
            unit_minor=unit_minor,
            tax_name=tax_rate.name,
            tax_percent=tax_rate.percent,
            tax_category=tax_rate.category,
        )
        records.note("added a price line", booking=booking, user=by, now=now, line=description)
    return line


def remove_line(line: BookingLine, *, by: User, now: dt.datetime) -> None:
    """Take a price line off the bill before it is issued."""
    with transaction.atomic():
        Booking.objects.select_for_update().get(pk=line.booking_id)
        _refuse_if_billed(line.booking)
        records.note("removed a price line", booking=line.booking, user=by, now=now, line=line.description)
        line.delete()


def _refuse_if_billed(booking: Booking) -> None:
    if standing := standing_invoice(booking):
        raise StaleState(
            f"Invoice {standing.number} is issued, so the booking's lines stay as they are. To bill "
            "something else, credit that invoice and issue a new one."
        )
