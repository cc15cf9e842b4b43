"""How much of a lens's known lateral colour a picture shows: all of it, or none when a camera took it out."""

from dataclasses import dataclass

import cv2
import numpy as np

from .arrays import require_rgb
from .lens_curve import Curve, frame

DARKEST, BRIGHTEST = 0.004, 0.9  # linear light between which colour can be trusted
NOISE_SIGMA_PX, LOCAL_PX = 1.0, (25, 25)
WEAKEST_EDGE = 0.02  # change of log light per pixel along the radius
NEAREST = 0.25  # half diagonals: nearer the centre nothing is shifted
STRIP_SHARE = 0.28  # top and bottom of the picture: the corners lie there, and the time is half
BLOCKS = (3, 12)  # rows, columns of a strip; each answers for itself
CERTAIN = 0.25  # standard deviation of the share
SHOWN = 0.35  # drawn pictures: .9 to 1.7 with fringes, half of it through a small JPEG, within .25 without


@dataclass(frozen=True)
class Shown:
    """Share of the known shift that the picture shows, and its standard deviation."""

    share: float
    sigma: float

    def keep(self, *, developed: bool) -> bool:
        """Correct the fringes? A developed file has to show them; of a raw file the lens is believed."""
        if self.sigma > CERTAIN:
            return not developed
        return self.share > SHOWN


UNSEEN = Shown(0.0, float("inf"))


def shown(rgb_linear: np.ndarray, curve: Curve) -> Shown:
    """Measure the share of a curve's fringes in a picture.

    Red lies a little farther out or in than green; next to an edge that runs across the radius the two then
    differ by the shift times the edge's slope. One share of the known shift is fitted to each block of the
    picture, for red and blue together, and the blocks' median is taken.

    Parameters
    ----------
    rgb_linear : (h, w, 3) float array, linear light, the whole frame, still bent
    curve : with `red` and `blue`
    """
    require_rgb(rgb_linear, name="rgb_linear", dtypes=(np.float32,))
    height = rgb_linear.shape[0]
    deep = round(height * STRIP_SHARE)
    sums = [_sums(rgb_linear, top, top + deep, curve) for top in (0, height - deep)]
    return _over_blocks(*(np.concatenate(v) for v in zip(*sums, strict=True)))


def _sums(rgb_linear: np.ndarray, top: int, bottom: int, curve: Curve) -> tuple[np.ndarray, np.ndarray]:
    """Of each block of a strip of rows: expected times seen difference, and expected squared."""
    height, width = rgb_linear.shape[:2]
    strip = rgb_linear[top:bottom]
    centre, half = frame((width, height), curve.offset)
    y, x = np.mgrid[top:bottom, :width].astype(np.float32)
    x, y = x - np.float32(centre[0]), y - np.float32(centre[1])
    radius = cv2.magnitude(x, y) + np.float32(1e-3)
    lit = cv2.inRange(strip, (DARKEST,) * 3, (BRIGHTEST,) * 3)
    clear = cv2.erode(lit, np.ones((5, 5), np.uint8)) > 0
    light = [_log(strip[..., c]) for c in range(3)]
    across, down = cv2.Sobel(light[1], cv2.CV_32F, 1, 0), cv2.Sobel(light[1], cv2.CV_32F, 0, 1)
    slope = (across * x + down * y) / (8 * radius)
    rows = np.flatnonzero(clear & (np.abs(slope) > WEAKEST_EDGE) & (radius > NEAREST * half))
    block = (rows // width * BLOCKS[0] // len(strip)) * BLOCKS[1] + rows % width * BLOCKS[1] // width
    slope, radius = slope.ravel()[rows], radius.ravel()[rows]
    above, below = np.zeros(BLOCKS[0] * BLOCKS[1]), np.zeros(BLOCKS[0] * BLOCKS[1])
    for channel in (0, 2):
        difference = light[channel] - light[1]
        difference = difference - cv2.blur(difference, LOCAL_PX)
        expected = -_shift_px(curve, radius / half, channel) * half * slope
        above += np.bincount(block, expected * difference.ravel()[rows], len(above))
        below += np.bincount(block, expected**2, len(below))
    return above, below


def _log(light: np.ndarray) -> np.ndarray:
    return cv2.GaussianBlur(cv2.log(np.maximum(light, np.float32(DARKEST))), (0, 0), NOISE_SIGMA_PX)


def _shift_px(curve: Curve, radius: np.ndarray, channel: int) -> np.ndarray:
    """How much farther out than green a channel lies, half diagonals."""
    table = np.linspace(0, 1.1, 256)
    moved = curve.fringe_radius(table, channel=channel) - table
    return np.interp(radius, table, moved)


def _over_blocks(above: np.ndarray, below: np.ndarray) -> Shown:
    """Weighted median of the blocks' answers, and its spread."""
    strong = below > 0.02 * max(float(below.max(initial=0.0)), 1e-12)
    if strong.sum() < 6:
        return UNSEEN
    answers, weights = above[strong] / below[strong], np.sqrt(below[strong])
    order = np.argsort(answers)
    mass = np.cumsum(weights[order]) / weights.sum()
    middle, low, high = (float(np.interp(q, mass, answers[order])) for q in (0.5, 0.16, 0.84))
    effective = weights.sum() ** 2 / (weights**2).sum()
    return Shown(middle, float((high - low) / 2 * 1.25 / np.sqrt(effective)))
