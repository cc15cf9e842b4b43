"""Whether one frame of a view is blurred against another, in whichever direction a hand or a focus blurs.

A shake hides what lies along it and leaves the rest: edges are compared by direction. One frame's fine detail
is looked for in the other, so what is noise in one alone does not count as sharpness.
"""

import cv2
import numpy as np

from .arrays import luminance

FINE, MIDDLE = 0.9, 3.0  # px sigma at the working width: where a small shake is seen, and where it is not
DIRECTIONS = 8
STRONGEST = 0.15  # share of a direction's crests of edges that are asked
LEAST_PIXELS = 200
ABOVE_NOISE = 6.0  # sigmas that an edge must stand out by
FLOOR = 0.004  # of the clipping level, below which lies noise
PEDESTAL = 0.02  # ditto, added before the root


def fine_left(reference: np.ndarray, frame: np.ndarray, *, ev: float) -> tuple[float, float]:
    """Share of one frame's fine detail that the other still has, in the direction where it has least.

    Parameters
    ----------
    reference, frame : (H, W, 3) float32
        Linear sRGB, aligned, 1.0 = own clipping level, about 1400 px wide.
    ev : float
        Stops by which `frame` is brighter.

    Returns
    -------
    (of the reference's in the frame, of the frame's in the reference); 1.0 where it cannot be told
    """
    # both are cut off where the brighter one ends: blur mixes light, not codes
    top = 0.9 * min(1.0, 2.0**-ev)
    usable: np.ndarray = np.ones(reference.shape[:2], np.uint8)
    roots = []
    for rgb, gain in ((reference, 1.0), (frame, 2.0**-ev)):
        usable = usable & ((rgb.max(-1) < 0.95) & (luminance(rgb) > FLOOR)).astype(np.uint8)
        level = np.clip(luminance(rgb) * np.float32(gain), 0, top)
        roots.append(np.sqrt(level + np.float32(PEDESTAL)))  # noise is nearly alike at all levels
    usable = cv2.erode(usable, np.ones((15, 15), np.uint8))
    if int(usable.sum()) < 20 * LEAST_PIXELS:
        return 1.0, 1.0
    slopes = [[_slopes(root, sigma) for sigma in (FINE, MIDDLE)] for root in roots]
    there, back = [], []
    for angle in np.arange(DIRECTIONS) * np.pi / DIRECTIONS:
        towards = (float(np.cos(angle)), float(np.sin(angle)))
        one, other = (_seen_along(s, towards) for s in slopes)
        there.append(_kept(one, other, usable, towards))
        back.append(_kept(other, one, usable, towards))
    return min(there), min(back)


Along = tuple[np.ndarray, np.ndarray, np.ndarray]


def _slopes(root: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    smooth = cv2.GaussianBlur(root, (0, 0), sigma)
    return cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)


def _seen_along(slopes: list[tuple[np.ndarray, np.ndarray]], towards: tuple[float, float]) -> Along:
    """Fine and middle slopes in one direction, and the fine one across it."""
    (fine_x, fine_y), (middle_x, middle_y) = slopes
    x, y = towards
    return x * fine_x + y * fine_y, x * middle_x + y * middle_y, x * fine_y - y * fine_x


def _kept(one: Along, other: Along, usable: np.ndarray, towards: tuple[float, float]) -> float:
    """Share of the first frame's fine slope that the other has, on the crests of edges in one direction.

    Only edges well above the noise are asked: those that it merely lifted would look blurred in the other.
    """
    fine, middle, across = one
    height = np.abs(fine)
    line = np.ones((1, 5) if abs(towards[0]) > abs(towards[1]) else (5, 1), np.uint8)
    crest = (height >= cv2.dilate(height, line)) & (usable > 0) & (np.abs(across) < 0.5 * height)
    noise = float(np.median(height[::3, ::3][usable[::3, ::3] > 0])) / 0.6745  # most of a room is plain
    found = height[crest]
    most = max(LEAST_PIXELS, int(STRONGEST * len(found)))
    if len(found) < most:
        return 1.0
    at = crest & (height >= max(float(np.partition(found, -most)[-most]), ABOVE_NOISE * noise))
    if at.sum() < LEAST_PIXELS:
        return 1.0
    sign = np.sign(fine[at])
    steep, kept, wide, wide_kept = (x[at] * sign for x in (fine, other[0], middle, other[1]))
    # over the middle detail's share at the same place: exposure, tone curve and uneven light drop out
    overall = float(np.median(wide_kept)) / max(float(np.median(wide)), 1e-6)
    local = np.where(wide > 0.2 * np.median(wide), wide_kept / np.maximum(wide, 1e-6), overall)
    share = np.clip(local, 0.6 * overall, 1.6 * overall)
    return float(np.median(kept / np.maximum(share, 0.1)) / max(float(np.median(steep)), 1e-6))
