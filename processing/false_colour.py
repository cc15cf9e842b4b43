"""False colour along the borders of windows and lamps, left by demosaicing where light jumps within a pixel.

The sensor sees one colour a pixel and guesses the other two from its neighbours; at the rim of something
burnt the guess is a thin line of cyan, magenta or yellow. There, and only there, a pixel more coloured than
the middle of its neighbours takes their colour; its lightness stays.
"""

import cv2
import numpy as np

from .arrays import require_rgb

BRIGHT = 225  # 8-bit codes: the lit side of such a border
STEP = 60  # codes that lightness jumps by within the window
WINDOW_PX = 5  # lines are one or two pixels wide, and must not fill half of it
LEAST_CODES = 4.0  # of chroma: less is not seen
TILE_PX = 256
PAD_PX = WINDOW_PX // 2 + 1


def suppress(rgb_srgb: np.ndarray) -> np.ndarray:
    """The picture without coloured lines along bright borders.

    Parameters
    ----------
    rgb_srgb : (H, W, 3) uint8 or uint16
        A finished picture from raw, sRGB, at full size.

    Returns
    -------
    The same array when there is nothing to change, else a new one of the same type.

    Source
    ------
    W. T. Freeman, US patent 4724395 (1988, expired): median of colour differences after interpolation.
    """
    require_rgb(rgb_srgb, name="rgb_srgb", dtypes=(np.uint8, np.uint16))
    unit = 257 if rgb_srgb.dtype == np.uint16 else 1
    height, width = rgb_srgb.shape[:2]
    out = rgb_srgb
    for top in range(0, height, TILE_PX):
        for left in range(0, width, TILE_PX):
            y, x = max(0, top - PAD_PX), max(0, left - PAD_PX)
            part = np.ascontiguousarray(rgb_srgb[y : top + TILE_PX + PAD_PX, x : left + TILE_PX + PAD_PX])
            inner = np.s_[top - y : top - y + TILE_PX, left - x : left - x + TILE_PX]
            changed = _tile(part, unit)
            if changed is not None:
                out = rgb_srgb.copy() if out is rgb_srgb else out
                out[top : top + TILE_PX, left : left + TILE_PX] = changed[inner]
    return out


def _tile(part: np.ndarray, unit: int) -> np.ndarray | None:
    """One tile with its borders mended, or None where it has none."""
    luma = cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)
    if cv2.minMaxLoc(luma)[1] <= BRIGHT * unit:
        return None
    kernel = np.ones((WINDOW_PX, WINDOW_PX), np.uint8)
    high = cv2.dilate(luma, kernel)
    border = (high > BRIGHT * unit) & (cv2.subtract(high, cv2.erode(luma, kernel)) > STEP * unit)
    if not border.any():
        return None
    luma, *chroma = cv2.split(cv2.cvtColor(part, cv2.COLOR_RGB2YCrCb))
    middle = [cv2.medianBlur(plane, WINDOW_PX) for plane in chroma]
    border &= _strength(middle, unit) < _strength(chroma, unit) - np.float32(LEAST_CODES * unit)
    if not border.any():
        return None
    calm = cv2.cvtColor(cv2.merge([luma, *middle]), cv2.COLOR_YCrCb2RGB)
    return np.where(border[..., None], calm, part)


def _strength(chroma: list[np.ndarray], unit: int) -> np.ndarray:
    grey = np.float32(128 if unit == 1 else 32768)
    return cv2.magnitude(*(plane.astype(np.float32) - grey for plane in chroma))
