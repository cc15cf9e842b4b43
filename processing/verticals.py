"""How the camera was held: roll and pitch from lines that are upright or level in the room.

Conventions: camera axes right, down, forward. roll_deg > 0: turned clockwise seen from behind; pitch_deg >
0: looking up; both before correction. The world's down direction in the camera is
(sin roll cos pitch, cos roll cos pitch, -sin pitch).
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from .lens_curve import Curve, frame
from .results import NotFound
from .segments import Segments, find_segments

__all__ = [
    "Level",
    "LEVEL_AS_IS",
    "Segments",
    "estimate_level",
    "find_segments",
    "level_from_plumb",
    "rotation",
    "settle",
]

GATE_DEG = 30.0  # candidates for uprights: within this of the picture's vertical
MAX_TILT_DEG = 18.0
DRAWS = 600
FULL_PITCH_DEG = 8.0
INTENDED_PITCH_DEG = 15.0
MAX_ROLL_DEG = 8.0
MIN_UPRIGHTS = 3
MIN_LENGTH = 0.6  # picture heights
MIN_SPREAD = 0.25  # picture widths
MAX_RMS_DEG = 0.5
MAX_DISAGREEMENT_DEG = 0.5


@dataclass(frozen=True)
class Level:
    """Roll and pitch as found, and how much of each is taken out."""

    roll_deg: float = 0.0
    pitch_deg: float = 0.0
    level: str = "none"  # "both" | "roll" | "none"
    why: str = ""
    corrected_roll_deg: float = 0.0
    corrected_pitch_deg: float = 0.0
    confidence: float = 0.0
    residual_deg: float = 0.0
    uprights: int = 0
    levels: int = 0
    source: str = "lines"  # "lines" | "set" | "plumb" | "set by hand" | "none"

    def rotation(self) -> np.ndarray:
        """3 x 3, levelled camera from camera."""
        return rotation(self.corrected_roll_deg, self.corrected_pitch_deg)

    def to_json(self) -> dict[str, Any]:
        """Plain dict."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Level":
        """The level that `to_json` wrote."""
        return cls(**{k: v for k, v in data.items() if k in cls.__dataclass_fields__})


LEVEL_AS_IS = Level(source="none", why="left as it is")


def rotation(roll_deg: float, pitch_deg: float) -> np.ndarray:
    """Rotation that takes out a roll, then a pitch: levelled camera from camera; yaw stays."""
    r, p = np.deg2rad(roll_deg), np.deg2rad(pitch_deg)
    about_z = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, np.cos(p), -np.sin(p)], [0, np.sin(p), np.cos(p)]])
    return about_x @ about_z


def down_vector(roll_deg: float, pitch_deg: float) -> np.ndarray:
    """World's down direction in the camera."""
    r, p = np.deg2rad(roll_deg), np.deg2rad(pitch_deg)
    return np.array([np.sin(r) * np.cos(p), np.cos(r) * np.cos(p), -np.sin(p)])


def angles(down: np.ndarray) -> tuple[float, float]:
    """Roll and pitch, degrees, of a down direction."""
    x, y, z = down
    return float(np.degrees(np.arctan2(x, y))), float(np.degrees(np.arctan2(-z, np.hypot(x, y))))


class _Lines:
    """Segments as image points in units of the focal length, with their planes' normals."""

    def __init__(self, ends: np.ndarray, focal: float) -> None:
        p = ends / focal
        self.mid = p.mean(1)
        step = p[:, 1] - p[:, 0]
        self.length = np.hypot(step[:, 0], step[:, 1]) * focal
        self.along = step / np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-12)[:, None]
        ones = np.ones((len(p), 1))
        normal = np.cross(np.hstack([p[:, 0], ones]), np.hstack([p[:, 1], ones]))
        self.normal = normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]

    def __len__(self) -> int:
        return len(self.mid)

    def sine(self, direction: np.ndarray, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Signed sine of the angle between each segment and the way to a direction's vanishing point."""
        mid, along = self.mid[rows], self.along[rows]
        t = direction[:2] - direction[2] * mid
        t = t / (np.hypot(t[:, 0], t[:, 1]) + 1e-12)[:, None]
        return t[:, 0] * along[:, 1] - t[:, 1] * along[:, 0]

    def degrees(self, direction: np.ndarray, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
        return np.degrees(np.arcsin(np.clip(np.abs(self.sine(direction, rows)), 0, 1)))


def estimate_level(
    segments: Segments,
    curve: Curve,
    focal_px: float,
    size: tuple[int, int],
    seed: int | None = None,
) -> Level | NotFound:
    """Estimate roll and pitch from one picture's lines, or say why not.

    Parameters
    ----------
    segments : Segments
    curve : Curve
        Taken out of the segments first.
    focal_px : float
        In pixels of a frame of `size`; a wrong one leaves uprights upright and only touches proportions.
    size : (width, height)
    seed : int, optional
        Of the random draws; the same seed gives the same answer.
    """
    _, half = frame(size)
    height, width = size[1] / half, size[0] / half
    lines = _Lines(segments.straight(curve), focal_px / half)
    rng = np.random.default_rng(0 if seed is None else seed)
    steep = (
        np.degrees(np.arctan2(np.abs(lines.along[:, 0]), np.abs(lines.along[:, 1])))
        if len(lines)
        else np.zeros(0)
    )
    near = np.flatnonzero(steep < GATE_DEG)
    if len(near) < MIN_UPRIGHTS:
        return NotFound(f"{len(near)} lines near upright, need {MIN_UPRIGHTS}")
    down = _draw(lines, near, rng)
    if down is None:
        return NotFound("the lines near upright do not meet in one point")
    down = _tighten(lines, near, down)
    alone = down
    down, levels = _with_levels(lines, near, down)
    a = lines.degrees(down)
    inliers = near[a[near] < 0.6]
    total = float(lines.length[inliers].sum()) / height
    spread = float(np.ptp(lines.mid[inliers, 0])) * focal_px / half / width if len(inliers) else 0.0
    rms = float(np.sqrt((a[inliers] ** 2).mean())) if len(inliers) else 9.0
    if len(inliers) < MIN_UPRIGHTS:
        return NotFound(f"{len(inliers)} uprights agree, need {MIN_UPRIGHTS}")
    if total < MIN_LENGTH:
        return NotFound(f"uprights are short: {total:.2f} picture heights together, need {MIN_LENGTH}")
    if spread < MIN_SPREAD:
        return NotFound(f"uprights stand close together: over {spread:.2f} of the width, need {MIN_SPREAD}")
    if rms > MAX_RMS_DEG:
        return NotFound(f"uprights disagree by {rms:.2f} degrees")
    apart = float(np.degrees(np.arccos(np.clip(alone @ down, -1, 1))))
    if apart > MAX_DISAGREEMENT_DEG:
        return NotFound(f"uprights and level lines disagree by {apart:.2f} degrees")
    roll, pitch = angles(down)
    confidence = float(np.clip(total / 4, 0, 1) * np.clip(len(inliers) / 12, 0, 1))
    found = Level(
        roll_deg=roll,
        pitch_deg=pitch,
        confidence=round(confidence, 3),
        residual_deg=round(rms, 4),
        uprights=len(inliers),
        levels=levels,
    )
    return limit(found)


def limit(level: Level) -> Level:
    """Decide how much of what was found is taken out."""
    roll, pitch = level.roll_deg, level.pitch_deg
    if abs(pitch) > INTENDED_PITCH_DEG:
        return replace(
            level,
            level="none",
            why=f"looks {'up' if pitch > 0 else 'down'} {abs(pitch):.0f} degrees on purpose",
        )
    if abs(roll) > MAX_ROLL_DEG:
        return replace(level, level="none", why=f"turned by {abs(roll):.0f} degrees on purpose")
    if abs(pitch) > FULL_PITCH_DEG:
        return replace(
            level,
            level="both",
            corrected_roll_deg=roll,
            corrected_pitch_deg=float(np.sign(pitch)) * FULL_PITCH_DEG,
            why=f"pitch of {abs(pitch):.1f} degrees taken out up to {FULL_PITCH_DEG:g}",
        )
    why = f"{level.uprights} uprights and {level.levels} level lines agree"
    return replace(level, level="both", corrected_roll_deg=roll, corrected_pitch_deg=pitch, why=why)


def _draw(lines: _Lines, near: np.ndarray, rng: np.random.Generator) -> np.ndarray | None:
    """Best meeting point of random pairs, by agreeing length."""
    w = lines.length[near]
    pairs = rng.choice(len(near), (DRAWS, 2), p=w / w.sum())
    v = np.cross(lines.normal[near[pairs[:, 0]]], lines.normal[near[pairs[:, 1]]])
    size = np.linalg.norm(v, axis=1)
    v = v[size > 1e-4] / size[size > 1e-4][:, None]
    v *= np.where(v[:, 1:2] < 0, -1, 1)
    v = v[v[:, 1] > np.cos(np.deg2rad(MAX_TILT_DEG))]
    if not len(v):
        return None
    mid, along = lines.mid[near], lines.along[near]
    t = v[:, None, :2] - v[:, None, 2:] * mid[None]
    sine = (t[..., 0] * along[:, 1] - t[..., 1] * along[:, 0]) / (np.hypot(t[..., 0], t[..., 1]) + 1e-12)
    score = (w * np.exp(-((sine / np.sin(np.deg2rad(0.6))) ** 2))).sum(1)
    level_bias = 50 * (1 - v[:, 1])
    score = score * (1 - 0.15 * level_bias / (1 + level_bias))
    return v[int(np.argmax(score))]


def _tighten(lines: _Lines, near: np.ndarray, down: np.ndarray) -> np.ndarray:
    for sigma in (0.8, 0.5, 0.3, 0.25, 0.25):
        w = lines.length[near] * np.exp(-((lines.degrees(down, near) / sigma) ** 2))
        n = lines.normal[near]
        _, vectors = np.linalg.eigh((n * w[:, None]).T @ n)
        down = vectors[:, 0] * (np.sign(vectors[1, 0]) or 1)
    return down


def _with_levels(lines: _Lines, near: np.ndarray, down: np.ndarray) -> tuple[np.ndarray, int]:
    """Refine uprights together with the two level directions of the room; the number of level lines used."""
    a = lines.degrees(down)
    uprights = near[a[near] < 0.5]
    others = np.flatnonzero(a > 3)
    if len(others) < 4 or len(uprights) < 1:
        return down, 0
    first = np.cross(down, [0, 0, 1.0])
    first /= np.linalg.norm(first)
    second = np.cross(first, down)
    yaw = np.deg2rad(np.arange(0, 90, 0.5))
    scores = []
    for y in yaw:
        h1, h2 = np.cos(y) * first + np.sin(y) * second, -np.sin(y) * first + np.cos(y) * second
        m = np.minimum(lines.degrees(h1, others), lines.degrees(h2, others))
        scores.append((lines.length[others] * np.exp(-((m / 0.8) ** 2))).sum())
    y = yaw[int(np.argmax(scores))]
    base = np.stack([np.cos(y) * first + np.sin(y) * second, down, -np.sin(y) * first + np.cos(y) * second])
    sets = [(1, 1.0, uprights)]
    for i in (0, 2):
        sets.append((i, 0.6, others[lines.degrees(base[i], others) < 1.2]))
    used = sum(len(s[2]) for s in sets[1:])
    if used < 4:
        return down, 0

    def misfit(turn: np.ndarray) -> np.ndarray:
        axes = base @ _small_rotation(turn)
        return np.concatenate(
            [
                weight * np.sqrt(lines.length[rows] * 900) * np.degrees(lines.sine(axes[i], rows))
                for i, weight, rows in sets
            ]
        )

    solution = least_squares(misfit, np.zeros(3), loss="cauchy", f_scale=1.5)
    return (base @ _small_rotation(solution.x))[1], used


def _small_rotation(turn: np.ndarray) -> np.ndarray:
    angle = float(np.linalg.norm(turn))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = turn / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross)


def level_from_plumb(
    lines_xy: Sequence[Sequence[float]], curve: Curve, focal_px: float, size: tuple[int, int]
) -> Level:
    """The level that makes two (or more) drawn lines upright: each (x0, y0, x1, y1) in source pixels."""
    centre, half = frame(size)
    ends = np.asarray(lines_xy, float).reshape(-1, 2, 2)
    straight = (curve.undistort_points(ends, size) - centre) / half
    lines = _Lines(straight, focal_px / half)
    if len(lines) == 1:
        roll = float(np.degrees(np.arctan2(*(lines.along[0] * (np.sign(lines.along[0, 1]) or 1)))))
        return Level(roll, 0.0, "roll", "one plumb line", roll, 0.0, 1.0, 0.0, 1, 0, "plumb")
    _, vectors = np.linalg.eigh((lines.normal * lines.length[:, None]).T @ lines.normal)
    down = vectors[:, 0] * (np.sign(vectors[1, 0]) or 1)
    roll, pitch = angles(down)
    why = f"{len(lines)} plumb lines"
    return Level(
        roll, pitch, "both", why, roll, pitch, 1.0, float(lines.degrees(down).max()), len(lines), 0, "plumb"
    )


def level_by_hand(roll_deg: float, pitch_deg: float) -> Level:
    """A level given in degrees."""
    return Level(
        roll_deg, pitch_deg, "both", "set by hand", roll_deg, pitch_deg, 1.0, 0.0, 0, 0, "set by hand"
    )


def settle(levels: Sequence[Level | NotFound]) -> list[Level]:
    """Give every picture of a visit a level: its own, or what the others agree on, or none with the
    reason.
    """
    own = [v for v in levels if isinstance(v, Level) and v.level == "both"]
    roll = np.array([v.roll_deg for v in own])
    pitch = np.array([v.pitch_deg for v in own])
    agree = len(own) >= 3 and float(np.ptp(roll)) < 0.3 and float(np.ptp(pitch)) < 0.6
    out = []
    for v in levels:
        if isinstance(v, Level):
            out.append(v)
        elif agree:
            r, p = float(np.median(roll)), float(np.median(pitch))
            why = f"{v.reason}; {len(own)} other views of the visit agree on this level"
            out.append(limit(Level(r, p, confidence=0.5, source="set")))
            out[-1] = replace(out[-1], why=why)
        else:
            out.append(replace(LEVEL_AS_IS, why=v.reason))
    return out
