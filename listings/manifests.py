"""The media manifest of a set: what is in it, in the field names of the RESO Data Dictionary 2.0.

Only the short names and values are used. One row a file.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import Any

from django.conf import settings

from listings import captions, originals
from listings.models import Alteration, Delivery, DeliveryItem, PictureCopy

SHORT_CHARS, LONG_CHARS = 50, 1024
FIELDS = (
    "MediaKey",
    "ResourceName",
    "ResourceRecordID",
    "Order",
    "PreferredPhotoYN",
    "MediaCategory",
    "MediaType",
    "ImageOf",
    "ShortDescription",
    "LongDescription",
    "MediaAlteration",
    "MediaObjectID",
    "ImageWidth",
    "ImageHeight",
    "ImageSizeDescription",
    "Permission",
    "MediaModificationTimestamp",
)
REMOVED, OTHER, NONE = "Decluttered - Item Removed", "Other Media Modification", "None"
ALTERATION_VALUES = {
    Alteration.Kind.MOVABLE: REMOVED,
    Alteration.Kind.FIXED: REMOVED,
    Alteration.Kind.PRIVACY: OTHER,
}


def rows(
    delivery: Delivery, files: Sequence[tuple[DeliveryItem, PictureCopy, str]], *, is_largest: bool
) -> list[dict[str, Any]]:
    """Return one row a file, in the order of the set."""
    return [
        _row(delivery, order, item, copy, name, is_largest=is_largest)
        for order, (item, copy, name) in enumerate(files)
    ]


def as_json(entries: list[dict[str, Any]]) -> bytes:
    return (json.dumps({"value": entries}, indent=1, ensure_ascii=False) + "\n").encode()


def as_csv(entries: list[dict[str, Any]]) -> bytes:
    """Return the rows as RFC 4180 with a byte-order mark, which spreadsheets want for UTF-8."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, FIELDS)
    writer.writeheader()
    for entry in entries:
        writer.writerow({name: _flat(value) for name, value in entry.items()})
    return b"\xef\xbb\xbf" + text.getvalue().encode()


def _row(
    delivery: Delivery, order: int, item: DeliveryItem, copy: PictureCopy, name: str, *, is_largest: bool
) -> dict[str, Any]:
    return {
        "MediaKey": str(copy.public_id),
        "ResourceName": "Property",
        "ResourceRecordID": delivery.booking.number,
        "Order": order,
        "PreferredPhotoYN": order == 0,
        "MediaCategory": "Photo",
        "MediaType": "jpeg",
        "ImageOf": captions.image_of(item.picture),
        "ShortDescription": _cut(item.caption, SHORT_CHARS),
        "LongDescription": _cut(item.alt_text, LONG_CHARS),
        "MediaAlteration": alteration_values(item),
        "MediaObjectID": name,
        "ImageWidth": copy.width,
        "ImageHeight": copy.height,
        "ImageSizeDescription": "Largest" if is_largest else "Large",
        "Permission": ["Public"],
        "MediaModificationTimestamp": copy.made_at.isoformat(timespec="seconds") if copy.made_at else None,
    }


def alteration_values(item: DeliveryItem) -> list[str]:
    """Return the values that say how a picture was altered; ["None"] when it wasn't."""
    standing = originals.in_version(item.picture.alterations.all(), item.correction)
    return sorted({ALTERATION_VALUES[Alteration.Kind(row.kind)] for row in standing}) or [NONE]


def originals_address(item: DeliveryItem) -> str | None:
    """Return the public address of an altered picture's original, to stand beside the picture."""
    if alteration_values(item) == [NONE]:
        return None
    return f"{settings.PUBLIC_URL}/originals/{item.picture.public_id}/"


def _flat(value: Any) -> Any:
    if isinstance(value, list):
        return ",".join(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    text = "" if value is None else str(value)
    # A spreadsheet would run a cell that begins like a formula.
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t") and isinstance(value, str) else text


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
