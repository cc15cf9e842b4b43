"""Drawn rooms and files of every kind for the tests: plain functions, small pictures, fixed seeds."""

from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import piexif
import tifffile
from PIL import Image

CAMERA_FROM_SRGB = np.array([0.5, 1.0, 0.65])  # sensitivities of the made-up camera
SRGB_FROM_XYZ = np.array(  # IEC 61966-2-1
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
BLACK, WHITE = 512, 16383
RGGB = b"\x00\x01\x01\x02"


def smooth_scene(width: int = 320, height: int = 240) -> np.ndarray:
    """Linear sRGB float64 without fine detail, so that demosaicing adds nothing: 0.02 .. 0.6."""
    y, x = np.mgrid[0 : 1 : height * 1j, 0 : 1 : width * 1j]
    red = 0.05 + 0.5 * x
    green = 0.04 + 0.4 * y
    blue = 0.06 + 0.3 * (1 - x) * (1 - y)
    return np.stack([red, green, blue], -1)


def drawn_room(width: int = 900, height: int = 600, *, roll_deg: float = 0.0, seed: int = 0) -> np.ndarray:
    """uint8 sRGB room with many uprights and level lines, a window and a lamp, turned by `roll_deg`."""
    scale = 2
    w, h = width * scale, height * scale
    rng = np.random.default_rng(seed)
    room = np.full((h, w, 3), (206, 202, 196), np.uint8)
    room[int(h * 0.72) :] = (150, 120, 96)
    for x in np.linspace(0.04, 0.96, 17):
        at, shade = int(x * w), tuple(int(v) for v in rng.integers(50, 150, 3))
        cv2.line(room, (at, int(h * 0.04)), (at, int(h * 0.95)), shade, 3 * scale)
    for y in (0.08, 0.16, 0.3, 0.44, 0.58, 0.72, 0.86):
        cv2.line(room, (int(w * 0.02), int(y * h)), (int(w * 0.98), int(y * h)), (96, 88, 80), 3 * scale)
    cv2.rectangle(room, (int(w * 0.3), int(h * 0.2)), (int(w * 0.44), int(h * 0.42)), (255, 255, 255), -1)
    cv2.circle(room, (int(w * 0.7), int(h * 0.25)), 22 * scale, (252, 246, 222), -1)
    turn = cv2.getRotationMatrix2D(((w - 1) / 2, (h - 1) / 2), -roll_deg, 1.0)
    room = cv2.warpAffine(room, turn, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return cv2.resize(room, (width, height), interpolation=cv2.INTER_AREA)


def decoded(rgb_u8: np.ndarray) -> np.ndarray:
    """Linear float64 of uint8 sRGB, by the formula of IEC 61966-2-1."""
    v = rgb_u8 / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def write_dng(
    path: Path,
    linear: np.ndarray,
    *,
    exposure: float = 1.0,
    exposure_s: float = 1 / 15,
    orientation: int = 1,
    neutral: tuple[float, float, float] | None = (0.5, 1.0, 0.65),
    matrix: bool = True,
    taken: str = "2026:11:20 10:08:00",
    subsec: str = "25",
    noise: bool = True,
) -> Path:
    """Write linear sRGB as an uncompressed 14-bit RGGB DNG of the made-up camera, with EXIF."""
    camera = np.asarray(linear) * CAMERA_FROM_SRGB * exposure
    height, width = camera.shape[0] // 2 * 2, camera.shape[1] // 2 * 2
    mosaic = np.empty((height, width))
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = camera[row:height:2, column:width:2, channel]
    if noise:
        grain = np.random.default_rng(3).standard_normal(mosaic.shape)
        mosaic = mosaic + grain * np.sqrt(np.maximum(mosaic, 0) * 5e-5 + 1e-7)
    codes = np.clip(np.round(mosaic * (WHITE - BLACK) + BLACK), 0, WHITE).astype(np.uint16)
    shutter = Fraction(exposure_s).limit_denominator(8000)
    tags: list[tuple] = [
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50707, "B", 4, (1, 1, 0, 0), True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, RGGB, True),
        (50708, "s", 0, "Made-up Camera", True),
        (271, "s", 0, "Made-up", True),
        (272, "s", 0, "Camera", True),
        (33434, "2I", 1, (shutter.numerator, shutter.denominator), True),
        (33437, "2I", 1, (63, 10), True),
        (34855, "H", 1, 200, True),
        (37386, "2I", 1, (24, 1), True),
        (36867, "s", 0, taken, True),
        (50714, "H", 1, BLACK, True),
        (50717, "H", 1, WHITE, True),
        (274, "H", 1, orientation, True),
    ]
    if subsec:
        tags.append((37521, "s", 0, subsec, True))
    if matrix:
        colour = (SRGB_FROM_XYZ * CAMERA_FROM_SRGB[:, None]).ravel()
        signed = [n for v in colour for n in (round(float(v) * 10000), 10000)]
        tags += [(50721, "2i", 9, signed, True), (50778, "H", 1, 21, True)]
    if neutral:
        tags.append((50728, "2I", 3, [n for v in neutral for n in (round(v * 10000), 10000)], True))
    tifffile.imwrite(
        path,
        codes,
        photometric=32803,
        extratags=sorted(tags),
        compression=None,
        metadata=None,
        rowsperstrip=height,
    )
    return path


def write_jpeg(
    path: Path,
    rgb_u8: np.ndarray,
    *,
    orientation: int = 1,
    taken: str = "2026:11:20 10:08:00",
    subsec: str = "25",
    exposure_s: float = 1 / 15,
    focal_35mm: int = 24,
    icc: bytes | None = None,
    with_secrets: bool = False,
    quality: int = 95,
) -> Path:
    """Write a JPEG with a camera's EXIF; `with_secrets` adds a place, serial numbers and a maker note."""
    shutter = Fraction(exposure_s).limit_denominator(8000)
    zeroth = {
        piexif.ImageIFD.Make: b"Made-up",
        piexif.ImageIFD.Model: b"Camera",
        piexif.ImageIFD.Orientation: orientation,
    }
    inner = {
        piexif.ExifIFD.ExposureTime: (shutter.numerator, shutter.denominator),
        piexif.ExifIFD.FNumber: (63, 10),
        piexif.ExifIFD.ISOSpeedRatings: 200,
        piexif.ExifIFD.DateTimeOriginal: taken.encode(),
        piexif.ExifIFD.SubSecTimeOriginal: subsec.encode(),
        piexif.ExifIFD.OffsetTimeOriginal: b"+01:00",
        piexif.ExifIFD.FocalLength: (focal_35mm, 1),
        piexif.ExifIFD.FocalLengthIn35mmFilm: focal_35mm,
        piexif.ExifIFD.LensModel: b"made-up 16-35 mm",
        piexif.ExifIFD.Flash: 16,
    }
    place: dict = {}
    if with_secrets:
        inner |= {
            piexif.ExifIFD.BodySerialNumber: b"SN-12345",
            piexif.ExifIFD.LensSerialNumber: b"LN-6789",
            piexif.ExifIFD.MakerNote: b"maker's secret",
            piexif.ExifIFD.CameraOwnerName: b"Somebody",
        }
        place = {
            piexif.GPSIFD.GPSLatitudeRef: b"N",
            piexif.GPSIFD.GPSLatitude: ((51, 1), (30, 1), (0, 1)),
        }
    exif = piexif.dump({"0th": zeroth, "Exif": inner, "GPS": place})
    extra = {"icc_profile": icc} if icc else {}
    Image.fromarray(rgb_u8).save(path, "JPEG", quality=quality, subsampling=0, exif=exif, **extra)
    return path
