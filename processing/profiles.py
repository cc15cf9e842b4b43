"""Embedded colour profiles: matrix and tone curve read exactly, everything else through the CMM.

Source: ICC.1:2022 (tag types `curv`, `para`, `XYZ `; D50 connection space).
"""

import io
import struct
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageCms

from . import arrays

XYZ_FROM_SRGB_D50 = np.array(  # sRGB's colorants as ICC profiles carry them: Bradford to D50
    [[0.4360747, 0.3850649, 0.1430804], [0.2225045, 0.7168786, 0.0606169], [0.0139322, 0.0971045, 0.7141733]]
)
OPRGB_GAMMA = 563 / 256  # IEC 61966-2-5
# Primaries (x, y) of spaces that files name without a profile; white D65
OPRGB_PRIMARIES = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))  # IEC 61966-2-5
P3_PRIMARIES = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))  # SMPTE EG 432-1
BT2020_PRIMARIES = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))  # ITU-R BT.2020
D65_XYZ = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
XYZ_FROM_SRGB = np.array(
    [[0.4123908, 0.3575843, 0.1804808], [0.2126390, 0.7151687, 0.0721923], [0.0193308, 0.1191948, 0.9505322]]
)


@dataclass(frozen=True)
class SourceSpace:
    """How a file's codes become linear sRGB: one curve per channel, then a matrix whose rows sum to 1."""

    name: str
    curves: np.ndarray  # (channels, 4096) float64 linear value of evenly spaced codes
    srgb_from_source: np.ndarray  # (3, 3)

    def tables_u16(self, *, levels: int) -> np.ndarray:
        """(channels, levels) uint16 linear codes for integer pictures of `levels` codes."""
        codes = np.linspace(0, 1, levels)
        grid = np.linspace(0, 1, self.curves.shape[1])
        rows = [np.interp(codes, grid, curve) for curve in self.curves]
        return np.clip(np.array(rows) * 65535 + 0.5, 0, 65535).astype(np.uint16)


def _srgb_curve(size: int = 4096) -> np.ndarray:
    v = np.linspace(0, 1, size)
    return np.where(v <= arrays.SRGB_DECODE_THRESHOLD, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def srgb() -> SourceSpace:
    """What a file without any statement is taken for."""
    return SourceSpace("sRGB", np.tile(_srgb_curve(), (3, 1)), np.eye(3))


def from_primaries(name: str, primaries: tuple, *, gamma: float | None = None) -> SourceSpace:
    """A D65 space by its primaries; `gamma` None means the sRGB curve."""
    xy = np.array(primaries)
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(1)) / xy[:, 1]])
    xyz_from_rgb = columns * np.linalg.solve(columns, D65_XYZ)
    curve = _srgb_curve() if gamma is None else np.linspace(0, 1, 4096) ** gamma
    return SourceSpace(name, np.tile(curve, (3, 1)), _white_kept(np.linalg.inv(XYZ_FROM_SRGB) @ xyz_from_rgb))


def oprgb() -> SourceSpace:
    """opRGB, IEC 61966-2-5: what cameras write with ColorSpace "uncalibrated" and interoperability R03."""
    return from_primaries("opRGB", OPRGB_PRIMARIES, gamma=OPRGB_GAMMA)


def _white_kept(matrix: np.ndarray) -> np.ndarray:
    return matrix / matrix.sum(1, keepdims=True)


def read_matrix_profile(icc: bytes) -> SourceSpace | None:
    """The space of an RGB matrix/curve profile or a grey one; None for any other kind (tables, CMYK...).

    Curves keep their full precision, so 8-bit steps are not squeezed and 16-bit files do not band.
    """
    if len(icc) < 132 or icc[36:40] != b"acsp":
        return None
    space = icc[16:20]
    try:
        tags = _tag_table(icc)
        if space == b"GRAY" and b"kTRC" in tags:
            return SourceSpace("grey profile", np.tile(_curve(tags[b"kTRC"]), (3, 1)), np.eye(3))
        if space != b"RGB " or b"A2B0" in tags:
            return None
        columns = np.stack([_xyz(tags[t]) for t in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
        curves = np.stack([_curve(tags[t]) for t in (b"rTRC", b"gTRC", b"bTRC")])
    except (KeyError, struct.error, ValueError, IndexError):
        return None
    matrix = np.linalg.inv(XYZ_FROM_SRGB_D50) @ columns
    if not np.isfinite(matrix).all() or np.abs(matrix.sum(1) - 1).max() > 0.05:
        return None  # white is not white: let the CMM decide
    matrix = _white_kept(matrix)
    if np.abs(matrix - np.eye(3)).max() < 2e-3 and np.abs(curves - _srgb_curve()).max() < 2e-3:
        return srgb()
    return SourceSpace("embedded profile", curves, matrix)


def _tag_table(icc: bytes) -> dict[bytes, bytes]:
    count = struct.unpack(">I", icc[128:132])[0]
    tags = {}
    for i in range(min(count, 100)):
        name, offset, length = struct.unpack(">4sII", icc[132 + 12 * i : 144 + 12 * i])
        tags[name] = icc[offset : offset + length]
    return tags


def _xyz(data: bytes) -> np.ndarray:
    if data[:4] != b"XYZ ":
        raise ValueError("not an XYZ tag")
    return np.array(struct.unpack(">3i", data[8:20])) / 65536


def _curve(data: bytes, size: int = 4096) -> np.ndarray:
    x = np.linspace(0, 1, size)
    if data[:4] == b"curv":
        count = struct.unpack(">I", data[8:12])[0]
        if count == 0:
            return x
        values = np.frombuffer(data[12 : 12 + 2 * count], ">u2").astype(float)
        if count == 1:
            return x ** (values[0] / 256)
        return np.interp(x, np.linspace(0, 1, count), values / 65535)
    if data[:4] != b"para":
        raise ValueError("not a curve tag")
    kind = struct.unpack(">H", data[8:10])[0]
    needed = (1, 3, 4, 5, 7)[kind]
    given = np.array(struct.unpack(f">{needed}i", data[12 : 12 + 4 * needed])) / 65536
    g, a, b, c, d, e, f = np.concatenate([given, np.zeros(7 - needed)])
    if kind == 0:
        return x**g
    power = np.maximum(a * x + b, 0) ** g
    if kind in (1, 2):
        return np.where(x >= -b / a, power + (c if kind == 2 else 0.0), c if kind == 2 else 0.0)
    return np.where(x >= d, power + (e if kind == 4 else 0.0), c * x + (f if kind == 4 else 0.0))


def convert_by_cmm(image: Image.Image, icc: bytes | None) -> Image.Image:
    """8-bit sRGB picture of one whose profile holds tables, or of CMYK: relative colorimetric.

    CMYK without a profile has no defined colour; the plain inversion is used.
    """
    if icc:
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(icc))
            converted = ImageCms.profileToProfile(
                image,
                source,
                ImageCms.createProfile("sRGB"),
                renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
                outputMode="RGB",
                flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
            )
            if converted is not None:
                return converted
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass
    return image.convert("RGB")
