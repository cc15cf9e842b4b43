"""The PDF of an invoice or a credit note, made from its frozen content alone; same content, same bytes."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from reportlab.lib.units import mm

from studio import epc, money
from studio.pdf_sheet import ACCENT, INK, QUIET, Sheet, width_pt, wrap

# What a document says of a tax category without tax (UNCL 5305; for AE the wording of EN 16931 BR-AE-10).
CATEGORY_WORDS = {
    "Z": "Zero rated",
    "E": "Exempt from tax",
    "AE": "Reverse charge",
    "K": "Supply within the Union",
    "G": "Export",
    "O": "Not subject to tax",
}
TITLES = {"invoice": "Invoice", "credit_note": "Credit note"}
SIZE, LEADING = 9.5, 13.5
HEAD_SIZE, COLUMN_GAP, LEAST_COLUMN = 8, 14, 15 * mm


@dataclass(frozen=True)
class Columns:
    """Where the figures of the table end, as distances from the right edge, and how wide the words may be."""

    price: float
    tax: float
    quantity: float
    words: float


def render(content: dict[str, Any], *, logo: bytes | None = None) -> bytes:
    """Return the PDF. The pages are laid out twice: the first time to know how many there are."""
    pages = _lay_out(content, logo, pages=0).page
    return _lay_out(content, logo, pages=pages).finish()


def _lay_out(content: dict[str, Any], logo: bytes | None, *, pages: int) -> Sheet:
    title = f"{TITLES[content['kind']]} {content['number']}"
    seller = content["seller"]
    sheet = Sheet(
        country_code=seller["country_code"],
        title=f"{title}, {seller['name']}",
        pages=pages,
        day=dt.date.fromisoformat(content["issued_on"]),
        foot=lambda page: _foot(page, title, seller),
    )
    sheet.canvas.setAuthor(seller["name"])
    sheet.canvas.setSubject(content["subject"] or title)
    sheet.canvas.setCreator("Mullion")
    sheet.canvas.setKeywords([content["number"], content["reference"]])
    _head(sheet, content, logo)
    _parties(sheet, content)
    _lines(sheet, content)
    _sums(sheet, content)
    if content["kind"] == "invoice":
        _payment(sheet, content)
    _closing_words(sheet, content)
    return sheet


def say_day(day: str | None) -> str:
    """Write an ISO day as people say it: 5 March 2027."""
    if not day:
        return ""
    date = dt.date.fromisoformat(day)
    return f"{date.day} {date:%B %Y}"


def say_quantity(quantity: str) -> str:
    """Write a quantity without useless zeros: 1, 2.5."""
    return f"{Decimal(quantity).normalize():f}"


def tax_words(name: str, percent: str, category: str) -> str:
    """Name a tax with its rate, or say why there is none."""
    if not Decimal(percent) and category in CATEGORY_WORDS:
        return CATEGORY_WORDS[category]
    return f"{name or 'Tax'} {money.percent_text(Decimal(percent))}\N{NO-BREAK SPACE}%"


def is_taxed(content: dict[str, Any]) -> bool:
    """Say whether taxes are worth a table: a rate above zero, or a reason for none that must be named."""
    return any(Decimal(tax["percent"]) or tax["category"] in CATEGORY_WORDS for tax in content["taxes"])


# --- head -------------------------------------------------------------------------------------------


def _foot(sheet: Sheet, title: str, seller: dict[str, str]) -> None:
    y = sheet.height - 15 * mm
    count = f"{title}, page {sheet.page} of {sheet.pages}"
    room = sheet.content_width - width_pt(count, 7.5) - 12
    contact = ""
    for part in (seller["name"], seller["phone"], seller["email"], seller["website"]):
        longer = f"{contact} · {part}" if contact else part
        contact = longer if part and width_pt(longer, 7.5) <= room else contact
    sheet.text(sheet.left, y, contact, 7.5, colour=QUIET)
    sheet.text(sheet.right, y, count, 7.5, colour=QUIET, align="right")


def _head(sheet: Sheet, content: dict[str, Any], logo: bytes | None) -> None:
    seller = content["seller"]
    top = sheet.y
    half = sheet.content_width * 0.56
    sheet.paragraph(sheet.left, seller["name"], width=half, size=13, leading=14, bold=True)
    sheet.y += 2
    sheet.paragraph(sheet.left, seller["address"], width=half, size=8.5, leading=11.5, colour=QUIET)
    if seller["tax_id"]:
        sheet.paragraph(
            sheet.left, f"Tax id {seller['tax_id']}", width=half, size=8.5, leading=11.5, colour=QUIET
        )
    if logo:
        sheet.picture(logo, right=sheet.right, y=top, width=52 * mm, height=20 * mm)
        sheet.y = max(sheet.y, top + 20 * mm)
    sheet.y = max(sheet.y + 12 * mm, top + 30 * mm) + 18
    title = TITLES[content["kind"]]
    sheet.text(sheet.left, sheet.y, title, 24, bold=True)
    sheet.text(sheet.left + width_pt(title, 24, bold=True) + 10, sheet.y, content["number"], 13, colour=QUIET)
    sheet.y += 8 * mm


def _parties(sheet: Sheet, content: dict[str, Any]) -> None:
    buyer = content["buyer"]
    start, half = sheet.y, sheet.content_width * 0.5
    sheet.text(sheet.left, start + 9, "For", 8, colour=QUIET)
    sheet.y = start + 10
    sheet.paragraph(sheet.left, buyer["name"], width=half - 14, bold=True)
    for part in (buyer["contact"], buyer["address"], buyer["tax_id"] and f"Tax id {buyer['tax_id']}"):
        if part:
            sheet.paragraph(sheet.left, part, width=half - 14)
    below, sheet.y = sheet.y, start + 10
    x, label_width = sheet.left + half, 19 * mm
    for label, value in _facts(content):
        sheet.text(x, sheet.y + LEADING, label, 8, colour=QUIET)
        sheet.paragraph(x + label_width, value, width=half - label_width)
    sheet.y = max(below, sheet.y) + 8 * mm
    if content["subject"]:
        sheet.paragraph(sheet.left, content["subject"], width=sheet.content_width, size=11, bold=True)
    sheet.y += 3 * mm


def _facts(content: dict[str, Any]) -> list[tuple[str, str]]:
    facts = [("Issued", say_day(content["issued_on"])), ("Visit", say_day(content["supplied_on"]))]
    if content["kind"] == "invoice":
        facts.append(("Pay by", say_day(content["due_on"])))
    else:
        corrected = content["corrects"]
        facts += [
            ("Corrects", f"Invoice {corrected['number']} of {say_day(corrected['issued_on'])}"),
            ("Reason", content["reason"]),
        ]
    facts += [("Booking", content["reference"]), ("Currency", content["currency"])]
    return [(label, value) for label, value in facts if value]


# --- lines ------------------------------------------------------------------------------------------


def _lines(sheet: Sheet, content: dict[str, Any]) -> None:
    """The table; a page that ends within it carries its sum over to the next."""
    columns = _columns(sheet, content)
    _table_head(sheet, content, columns)
    carried = 0
    for index, line in enumerate(content["lines"]):
        wrapped = wrap(line["description"], SIZE, columns.words)
        height = len(wrapped) * LEADING + 7
        # The last line keeps the totals' first rows company, so that no page holds only sums.
        is_last = index == len(content["lines"]) - 1
        if sheet.room < height + LEADING + 8 + (_sums_height(content) if is_last else 0) and index:
            _carry(sheet, content, "Carried forward", carried)
            sheet.next_page()
            _table_head(sheet, content, columns)
            _carry(sheet, content, "Brought forward", carried)
        _line(sheet, content, line, wrapped, columns)
        carried += line["amount_minor"]
    sheet.y += 3 * mm


def _columns(sheet: Sheet, content: dict[str, Any]) -> Columns:
    """Give each column of figures the width of its widest, the words what is left."""

    def widest(head: str, texts: list[str]) -> float:
        widths = [width_pt(text, SIZE) for text in texts]
        return max(LEAST_COLUMN, width_pt(head, HEAD_SIZE), *widths) + COLUMN_GAP

    lines, currency = content["lines"], content["currency"]
    amounts = [line["amount_minor"] for line in lines] + [sum(line["amount_minor"] for line in lines)]
    price = widest(_amount_head(content), [money.format_minor(amount, currency) for amount in amounts])
    prices = [money.format_minor(line["unit_minor"], currency) for line in lines]
    tax = price + widest("Price", prices)
    quantity = tax + (widest("Tax", [_rate(line) for line in lines]) if is_taxed(content) else 0)
    words = quantity + widest("Quantity", [say_quantity(line["quantity"]) for line in lines])
    return Columns(price, tax, quantity, sheet.content_width - words)


def _amount_head(content: dict[str, Any]) -> str:
    return "With tax" if content["prices_include_tax"] and is_taxed(content) else "Amount"


def _rate(line: dict[str, Any]) -> str:
    return f"{money.percent_text(Decimal(line['tax_percent']))} %"


def _table_head(sheet: Sheet, content: dict[str, Any], columns: Columns) -> None:
    sheet.y += 12
    y, right = sheet.y, sheet.right
    sheet.text(sheet.left, y, "What", HEAD_SIZE, colour=QUIET)
    sheet.text(right - columns.quantity, y, "Quantity", HEAD_SIZE, colour=QUIET, align="right")
    if is_taxed(content):
        sheet.text(right - columns.tax, y, "Tax", HEAD_SIZE, colour=QUIET, align="right")
    sheet.text(right - columns.price, y, "Price", HEAD_SIZE, colour=QUIET, align="right")
    sheet.text(right, y, _amount_head(content), HEAD_SIZE, colour=QUIET, align="right")
    sheet.y += 5
    sheet.rule(sheet.y, weight=0.9, colour=INK)


def _line(
    sheet: Sheet, content: dict[str, Any], line: dict[str, Any], wrapped: list[str], columns: Columns
) -> None:
    y, right, currency = sheet.y + LEADING + 1, sheet.right, content["currency"]
    for offset, part in enumerate(wrapped):
        sheet.text(sheet.left, y + offset * LEADING, part, SIZE)
    sheet.text(right - columns.quantity, y, say_quantity(line["quantity"]), SIZE, align="right")
    if is_taxed(content):
        sheet.text(right - columns.tax, y, _rate(line), SIZE, colour=QUIET, align="right")
    price = money.format_minor(line["unit_minor"], currency)
    sheet.text(right - columns.price, y, price, SIZE, align="right")
    sheet.text(right, y, money.format_minor(line["amount_minor"], currency), SIZE, align="right")
    sheet.y += len(wrapped) * LEADING + 7
    sheet.rule(sheet.y)


def _carry(sheet: Sheet, content: dict[str, Any], words: str, amount_minor: int) -> None:
    sheet.y += LEADING + 2
    amount = money.format_minor(amount_minor, content["currency"])
    sheet.text(sheet.left, sheet.y, words, SIZE, colour=QUIET)
    sheet.text(sheet.right, sheet.y, amount, SIZE, colour=QUIET, align="right")
    sheet.y += 5
    sheet.rule(sheet.y)


# --- sums -------------------------------------------------------------------------------------------


def _sums_height(content: dict[str, Any]) -> float:
    rows = len(content["taxes"]) + 3 if is_taxed(content) else 0
    return rows * LEADING + 44


def _sums(sheet: Sheet, content: dict[str, Any]) -> None:
    if sheet.room < _sums_height(content):
        sheet.next_page()
    currency, x = content["currency"], sheet.left + sheet.content_width * 0.36
    base_right = sheet.right - _columns(sheet, content).price
    if is_taxed(content):
        sheet.y += LEADING
        sheet.text(x, sheet.y, "Tax by rate", 8, colour=QUIET)
        sheet.text(base_right, sheet.y, "Without tax", 8, colour=QUIET, align="right")
        sheet.text(sheet.right, sheet.y, "Tax", 8, colour=QUIET, align="right")
        for tax in content["taxes"]:
            sheet.y += LEADING
            words = tax_words(tax["name"], tax["percent"], tax["category"])
            base, amount = tax["base_minor"], tax["tax_minor"]
            sheet.text(x, sheet.y, words, SIZE)
            sheet.text(base_right, sheet.y, money.format_minor(base, currency), SIZE, align="right")
            sheet.text(sheet.right, sheet.y, money.format_minor(amount, currency), SIZE, align="right")
        sheet.y += 5
        sheet.rule(sheet.y, x=x)
        for words, amount in (("Sum without tax", content["net_minor"]), ("Tax", content["tax_minor"])):
            sheet.y += LEADING
            sheet.text(x, sheet.y, words, SIZE)
            sheet.text(sheet.right, sheet.y, money.format_minor(amount, currency), SIZE, align="right")
    sheet.y += 7
    sheet.rule(sheet.y, x=x, weight=1.2, colour=INK)
    sheet.y += 19
    words = "Total to pay" if content["kind"] == "invoice" else "Total credited"
    sheet.text(x, sheet.y, words, 13, bold=True)
    total = money.format_minor(content["total_minor"], currency)
    sheet.text(sheet.right, sheet.y, total, 13, bold=True, colour=ACCENT, align="right")
    sheet.y += 6 * mm


# --- payment and the end ----------------------------------------------------------------------------


def _payment(sheet: Sheet, content: dict[str, Any]) -> None:
    if content["total_minor"] <= 0:
        return
    seller = content["seller"]
    code = epc.payment_code(
        name=seller["name"],
        iban=seller["iban"],
        bic=seller["bic"],
        amount_minor=content["total_minor"],
        currency=content["currency"],
        text=content["number"],
    )
    side = 30 * mm
    width = sheet.content_width - (side + 16 * mm if code else 0)
    if sheet.room < (side + 14 * mm if code else 5 * LEADING):
        sheet.next_page()
    sheet.y += 4 * mm
    top = sheet.y
    total = money.format_minor(content["total_minor"], content["currency"])
    if code:
        sheet.code(code, sheet.right - side, top + 4, side)
        sheet.text(sheet.right, top + side + 18, "Scan to pay (SEPA)", 7.5, colour=QUIET, align="right")
    page = sheet.page
    sheet.paragraph(
        sheet.left, f"Please pay {total} by {say_day(content['due_on'])}.", width=width, size=11, bold=True
    )
    sheet.paragraph(sheet.left, f"Name the number {content['number']} with the payment.", width=width)
    bank = [
        f"IBAN {epc.group_iban(seller['iban'])}" if seller["iban"] else "",
        f"BIC {seller['bic']}" if seller["bic"] else "",
    ]
    for text in (*bank, content["payment_details"]):
        if text:
            sheet.paragraph(sheet.left, text, width=width)
    if code and sheet.page == page:
        sheet.y = max(sheet.y, top + side + 22)


def _closing_words(sheet: Sheet, content: dict[str, Any]) -> None:
    texts = []
    if licence := content.get("licence_until"):
        texts.append(
            f"The licence to use these pictures ends on {say_day(licence)}, or sooner where the terms say so."
        )
    texts.append(content["note"])
    sheet.y += 3 * mm
    for text in texts:
        if text:
            sheet.y += 3
            sheet.paragraph(sheet.left, text, width=sheet.content_width, size=8.5, leading=12, colour=QUIET)
