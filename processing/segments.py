"""Straight pieces of a picture, for finding what is upright and what is level.

Conventions: end points are (x, y) in half diagonals from the centre of the frame, still bent by the lens.
"""

import base64
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from .errors import ShapeError
from .lens_curve import Curve, frame

SHORTEST = 0.031  # half diagonals: 28 px of a 1500 px picture
MOST = 1200
SCALE = 24000  # 16-bit steps per half diagonal


@dataclass(frozen=True)
class Segments:
    """End points (n, 2, 2) float and the size of the grey they were found in."""

    ends: np.ndarray
    size: tuple[int, int]

    def __len__(self) -> int:
        return len(self.ends)

    def straight(self, curve: Curve) -> np.ndarray:
        """(n, 2, 2) end points with the lens taken out, half diagonals from the centre."""
        if not len(self):
            return np.zeros((0, 2, 2))
        centre, half = frame(self.size)
        moved = (curve.undistort_points(self.ends * half + centre, self.size) - centre) / half
        return moved[np.isfinite(moved).all((1, 2))]

    def to_json(self) -> dict[str, Any]:
        packed = np.round(np.clip(self.ends, -1.3, 1.3) * SCALE).astype("<i2")
        return {"size": list(self.size), "ends": base64.b64encode(packed.tobytes()).decode("ascii")}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Segments":
        flat = np.frombuffer(base64.b64decode(data["ends"]), "<i2").astype(float) / SCALE
        return cls(flat.reshape(-1, 2, 2), (int(data["size"][0]), int(data["size"][1])))


def find_segments(grey_u8: np.ndarray) -> Segments:
    """Find straight segments in a display-like grey of about 1500 px.

    Source
    ------
    R. Grompone von Gioi et al., LSD, IPOL 2 (2012); OpenCV's implementation.
    """
    if not isinstance(grey_u8, np.ndarray) or grey_u8.ndim != 2 or grey_u8.dtype != np.uint8:
        raise ShapeError(f"grey_u8: need (H, W) uint8, got {getattr(grey_u8, 'shape', None)}")
    height, width = grey_u8.shape
    size = (width, height)
    if min(size) < 64:
        return Segments(np.zeros((0, 2, 2)), size)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(np.ascontiguousarray(grey_u8))[0]
    if found is None:
        return Segments(np.zeros((0, 2, 2)), size)
    centre, half = frame(size)
    ends = (found.reshape(-1, 2, 2).astype(float) - centre) / half
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    order = np.argsort(-length, kind="stable")[:MOST]
    return Segments(ends[order[length[order] > SHORTEST]], size)
