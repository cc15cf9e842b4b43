"""Colour speckle in lifted shadows: taken out of the dark parts of a finished picture.

Noise is measured first; a picture with little is left alone and costs next to nothing. Colour follows the
picture's own lightness (a guided filter at half size), so that it does not run over edges, and what differs
by more than noise can explain is colour and stays.
"""

import cv2
import numpy as np

from .arrays import require_rgb
from .quality import windows

LEAST_SIGMA = 2.0  # 8-bit codes of Cr or Cb; rooms at base sensitivity 1.1-2.3, three stops under 2.6-4.8
LIFTED_EV = 2.0  # stops: a base exposure of a room is lifted by 2 to 2.5, a frame three stops under by 5
MOST_SIGMA = 5.0  # so strong a speckle is coloured detail
DARK = (70.0, 130.0)  # luma codes: fully smoothed below the first, not at all above the second
RADIUS_PX = 10  # of the filter's window
LIGHTNESS_EPS = 30.0  # codes^2: luma that varies less than this is noise, not an edge
BELIEVED = (2.0, 3.5)  # sigmas: what is smaller is noise, what is larger is colour
TILE_PX = 512  # even
PAD_PX = 2 * RADIUS_PX + 4  # as far as the filter looks
FEWEST = 400  # dark pixels that a measurement needs


def smooth_shadows(rgb_srgb: np.ndarray, *, lifted_ev: float) -> np.ndarray:
    """The picture with less colour noise in its dark parts.

    Parameters
    ----------
    rgb_srgb : (H, W, 3) uint8 or uint16
        A finished picture, sRGB, at full size.
    lifted_ev : float
        Stops by which its shadows were brightened: below `LIFTED_EV` speckle is no noise of ours but detail.

    Returns
    -------
    The same array when there is nothing to smooth, else a new one of the same type.

    Source
    ------
    K. He, J. Sun, "Fast guided filter", arXiv:1505.00996 (2015).
    """
    require_rgb(rgb_srgb, name="rgb_srgb", dtypes=(np.uint8, np.uint16))
    unit = 257.0 if rgb_srgb.dtype == np.uint16 else 1.0
    sigma = shadow_sigma(rgb_srgb) if lifted_ev >= LIFTED_EV else None
    if sigma is None or sigma < LEAST_SIGMA:
        return rgb_srgb
    sigma = min(sigma, MOST_SIGMA)
    out = rgb_srgb.copy()
    height, width = rgb_srgb.shape[:2]
    for top in range(0, height, TILE_PX):
        for left in range(0, width, TILE_PX):
            y, x = max(0, top - PAD_PX), max(0, left - PAD_PX)
            part = np.ascontiguousarray(rgb_srgb[y : top + TILE_PX + PAD_PX, x : left + TILE_PX + PAD_PX])
            inner = np.s_[top - y : top - y + TILE_PX, left - x : left - x + TILE_PX]
            luma = cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)
            if cv2.minMaxLoc(luma[inner])[0] < DARK[1] * unit:
                out[top : top + TILE_PX, left : left + TILE_PX] = _smoothed(part, sigma, unit)[inner]
    return out


def shadow_sigma(rgb_srgb: np.ndarray) -> float | None:
    """Colour noise of the dark parts, in 8-bit codes of Cr or Cb; None where little is dark.

    Mean of the smaller six tenths of the deviations from a blurred copy: edges do not count. 2.521 makes it
    the standard deviation of normal noise.
    """
    unit = 257.0 if rgb_srgb.dtype == np.uint16 else 1.0
    found: tuple[list[np.ndarray], list[np.ndarray]] = ([], [])
    for part in windows(rgb_srgb):
        luma, *chroma = cv2.split(cv2.cvtColor(part, cv2.COLOR_RGB2YCrCb))
        dark = luma < DARK[0] * unit
        if np.count_nonzero(dark) < FEWEST:
            continue
        for kept, plane in zip(found, chroma, strict=True):
            kept.append(cv2.absdiff(plane, cv2.blur(plane, (9, 9)))[dark])
    if not found[0]:
        return None
    return max(_lower_mean(np.concatenate(kept)) for kept in found) / unit * 2.521


def _lower_mean(values: np.ndarray) -> float:
    count = int(0.6 * len(values))
    return float(np.partition(values, count)[:count].mean())


def _smoothed(tile: np.ndarray, sigma: float, unit: float) -> np.ndarray:
    """One tile with its dark pixels' colour smoothed; the others are the very same."""
    luma, *chroma = cv2.split(cv2.cvtColor(tile, cv2.COLOR_RGB2YCrCb))
    height, width = luma.shape
    small = (max(1, width // 2), max(1, height // 2))
    radius = max(1, RADIUS_PX // 2)
    window = (2 * radius + 1, 2 * radius + 1)
    guide = cv2.resize(luma, small, interpolation=cv2.INTER_AREA).astype(np.float32) * np.float32(1 / unit)
    mean = cv2.blur(guide, window)
    spread = cv2.blur(guide * guide, window) - mean * mean + np.float32(LIGHTNESS_EPS)
    full = luma.astype(np.float32) * np.float32(1 / unit)
    weight = np.clip((DARK[1] - full) * np.float32(1 / (DARK[1] - DARK[0])), 0, 1)
    steps = []
    for plane in chroma:
        coarse = cv2.resize(plane, small, interpolation=cv2.INTER_AREA).astype(np.float32)
        coarse *= np.float32(1 / unit)
        plane_mean = cv2.blur(coarse, window)
        slope = (cv2.blur(guide * coarse, window) - mean * plane_mean) / spread
        offset = cv2.blur(plane_mean - slope * mean, window)
        told = cv2.resize(cv2.blur(slope, window), (width, height)) * full
        told += cv2.resize(offset, (width, height))
        steps.append(told - plane.astype(np.float32) * np.float32(1 / unit))
    # a colour that is believed is believed in both planes
    fade = (BELIEVED[1] - cv2.magnitude(*steps) * np.float32(1 / sigma)) / (BELIEVED[1] - BELIEVED[0])
    weight *= np.clip(fade, 0, 1) * np.float32(unit)
    moved = [
        np.clip(p + s * weight + np.float32(0.5), 0, 255 * unit) for p, s in zip(chroma, steps, strict=True)
    ]
    planes = [luma, *(plane.astype(luma.dtype) for plane in moved)]
    changed = cv2.cvtColor(cv2.merge(planes), cv2.COLOR_YCrCb2RGB)
    return np.where(weight[..., None] > 0, changed, tile)
