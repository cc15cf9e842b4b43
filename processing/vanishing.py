"""Where a picture's lines meet: the room's down direction and its two level directions.

Conventions: camera axes right, down, forward. `axes` is 3 x 3, its rows the room's level, down and level
directions in the camera; points are in half diagonals from the centre, with the lens taken out.
"""

from dataclasses import dataclass

import numpy as np

from .results import NotFound

GATE_DEG = 30.0  # candidates for uprights: within this of the picture's vertical
MAX_TILT_DEG = 22.0
DRAWS = 600
DRAW_DEG = 0.6
YAW_STEP_DEG = 0.5
LEVEL_DEG = 0.8
NOT_UPRIGHT_DEG = 3.0
MIN_UPRIGHTS = 3


@dataclass(frozen=True)
class Axes:
    """The three directions as first found, and the length of the level lines that spoke for them."""

    axes: np.ndarray
    level_length: float


class Lines:
    """Segments (n, 2, 2) as image points in units of the focal length, with the normals of their planes."""

    def __init__(self, ends: np.ndarray, focal: float) -> None:
        p = np.asarray(ends, float) / focal
        self.mid = p.mean(1)
        step = p[:, 1] - p[:, 0]
        long = np.hypot(step[:, 0], step[:, 1])
        self.length = long * focal
        self.along = step / np.maximum(long, 1e-12)[:, None]
        ones = np.ones((len(p), 1))
        normal = np.cross(np.hstack([p[:, 0], ones]), np.hstack([p[:, 1], ones]))
        self.normal = normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]

    def __len__(self) -> int:
        return len(self.mid)

    def degrees(self, direction: np.ndarray, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Angle between each segment and the way to a direction's vanishing point."""
        mid, along = self.mid[rows], self.along[rows]
        t = direction[:2] - direction[2] * mid
        sine = (t[:, 0] * along[:, 1] - t[:, 1] * along[:, 0]) / (np.hypot(t[:, 0], t[:, 1]) + 1e-12)
        return np.degrees(np.arcsin(np.clip(np.abs(sine), 0, 1)))

    @property
    def steep_deg(self) -> np.ndarray:
        """Angle of each segment from the picture's vertical."""
        return np.degrees(np.arctan2(np.abs(self.along[:, 0]), np.abs(self.along[:, 1])))


def find_axes(lines: Lines, rng: np.random.Generator) -> Axes | NotFound:
    """Find the down direction from random pairs, then the yaw that explains most of the other lines."""
    near = np.flatnonzero(lines.steep_deg < GATE_DEG) if len(lines) else np.zeros(0, int)
    if len(near) < MIN_UPRIGHTS:
        return NotFound(f"{len(near)} lines near upright, need {MIN_UPRIGHTS}")
    down = _draw(lines, near, rng)
    if down is None:
        return NotFound("the lines near upright do not meet in one point")
    down = _tighten(lines, near, down)
    first = np.cross(down, [0, 0, 1.0])
    first /= np.linalg.norm(first)
    second = np.cross(first, down)
    others = np.flatnonzero(lines.degrees(down) > NOT_UPRIGHT_DEG)
    yaw, score = _yaw(lines, others, first, second) if len(others) else (0.0, 0.0)
    c, s = np.cos(yaw), np.sin(yaw)
    return Axes(np.stack([c * first + s * second, down, -s * first + c * second]), score)


def _draw(lines: Lines, near: np.ndarray, rng: np.random.Generator) -> np.ndarray | None:
    """Best meeting point of random pairs, by agreeing length, with a mild leaning towards level."""
    w = lines.length[near]
    pairs = rng.choice(len(near), (DRAWS, 2), p=w / w.sum())
    v = np.cross(lines.normal[near[pairs[:, 0]]], lines.normal[near[pairs[:, 1]]])
    size = np.linalg.norm(v, axis=1)
    v = v[size > 1e-4] / size[size > 1e-4][:, None]
    v = v * np.where(v[:, 1:2] < 0, -1, 1)
    v = v[v[:, 1] > np.cos(np.deg2rad(MAX_TILT_DEG))]
    if not len(v):
        return None
    mid, along = lines.mid[near], lines.along[near]
    tx = v[:, :1] - v[:, 2:] * mid[:, 0]
    ty = v[:, 1:2] - v[:, 2:] * mid[:, 1]
    sine = (tx * along[:, 1] - ty * along[:, 0]) / (np.hypot(tx, ty) + 1e-12)
    score = (w * np.exp(-((sine / np.sin(np.deg2rad(DRAW_DEG))) ** 2))).sum(1)
    tilt = 50 * (1 - v[:, 1])
    return v[int(np.argmax(score * (1 - 0.15 * tilt / (1 + tilt))))]


def _tighten(lines: Lines, near: np.ndarray, down: np.ndarray) -> np.ndarray:
    """Re-weighted eigenvector steps towards the point where the uprights meet."""
    for sigma in (0.8, 0.5, 0.3, 0.25, 0.25):
        w = lines.length[near] * np.exp(-((lines.degrees(down, near) / sigma) ** 2))
        n = lines.normal[near]
        _, vectors = np.linalg.eigh((n * w[:, None]).T @ n)
        down = vectors[:, 0] * (np.sign(vectors[1, 0]) or 1)
    return down


def _yaw(lines: Lines, others: np.ndarray, first: np.ndarray, second: np.ndarray) -> tuple[float, float]:
    """Yaw, radians, at which most of the other lines run level, and their length."""
    yaw = np.deg2rad(np.arange(0, 90, YAW_STEP_DEG))
    c, s = np.cos(yaw)[:, None], np.sin(yaw)[:, None]
    best = np.full((len(yaw), len(others)), 90.0)
    mid, along = lines.mid[others], lines.along[others]
    for h in (c * first + s * second, -s * first + c * second):
        tx, ty = h[:, :1] - h[:, 2:] * mid[:, 0], h[:, 1:2] - h[:, 2:] * mid[:, 1]
        sine = np.abs(tx * along[:, 1] - ty * along[:, 0]) / (np.hypot(tx, ty) + 1e-12)
        best = np.minimum(best, np.degrees(np.arcsin(np.clip(sine, 0, 1))))
    score = (lines.length[others] * np.exp(-((best / LEVEL_DEG) ** 2))).sum(1)
    at = int(np.argmax(score))
    return float(yaw[at]), float(score[at])
