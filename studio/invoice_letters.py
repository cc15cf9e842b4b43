"""The letters that carry invoices and credit notes to whoever pays."""

from __future__ import annotations

import datetime as dt

from django.conf import settings
from django.urls import reverse

from studio import mailing, money, records, tokens
from studio.invoice_pdf import say_day
from studio.models import CreditNote, Invoice, Message, User
from studio.payments import balance_minor


def address(document: Invoice | CreditNote) -> str:
    """Return the document's full address, which opens without signing in."""
    return settings.PUBLIC_URL + link_path(document)


def link_path(document: Invoice | CreditNote) -> str:
    name = "invoice" if isinstance(document, Invoice) else "creditnote"
    token = tokens.token(name, document.public_id, document.link_generation)
    return reverse(f"studio:{name}-by-link", args=[document.public_id, token])


def send_invoice(invoice: Invoice, *, by: User | None, now: dt.datetime) -> Message:
    """Mail the invoice to the address it is billed to, its PDF with it."""
    total = money.format_minor(balance_minor(invoice), invoice.currency)
    body = (
        f"Hello {invoice.buyer['contact'] or invoice.buyer['name']},\n\n"
        f"here is invoice {invoice.number}. {invoice.subject}.\n"
        f"Please pay {total} by {say_day(invoice.due_on.isoformat())}.\n\n"
        f"What was done, how to pay, and what has come in so far stand on this page:\n{address(invoice)}\n\n"
        f"The PDF for your books comes with this mail and can be had there too.\n\n"
        f"With kind regards\n{invoice.seller['name']}\n"
    )
    message = mailing.send(
        "invoice",
        to=invoice.buyer["email"],
        subject=f"Invoice {invoice.number} from {invoice.seller['name']}",
        body=body,
        booking=invoice.booking,
        invoice=invoice,
        now=now,
    )
    records.note("mailed the invoice", booking=invoice.booking, user=by, now=now, number=invoice.number)
    return message


def send_credit_note(note: CreditNote, *, by: User | None, now: dt.datetime) -> Message:
    """Mail the credit note to the address of the invoice that it corrects."""
    total = money.format_minor(note.total_minor, note.currency)
    body = (
        f"Hello {note.buyer['contact'] or note.buyer['name']},\n\n"
        f"credit note {note.number} takes {total} back from invoice {note.invoice.number}.\n"
        f"The reason: {note.reason}\n\n"
        f"It stands on this page, and its PDF comes with this mail:\n{address(note)}\n\n"
        f"With kind regards\n{note.seller['name']}\n"
    )
    message = mailing.send(
        "credit note",
        to=note.buyer["email"],
        subject=f"Credit note {note.number} from {note.seller['name']}",
        body=body,
        booking=note.invoice.booking,
        credit_note=note,
        now=now,
    )
    records.note("mailed the credit note", booking=note.invoice.booking, user=by, now=now, number=note.number)
    return message
