"""Checks on arrays and the border between encoded pictures and linear light.

Conventions: arrays are (rows, columns, channels), RGB order. Linear means proportional to light, with 1.0
at the clipping level of the reference channel; values outside 0..1 survive until `encode_srgb_u8` and kin.
"""

from functools import lru_cache

import cv2
import numpy as np

from .errors import ShapeError

LUMA_709 = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709 luminance weights, linear light
SRGB_LINEAR_SLOPE = 12.92  # IEC 61966-2-1
SRGB_ENCODE_THRESHOLD = 0.0031308
SRGB_DECODE_THRESHOLD = 0.04045


def require_rgb(array: np.ndarray, *, name: str, dtypes: tuple[type, ...]) -> np.ndarray:
    """Return `array` if it is (H, W, 3) of one of `dtypes`, else say what is wrong.

    Raises
    ------
    ShapeError
        With the argument's name, what is needed and what came.
    """
    if not isinstance(array, np.ndarray) or array.ndim != 3 or array.shape[2] != 3 or 0 in array.shape:
        shape = getattr(array, "shape", type(array).__name__)
        raise ShapeError(f"{name}: need (H, W, 3) with at least one pixel, got {shape}")
    if array.dtype not in [np.dtype(t) for t in dtypes]:
        wanted = " or ".join(np.dtype(t).name for t in dtypes)
        raise ShapeError(f"{name}: need {wanted}, got {array.dtype.name}")
    return array


def decode_srgb(encoded: np.ndarray) -> np.ndarray:
    """Turn sRGB-encoded values into linear light.

    Parameters
    ----------
    encoded : (...) float, uint8 or uint16 array
        Floats are 0..1 (values outside are continued: negative ones mirrored); integers span their range.

    Returns
    -------
    (...) float32 array
        Linear, 0..1 for inputs in range.

    Source
    ------
    IEC 61966-2-1:1999.

    Examples
    --------
    >>> round(float(decode_srgb(np.array([0.461356]))[0]), 4)
    0.18
    """
    encoded = np.asarray(encoded)
    if encoded.dtype == np.uint8:
        return srgb_to_linear_table(256)[encoded]
    if encoded.dtype == np.uint16:
        return srgb_to_linear_table(65536)[encoded]
    v = encoded.astype(np.float32)
    a = np.abs(v)
    linear = np.where(a <= SRGB_DECODE_THRESHOLD, a / SRGB_LINEAR_SLOPE, ((a + 0.055) / 1.055) ** 2.4)
    return np.copysign(linear, v).astype(np.float32)


def encode_srgb(linear: np.ndarray) -> np.ndarray:
    """Turn linear light into sRGB-encoded float32; negative values are mirrored, nothing is clipped.

    Source
    ------
    IEC 61966-2-1:1999.

    Examples
    --------
    >>> [round(float(v), 4) for v in encode_srgb(np.array([0.18, 0.5]))]
    [0.4614, 0.7354]
    """
    v = np.asarray(linear, np.float32)
    a = np.abs(v)
    encoded = np.where(a <= SRGB_ENCODE_THRESHOLD, a * SRGB_LINEAR_SLOPE, 1.055 * a ** (1 / 2.4) - 0.055)
    return np.copysign(encoded, v).astype(np.float32)


def encode_srgb_u8(linear: np.ndarray) -> np.ndarray:
    """Turn linear light into 8-bit sRGB, clipped to 0..1 and rounded."""
    u16 = np.clip(np.asarray(linear, np.float32) * 65535 + 0.5, 0, 65535).astype(np.uint16)
    return lookup(u16, linear_to_srgb_u8_table())


def encode_srgb_u16(linear: np.ndarray) -> np.ndarray:
    """Turn linear light into 16-bit sRGB, clipped to 0..1 and rounded."""
    return np.clip(encode_srgb(linear) * 65535 + 0.5, 0, 65535).astype(np.uint16)


def to_u8(encoded_u16: np.ndarray) -> np.ndarray:
    """8-bit codes of 16-bit ones, rounded: 65535 -> 255."""
    return cv2.convertScaleAbs(encoded_u16, alpha=255 / 65535).reshape(encoded_u16.shape)


@lru_cache(maxsize=4)
def srgb_to_linear_table(size: int) -> np.ndarray:
    """Linear float32 value of each of `size` evenly spaced sRGB codes. Read-only."""
    v = np.linspace(0.0, 1.0, size)
    table = np.where(v <= SRGB_DECODE_THRESHOLD, v / SRGB_LINEAR_SLOPE, ((v + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )
    table.setflags(write=False)
    return table


@lru_cache(maxsize=1)
def linear_to_srgb_u8_table() -> np.ndarray:
    """8-bit sRGB code of each of 65536 linear codes. Read-only."""
    table = np.clip(encode_srgb(np.linspace(0.0, 1.0, 65536)) * 255 + 0.5, 0, 255).astype(np.uint8)
    table.setflags(write=False)
    return table


def lookup(image: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Take `table[image]` for an 8- or 16-bit image of any number of channels, several times faster."""
    if image.size == 0:
        return table[image]
    return cv2.LUT(np.ascontiguousarray(image), table).reshape(image.shape)


def luminance(rgb_linear: np.ndarray) -> np.ndarray:
    """Relative luminance (H, W) float32 of linear sRGB (BT.709 weights)."""
    return np.asarray(rgb_linear, np.float32) @ np.array(LUMA_709, np.float32)


def apply_matrix(rgb: np.ndarray, out_from_in: np.ndarray) -> np.ndarray:
    """Multiply each pixel by a 3 x 3 matrix: out = out_from_in @ pixel. (H, W, 3) float32."""
    return cv2.transform(np.ascontiguousarray(rgb, np.float32), np.asarray(out_from_in, np.float32))


def fit_size(size: tuple[int, int], *, max_edge: int | None) -> tuple[int, int]:
    """Width and height that fit `max_edge` with the same ratio, never enlarged.

    Examples
    --------
    >>> fit_size((6000, 4000), max_edge=1500)
    (1500, 1000)
    >>> fit_size((600, 400), max_edge=1500)
    (600, 400)
    """
    width, height = size
    longest = max(width, height)
    if max_edge is None or longest <= max_edge:
        return width, height
    return max(1, round(width * max_edge / longest)), max(1, round(height * max_edge / longest))


def shrink(image: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Reduce to (width, height) by area averaging: every source pixel counts once, no aliasing.

    The grid is the pixel-area convention: the outer edges of both pictures coincide, so source point
    x maps to (x + .5) * w / W - .5.
    """
    if (image.shape[1], image.shape[0]) == size:
        return image.copy()
    return cv2.resize(image, size, interpolation=cv2.INTER_AREA)


def orient(image: np.ndarray, orientation: int) -> np.ndarray:
    """Turn stored pixels so that the picture stands as the camera's orientation tag says.

    Parameters
    ----------
    image : (H, W, ...) array
    orientation : int
        EXIF/TIFF tag 0x0112, 1..8; anything else counts as 1.

    Returns
    -------
    array, contiguous; rows and columns swapped for 5..8.

    Source
    ------
    TIFF 6.0 / CIPA DC-008 (EXIF) orientation: where row 0 and column 0 of the stored pixels lie.

    Examples
    --------
    >>> orient(np.array([[1, 2], [3, 4]]), 6).tolist()  # row 0 is the right side
    [[3, 1], [4, 2]]
    """
    turned = image
    if orientation in (5, 6, 7, 8):
        turned = np.swapaxes(turned, 0, 1)
    if orientation in (2, 3, 6, 7):
        turned = turned[:, ::-1]
    if orientation in (3, 4, 7, 8):
        turned = turned[::-1]
    return np.ascontiguousarray(turned)


def oriented_size(size: tuple[int, int], orientation: int) -> tuple[int, int]:
    """Width and height after `orient`."""
    return (size[1], size[0]) if orientation in (5, 6, 7, 8) else size
