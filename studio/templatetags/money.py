"""Amounts and rates in templates: `{% load money %}{{ invoice.total_minor|money:invoice.currency }}`."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import template
from django.urls import reverse
from django.utils import timezone

from studio import access, epc, invoice_pdf, invoicing, payments
from studio import money as amounts
from studio.models import Booking, CreditNote, Invoice

register = template.Library()


@register.filter(name="money")
def money_filter(amount_minor: int | None, currency: str) -> str:
    """Write minor units for people; nothing for nothing."""
    return "" if amount_minor is None else amounts.format_minor(int(amount_minor), currency)


@register.filter
def rate(percent: Decimal | str) -> str:
    """Write a rate of tax: 20 %."""
    return f"{amounts.percent_text(Decimal(percent))}\N{NO-BREAK SPACE}%"


@register.filter
def count(quantity: Decimal | str) -> str:
    """Write a quantity without useless zeros: 1, 2.5."""
    return f"{Decimal(quantity).normalize():f}"


@register.filter
def day(iso: str | None) -> str:
    """Write an ISO day as people say it: 5 March 2027."""
    return invoice_pdf.say_day(iso)


@register.filter
def tax_words(tax: dict[str, Any]) -> str:
    """Name a tax with its rate, or say why there is none."""
    return invoice_pdf.tax_words(tax["name"], tax["percent"], tax["category"])


@register.filter
def is_taxed(content: dict[str, Any]) -> bool:
    return invoice_pdf.is_taxed(content)


@register.filter
def iban(text: str) -> str:
    return epc.group_iban(text)


@register.simple_tag
def document_links(document: Invoice | CreditNote, token: str = "") -> dict[str, str]:
    """Return the addresses of a document's page and PDF, by its link when the visitor came by one."""
    name = "invoice" if isinstance(document, Invoice) else "credit-note"
    if not token:
        page = reverse(f"studio:{name}", args=[document.public_id])
    else:
        page = reverse(f"studio:{name.replace('-', '')}-by-link", args=[document.public_id, token])
    return {"page": page, "pdf": f"{page}pdf/"}


@register.inclusion_tag("studio/money/_booking_of.html", takes_context=True)
def booking_money(context: dict[str, Any], booking: Booking) -> dict[str, Any]:
    """What was billed for a booking and how it stands; for owners, the way to bill it."""
    request, now = context["request"], timezone.now()
    staff = access.staff_of(request)
    rows = [
        (invoice, payments.account_of(invoice, now=now))
        for invoice in booking.invoices.with_balance().order_by("issued_at", "pk")
    ]
    is_owner = staff is not None and staff.is_owner
    return {
        "booking": booking,
        "rows": rows,
        "staff": staff,
        "may_issue": is_owner
        and booking.state not in invoicing.NOT_YET_BILLABLE
        and invoicing.standing_invoice(booking) is None,
    }


@register.inclusion_tag("studio/mail/_booking_of.html", takes_context=True)
def booking_mails(context: dict[str, Any], booking: Booking) -> dict[str, Any]:
    """The mails about a booking, for staff."""
    staff = access.staff_of(context["request"])
    return {"mails": list(booking.messages.all()[:20]) if staff else [], "staff": staff}
