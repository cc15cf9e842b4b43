"""Invoices, credit notes and payments: issued once, never edited."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal
from typing import Any, ClassVar, Self

from django.conf import settings
from django.db import models
from django.db.models import OuterRef, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce
from django.utils import timezone

from .frozen import FrozenModel, FrozenQuerySet


class NumberSeries(models.Model):
    """The last number given out in a series and year: the row that issuing locks."""

    kind = models.CharField(max_length=16)
    series = models.CharField(max_length=8)
    year = models.PositiveSmallIntegerField()
    last = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["kind", "series", "year"], name="one_series_row")]
        verbose_name_plural = "number series"

    def __str__(self) -> str:
        return f"{self.series}-{self.year}"


class IssuedDocument(FrozenModel):
    """What invoices and credit notes share. Parties are snapshots; money is in minor units of `currency`."""

    changeable = frozenset(
        {"pdf", "pdf_sha256", "pdf_claimed_until", "pdf_attempts", "pdf_failed_reason", "link_generation"}
    )

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    client = models.ForeignKey("studio.Client", on_delete=models.PROTECT)
    series = models.CharField(max_length=8)
    year = models.PositiveSmallIntegerField()
    sequence = models.PositiveIntegerField()
    number = models.CharField(max_length=40, unique=True)
    issued_on = models.DateField()
    issued_at = models.DateTimeField(default=timezone.now)
    supplied_on = models.DateField(null=True, blank=True)
    currency = models.CharField(max_length=3)
    prices_include_tax = models.BooleanField(default=False)
    seller = models.JSONField()
    buyer = models.JSONField()
    subject = models.CharField(max_length=300, blank=True, help_text="What the document is for, in a line.")
    reference = models.CharField(max_length=40, blank=True, help_text="The booking's number.")
    note = models.TextField(blank=True)
    net_minor = models.BigIntegerField()
    tax_minor = models.BigIntegerField()
    total_minor = models.BigIntegerField()
    taxes = models.JSONField(help_text="One entry per rate: name, percent, category, base_minor, tax_minor.")
    digest = models.CharField(max_length=64, help_text="SHA-256 of the frozen content.")
    pdf = models.FileField(upload_to="invoices/", blank=True, max_length=300)
    pdf_sha256 = models.CharField(max_length=64, blank=True)
    pdf_claimed_until = models.DateTimeField(null=True, blank=True)
    pdf_attempts = models.PositiveSmallIntegerField(default=0)
    pdf_failed_reason = models.CharField(max_length=300, blank=True)
    link_generation = models.PositiveSmallIntegerField(
        default=1, help_text="Raised to make earlier links useless."
    )

    class Meta:
        abstract = True
        ordering = ["-issued_at", "-pk"]

    def __str__(self) -> str:
        return self.number


class DocumentLine(FrozenModel):
    """One frozen line. `amount_minor` is quantity times price as priced, `net_minor` the part without tax."""

    position = models.PositiveSmallIntegerField()
    description = models.CharField(max_length=240)
    quantity = models.DecimalField(max_digits=9, decimal_places=2, default=Decimal(1))
    unit_minor = models.BigIntegerField()
    amount_minor = models.BigIntegerField()
    net_minor = models.BigIntegerField()
    tax_name = models.CharField(max_length=60, blank=True)
    tax_percent = models.DecimalField(max_digits=6, decimal_places=3)
    tax_category = models.CharField(max_length=2, default="S")

    class Meta:
        abstract = True
        ordering = ["position"]

    def __str__(self) -> str:
        return self.description


def _sum_of(rows: QuerySet[Any], field: str) -> Coalesce:
    total = rows.filter(invoice=OuterRef("pk")).order_by().values("invoice").annotate(all=Sum(field))
    return Coalesce(Subquery(total.values("all")), Value(0), output_field=models.BigIntegerField())


class InvoiceQuerySet(FrozenQuerySet):
    def with_balance(self) -> Self:
        """Add `paid`, `credited` and `balance`, all in minor units."""
        return self.annotate(
            paid=_sum_of(Payment.objects.all(), "amount_minor"),
            credited=_sum_of(CreditNote.objects.all(), "total_minor"),
        ).annotate(balance=models.F("total_minor") - models.F("credited") - models.F("paid"))

    def open(self) -> Self:
        """Invoices on which something is still owed."""
        return self.with_balance().filter(balance__gt=0)

    def overdue_on(self, day: dt.date) -> Self:
        return self.open().filter(due_on__lt=day)


class Invoice(IssuedDocument):
    booking = models.ForeignKey(
        "Booking", null=True, blank=True, on_delete=models.PROTECT, related_name="invoices"
    )
    due_on = models.DateField()
    payment_details = models.TextField(blank=True)
    licence_until = models.DateField(null=True, blank=True)

    objects: ClassVar[models.Manager[Any]] = InvoiceQuerySet.as_manager()

    class Meta(IssuedDocument.Meta):
        constraints = [
            models.UniqueConstraint(fields=["series", "year", "sequence"], name="invoice_number_once")
        ]


class InvoiceLine(DocumentLine):
    invoice = models.ForeignKey(Invoice, on_delete=models.PROTECT, related_name="lines")


class CreditNote(IssuedDocument):
    """Takes back an invoice, or part of it: positive amounts, numbers of their own."""

    invoice = models.ForeignKey(Invoice, on_delete=models.PROTECT, related_name="credit_notes")
    reason = models.CharField(max_length=240)

    class Meta(IssuedDocument.Meta):
        constraints = [
            models.UniqueConstraint(fields=["series", "year", "sequence"], name="credit_note_number_once")
        ]


class CreditNoteLine(DocumentLine):
    credit_note = models.ForeignKey(CreditNote, on_delete=models.PROTECT, related_name="lines")


class Payment(FrozenModel):
    """Money that came in (positive) or went back (negative). A slip is taken back by a second row."""

    class Method(models.TextChoices):
        TRANSFER = "transfer", "Bank transfer"
        CARD = "card", "Card"
        CASH = "cash", "Cash"
        OTHER = "other", "Other"

    changeable = frozenset({"recorded_by", "recorded_by_id"})

    entry_id = models.UUIDField(
        default=uuid.uuid4, unique=True, editable=False, help_text="Given by the form: a form counts once."
    )
    invoice = models.ForeignKey(Invoice, on_delete=models.PROTECT, related_name="payments")
    amount_minor = models.BigIntegerField()
    received_on = models.DateField()
    method = models.CharField(max_length=16, choices=Method.choices, default=Method.TRANSFER)
    reference = models.CharField(max_length=120, blank=True)
    takes_back = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="taken_back_by"
    )
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL)
    recorded_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["received_on", "pk"]

    def __str__(self) -> str:
        return f"{self.amount_minor} on {self.received_on}"
