"""Many invoices at once: found by a sentence, gathered by month, added up; and what happened to one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import F, Q, Sum

from studio import payments
from studio.models import Booking, Business, Invoice

A_PAGE = 60


@dataclass(frozen=True)
class Row:
    """One invoice in the list."""

    invoice: Invoice
    account: payments.Account


@dataclass(frozen=True)
class Month:
    """The invoices issued in one month."""

    first_on: dt.date
    rows: list[Row]


@dataclass(frozen=True)
class Ledger:
    """A page of the list, and what all that was found comes to, by currency."""

    page: Page[Any]
    months: list[Month]
    count: int
    sums: list[dict[str, Any]]


@dataclass(frozen=True)
class Happening:
    """One thing that happened to an invoice."""

    at: dt.datetime
    words: str
    amount_minor: int | None = None
    payment: Any = None
    note: Any = None
    message: Any = None


def years() -> list[int]:
    """Return the years in which invoices were issued, newest first."""
    return list(Invoice.objects.order_by("-year").values_list("year", flat=True).distinct())


def invoices(wanted: Mapping[str, Any], *, page: str | None, now: dt.datetime) -> Ledger:
    """Return the invoices that the sentence asks for."""
    today = now.astimezone(Business.current().zone).date()
    rows = Invoice.objects.with_balance().select_related("booking__home", "client__agency")
    rows = rows.filter(_which(wanted.get("which", ""), today))
    if year := wanted.get("year"):
        rows = rows.filter(year=year)
    for word in wanted.get("words", "").split():
        rows = rows.filter(
            Q(number__icontains=word)
            | Q(subject__icontains=word)
            | Q(reference__icontains=word)
            | Q(client__name__icontains=word)
            | Q(client__agency__name__icontains=word)
        )
    found = Paginator(rows.order_by("-issued_on", "-sequence", "-pk"), A_PAGE).get_page(page)
    listed = [Row(invoice, payments.account_on(invoice, today)) for invoice in found]
    months = [
        Month(first_on, list(members))
        for first_on, members in groupby(listed, key=lambda row: row.invoice.issued_on.replace(day=1))
    ]
    sums = (
        rows.order_by()
        .values("currency")
        .annotate(total=Sum("total_minor"), owed=Sum("balance", filter=Q(balance__gt=0)))
    )
    return Ledger(found, months, found.paginator.count, list(sums.order_by("currency")))


def _which(which: str, today: dt.date) -> Q:
    return {
        "open": Q(balance__gt=0),
        "overdue": Q(balance__gt=0, due_on__lt=today),
        "paid": Q(balance__lte=0, paid__gt=0),
        "refund": Q(balance__lt=0),
    }.get(which, Q())


def to_bill(*, now: dt.datetime) -> list[Booking]:
    """Return bookings whose visit is over and that no invoice stands for."""
    done = (Booking.State.VISITED, Booking.State.SENT)
    standing = (
        Invoice.objects.with_balance()
        .exclude(credited__gt=0, credited__gte=F("total_minor"))
        .filter(booking__isnull=False)
        .values("booking")
    )
    rows = Booking.objects.filter(state__in=done).exclude(pk__in=standing)
    return list(rows.select_related("home", "client").order_by("starts_at", "pk"))


def history(invoice: Invoice) -> list[Happening]:
    """Return what happened to an invoice so far, oldest first."""
    happened = [Happening(invoice.issued_at, f"Issued as {invoice.number}", invoice.total_minor)]
    for message in invoice.messages.all():
        happened.append(Happening(message.created_at, f"Mail to {message.to}", message=message))
    taken_back = set()
    for payment in invoice.payments.select_related("recorded_by"):
        if payment.takes_back_id:
            taken_back.add(payment.takes_back_id)
            words = "A payment was taken back: a slip"
        elif payment.amount_minor < 0:
            words = "Paid back to the client"
        else:
            words = f"Paid, {payment.get_method_display().lower()}"
        happened.append(Happening(payment.recorded_at, words, payment.amount_minor, payment=payment))
    for note in invoice.credit_notes.all():
        happened.append(
            Happening(
                note.issued_at, f"Credit note {note.number}: {note.reason}", note.total_minor, note=note
            )
        )
    return sorted((_without_undo(one, taken_back) for one in happened), key=lambda one: one.at)


def _without_undo(one: Happening, taken_back: set[int]) -> Happening:
    """Leave no way to take back what was taken back, or what itself takes back."""
    if one.payment is None or not (one.payment.takes_back_id or one.payment.pk in taken_back):
        return one
    return Happening(one.at, one.words, one.amount_minor)
