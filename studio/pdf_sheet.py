"""Paper for documents: embedded type, wrapped text, hairlines, a logo, a code, numbered pages."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

from PIL import Image
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

FONTS = Path(__file__).parent / "fonts"
REGULAR, BOLD = "NotoSans", "NotoSans-Bold"
INK, QUIET, HAIR, ACCENT = (HexColor(value) for value in ("#1c1e20", "#5b6065", "#d8d8d4", "#245f57"))
# Countries whose offices print on letter paper; everywhere else it is A4 (common practice, no source).
LETTER_COUNTRIES = frozenset({"US", "CA", "MX", "CL", "CO", "VE", "PH"})
LOGO_LONG_EDGE_PX = 1200


def load_fonts() -> None:
    """Register the bundled family; harmless the second time."""
    if REGULAR not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(REGULAR, str(FONTS / "NotoSans-Regular.ttf")))
        pdfmetrics.registerFont(TTFont(BOLD, str(FONTS / "NotoSans-Bold.ttf")))


def unprintable(text: str) -> list[str]:
    """Return the signs of a text that the bundled family has no shape for, each once."""
    load_fonts()
    known = pdfmetrics.getFont(REGULAR).face.charToGlyph
    return sorted({sign for sign in text if not sign.isspace() and ord(sign) not in known})


def width_pt(text: str, size: float, *, bold: bool = False) -> float:
    return float(pdfmetrics.stringWidth(text, BOLD if bold else REGULAR, size))


def wrap(text: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    """Break a text into lines that fit; a word that is too long is broken where it must be."""
    lines: list[str] = []
    for paragraph in text.splitlines() or [""]:
        line = ""
        for word in paragraph.split():
            while width_pt(word, size, bold=bold) > width:
                cut = _fitting(word, size, width, bold=bold)
                lines += [line] if line else []
                lines.append(word[:cut])
                line, word = "", word[cut:]
            longer = f"{line} {word}" if line else word
            if line and width_pt(longer, size, bold=bold) > width:
                lines.append(line)
                longer = word
            line = longer
        lines.append(line)
    return lines


def _fitting(word: str, size: float, width: float, *, bold: bool) -> int:
    cut = 1
    while cut < len(word) and width_pt(word[: cut + 1], size, bold=bold) <= width:
        cut += 1
    return cut


class Sheet:
    """Pages with a plumb line at the left; `y` runs from the top edge down, in points."""

    left, right_margin = 34 * mm, 20 * mm
    line_x = 24 * mm
    top, bottom = 22 * mm, 26 * mm

    def __init__(self, *, country_code: str, title: str, pages: int, day: Any, foot: Callable[[Sheet], None]):
        load_fonts()
        self.width, self.height = letter if country_code in LETTER_COUNTRIES else A4
        self.right = self.width - self.right_margin
        self.buffer = io.BytesIO()
        self.canvas = Canvas(
            self.buffer,
            pagesize=(self.width, self.height),
            invariant=1,
            pageCompression=1,
            initialFontName=REGULAR,
            lang="en",
        )
        stamp = f"D:{day:%Y%m%d}000000+00'00'"
        self.canvas.setDateFormatter(lambda *_: stamp)
        self.canvas.setTitle(title)
        self.canvas.setViewerPreference("DisplayDocTitle", "true")
        self.page, self.pages, self._foot = 1, pages, foot
        self.y = self.top
        self._frame()

    @property
    def content_width(self) -> float:
        return self.right - self.left

    @property
    def room(self) -> float:
        """Points left on this page above the foot."""
        return self.height - self.bottom - self.y

    def next_page(self) -> None:
        self.canvas.showPage()
        self.page += 1
        self.y = self.top
        self._frame()

    def finish(self) -> bytes:
        self.canvas.showPage()
        self.canvas.save()
        return self.buffer.getvalue()

    def _frame(self) -> None:
        """The plumb line with its weight, and the foot."""
        self.canvas.setStrokeColor(HAIR)
        self.canvas.setLineWidth(0.6)
        tip = self.height - self.top - 14
        self.canvas.line(self.line_x, 14 * mm, self.line_x, self.height)
        if self.page == 1:
            self.canvas.setFillColor(INK)
            weight = self.canvas.beginPath()
            weight.moveTo(self.line_x - 3.2, tip + 9)
            weight.lineTo(self.line_x + 3.2, tip + 9)
            weight.lineTo(self.line_x, tip)
            weight.close()
            self.canvas.drawPath(weight, stroke=0, fill=1)
        self._foot(self)

    # --- drawing ------------------------------------------------------------------------------------

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 9.5,
        *,
        bold: bool = False,
        colour: Color = INK,
        align: str = "left",
    ) -> None:
        """Write one line whose baseline lies `y` below the top edge."""
        self.canvas.setFont(BOLD if bold else REGULAR, size)
        self.canvas.setFillColor(colour)
        draw = self.canvas.drawRightString if align == "right" else self.canvas.drawString
        draw(x, self.height - y, text)

    def paragraph(
        self,
        x: float,
        text: str,
        *,
        width: float,
        size: float = 9.5,
        leading: float = 13.5,
        bold: bool = False,
        colour: Color = INK,
    ) -> None:
        """Write wrapped lines from `self.y` down and move on; never across the foot."""
        for line in wrap(text, size, width, bold=bold):
            if self.room < leading:
                self.next_page()
            self.y += leading
            self.text(x, self.y, line, size, bold=bold, colour=colour)

    def rule(self, y: float, *, x: float | None = None, weight: float = 0.5, colour: Color = HAIR) -> None:
        self.canvas.setStrokeColor(colour)
        self.canvas.setLineWidth(weight)
        self.canvas.line(self.left if x is None else x, self.height - y, self.right, self.height - y)

    def code(self, code: Any, x: float, y: float, side: float) -> None:
        """Draw a QR code, runs of dark modules as one box each; the quiet zone is the paper around it."""
        rows = [bytes(row) for row in code.matrix]
        module = side / len(rows)
        self.canvas.setFillColor(INK)
        for row_index, row in enumerate(rows):
            start = None
            for column, is_dark in enumerate([*row, 0]):
                if is_dark and start is None:
                    start = column
                elif not is_dark and start is not None:
                    top = self.height - y - (row_index + 1) * module
                    self.canvas.rect(
                        x + start * module, top, (column - start) * module, module, stroke=0, fill=1
                    )
                    start = None

    def picture(self, content: bytes, *, right: float, y: float, width: float, height: float) -> None:
        """Draw a logo into a box against the right edge, in proportion; an unreadable one is left out."""
        try:
            with Image.open(io.BytesIO(content)) as image:
                image.thumbnail((LOGO_LONG_EDGE_PX, LOGO_LONG_EDGE_PX))
                picture = image.convert("RGBA")
        except (OSError, ValueError, Image.DecompressionBombError):
            return
        flat = Image.new("RGB", picture.size, "white")
        flat.paste(picture, mask=picture.getchannel("A"))
        scale = min(width / flat.width, height / flat.height)
        size = flat.width * scale, flat.height * scale
        self.canvas.drawImage(ImageReader(flat), right - size[0], self.height - y - size[1], *size)
