"""Straight pieces of a picture, for finding what is upright and what is level.

Conventions: end points are (x, y) in half diagonals from the centre of the frame, still bent by the lens.
"""

import base64
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from .edges import Gradient, image_gradient
from .errors import ShapeError
from .lens_curve import Curve, frame

SHORTEST = 0.024  # half diagonals: 22 px of a 1500 px picture
MOST = 900
BINS = 9  # points kept of each segment
PER_BIN = 5  # sub-pixel samples averaged into one point
SCALE = 24000  # 16-bit steps per half diagonal
DETECT_PX, SCALES, BLUR = 900.0, (0.6, 0.8), 0.6  # .8 and .6 are the detector's own; .6 takes half the time
FARTHEST_PX = 1.6  # a sample that moves farther from the detected segment belongs to another edge
WEAKEST = 0.4  # of the segment's middle gradient
WIDEST_DEG = 20.0  # a sample's gradient may stand so far off the segment's normal
FEWEST_BINS = 6
ROUGHEST_PX = 0.45


@dataclass(frozen=True)
class Segments:
    """Points along each segment, (n, BINS, 2) float, end to end, and the size of the grey they were found
    in.
    """

    points: np.ndarray
    size: tuple[int, int]

    def __len__(self) -> int:
        return len(self.points)

    @property
    def half_px(self) -> float:
        """Half diagonal of the grey picture in its pixels."""
        return float(np.hypot(*self.size) / 2)

    @property
    def ends(self) -> np.ndarray:
        """(n, 2, 2) first and last point."""
        return self.points[:, [0, -1]]

    def straight(self, curve: Curve) -> np.ndarray:
        """(n, 2, 2) ends of each segment's own best line with the lens taken out; half diagonals."""
        if not len(self):
            return np.zeros((0, 2, 2))
        centre, half = frame(self.size)
        moved = (curve.undistort_points(self.points * half + centre, self.size) - centre) / half
        moved = moved[np.isfinite(moved).all((1, 2))]
        mid = moved.mean(1)
        c = moved - mid[:, None]
        xx, yy, xy = (c[..., 0] ** 2).sum(1), (c[..., 1] ** 2).sum(1), (c[..., 0] * c[..., 1]).sum(1)
        turn = 0.5 * np.arctan2(2 * xy, xx - yy)
        along = np.stack([np.cos(turn), np.sin(turn)], 1)
        reach = (c * along[:, None]).sum(2)
        return mid[:, None] + reach[:, [0, -1], None] * along[:, None]

    def to_json(self) -> dict[str, Any]:
        """Compact JSON: 16-bit steps as base64."""
        packed = np.round(np.clip(self.points, -1.3, 1.3) * SCALE).astype("<i2")
        return {"size": list(self.size), "points": base64.b64encode(packed.tobytes()).decode("ascii")}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Segments":
        """The segments that `to_json` wrote (rounded to 1 / SCALE)."""
        flat = np.frombuffer(base64.b64decode(data["points"]), "<i2").astype(float) / SCALE
        return cls(flat.reshape(-1, BINS, 2), (int(data["size"][0]), int(data["size"][1])))


def find_segments(grey_u8: np.ndarray, gradient: Gradient | None = None) -> Segments:
    """Find straight segments in a display-like grey of about 1500 px, to a tenth of a pixel; `gradient` as
    `edges.image_gradient` gives it, when it is at hand.

    Source
    ------
    R. Grompone von Gioi et al., LSD, IPOL 2 (2012); OpenCV's implementation. The segments are then moved to
    the top of the gradient, sample by sample.
    """
    if not isinstance(grey_u8, np.ndarray) or grey_u8.ndim != 2 or grey_u8.dtype != np.uint8:
        raise ShapeError(f"grey_u8: need (H, W) uint8, got {getattr(grey_u8, 'shape', None)}")
    height, width = grey_u8.shape
    size = (width, height)
    centre, half = frame(size)
    found = None
    if min(size) >= 64:
        detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, _detector_scale(size), BLUR)
        found = detector.detect(np.ascontiguousarray(grey_u8))[0]
    if found is None:
        return Segments(np.zeros((0, BINS, 2)), size)
    ends = found.reshape(-1, 2, 2).astype(float)
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    order = np.argsort(-length, kind="stable")[:MOST]
    ends = ends[order[length[order] > SHORTEST * half]]
    return Segments((refine(ends, gradient or image_gradient(grey_u8)) - centre) / half, size)


def _detector_scale(size: tuple[int, int]) -> float:
    """How far the detector shrinks a picture: its time goes with the pixels, its ends are refined later."""
    smallest, largest = SCALES
    return float(np.clip(DETECT_PX / max(size), smallest, largest))


def refine(ends: np.ndarray, gradient: Gradient) -> np.ndarray:
    """Move samples along each segment's normal to the strongest gradient; (n, BINS, 2) pixel averages."""
    if not len(ends):
        return np.zeros((0, BINS, 2))
    gx, gy, size = gradient
    step = ends[:, 1] - ends[:, 0]
    length = np.hypot(step[:, 0], step[:, 1])
    along = step / length[:, None]
    normal = np.stack([-along[:, 1], along[:, 0]], 1)
    t = (np.arange(BINS * PER_BIN) + 0.5) / (BINS * PER_BIN)
    inset = np.minimum(2.0, 0.1 * length)[:, None]  # corners pull the last pixels away
    reach = inset + t[None] * (length[:, None] - 2 * inset)
    start = ends[:, 0, None] + reach[..., None] * along[:, None]
    off = np.zeros(reach.shape)
    for _ in range(3):
        p = start + off[..., None] * normal[:, None]
        before, here, after = (_sample(size, p + d * normal[:, None]) for d in (-1, 0, 1))
        bend = before - 2 * here + after
        move = np.where(
            bend < -1e-3, 0.5 * (before - after) / np.minimum(bend, -1e-3), 0.6 * np.sign(after - before)
        )
        off = off + np.clip(move, -0.8, 0.8)
    p = start + off[..., None] * normal[:, None]
    vx, vy, strength = _sample(gx, p), _sample(gy, p), _sample(size, p)
    across = np.abs(vx * normal[:, None, 0] + vy * normal[:, None, 1]) / np.maximum(np.hypot(vx, vy), 1e-6)
    good = (
        (np.abs(off - np.median(off, 1)[:, None]) < FARTHEST_PX)
        & (across > np.cos(np.deg2rad(WIDEST_DEG)))
        & (strength > WEAKEST * np.median(strength, 1)[:, None])
    )
    return _binned(start, off, normal, good)


def _binned(start: np.ndarray, off: np.ndarray, normal: np.ndarray, good: np.ndarray) -> np.ndarray:
    """Average the good samples of each bin; empty bins lie on the segment's own parabola; rough ones go."""
    n = len(off)
    weight = good.reshape(n, BINS, PER_BIN).astype(float)
    count = weight.sum(2)
    mean = (off.reshape(n, BINS, PER_BIN) * weight).sum(2) / np.maximum(count, 1)
    u = np.linspace(-1, 1, BINS)
    basis = np.stack([np.ones(BINS), u, u * u], 1)
    filled = np.minimum(count, 3.0)
    moments = np.einsum("nb,bi,bj->nij", filled, basis, basis) + np.eye(3) * 1e-6
    fit = (
        np.linalg.solve(moments, np.einsum("nb,bi,nb->ni", filled, basis, mean)[..., None])[..., 0] @ basis.T
    )
    rest = np.where(count > 0, mean - fit, 0.0)
    rough = np.sqrt((rest**2).sum(1) / np.maximum((count > 0).sum(1), 1))
    keep = ((count > 0).sum(1) >= FEWEST_BINS) & (rough < ROUGHEST_PX)
    settled = np.where((count > 0) & (np.abs(rest) < 3 * np.maximum(rough, 0.05)[:, None]), mean, fit)
    middle = start.reshape(n, BINS, PER_BIN, 2).mean(2)
    return (middle + settled[..., None] * normal[:, None])[keep]


def _sample(image: np.ndarray, xy: np.ndarray) -> np.ndarray:
    x, y = (np.ascontiguousarray(xy[..., i], np.float32) for i in (0, 1))
    return cv2.remap(image, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE).astype(float)
