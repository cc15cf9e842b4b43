"""The PDF: read back by two libraries, made once, from frozen content alone."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
from decimal import Decimal
from pathlib import Path
from typing import Any

import pdfplumber
import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from PIL import Image
from pypdf import PdfReader

from studio import documents, epc, invoice_pdf, invoicing, money, pdf_sheet, tasks
from studio.models import Business, Invoice
from tests import factories
from tests.factories import NOW, make_booking, make_business

pytestmark = pytest.mark.django_db

# The example IBANs of the registry of ISO 13616.
IBAN = "GB82WEST12345698765432"


@pytest.fixture(autouse=True)
def _business() -> None:
    make_business(
        iban=IBAN, bic="WESTGB2L", tax_id="GB 999 0000 42", payment_details="Harrowmere Savings Bank"
    )


def issued(lines: list[dict[str, Any]] | None = None, **changed: Any) -> Invoice:
    return invoicing.issue(make_booking(lines=lines, **changed), by=None, now=NOW)


def many(count: int) -> list[dict[str, Any]]:
    return [
        {"description": f"{place}. Detail pictures", "unit_minor": 1000 + place, "quantity": Decimal(2)}
        for place in range(1, count + 1)
    ]


def render(invoice: Invoice) -> bytes:
    return invoice_pdf.render(documents.content_of(invoice))


def text_by_pypdf(pdf: bytes) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)


def text_by_pdfplumber(pdf: bytes) -> list[str]:
    with pdfplumber.open(io.BytesIO(pdf)) as found:
        return [page.extract_text() or "" for page in found.pages]


@pytest.mark.parametrize(("count", "pages"), [(1, 1), (12, 2), (80, 4)])
def test_lines_totals_and_page_counts_read_back_by_two_libraries(count: int, pages: int) -> None:
    invoice = issued(many(count))
    pdf = render(invoice)
    by_page = text_by_pdfplumber(pdf)
    assert len(by_page) == len(PdfReader(io.BytesIO(pdf)).pages) == pages
    for text in ("\n".join(by_page), text_by_pypdf(pdf)):
        for expected in (invoice.net_minor, invoice.tax_minor, invoice.total_minor):
            assert money.format_minor(expected, "EUR") in text
        for place in (1, count):
            assert f"{place}. Detail pictures" in text
        for expected_text in (invoice.number, "Plumb & Lantern", "GB 999 0000 42", "GB82 WEST 1234"):
            assert expected_text in text
    for number, text in enumerate(by_page, start=1):
        assert f"Invoice {invoice.number}, page {number} of {pages}" in text


def test_a_page_break_carries_the_sum_over() -> None:
    invoice = issued(many(80))
    pages = text_by_pdfplumber(render(invoice))
    printed = 0
    for before, after in zip(pages, pages[1:], strict=False):
        printed += before.count(". Detail pictures")
        carried = sum(2 * (1000 + place) for place in range(1, printed + 1))
        amount = money.format_minor(carried, "EUR")
        assert f"Carried forward {amount}" in before
        assert f"Brought forward {amount}" in after
    assert "Carried forward" not in pages[-1]


def test_names_in_other_alphabets_are_written_with_the_embedded_type() -> None:
    names = ["Þórunn Østergård-Škvorecký", "Ζωή Παπαδοπούλου", "Агентство «Липа»", "Nguyễn Thị Đào"]
    client = factories.make_client(name=names[0], address="\n".join(names[1:]))
    pdf = render(issued(client=client))
    for text in (text_by_pypdf(pdf), "\n".join(text_by_pdfplumber(pdf))):
        assert all(name in text for name in names)
    reader = PdfReader(io.BytesIO(pdf))
    fonts = reader.pages[0]["/Resources"]["/Font"]
    for font in fonts.values():
        descriptor = font.get_object()["/FontDescriptor"]
        assert "NotoSans" in font.get_object()["/BaseFont"]
        assert "/FontFile2" in descriptor


def test_signs_without_a_shape_are_named() -> None:
    assert pdf_sheet.unprintable("Zoë Ζωή Зоя 山 €") == ["山"]


def test_title_author_language_and_day_are_in_the_file() -> None:
    invoice = issued()
    reader = PdfReader(io.BytesIO(render(invoice)))
    assert reader.metadata.title == f"Invoice {invoice.number}, Plumb & Lantern"
    assert reader.metadata.author == "Plumb & Lantern"
    assert reader.metadata.creation_date.date() == invoice.issued_on
    assert reader.trailer["/Root"]["/Lang"] == "en"
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/DisplayDocTitle"]


def test_the_same_content_gives_the_same_bytes() -> None:
    invoice = issued(many(12))
    assert render(invoice) == render(Invoice.objects.get(pk=invoice.pk))


@pytest.mark.parametrize(("country_code", "points"), [("GB", (595, 842)), ("US", (612, 792))])
def test_the_paper_is_the_one_of_the_country(country_code: str, points: tuple[int, int]) -> None:
    make_business(country_code=country_code)
    page = PdfReader(io.BytesIO(render(issued()))).pages[0]
    assert (round(page.mediabox.width), round(page.mediabox.height)) == points


def test_a_very_long_word_and_a_very_large_amount_stay_on_the_page() -> None:
    invoice = issued(
        [{"description": "W" * 240, "unit_minor": 2_000_000_000, "quantity": Decimal("99999.99")}]
    )
    with pdfplumber.open(io.BytesIO(render(invoice))) as found:
        for page in found.pages:
            for char in page.chars:
                assert 0 < char["x0"] < char["x1"] <= page.width - 50
                assert char["bottom"] < page.height


def test_reverse_charge_is_named_and_taxed_at_nothing() -> None:
    """EN 16931-1 BR-AE-10: the reason "Reverse charge"."""
    invoice = issued([{"unit_minor": 10000, "tax_percent": Decimal(0), "tax_category": "AE", "tax_name": ""}])
    text = text_by_pypdf(render(invoice))
    assert "Reverse charge" in text
    assert invoice.tax_minor == 0


def test_a_credit_note_names_its_invoice_and_asks_for_no_money() -> None:
    note = invoicing.credit(issued(), reason="Two pictures missing", by=None, now=NOW, amounts_minor=[5000])
    text = text_by_pypdf(invoice_pdf.render(documents.content_of(note)))
    assert "Invoice I-2027-0001 of 2 June 2027" in text
    assert "Two pictures missing" in text
    assert "€50.00" in text
    assert "IBAN" not in text
    assert "Please pay" not in text


def test_the_payment_code_says_what_the_standard_asks() -> None:
    """EPC069-12: service tag, version, encoding, SCT, BIC, name, IBAN, amount, purpose, reference, text."""
    code = epc.payment_code(
        name="Plumb & Lantern",
        iban=IBAN,
        bic="WESTGB2L",
        amount_minor=25200,
        currency="EUR",
        text="I-2027-0001",
    )
    assert code is not None
    assert code.error == "M"
    assert code.version <= 13
    image = Image.open(_png(code))
    import cv2
    import numpy as np

    read, *_ = cv2.QRCodeDetector().detectAndDecode(np.array(image.convert("L")))
    assert read.split("\n") == [
        "BCD",
        "002",
        "1",
        "SCT",
        "WESTGB2L",
        "Plumb & Lantern",
        IBAN,
        "EUR252",
        "",
        "",
        "I-2027-0001",
    ]


def _png(code: Any) -> io.BytesIO:
    out = io.BytesIO()
    code.save(out, kind="png", scale=8, border=4)
    out.seek(0)
    return out


def test_the_payment_code_on_the_paper_can_be_scanned() -> None:
    import cv2
    import numpy as np

    with pdfplumber.open(io.BytesIO(render(issued()))) as found:
        paper = np.array(found.pages[0].to_image(resolution=150).original.convert("L"))
    read, *_ = cv2.QRCodeDetector().detectAndDecode(paper)
    assert read.split("\n")[5:8] == ["Plumb & Lantern", IBAN, "EUR252"]


@pytest.mark.parametrize(
    "changed", [{"currency": "GBP"}, {"iban": "GB82WEST12345698765433"}, {"amount_minor": 0}, {"iban": ""}]
)
def test_there_is_no_payment_code_outside_the_standard(changed: dict[str, Any]) -> None:
    good = {
        "name": "P", "iban": IBAN, "bic": "", "amount_minor": 100, "currency": "EUR", "text": "x",
    }  # fmt: skip
    assert epc.payment_code(**good) is not None
    assert epc.payment_code(**(good | changed)) is None


# --- stored once ----------------------------------------------------------------------------------------


def test_the_pdf_is_made_once_and_kept_with_its_sum() -> None:
    invoice = issued()
    assert not invoice.pdf
    tasks.make_pdf("invoice", invoice.pk)
    invoice.refresh_from_db()
    first = invoice.pdf.name
    content = default_storage.open(first).read()
    assert hashlib.sha256(content).hexdigest() == invoice.pdf_sha256
    tasks.make_pdf("invoice", invoice.pk)
    assert documents.make_pdf(invoice, now=NOW)
    invoice.refresh_from_db()
    assert invoice.pdf.name == first
    assert documents.pdf_bytes(invoice, now=NOW) == content
    assert documents.missing_pdfs(NOW) == []


def test_a_pdf_made_later_shows_nothing_that_changed_since() -> None:
    invoice = issued()
    before = render(invoice)
    make_business(name="Someone Else", iban="", address="Elsewhere")
    invoice.booking.lines.update(description="Something else")
    assert documents.make_pdf(Invoice.objects.get(pk=invoice.pk), now=NOW)
    assert documents.pdf_bytes(Invoice.objects.get(pk=invoice.pk), now=NOW) == before


def test_a_failed_pdf_is_tried_again_and_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    invoice = issued()

    def fail(*_: Any, **__: Any) -> bytes:
        raise OSError("No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(invoice_pdf, "render", fail)
        with pytest.raises(OSError, match="No space"):
            documents.make_pdf(invoice, now=NOW)
    invoice.refresh_from_db()
    assert "No space left" in invoice.pdf_failed_reason
    assert documents.missing_pdfs(NOW) == []
    later = NOW + dt.timedelta(seconds=30)
    assert documents.missing_pdfs(later) == [("invoice", invoice.pk)]
    assert documents.make_pdf(invoice, now=later)
    assert invoice.pdf_failed_reason == ""


def test_two_makers_at_once_make_one(monkeypatch: pytest.MonkeyPatch) -> None:
    invoice = issued()
    Invoice.objects.filter(pk=invoice.pk).update(pdf_claimed_until=NOW + dt.timedelta(minutes=1))
    assert not documents.make_pdf(invoice, now=NOW)
    assert not Invoice.objects.get(pk=invoice.pk).pdf
    with pytest.raises(documents.PdfNotMade, match="being made"):
        documents.pdf_bytes(invoice, now=NOW)


def test_a_changed_file_is_not_handed_out() -> None:
    invoice = issued()
    documents.make_pdf(invoice, now=NOW)
    path = Path(invoice.pdf.path)
    path.write_bytes(path.read_bytes().replace(b"%PDF-1.4", b"%PDF-1.5"))
    with pytest.raises(documents.Tampered, match="not the file that was issued"):
        documents.pdf_bytes(invoice, now=NOW)


def test_a_lost_file_is_made_again_to_the_byte() -> None:
    invoice = issued()
    documents.make_pdf(invoice, now=NOW)
    before = documents.pdf_bytes(invoice, now=NOW)
    invoice.pdf.storage.delete(invoice.pdf.name)
    assert documents.pdf_bytes(invoice, now=NOW) == before
    assert Path(invoice.pdf.path).read_bytes() == before


def test_a_lost_file_that_would_come_out_otherwise_is_not_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    invoice = issued()
    documents.make_pdf(invoice, now=NOW)
    invoice.pdf.storage.delete(invoice.pdf.name)
    monkeypatch.setattr(invoice_pdf, "render", lambda *_, **__: b"%PDF of a newer version")
    with pytest.raises(documents.PdfNotMade, match="from a backup"):
        documents.pdf_bytes(invoice, now=NOW)
    assert not invoice.pdf.storage.exists(invoice.pdf.name)


def test_the_logo_is_the_one_of_the_day_of_issue(settings: Any) -> None:
    business = Business.current()
    out = io.BytesIO()
    Image.new("RGBA", (300, 100), (36, 95, 87, 128)).save(out, "PNG")
    business.logo.save("logo.png", ContentFile(out.getvalue()))
    invoice = issued()
    business.logo.delete()
    assert documents.read_logo(invoice) == out.getvalue()
    documents.make_pdf(invoice, now=NOW)
    reader = PdfReader(io.BytesIO(documents.pdf_bytes(invoice, now=NOW)))
    assert len(reader.pages[0].images) == 1


def test_an_unreadable_logo_leaves_the_invoice_without_one() -> None:
    content = documents.content_of(issued())
    assert len(PdfReader(io.BytesIO(invoice_pdf.render(content, logo=b"not a picture"))).pages) == 1
