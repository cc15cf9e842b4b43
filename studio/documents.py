"""Issued documents as they were frozen: their content, its digest, and the one PDF made from it."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import json
from collections.abc import Iterable
from typing import Any

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db.models import Q

from studio import invoice_pdf
from studio.errors import StudioError
from studio.models import CreditNote, Invoice
from studio.queueing import queue

CLAIM = dt.timedelta(minutes=2)
# A PDF that could not be made is tried again after this long: its frozen row loses nothing meanwhile.
WAIT = dt.timedelta(minutes=5)
TRIES_AT_ONCE = 3
CONTENT_VERSION = 1
LOGO_KINDS = {b"\x89PNG": "png", b"\xff\xd8": "jpeg", b"GIF8": "gif", b"RIFF": "webp"}
LOGO_ON_PAGE_BYTES = 300_000

Document = Invoice | CreditNote
KINDS: dict[str, type[Invoice] | type[CreditNote]] = {"invoice": Invoice, "credit_note": CreditNote}


class PdfNotMade(StudioError):
    """The PDF isn't there (yet)."""


class Tampered(StudioError):
    """A stored document is not what was issued."""


def kind_of(document: Document) -> str:
    return "invoice" if isinstance(document, Invoice) else "credit_note"


# --- frozen content ---------------------------------------------------------------------------------


def content_of(document: Document, *, lines: Iterable[Any] | None = None) -> dict[str, Any]:
    """Return everything the document says, as plain values; nothing is looked up elsewhere.

    `lines` are given while the document is being issued and they are not stored yet.
    """
    content: dict[str, Any] = {
        "version": CONTENT_VERSION,
        "kind": kind_of(document),
        "number": document.number,
        "issued_on": _day(document.issued_on),
        "supplied_on": _day(document.supplied_on),
        "currency": document.currency,
        "prices_include_tax": document.prices_include_tax,
        "seller": document.seller,
        "buyer": document.buyer,
        "subject": document.subject,
        "reference": document.reference,
        "note": document.note,
        "net_minor": document.net_minor,
        "tax_minor": document.tax_minor,
        "total_minor": document.total_minor,
        "taxes": document.taxes,
        "lines": [_line(line) for line in (document.lines.all() if lines is None else lines)],
    }
    if isinstance(document, Invoice):
        content |= {
            "due_on": _day(document.due_on),
            "payment_details": document.payment_details,
            "licence_until": _day(document.licence_until),
        }
    else:
        content |= {
            "reason": document.reason,
            "corrects": {
                "number": document.invoice.number,
                "issued_on": _day(document.invoice.issued_on),
            },
        }
    return content


def _line(line: Any) -> dict[str, Any]:
    return {
        "position": line.position,
        "description": line.description,
        "quantity": f"{line.quantity:.2f}",
        "unit_minor": line.unit_minor,
        "amount_minor": line.amount_minor,
        "net_minor": line.net_minor,
        "tax_name": line.tax_name,
        "tax_percent": f"{line.tax_percent:.3f}",
        "tax_category": line.tax_category,
    }


def _day(day: dt.date | None) -> str | None:
    return day.isoformat() if day else None


def digest_of(content: dict[str, Any]) -> str:
    """Return the SHA-256 of the content as JSON with sorted keys."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def is_intact(document: Document) -> bool:
    """Say whether the rows still hold what was issued (someone may have written to the database directly)."""
    return digest_of(content_of(document)) == document.digest


# --- the PDF ----------------------------------------------------------------------------------------


def queue_pdf(document: Document) -> None:
    queue("make_pdf", kind_of(document), document.pk)


def make_pdf(document: Document, *, now: dt.datetime) -> bool:
    """Make and store the PDF if it isn't there; safe to call twice. Return whether it is there now.

    Raises what stopped it, after writing the reason to the row.
    """
    rows = KINDS[kind_of(document)].objects.filter(pk=document.pk, pdf="")
    free = Q(pdf_claimed_until=None) | Q(pdf_claimed_until__lte=now)
    attempts = document.pdf_attempts + 1
    if not rows.filter(free).update(pdf_claimed_until=now + CLAIM, pdf_attempts=attempts):
        document.refresh_from_db()
        return bool(document.pdf)
    try:
        if not is_intact(document):
            raise Tampered(f"{document.number} was changed after it was issued; no PDF is made of it.")
        pdf = invoice_pdf.render(content_of(document), logo=read_logo(document))
        _store(document, pdf)
    except Exception as error:
        rows.update(
            pdf_claimed_until=now + (WAIT if attempts >= TRIES_AT_ONCE else dt.timedelta(seconds=20)),
            pdf_failed_reason=str(error)[:300] or type(error).__name__,
        )
        raise
    document.refresh_from_db()
    return True


def _store(document: Document, pdf: bytes) -> None:
    """Write the file, read it back, and point the row to it last; a second maker's copy is thrown away."""
    sha256 = hashlib.sha256(pdf).hexdigest()
    folder = f"invoices/{document.year}"
    name = default_storage.save(f"{folder}/{document.number}-{document.digest[:12]}.pdf", ContentFile(pdf))
    with default_storage.open(name) as stored:
        if hashlib.sha256(stored.read()).hexdigest() != sha256:
            raise PdfNotMade("The stored file reads back differently from what was written.")
    changed = (
        KINDS[kind_of(document)]
        .objects.filter(pk=document.pk, pdf="")
        .update(pdf=name, pdf_sha256=sha256, pdf_claimed_until=None, pdf_failed_reason="")
    )
    if not changed and not KINDS[kind_of(document)].objects.filter(pk=document.pk, pdf=name).exists():
        default_storage.delete(name)


def pdf_bytes(document: Document, *, now: dt.datetime) -> bytes:
    """Return the PDF, made first if need be, and checked against its sum."""
    if not document.pdf:
        try:
            is_there = make_pdf(document, now=now)
        except StudioError:
            raise
        except Exception as error:
            raise PdfNotMade(f"The PDF of {document.number} could not be made: {error}") from error
        if not is_there:
            raise PdfNotMade(f"The PDF of {document.number} is being made.")
    try:
        with default_storage.open(document.pdf.name or "") as stored:
            content: bytes = stored.read()
    except FileNotFoundError:
        content = _make_lost_pdf_again(document)
    if hashlib.sha256(content).hexdigest() != document.pdf_sha256:
        raise Tampered(
            f"The stored PDF of {document.number} is not the file that was issued, so it isn't handed out. "
            "The document's own figures are safe; put the file back from a backup."
        )
    return content


def _make_lost_pdf_again(document: Document) -> bytes:
    """Return the PDF of a lost file, made again from the frozen content and the same to the byte."""
    content = invoice_pdf.render(content_of(document), logo=read_logo(document))
    if hashlib.sha256(content).hexdigest() != document.pdf_sha256:
        raise PdfNotMade(
            f"The stored PDF of {document.number} is gone, and this version of the program would make "
            "another one. The document's own figures are safe; put the file back from a backup."
        )
    default_storage.save(document.pdf.name, ContentFile(content))
    return content


def missing_pdfs(now: dt.datetime) -> list[tuple[str, int]]:
    """Return kind and id of documents whose PDF is missing and that nobody is making. For the sweep."""
    free = Q(pdf_claimed_until=None) | Q(pdf_claimed_until__lte=now)
    return [
        (kind, pk)
        for kind, model in KINDS.items()
        for pk in model.objects.filter(free, pdf="").order_by("pk").values_list("pk", flat=True)
    ]


# --- the logo ---------------------------------------------------------------------------------------


def freeze_logo(logo: Any) -> dict[str, str]:
    """Keep a copy of the logo under the name of its content; return what the seller's snapshot says of it."""
    if not logo:
        return {}
    try:
        with logo.open("rb") as file:
            content = file.read()
    except OSError:
        return {}
    sha256 = hashlib.sha256(content).hexdigest()
    name = f"invoices/logos/{sha256}"
    if not default_storage.exists(name):
        name = default_storage.save(name, ContentFile(content))
    return {"logo": name, "logo_sha256": sha256}


def logo_address(document: Document) -> str:
    """Return the logo as a data address for the page; nothing when there is none, or it is large or lost."""
    try:
        content = read_logo(document) or b""
    except (OSError, Tampered):
        return ""
    kind = next((kind for start, kind in LOGO_KINDS.items() if content.startswith(start)), "")
    if not kind or len(content) > LOGO_ON_PAGE_BYTES:
        return ""
    return f"data:image/{kind};base64,{base64.b64encode(content).decode()}"


def read_logo(document: Document) -> bytes | None:
    """Return the logo as it was when the document was issued."""
    if not (name := document.seller.get("logo")):
        return None
    with default_storage.open(name) as file:
        content: bytes = file.read()
    if hashlib.sha256(content).hexdigest() != document.seller["logo_sha256"]:
        raise Tampered(f"The logo of {document.number} is not the one it was issued with.")
    return content
