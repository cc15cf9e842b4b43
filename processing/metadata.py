"""What a finished picture says of itself: EXIF and XMP blocks, and the check that they arrived.

Sources: CIPA DC-008 (EXIF) · ISO 16684-1 (XMP) · IPTC Photo Metadata Standard 2025.1 (properties) · IPTC
NewsCodes, digital source type (CC BY 4.0). Left out on purpose: place, serial numbers, owner's name, maker
notes, comments and thumbnails of the source file.
"""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from PIL import Image, TiffImagePlugin

from .facts import Facts

SOURCE_TYPE_BASE = "http://cv.iptc.org/newscodes/digitalsourcetype/"
LARGEST_XMP_BYTES = 65_504  # one APP1 segment less its header; measured with Pillow 13.0.0
PROGRAM_NAME = "Mullion"
NAMESPACES = {
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "xmpRights": "http://ns.adobe.com/xap/1.0/rights/",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
    "Iptc4xmpExt": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
}
EXIF_IFD = 0x8769
ARTIST, COPYRIGHT, DESCRIPTION, ORIENTATION, SOFTWARE = 0x013B, 0x8298, 0x010E, 0x0112, 0x0131
X_RESOLUTION, Y_RESOLUTION, RESOLUTION_UNIT = 0x011A, 0x011B, 0x0128
COLOUR_SPACE, PIXELS_X, PIXELS_Y, EXIF_VERSION = 0xA001, 0xA002, 0xA003, 0x9000
IN_MAIN_DIRECTORY = frozenset({0x010F, 0x0110})
TEXT_TAGS = frozenset({0x010F, 0x0110, 0x9003, 0x9004, 0x9011, 0x9012, 0x9291, 0x9292, 0xA433, 0xA434})
SHORT_TAGS = frozenset(
    {0x8822, 0x8827, 0x8830, 0x9207, 0x9208, 0x9209, 0xA210, 0xA217, 0xA402, 0xA403, 0xA405, 0xA406}
)


@dataclass(frozen=True)
class Metadata:
    """Words that go into a finished file; empty ones are left out.

    `source_type` is a term of the IPTC digital source types, such as "algorithmicallyEnhanced" (one frame
    corrected by algorithm) or "computationalCapture" (a bracket merged).
    """

    creator: str = ""
    copyright: str = ""
    usage_terms: str = ""
    rights_url: str = ""
    credit: str = ""
    headline: str = ""
    title: str = ""
    caption: str = ""
    alt_text: str = ""
    long_alt_text: str = ""
    keywords: tuple[str, ...] = ()
    place: str = ""
    city: str = ""
    region: str = ""
    country: str = ""
    country_code: str = ""
    job: str = ""
    source_type: str = "algorithmicallyEnhanced"
    facts: Facts | None = field(default=None, compare=False)

    def exif(self, *, size: tuple[int, int], dpi: int) -> Image.Exif:
        """EXIF block: camera facts kept, pixels upright (orientation 1), sRGB (colour space 1)."""
        block = Image.Exif()
        inner: dict[int, Any] = {}
        for name, value in (self.facts.exif if self.facts else {}).items():
            tag = int(name)
            ready = _ready(tag, value)
            if ready is not None:
                (block if tag in IN_MAIN_DIRECTORY else inner)[tag] = ready
        for tag, text in ((ARTIST, self.creator), (COPYRIGHT, self.copyright), (DESCRIPTION, self.caption)):
            if text:
                # UTF-8, as EXIF 3.0 allows and readers expect; plain ASCII stays plain ASCII
                block[tag] = text if text.isascii() else text.encode("utf-8")
        block[ORIENTATION], block[SOFTWARE] = 1, PROGRAM_NAME
        block[X_RESOLUTION] = block[Y_RESOLUTION] = float(dpi)
        block[RESOLUTION_UNIT] = 2
        inner |= {COLOUR_SPACE: 1, PIXELS_X: size[0], PIXELS_Y: size[1], EXIF_VERSION: b"0232"}
        block.get_ifd(EXIF_IFD).update(inner)
        return block

    def xmp(self) -> bytes:
        """XMP packet; cut captions are better than a refused file, so long texts are shortened to fit."""
        for limit in (10_000, 2_000, 500):
            packet = self._packet(limit).encode("utf-8")
            if len(packet) <= LARGEST_XMP_BYTES:
                return packet
        return self._packet(100).encode("utf-8")

    def _packet(self, limit: int) -> str:
        alternatives = (
            ("dc:title", self.title),
            ("dc:rights", self.copyright),
            ("dc:description", self.caption),
            ("xmpRights:UsageTerms", self.usage_terms),
            ("Iptc4xmpCore:AltTextAccessibility", self.alt_text),
            ("Iptc4xmpCore:ExtDescrAccessibility", self.long_alt_text),
        )
        plain = (
            ("photoshop:Credit", self.credit),
            ("photoshop:Headline", self.headline),
            ("photoshop:DateCreated", (self.facts.taken_at if self.facts else "") or ""),
            ("photoshop:City", self.city),
            ("photoshop:State", self.region),
            ("photoshop:Country", self.country),
            ("photoshop:TransmissionReference", self.job),
            ("Iptc4xmpCore:Location", self.place),
            ("Iptc4xmpCore:CountryCode", self.country_code),
            (
                "Iptc4xmpExt:DigitalSourceType",
                SOURCE_TYPE_BASE + self.source_type if self.source_type else "",
            ),
            ("xmpRights:WebStatement", self.rights_url),
            ("xmpRights:Marked", "True" if self.copyright or self.usage_terms else ""),
            ("xmp:CreatorTool", PROGRAM_NAME),
        )
        parts = [f"<{name}>{_text(text, limit)}</{name}>" for name, text in plain if text]
        parts += [
            f'<{name}><rdf:Alt><rdf:li xml:lang="x-default">{_text(text, limit)}</rdf:li></rdf:Alt></{name}>'
            for name, text in alternatives
            if text
        ]
        if self.creator:
            parts.append(
                f"<dc:creator><rdf:Seq><rdf:li>{_text(self.creator, limit)}</rdf:li></rdf:Seq></dc:creator>"
            )
        if self.keywords:
            words = "".join(f"<rdf:li>{_text(word, limit)}</rdf:li>" for word in self.keywords[:200])
            parts.append(f"<dc:subject><rdf:Bag>{words}</rdf:Bag></dc:subject>")
        spaces = " ".join(f"xmlns:{name}={quoteattr(uri)}" for name, uri in NAMESPACES.items())
        return (
            '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
            f'<rdf:RDF {spaces}><rdf:Description rdf:about="">{"".join(parts)}</rdf:Description></rdf:RDF>'
            '</x:xmpmeta><?xpacket end="w"?>'
        )


def _text(text: str, limit: int) -> str:
    """Escaped text without characters that XML 1.0 forbids, cut at `limit` characters."""
    clean = "".join(c for c in text if c in "\t\n" or ord(c) >= 32 and not 0xD800 <= ord(c) <= 0xDFFF)
    return escape(clean if len(clean) <= limit else clean[: limit - 1] + "…")


def _ready(tag: int, value: Any) -> Any:
    """A fact in the type that its EXIF tag wants; None when it does not fit."""
    if tag in TEXT_TAGS:
        return str(value) if isinstance(value, str | int | float) else None
    if tag in SHORT_TAGS:
        first = value[0] if isinstance(value, list) and value else value
        return int(first) if isinstance(first, int | float) and 0 <= first <= 65535 else None
    if isinstance(value, list):
        return tuple(_rational(v) for v in value) if all(isinstance(v, int | float) for v in value) else None
    return _rational(value) if isinstance(value, int | float) else None


def _rational(value: float) -> TiffImagePlugin.IFDRational:
    """Nearest fraction that a camera would write: 1/60, 63/10, not a long decimal."""
    short = Fraction(1, round(1 / value)) if 0 < value < 0.3 else Fraction(value).limit_denominator(100)
    near = (
        short
        if abs(float(short) - value) <= 2e-3 * abs(value)
        else Fraction(value).limit_denominator(100_000)
    )
    return TiffImagePlugin.IFDRational(near.numerator, near.denominator)
