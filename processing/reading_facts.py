"""EXIF and maker tags of JPEG, TIFF, PNG, HEIF and camera raw files, as plain values by tag number."""

import io
import math
from collections.abc import Mapping
from contextlib import redirect_stderr
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import exifread
from PIL import Image

from .facts import Facts

# CIPA DC-008 tag numbers
MAKE, MODEL, ORIENTATION, DATE_TIME = 0x010F, 0x0110, 0x0112, 0x0132
EXPOSURE_S, APERTURE, ISO, DATE_ORIGINAL, OFFSET_ORIGINAL, SUBSEC_ORIGINAL = (
    0x829A,
    0x829D,
    0x8827,
    0x9003,
    0x9011,
    0x9291,
)
SHUTTER_APEX, APERTURE_APEX, BIAS, LIGHT_SOURCE, FLASH, FOCAL = 0x9201, 0x9202, 0x9204, 0x9208, 0x9209, 0x920A
COLOUR_SPACE, FOCAL_35, BODY_SERIAL, LENS_SPEC, LENS_MAKE, LENS_MODEL, LENS_SERIAL = (
    0xA001,
    0xA405,
    0xA431,
    0xA432,
    0xA433,
    0xA434,
    0xA435,
)
PLANE_X, PLANE_Y, PLANE_UNIT, PIXELS_X, PIXELS_Y = 0xA20E, 0xA20F, 0xA210, 0xA002, 0xA003
INTEROP_INDEX = "interop"
CAMERA_SHAPES, SAME_SHAPE = (3 / 2, 4 / 3, 16 / 9, 1.0), 0.01
FULL_FRAME_DIAGONAL_MM = math.hypot(36, 24)

# What a delivered file may carry of the camera's own tags: exposure, lens and time. Left out on purpose:
# serial numbers, owner's name, place, maker notes, comments, thumbnails, editing software.
KEPT_TAGS = (
    MAKE,
    MODEL,
    EXPOSURE_S,
    APERTURE,
    0x8822,  # exposure programme
    ISO,
    0x8830,  # sensitivity type
    DATE_ORIGINAL,
    0x9004,  # digitised
    OFFSET_ORIGINAL,
    0x9012,
    SUBSEC_ORIGINAL,
    0x9292,
    SHUTTER_APEX,
    APERTURE_APEX,
    0x9203,  # brightness
    BIAS,
    0x9205,  # largest aperture
    0x9207,  # metering
    LIGHT_SOURCE,
    FLASH,
    FOCAL,
    PLANE_X,
    PLANE_Y,
    PLANE_UNIT,
    0xA217,  # sensing method
    0xA402,  # exposure mode
    0xA403,  # white balance
    0xA404,
    FOCAL_35,
    0xA406,  # scene type
    LENS_SPEC,
    LENS_MAKE,
    LENS_MODEL,
)
Tags = dict[int | str, Any]


def plain(value: Any) -> Any:
    """A tag's value as text, number, or list of numbers; None when it says nothing usable."""
    if isinstance(value, bytes):
        try:
            value = value.decode("utf-8")
        except UnicodeDecodeError:
            value = value.decode("latin-1")
    if isinstance(value, str):
        text = value.replace("\x00", "").strip()
        return text if text and text.isprintable() else None
    if isinstance(value, list | tuple):
        items = [plain(v) for v in value]
        return items[0] if len(items) == 1 else [v for v in items if v is not None]
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    if not math.isfinite(number):
        return None
    return int(number) if number.is_integer() else number


def tags_from_exif(exif: Image.Exif) -> Tags:
    """Tags of a Pillow EXIF block; a broken directory costs only itself."""
    tags: Tags = {}
    for directory in (None, 0x8769, 0xA005):
        try:
            entries: Mapping[int, Any] = exif if directory is None else exif.get_ifd(directory)
        except (KeyError, ValueError, TypeError, OSError, SyntaxError, AttributeError):
            continue
        for tag in list(entries):
            try:
                value = plain(entries[tag])
            except (KeyError, ValueError, TypeError, OSError, SyntaxError, ZeroDivisionError):
                continue
            if value is not None:
                tags[INTEROP_INDEX if directory == 0xA005 and tag == 1 else tag] = value
    return tags


def tags_from_raw(path: Path) -> Tags:
    """Tags of a camera raw file; empty when the container is not understood."""
    try:
        with path.open("rb") as stream, redirect_stderr(io.StringIO()):
            found = exifread.process_file(stream, details=False)
    except Exception:  # noqa: BLE001, S110 - a broken block must not cost the picture; LibRaw's facts remain
        return {}
    tags: Tags = {}
    for name, entry in found.items():
        if not name.startswith(("Image ", "EXIF ")) or not hasattr(entry, "tag"):
            continue
        values = entry.values if isinstance(entry.values, str) else list(entry.values)
        value = plain([_ratio(v) for v in values] if isinstance(values, list) else values)
        if value is not None and (name.startswith("EXIF ") or entry.tag not in tags):
            tags[entry.tag] = value
    return tags


def _ratio(value: Any) -> Any:
    if hasattr(value, "num") and hasattr(value, "den"):
        return Fraction(value.num, value.den) if value.den else None
    return value


def _number(tags: Tags, *names: int) -> float | None:
    for name in names:
        value = tags.get(name)
        if isinstance(value, list) and value:
            value = value[0]
        if isinstance(value, str):
            try:
                value = float(value)
            except ValueError:
                continue
        if isinstance(value, int | float) and value > 0:
            return float(value)
    return None


def _text(tags: Tags, name: int) -> str | None:
    value = tags.get(name)
    if isinstance(value, int | float):
        value = str(value)
    return value if isinstance(value, str) and value.strip("-. ") else None


def taken_at(tags: Tags) -> str | None:
    """ISO time from the EXIF text form, with sub-seconds; None for the zeros of an unset clock.

    Examples
    --------
    >>> taken_at({DATE_ORIGINAL: "2026:11:20 10:08:00", SUBSEC_ORIGINAL: 25})
    '2026-11-20T10:08:00.250000'
    """
    text = _text(tags, DATE_ORIGINAL) or _text(tags, DATE_TIME)
    if text is None:
        return None
    for pattern in ("%Y:%m:%d %H:%M:%S", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%Y:%m:%d %H:%M"):
        try:
            moment = datetime.strptime(text[:19], pattern)  # noqa: DTZ007 - the camera's clock has no zone
        except ValueError:
            continue
        digits = str(tags.get(SUBSEC_ORIGINAL, "")).strip()
        if digits.isdigit():
            moment = moment.replace(microsecond=int(round(float(f"0.{digits}"), 6) * 1_000_000))
        return moment.isoformat()
    return None


def crop_factor(tags: Tags, *, focal_mm: float | None, focal_35mm: float | None) -> float | None:
    """Diagonal of 36 x 24 mm over the sensor's: by 35 mm equivalent, else by focal-plane resolution."""
    if focal_mm and focal_35mm and 0.3 < focal_35mm / focal_mm < 20:
        return focal_35mm / focal_mm
    unit_mm = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}.get(tags.get(PLANE_UNIT, 2), 25.4)
    dots_x, dots_y = _number(tags, PLANE_X), _number(tags, PLANE_Y)
    width, height = _number(tags, PIXELS_X), _number(tags, PIXELS_Y)
    if not (dots_x and dots_y and width and height):
        return None
    diagonal_mm = math.hypot(width / dots_x, height / dots_y) * unit_mm
    return FULL_FRAME_DIAGONAL_MM / diagonal_mm if 3 < diagonal_mm < 90 else None


def is_whole(tags: Tags, *, size: tuple[int, int], kind: str) -> bool | None:
    """Whether a file shows all that the camera wrote: True, or False where it was cut since; None where it
    does not tell.

    A raw file is whole. Others are when the camera's tags are all there, tell the very size of the file, and
    that size is one cameras write: 3:2, 4:3, 16:9 or 1:1, both sides multiples of 8 (common practice). A
    shape other than the tags tell, or than cameras have, is cut; another size of the same shape may be scaled
    only.

    Examples
    --------
    >>> camera = {MAKE: "Any", MODEL: "One", EXPOSURE_S: 0.1, FOCAL: 24, PIXELS_X: 6000, PIXELS_Y: 4000}
    >>> sizes = (6000, 4000), (4000, 6000), (3000, 2000), (4200, 2900), (4200, 2800)
    >>> [is_whole(camera, size=s, kind="jpeg") for s in sizes]
    [True, True, None, False, None]
    """
    if kind == "raw":
        return True
    long, short = max(size), max(min(size), 1)
    told = _number(tags, PIXELS_X), _number(tags, PIXELS_Y)
    known = told[0] is not None and told[1] is not None
    wide, high = (max(told[0], told[1]), min(told[0], told[1])) if told[0] and told[1] else (long, short)
    if abs(long / short * high / wide - 1) > SAME_SHAPE:
        return False
    if all(abs(long / short / shape - 1) > SAME_SHAPE for shape in CAMERA_SHAPES):
        return False
    is_full = all(tag in tags for tag in (MAKE, MODEL, EXPOSURE_S, FOCAL))
    same = known and (wide, high) == (long, short)
    return True if is_full and same and long % 8 == 0 and short % 8 == 0 else None


def facts_from_tags(tags: Tags, *, size: tuple[int, int], kind: str, orientation: int) -> Facts:
    """Facts of a picture of `size` (after orientation) from its tags."""
    exposure_s = _number(tags, EXPOSURE_S)
    if exposure_s is None and isinstance(tags.get(SHUTTER_APEX), int | float):
        exposure_s = 2.0 ** -float(tags[SHUTTER_APEX])
    aperture = _number(tags, APERTURE)
    if aperture is None and (apex := _number(tags, APERTURE_APEX)):
        aperture = 2.0 ** (apex / 2)
    focal_mm, focal_35mm = _number(tags, FOCAL), _number(tags, FOCAL_35)
    bias, flash, source = tags.get(BIAS), tags.get(FLASH), tags.get(LIGHT_SOURCE)
    return Facts(
        width=size[0],
        height=size[1],
        kind=kind,
        maker=_text(tags, MAKE),
        model=_text(tags, MODEL),
        lens_maker=_text(tags, LENS_MAKE),
        lens=_text(tags, LENS_MODEL),
        focal_mm=focal_mm,
        focal_35mm=focal_35mm,
        aperture=aperture,
        exposure_s=exposure_s,
        iso=_number(tags, ISO, 0x8832, 0x8831),
        exposure_bias_ev=float(bias) if isinstance(bias, int | float) else None,
        taken_at=taken_at(tags),
        utc_offset=_text(tags, OFFSET_ORIGINAL),
        orientation=orientation,
        flash_fired=bool(flash & 1) if isinstance(flash, int) else None,
        camera_serial=_text(tags, BODY_SERIAL),
        lens_serial=_text(tags, LENS_SERIAL),
        crop_factor=crop_factor(tags, focal_mm=focal_mm, focal_35mm=focal_35mm),
        exif_light_source=source if isinstance(source, int) and source else None,
        is_whole=is_whole(tags, size=size, kind=kind),
        exif={str(tag): tags[tag] for tag in KEPT_TAGS if tag in tags},
    )
