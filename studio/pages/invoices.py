"""Invoices and credit notes as pages: the list, one document for staff and client, issuing, settling."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from studio import access, documents, epc, invoice_letters, invoicing, ledger, payments, pdf_sheet
from studio.errors import StudioError
from studio.forms.money import CreditForm, InvoiceFilterForm, PaymentForm
from studio.models import CreditNote, Invoice, Message, Payment, User

Document = Invoice | CreditNote


@access.owner_only
@require_safe
def listing(request: HttpRequest) -> HttpResponse:
    """All invoices by a sentence that can be edited, by month, with what they come to."""
    now = timezone.now()
    years = ledger.years()
    form = InvoiceFilterForm(request.GET or {"year": years[0] if years else ""}, years=years)
    wanted = form.cleaned_data if form.is_valid() else {}
    page = ledger.invoices(wanted, page=request.GET.get("page"), now=now)
    words = request.GET.copy()
    words.pop("page", None)
    return render(
        request,
        "studio/money/invoices.html",
        {"form": form, "ledger": page, "to_bill": ledger.to_bill(now=now), "words": words.urlencode()},
    )


@access.signed_in
@never_cache
@require_safe
def invoice(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """One invoice: to staff with everything that can be done, to its client as a letter."""
    found = access.document_for_either(request, Invoice, public_id)
    return _page(request, found)


@access.signed_in
@never_cache
@require_safe
def credit_note(request: HttpRequest, public_id: UUID) -> HttpResponse:
    return _page(request, access.document_for_either(request, CreditNote, public_id))


@never_cache
@require_safe
def invoice_by_link(request: HttpRequest, public_id: UUID, token: str) -> HttpResponse:
    """The invoice for whoever has its mailed link."""
    return _client_page(request, access.document_by_link(Invoice, public_id, token), token)


@never_cache
@require_safe
def credit_note_by_link(request: HttpRequest, public_id: UUID, token: str) -> HttpResponse:
    return _client_page(request, access.document_by_link(CreditNote, public_id, token), token)


@access.signed_in
@never_cache
@require_safe
def invoice_pdf(request: HttpRequest, public_id: UUID) -> HttpResponse:
    return _pdf(request, access.document_for_either(request, Invoice, public_id))


@access.signed_in
@never_cache
@require_safe
def credit_note_pdf(request: HttpRequest, public_id: UUID) -> HttpResponse:
    return _pdf(request, access.document_for_either(request, CreditNote, public_id))


@never_cache
@require_safe
def invoice_pdf_by_link(request: HttpRequest, public_id: UUID, token: str) -> HttpResponse:
    return _pdf(request, access.document_by_link(Invoice, public_id, token))


@never_cache
@require_safe
def credit_note_pdf_by_link(request: HttpRequest, public_id: UUID, token: str) -> HttpResponse:
    return _pdf(request, access.document_by_link(CreditNote, public_id, token))


# --- what the owner does ----------------------------------------------------------------------------


@access.owner_only
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def issue(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Show what the invoice will say, then issue it; a number once given stays."""
    booking, now = access.booking_for_staff(request, public_id), timezone.now()
    if standing := invoicing.standing_invoice(booking):
        return redirect("studio:invoice", standing.public_id)
    try:
        if request.method != "POST":
            content = invoicing.draft(booking, now=now)
            odd = pdf_sheet.unprintable(json.dumps(content, ensure_ascii=False))
            context = {"booking": booking, "content": content, "unprintable": odd}
            return render(request, "studio/money/issue.html", context)
        issued = invoicing.issue(booking, by=_owner(request), now=now)
    except StudioError as error:
        messages.error(request, str(error))
        return redirect("listings:booking", booking.public_id)
    if request.POST.get("send"):
        invoice_letters.send_invoice(issued, by=_owner(request), now=now)
    messages.success(request, f"Invoice {issued.number} is issued.")
    return redirect("studio:invoice", issued.public_id)


@access.owner_only
@require_POST
def mark_paid(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Write down, in one step, that everything still owed came in today."""
    found = access.invoice_for_owner(request, public_id)
    try:
        invoicing.record_payment(found, by=_owner(request), now=timezone.now())
    except StudioError as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"Invoice {found.number} is paid. A slip can be taken back below.")
    return redirect("studio:invoice", found.public_id)


@access.owner_only
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def record_payment(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Write down money that came in or went back: a part, all, or more."""
    found, now = access.invoice_for_owner(request, public_id), timezone.now()
    account = payments.account_of(found, now=now)
    owed = account.balance_minor
    initial = {
        "entry_id": uuid4(),
        "amount_minor": abs(owed) or None,
        "way": "back" if owed < 0 else "in",
        "received_on": account.today,
    }
    form = PaymentForm(request.POST or None, invoice=found, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            invoicing.record_payment(
                found,
                form.signed_minor(),
                received_on=form.cleaned_data["received_on"],
                method=form.cleaned_data["method"],
                reference=form.cleaned_data["reference"],
                entry_id=form.cleaned_data["entry_id"],
                by=_owner(request),
                now=now,
            )
        except StudioError as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, "The payment is written down.")
            return redirect("studio:invoice", found.public_id)
    context = {"invoice": found, "account": account, "form": form}
    return render(request, "studio/money/payment.html", context, status=422 if form.errors else 200)


@access.owner_only
@require_POST
def take_back(request: HttpRequest, public_id: UUID, pk: int) -> HttpResponse:
    """Undo a payment that was written down by mistake."""
    found = access.invoice_for_owner(request, public_id)
    payment = get_object_or_404(Payment, pk=pk, invoice=found)
    try:
        invoicing.take_back(payment, by=_owner(request), now=timezone.now())
    except StudioError as error:
        messages.error(request, str(error))
    else:
        messages.success(request, "The payment is taken back; both entries stay in the books.")
    return redirect("studio:invoice", found.public_id)


@access.owner_only
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def credit(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Issue a credit note for the invoice, or for a part of it."""
    found, now = access.invoice_for_owner(request, public_id), timezone.now()
    left = invoicing.left_to_credit(found)
    form = CreditForm(request.POST or None, invoice=found, left=left)
    if request.method == "POST" and form.is_valid():
        try:
            note = invoicing.credit(
                found,
                reason=form.cleaned_data["reason"],
                amounts_minor=form.amounts_minor(),
                by=_owner(request),
                now=now,
            )
        except StudioError as error:
            form.add_error(None, str(error))
        else:
            if request.POST.get("send"):
                invoice_letters.send_credit_note(note, by=_owner(request), now=now)
            messages.success(request, f"Credit note {note.number} is issued.")
            return redirect("studio:credit-note", note.public_id)
    left_minor = sum(tax.base_minor + tax.tax_minor for tax in left)
    context = {"invoice": found, "left_minor": left_minor, "form": form}
    return render(request, "studio/money/credit.html", context, status=422 if form.errors else 200)


@access.owner_only
@require_POST
def send(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Mail the invoice to whoever pays it."""
    found = access.invoice_for_owner(request, public_id)
    message = invoice_letters.send_invoice(found, by=_owner(request), now=timezone.now())
    _say_mailed(request, message)
    return redirect("studio:invoice", found.public_id)


@access.owner_only
@require_POST
def send_credit_note(request: HttpRequest, public_id: UUID) -> HttpResponse:
    found = access.document_for_either(request, CreditNote, public_id)
    assert isinstance(found, CreditNote)
    message = invoice_letters.send_credit_note(found, by=_owner(request), now=timezone.now())
    _say_mailed(request, message)
    return redirect("studio:credit-note", found.public_id)


def _say_mailed(request: HttpRequest, message: Message) -> None:
    if message.state == Message.State.KEPT:
        messages.warning(
            request, "No SMTP server is set, so the mail is kept on the mail page; copy its link from there."
        )
    else:
        messages.success(request, f"The mail to {message.to} is on its way.")


def _owner(request: HttpRequest) -> User:
    staff = access.staff_of(request)
    assert staff is not None
    return staff


# --- pages and files --------------------------------------------------------------------------------


def _page(request: HttpRequest, document: Document) -> HttpResponse:
    if access.staff_of(request) is None:
        return _client_page(request, document)
    context = _context(document, now=timezone.now()) | {"is_intact": documents.is_intact(document)}
    return render(request, f"studio/money/{documents.kind_of(document)}.html", context)


def _client_page(request: HttpRequest, document: Document, token: str = "") -> HttpResponse:
    context = _context(document, now=timezone.now()) | {"token": token}
    response = render(request, "studio/money/for_client.html", context)
    response["X-Robots-Tag"] = "noindex, nofollow"
    return response


def _context(document: Document, *, now: dt.datetime) -> dict[str, Any]:
    found = document if isinstance(document, Invoice) else document.invoice
    return {
        "document": document,
        "is_invoice": document is found,
        "content": documents.content_of(document),
        "invoice": found,
        "account": payments.account_of(found, now=now),
        "history": ledger.history(found),
        "code": _code(found) if document is found else None,
        "logo": documents.logo_address(document),
    }


def _code(found: Invoice) -> str | None:
    """Return the payment code of what is still owed, as a picture for the page."""
    owed = payments.balance_minor(found)
    code = epc.payment_code(
        name=found.seller["name"],
        iban=found.seller["iban"],
        bic=found.seller["bic"],
        amount_minor=owed,
        currency=found.currency,
        text=found.number,
    )
    return code.svg_data_uri(scale=4, border=4, dark="#1c1e20", light="#ffffff") if code else None


def _pdf(request: HttpRequest, document: Document) -> HttpResponse:
    """Hand the stored PDF out, checked against its sum; while it is being made, say so."""
    if not document.pdf:
        documents.queue_pdf(document)
        context = {"document": document, "back": request.path.removesuffix("pdf/")}
        response = render(request, "studio/money/being_made.html", context, status=503)
        response["Retry-After"] = "5"
        return response
    try:
        content = documents.pdf_bytes(document, now=timezone.now())
    except (StudioError, OSError) as error:
        context = {"document": document, "back": request.path.removesuffix("pdf/"), "error": str(error)}
        return render(request, "studio/money/being_made.html", context, status=500)
    response = HttpResponse(content, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{document.number}.pdf"'
    response["ETag"] = f'"{document.pdf_sha256}"'
    response["X-Robots-Tag"] = "noindex, nofollow"
    return response
