"""The last pixel of alignment: one frame's local structure laid over another's.

A knocked tripod turns the camera, and the lens bends what it sees: over a wide frame that is a shift and a
small rotation only at first sight. Two numbers say how a shift grows or shrinks towards the corners.
"""

from dataclasses import dataclass

import cv2
import numpy as np

WINDOW_PX = 31  # over which contrast is evened
BLACK = 0.003  # of the clipping level, added before the logarithm: below lies noise
ROUNDS = 12
SETTLED_PX = 0.003  # a step that changes less ends the search
FLAT = 0.15  # log2 units of contrast that count as none
# one sigma, as shares of the shift, at half a width from the centre
TURN_SIGMA = (
    0.6  # a camera that turned instead of sliding: (half width / focal length)^2, .3 at 35 mm, 1.3 at 16
)
BARREL_SIGMA = 0.03  # a lens curve of 3 % in the corners gives .02
LEAST_SIGMA_PX = 0.02
DOUBT = 20.0  # neighbouring pixels are not independent: the data's variance counts this often
LEAST_PIXELS = 3000
Places = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Detail:
    """Evened local structure of one frame and how far each pixel may be used (0..1), both (H, W) float32."""

    values: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True)
class Overlay:
    """Motion of a frame over the reference.

    Attributes
    ----------
    reference_to_frame : (3, 3) float64
        The homography nearest to the motion found, pixel centres at whole numbers.
    left_px : float
        Shift that would still make tiles fit better, the third quartile.
    doubt_px : float
        How far off a corner may be: one sigma, and what no homography can follow.
    """

    reference_to_frame: np.ndarray
    left_px: float
    doubt_px: float


def detail(level: np.ndarray, usable: np.ndarray) -> Detail:
    """Local structure of a frame that does not hang on its exposure.

    Parameters
    ----------
    level : (H, W) float32
        Linear luminance, 1.0 = clipping.
    usable : (H, W) bool or uint8
        Neither clipped nor black.
    """
    log = cv2.GaussianBlur(np.log2(np.maximum(level, 0) + np.float32(BLACK)), (0, 0), 0.8)
    inside = cv2.erode(np.asarray(usable, np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)
    share = cv2.blur(inside, (WINDOW_PX, WINDOW_PX)) + np.float32(1e-3)
    mean = cv2.blur(log * inside, (WINDOW_PX, WINDOW_PX)) / share
    local = (log - mean) * inside
    power = np.maximum(cv2.blur(local * local, (WINDOW_PX, WINDOW_PX)), 0)  # box sums may round below 0
    spread = np.sqrt(power / share) + np.float32(FLAT)
    return Detail(np.clip(local / spread, -3, 3), cv2.GaussianBlur(inside, (0, 0), 1.0) * inside)


def overlay(reference: Detail, frame: Detail, start: np.ndarray) -> Overlay | None:
    """Refine a rough motion of `frame` against `reference`.

    Parameters
    ----------
    reference, frame : Detail of one size
    start : (3, 3) float64, reference to frame, right to about two pixels

    Returns
    -------
    Overlay, or None where too little is exposed well in both.

    Source
    ------
    Gauss-Newton on intensity differences: S. Baker, I. Matthews, "Lucas-Kanade 20 years on", IJCV 56 (2004);
    the weights are those of P. Huber, Ann. Math. Stat. 35 (1964).
    """
    height, width = reference.values.shape
    gx, gy = _slopes(reference.values)
    steep = (gx * gx + gy * gy) * (reference.weight > 0.5)
    chosen = steep > max(float(np.percentile(steep, 70)), 1e-4)
    chosen[:4], chosen[-4:], chosen[:, :4], chosen[:, -4:] = False, False, False, False
    rows, columns = np.nonzero(chosen)
    places = (rows, columns)
    if len(places[0]) < LEAST_PIXELS:
        return None
    motion = _Motion(np.asarray(start, float), (width, height))
    theta = np.zeros(5)
    for _ in range(ROUNDS):
        found = _step(reference, frame, motion, theta, places)
        if found is None:
            return None
        slope, miss, say = found
        normal, pull = (slope * say) @ slope.T, (slope * say) @ miss
        change = np.linalg.solve(normal + motion.tight, pull - motion.tight @ theta)
        theta = theta + change
        if np.abs(change).max() < SETTLED_PX:
            break
    found = _step(reference, frame, motion, theta, places)
    left = float("inf") if found is None else _left_in_tiles(found, places, (height, width))
    matrix = motion.homography(theta)
    return Overlay(matrix, left, motion.doubt(theta, matrix, np.linalg.inv(normal + motion.tight)))


class _Motion:
    """Where the reference's pixels lie in the frame: the start, then a small field of five numbers.

    The field in px at p (half widths from the centre) is t + turn * (-y, x) + A p (p . s) + B r^2 s, with s
    the direction of the start's shift: A is the perspective of a turned camera, a lens curve makes both.
    """

    def __init__(self, start: np.ndarray, size: tuple[int, int]) -> None:
        self.start, self.size = start, size
        self.half = size[0] / 2
        self.centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
        shift = cv2.perspectiveTransform(self.centre[None, None], start)[0, 0] - self.centre
        length = float(np.hypot(*shift))
        self.towards = shift / max(length, 1e-9)
        sigmas = np.array([TURN_SIGMA, BARREL_SIGMA]) * length + LEAST_SIGMA_PX
        self.tight = np.diag([0, 0, 0, *(1 / sigmas**2)])

    def directions(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Each number's field at pixels (x, y): right and down parts, (5, N)."""
        x, y = (x - self.centre[0]) / self.half, (y - self.centre[1]) / self.half
        one, none, r2 = np.ones_like(x), np.zeros_like(x), x * x + y * y
        along = x * self.towards[0] + y * self.towards[1]
        right = np.stack([one, none, -y, x * along, r2 * self.towards[0]])
        return right, np.stack([none, one, x, y * along, r2 * self.towards[1]])

    def into_frame(self, x: np.ndarray, y: np.ndarray, theta: np.ndarray) -> np.ndarray:
        """(N, 2) places in the frame of pixels (x, y) of the reference."""
        right, down = self.directions(x, y)
        points = np.stack([x + theta @ right, y + theta @ down], -1)
        placed: np.ndarray = cv2.perspectiveTransform(points[None], self.start)[0]
        return placed

    def maps(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The same for every pixel, as `cv2.remap` wants it."""
        y, x = np.mgrid[: self.size[1], : self.size[0]].reshape(2, -1).astype(float)
        placed = self.into_frame(x, y, theta).astype(np.float32).reshape(self.size[1], self.size[0], 2)
        return placed[..., 0].copy(), placed[..., 1].copy()

    def homography(self, theta: np.ndarray) -> np.ndarray:
        """The homography nearest to the motion over the frame, its corners included."""
        spread = (
            1 - np.cos(np.linspace(0, np.pi, 13))
        ) / 2  # denser towards the borders, where it bends most
        x, y = (v.ravel() for v in np.meshgrid(spread * (self.size[0] - 1), spread * (self.size[1] - 1)))
        found, _ = cv2.findHomography(np.stack([x, y], -1), self.into_frame(x, y, theta))
        return np.asarray(found, np.float64)

    def doubt(self, theta: np.ndarray, matrix: np.ndarray, covariance: np.ndarray) -> float:
        """Largest sigma of a corner and distance of the homography from the motion, px."""
        x = np.array([0, self.size[0] - 1, 0, self.size[0] - 1], float)
        y = np.array([0, 0, self.size[1] - 1, self.size[1] - 1], float)
        spread = sum(np.einsum("in,ij,jn->n", d, covariance, d) for d in self.directions(x, y))
        placed = cv2.perspectiveTransform(np.stack([x, y], -1)[None], matrix)[0]
        apart = np.hypot(*(placed - self.into_frame(x, y, theta)).T)
        return float(np.hypot(np.sqrt(np.maximum(spread, 0)), apart).max())


def _slopes(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return cv2.Sobel(values, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(values, cv2.CV_32F, 0, 1, scale=1 / 8)


def _step(
    reference: Detail, frame: Detail, motion: _Motion, theta: np.ndarray, places: Places
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """How each chosen pixel answers to the five numbers (5, N), what it misses, and its weight."""
    maps = motion.maps(theta)
    values = cv2.remap(frame.values, *maps, cv2.INTER_CUBIC)
    weight = cv2.remap(frame.weight, *maps, cv2.INTER_LINEAR)
    say = (reference.weight * weight)[places].astype(np.float64)
    if (say > 0.5).sum() < LEAST_PIXELS:
        return None
    pairs = zip(_slopes(values), _slopes(reference.values), strict=True)
    gx, gy = (((a + b) / 2)[places].astype(np.float64) for a, b in pairs)
    miss = (reference.values - values)[places].astype(np.float64)
    spread = 1.4826 * float(np.median(np.abs(miss[say > 0.5]))) + 1e-3
    say *= np.minimum(1, 1.5 * spread / np.maximum(np.abs(miss), 1e-9)) / (DOUBT * spread**2)
    right, down = motion.directions(places[1].astype(float), places[0].astype(float))
    return gx * right + gy * down, miss, say


def _left_in_tiles(
    found: tuple[np.ndarray, np.ndarray, np.ndarray], places: Places, shape: tuple[int, int]
) -> float:
    """Length of the shift that each of 4 x 6 tiles still asks for, px: the third quartile."""
    slope, miss, say = found
    gx, gy = slope[:2]
    tile = places[0] * 4 // shape[0] * 6 + places[1] * 6 // shape[1]
    terms = (gx * gx, gx * gy, gy * gy, gx * miss, gy * miss)
    shifts = []
    for xx, xy, yy, xm, ym in np.array([np.bincount(tile, say * t, minlength=24) for t in terms]).T:
        normal = np.array([[xx, xy], [xy, yy]])
        if np.linalg.eigvalsh(normal)[0] > 25:  # known to a fifth of a pixel
            shifts.append(np.hypot(*np.linalg.solve(normal, [xm, ym])))
    return float(np.percentile(shifts, 75)) if len(shifts) >= 3 else 0.0
