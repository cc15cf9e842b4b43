"""Finished pixels to files: written beside, synced, renamed, opened again and checked.

JPEG is 4:4:4 (thin coloured edges on white walls keep their colour), quality 92 unless told otherwise; TIFF
is 16 bit. Both carry the sRGB profile, EXIF and XMP (`metadata`). A file under its final name is whole.
"""

import io
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageCms

from . import arrays, metadata, tiff
from .errors import WriteError
from .metadata import Metadata

DEFAULT_QUALITY = 92
LOWEST_QUALITY = 60  # below, blocks show on plain walls: common practice, no source
DEFAULT_DPI = 300
SHARPEN_BELOW = 0.9  # of the width: copies smaller than this are sharpened
SHARPEN_AMOUNT, SHARPEN_SIGMA_PX = 0.45, 0.7  # area averaging halves contrast near the finest detail
OVERSHOOT = 2.0  # codes
LONG_EDGE_PREVIEW_PX, LONG_EDGE_THUMBNAIL_PX = 2048, 640


@dataclass(frozen=True)
class Written:
    """A finished file."""

    path: Path
    width: int
    height: int
    bytes: int
    quality: int | None


@lru_cache(maxsize=1)
def srgb_profile() -> bytes:
    """The sRGB profile that every file carries, always the same bytes."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[24:36] = bytes.fromhex("07ea 0001 0001 0000 0000 0000")  # creation date, else it is "now"
    return bytes(profile)


def to_jpeg(
    rgb_srgb_u8: np.ndarray,
    *,
    path: Path | str,
    meta: Metadata,
    quality: int = DEFAULT_QUALITY,
    dpi: int = DEFAULT_DPI,
    max_bytes: int | None = None,
) -> Written:
    """Write an 8-bit sRGB picture as JPEG and check what was written.

    Parameters
    ----------
    rgb_srgb_u8 : (H, W, 3) uint8
        Encoded sRGB.
    max_bytes : int or None
        Largest file allowed: the highest quality not above `quality` that fits is found by search.

    Raises
    ------
    WriteError
        If the size cannot be met at a decent quality, the disk is full, or the file does not read back.
    """
    arrays.require_rgb(rgb_srgb_u8, name="rgb_srgb_u8", dtypes=(np.uint8,))
    image = Image.fromarray(rgb_srgb_u8)
    size = image.size
    extra = {
        "icc_profile": srgb_profile(),
        "exif": meta.exif(size=size, dpi=dpi),
        "xmp": meta.xmp(),
        "dpi": (dpi, dpi),
    }

    def encoded(at_quality: int) -> bytes:
        buffer = io.BytesIO()
        image.save(buffer, "JPEG", quality=at_quality, subsampling=0, **extra)
        return buffer.getvalue()

    data, used = _fit(encoded, quality=quality, max_bytes=max_bytes)
    target = Path(path)
    write_atomically(target, data)
    verify(target, size=size, meta=meta)
    return Written(target, size[0], size[1], len(data), used)


def _fit(encoded: Callable[[int], bytes], *, quality: int, max_bytes: int | None) -> tuple[bytes, int]:
    data = encoded(quality)
    if max_bytes is None or len(data) <= max_bytes:
        return data, quality
    low, high, best = LOWEST_QUALITY, quality - 1, None
    while low <= high:  # file size grows with quality
        middle = (low + high) // 2
        data = encoded(middle)
        if len(data) <= max_bytes:
            best, low = (data, middle), middle + 1
        else:
            high = middle - 1
    if best is None:
        raise WriteError(
            f"{max_bytes} bytes cannot be met at quality {LOWEST_QUALITY} or better; choose a shorter edge"
        )
    return best


def to_tiff(rgb_srgb_u16: np.ndarray, *, path: Path | str, meta: Metadata, dpi: int = DEFAULT_DPI) -> Written:
    """Write a 16-bit sRGB picture as TIFF (deflate with predictor) with profile, EXIF and XMP; check it."""
    arrays.require_rgb(rgb_srgb_u16, name="rgb_srgb_u16", dtypes=(np.uint16,))
    height, width = rgb_srgb_u16.shape[:2]
    target = Path(path)
    data = _tiff_bytes(rgb_srgb_u16, meta=meta, dpi=dpi)
    write_atomically(target, data)
    back = cv2.imdecode(np.fromfile(target, np.uint8), cv2.IMREAD_UNCHANGED)
    if back is None or back.dtype != np.uint16 or back.shape[:2] != (height, width):
        target.unlink(missing_ok=True)
        raise WriteError(f"{target.name}: the TIFF does not read back as {width} x {height} in 16 bit")
    verify(target, size=(width, height), meta=meta)
    return Written(target, width, height, len(data), None)


def _tiff_bytes(rgb_srgb_u16: np.ndarray, *, meta: Metadata, dpi: int) -> bytes:
    exif = meta.exif(size=(rgb_srgb_u16.shape[1], rgb_srgb_u16.shape[0]), dpi=dpi)
    return tiff.write_rgb16(rgb_srgb_u16, exif=exif, icc=srgb_profile(), xmp=meta.xmp(), dpi=dpi)


def write_atomically(path: Path, data: bytes) -> None:
    """Bytes to `path`: temporary name in the same folder, synced, renamed, folder synced.

    Raises
    ------
    WriteError
        If the disk is full or the folder cannot be written; an older file of that name is still whole.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(temporary, 0o644)
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
        if os.name == "posix":
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
    except OSError as error:
        raise WriteError(f"{path.name}: not written ({error.strerror or error}); nothing was lost") from error


def verify(path: Path | str, *, size: tuple[int, int], meta: Metadata) -> None:
    """Open a finished file again: decodes, size, profile, orientation, no place or serial, XMP present.

    Raises
    ------
    WriteError
        Naming the first thing that is not as it should be; the file is left for inspection.
    """
    path = Path(path)
    try:
        with Image.open(path) as image:
            actual, icc, exif = image.size, image.info.get("icc_profile"), image.getexif()
            xmp = image.info.get("xmp") or exif.get(0x02BC) or b""
            inner, place = exif.get_ifd(metadata.EXIF_IFD), exif.get_ifd(0x8825)
            image.draft("RGB", (size[0] // 8 or 1, size[1] // 8 or 1))  # every coded bit is still read
            image.load()
    except (OSError, SyntaxError, ValueError) as error:
        raise WriteError(f"{path.name}: does not open again ({error})") from error
    xmp = xmp if isinstance(xmp, bytes) else bytes(xmp)
    faults = [
        (actual != size, f"is {actual[0]} x {actual[1]}, wanted {size[0]} x {size[1]}"),
        (icc != srgb_profile(), "the sRGB profile is missing"),
        (exif.get(metadata.ORIENTATION) != 1, "the orientation tag is not 1"),
        (inner.get(metadata.COLOUR_SPACE) != 1, "the colour space tag is not sRGB"),
        (bool(place), "a place is left in the EXIF block"),
        (
            any(tag in inner for tag in (0xA431, 0xA435, 0x927C, 0xA430)),
            "a serial number or maker note is left",
        ),
        (xmp != meta.xmp(), "the XMP block is not what was written"),
    ]
    for is_wrong, words in faults:
        if is_wrong:
            raise WriteError(f"{path.name}: {words}")


def reduced(rgb_u8: np.ndarray, *, long_edge_px: int | None) -> np.ndarray:
    """A smaller copy by area averaging, sharpened for its size.

    Encoded values are averaged, as screens and services themselves do.
    """
    size = arrays.fit_size((rgb_u8.shape[1], rgb_u8.shape[0]), max_edge=long_edge_px)
    small = arrays.shrink(rgb_u8, size)
    return crisp(small) if size[0] < SHARPEN_BELOW * rgb_u8.shape[1] else small


def crisp(rgb_u8: np.ndarray) -> np.ndarray:
    """Give back the fine contrast that averaging took: an unsharp mask on luma that leaves no halo.

    Parameters
    ----------
    rgb_u8 : (H, W, 3) uint8, sRGB

    Returns
    -------
    (H, W, 3) uint8
        No pixel's luma leaves the range of its neighbours by more than `OVERSHOOT` codes.
    """
    luma = cv2.transform(rgb_u8.astype(np.float32), np.array([arrays.LUMA_709], np.float32))
    wanted = luma + SHARPEN_AMOUNT * (luma - cv2.GaussianBlur(luma, (0, 0), SHARPEN_SIGMA_PX))
    around = np.ones((3, 3), np.uint8)
    low, high = cv2.erode(luma, around) - OVERSHOOT, cv2.dilate(luma, around) + OVERSHOOT
    change = np.clip(wanted, low, high) - luma
    return np.clip(rgb_u8 + np.round(change)[..., None], 0, 255).astype(np.uint8)


def copy(
    source: Path | str,
    *,
    path: Path | str,
    long_edge_px: int | None = None,
    max_bytes: int | None = None,
    quality: int = DEFAULT_QUALITY,
    dpi: int = DEFAULT_DPI,
    meta: Metadata,
) -> tuple[int, int, int]:
    """Make a copy of a finished picture for one purpose; returns width, height and size in bytes.

    Raises
    ------
    WriteError
        As `to_jpeg`, or if the finished picture itself cannot be read.
    """
    try:
        with Image.open(source) as image:
            rgb = np.asarray(image.convert("RGB"))
    except (OSError, SyntaxError, ValueError) as error:
        raise WriteError(f"{Path(source).name}: the finished picture does not open ({error})") from error
    written = to_jpeg(
        reduced(rgb, long_edge_px=long_edge_px),
        path=path,
        meta=meta,
        quality=quality,
        dpi=dpi,
        max_bytes=max_bytes,
    )
    return written.width, written.height, written.bytes
