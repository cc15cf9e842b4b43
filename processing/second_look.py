"""A second look at a soft picture: its lines as they show at half the size.

An enlarged, shaken or badly focused picture spreads every edge over several pixels. At its full size a
detector then finds such an edge in pieces, or not at all among the grain; at half the size the edge is as
sharp as in any other picture. The pieces are found there and measured at full size, where the top of a wide
gradient still lies where it did.
"""

import cv2
import numpy as np

from .edges import Gradient
from .lens_curve import frame
from .segments import Segments, find_segments, refine

NEAR_PX, FAR_PX = 0.5, 3.0  # on either side of an edge: the step across the pixel and the whole step
SOFT = 0.33  # of the whole step across one pixel: a Gaussian edge of 1.2 px; sharp ones have half of it
LONGEST = 150  # segments that are asked
LEAST_STEP = 8.0  # grey levels: a weaker step tells its width badly
FEWEST = 12


def sharpness(grey_u8: np.ndarray, segments: Segments) -> float:
    """How much of the whole step of a middling edge lies across one pixel: .6 sharp, .2 soft; 1 if unknown.

    Parameters
    ----------
    grey_u8 : (h, w) uint8 array
    segments : Segments
        Found in that picture, longest first.
    """
    centre, half = frame(segments.size)
    points = segments.points[:LONGEST] * half + centre
    if len(points) < FEWEST:
        return 1.0
    way = points[:, -1] - points[:, 0]
    across = np.stack([-way[:, 1], way[:, 0]], 1) / np.maximum(np.hypot(*way.T), 1e-9)[:, None]

    def step(reach: float) -> np.ndarray:
        sides = []
        for side in (-reach, reach):
            p = points + side * across[:, None]
            x, y = (np.ascontiguousarray(p[..., i], np.float32) for i in (0, 1))
            sides.append(cv2.remap(grey_u8.astype(np.float32), x, y, cv2.INTER_LINEAR).mean(1))
        return np.abs(sides[1] - sides[0])

    whole = step(FAR_PX)
    clear = whole > LEAST_STEP
    if clear.sum() < FEWEST:
        return 1.0
    return float(np.median(step(NEAR_PX)[clear] / whole[clear]))


def coarse_segments(grey_u8: np.ndarray, segments: Segments, gradient: Gradient) -> Segments | None:
    """Segments of a soft picture, found at half its size and measured in `gradient`; None for a sharp one."""
    if sharpness(grey_u8, segments) > SOFT:
        return None
    height, width = grey_u8.shape
    small = cv2.resize(grey_u8, (round(width / 2), round(height / 2)), interpolation=cv2.INTER_AREA)
    centre, half = frame((width, height))
    ends = find_segments(small).ends * half + centre
    return Segments((refine(ends, gradient) - centre) / half, (width, height))
