"""Payments by hand, what is owed after them, and the word for how an invoice stands."""

from __future__ import annotations

import datetime as dt
import enum
from dataclasses import dataclass
from uuid import UUID, uuid4

from django.db import transaction
from django.db.models import Sum

from studio import booking_states, money, records
from studio.errors import StaleState, StudioError
from studio.models import Booking, Business, Invoice, Payment, User


class OddPayment(StudioError):
    """This payment makes no sense."""


class Standing(enum.Enum):
    """How an invoice stands: derived from its payments, credit notes and due day, never stored."""

    OPEN = "Open"
    PART_PAID = "Part paid"
    OVERDUE = "Overdue"
    PAID = "Paid"
    CREDITED = "Credited"
    TO_REFUND = "To pay back"


@dataclass(frozen=True)
class Account:
    """What happened to an invoice, in minor units; a negative balance is owed to the client."""

    total_minor: int
    credited_minor: int
    paid_minor: int
    due_on: dt.date
    today: dt.date

    @property
    def balance_minor(self) -> int:
        return self.total_minor - self.credited_minor - self.paid_minor

    @property
    def owed_back_minor(self) -> int:
        return max(0, -self.balance_minor)

    @property
    def days_late(self) -> int:
        return (self.today - self.due_on).days if self.balance_minor > 0 else 0

    @property
    def standing(self) -> Standing:
        if self.balance_minor < 0:
            return Standing.TO_REFUND
        if self.balance_minor > 0:
            if self.today > self.due_on:
                return Standing.OVERDUE
            return Standing.PART_PAID if self.paid_minor or self.credited_minor else Standing.OPEN
        return Standing.CREDITED if self.credited_minor and not self.paid_minor else Standing.PAID

    @property
    def word(self) -> str:
        return self.standing.value

    @property
    def tone(self) -> str:
        """The class that repeats the word in colour."""
        return {Standing.OVERDUE: "stop", Standing.TO_REFUND: "warn"}.get(self.standing, "")


def account_of(invoice: Invoice, *, now: dt.datetime) -> Account:
    """Return how the invoice stands today, by the clock of the business."""
    return account_on(invoice, now.astimezone(Business.current().zone).date())


def account_on(invoice: Invoice, today: dt.date) -> Account:
    """Return how the invoice stands on a day; on rows of `with_balance()` without a query."""
    found = vars(invoice)
    is_annotated = "paid" in found and "credited" in found
    paid, credited = (found["paid"], found["credited"]) if is_annotated else _sums_of(invoice)
    return Account(invoice.total_minor, credited, paid, invoice.due_on, today)


def balance_minor(invoice: Invoice) -> int:
    """Return what is still owed on the invoice; negative when money is to be paid back."""
    paid, credited = _sums_of(invoice)
    return int(invoice.total_minor - paid - credited)


def _sums_of(invoice: Invoice) -> tuple[int, int]:
    paid = invoice.payments.aggregate(all=Sum("amount_minor"))["all"] or 0
    credited = invoice.credit_notes.aggregate(all=Sum("total_minor"))["all"] or 0
    return paid, credited


def standing_of(invoice: Invoice, *, now: dt.datetime) -> str:
    """Return the word for how the invoice stands."""
    return account_of(invoice, now=now).word


def record_payment(
    invoice: Invoice,
    amount_minor: int | None = None,
    *,
    received_on: dt.date | None = None,
    method: str = Payment.Method.TRANSFER,
    reference: str = "",
    entry_id: UUID | None = None,
    by: User | None,
    now: dt.datetime,
) -> Payment:
    """Write down money that came in (or, negative, went back); without an amount, all that is still owed.

    A form gives an `entry_id`: the same entry sent twice counts once. A sent booking that is now paid is
    closed.
    """
    today = now.astimezone(Business.current().zone).date()
    entry_id = entry_id or uuid4()
    with transaction.atomic():
        Invoice.objects.select_for_update().get(pk=invoice.pk)
        if earlier := Payment.objects.filter(entry_id=entry_id).first():
            return _same_entry(earlier, invoice)
        owed = balance_minor(invoice)
        if amount_minor is None and owed <= 0:
            raise StaleState(f"Nothing is owed on invoice {invoice.number} any more; no payment was written.")
        amount = owed if amount_minor is None else amount_minor
        _refuse_odd(invoice, amount, received_on or today, today)
        payment: Payment = Payment.objects.create(
            entry_id=entry_id,
            invoice=invoice,
            amount_minor=amount,
            received_on=received_on or today,
            method=method,
            reference=reference,
            recorded_by=by,
            recorded_at=now,
        )
        records.note(
            "recorded a payment" if amount > 0 else "recorded a refund",
            booking=invoice.booking,
            user=by,
            now=now,
            number=invoice.number,
            amount_minor=amount,
            currency=invoice.currency,
        )
        if invoice.booking:
            close_if_paid(invoice.booking, by=by, now=now)
    return payment


def _same_entry(earlier: Payment, invoice: Invoice) -> Payment:
    if earlier.invoice_id != invoice.pk:
        raise OddPayment("This form was used for another invoice already. Open the page again.")
    return earlier


def _refuse_odd(invoice: Invoice, amount_minor: int, received_on: dt.date, today: dt.date) -> None:
    if amount_minor == 0:
        raise OddPayment("A payment of nothing isn't written down.")
    if received_on > today:
        raise OddPayment("A payment is written down when the money is there, not on a day to come.")
    paid = invoice.payments.aggregate(all=Sum("amount_minor"))["all"] or 0
    if paid + amount_minor < 0:
        most = money.format_minor(paid, invoice.currency)
        raise OddPayment(f"Only {most} came in on invoice {invoice.number}; more can't go back.")


def take_back(payment: Payment, *, by: User, now: dt.datetime) -> Payment:
    """Undo a slip: a second row of the opposite amount, tied to the first; a closed booking opens again."""
    with transaction.atomic():
        invoice = (
            Invoice.objects.select_for_update(of=("self",))
            .select_related("booking")
            .get(pk=payment.invoice_id)
        )
        if payment.takes_back_id or Payment.objects.filter(takes_back=payment).exists():
            raise StaleState("This payment was taken back already.")
        row: Payment = Payment.objects.create(
            invoice=invoice,
            amount_minor=-payment.amount_minor,
            received_on=payment.received_on,
            method=payment.method,
            reference=payment.reference,
            takes_back=payment,
            recorded_by=by,
            recorded_at=now,
        )
        records.note(
            "took a payment back",
            booking=invoice.booking,
            user=by,
            now=now,
            number=invoice.number,
            amount_minor=payment.amount_minor,
            currency=invoice.currency,
        )
        if invoice.booking and invoice.booking.state == Booking.State.CLOSED and balance_minor(invoice) > 0:
            booking_states.move(invoice.booking, Booking.State.SENT, by=by, now=now)
    return row


# --- closing ----------------------------------------------------------------------------------------


def close_if_paid(booking: Booking, *, by: User | None, now: dt.datetime) -> bool:
    """Close a sent booking that was billed and on which nothing is owed; say whether it was closed now."""
    booking.refresh_from_db(fields=["state"])
    if booking.state != Booking.State.SENT:
        return False
    invoices = list(booking.invoices.with_balance())
    is_billed = any(
        invoice.credited < invoice.total_minor or invoice.total_minor == 0 for invoice in invoices
    )
    if not is_billed or any(invoice.balance > 0 for invoice in invoices):
        return False
    booking_states.move(booking, Booking.State.CLOSED, by=by, now=now)
    return True


def close_paid(*, now: dt.datetime) -> int:
    """Close bookings that were paid before their set was sent. For the sweep."""
    sent = Booking.objects.filter(state=Booking.State.SENT, invoices__isnull=False).distinct()
    closed = 0
    for booking in sent:
        try:
            closed += close_if_paid(booking, by=None, now=now)
        except StaleState:  # someone moved it at this very moment
            continue
    return closed
