"""How the camera was held: roll and pitch from lines that are upright or level in the room.

Conventions: camera axes right, down, forward. roll_deg > 0: turned clockwise seen from behind; pitch_deg >
0: looking up; both before correction. The world's down direction in the camera is
(sin roll cos pitch, cos roll cos pitch, -sin pitch).
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from .edges import NO_EDGES
from .lens_curve import TERMS, Curve, frame
from .lens_lines import load_priors
from .results import NotFound
from .room_fit import ANGLE_SCALE, FOCAL_SIGMA, TWINS, Lining, View, ViewFit, fit_rooms
from .segments import Segments, find_segments
from .vanishing import Lines, find_axes

__all__ = [
    "LEVEL_AS_IS",
    "Level",
    "Segments",
    "angles",
    "down_vector",
    "estimate_level",
    "find_segments",
    "judge",
    "level_by_hand",
    "level_from_plumb",
    "rotation",
    "settle",
]

FULL_PITCH_DEG = 8.0
INTENDED_PITCH_DEG = 15.0
MAX_ROLL_DEG = 8.0
MOST_BY_HAND_DEG = 45.0
PLUMB_REACH = 1.2  # half diagonals from the centre: a line must lie on the picture
PLUMB_APART = 0.06  # half diagonals: nearer lines tell no pitch
MIN_UPRIGHTS = 3
MIN_LENGTH = 0.6  # picture heights
MIN_SPREAD = 0.25  # picture widths
MAX_APART_DEG = 0.8
FINE_APART_DEG = 0.3
CLEAR_APART = 3.0  # curtains and grass lean every way: a level must stand out from their disagreement
FINE_SIGMA_DEG = 0.25
MAX_SIGMA_DEG = 0.8
CLEAR = 5.0  # a coarse level is used when it is so many times its own uncertainty
LONG_ENOUGH = 0.06  # half diagonals: 54 px of a 1500 px picture
MIN_SHARE = 0.2
CLEAR_SHARE = 0.6  # scaffolds and towers lean in all ways: where uprights disagree, more of them must be
SMALL_DEG = 0.5  # a tilt below is left unless the uprights themselves ask for it
LEAST_GAIN = 1.5  # log likelihood
SURE_DEG = 0.06  # a level known as well as this has full confidence
LEAST_CONFIDENCE = 0.05
FEWEST_VIEWS = 3
TRIPOD_APART_DEG = (0.3, 0.6)  # roll and pitch: views of one levelled tripod
MOST_APART_VIEWS_DEG = (0.8, 1.6)  # however little is known of each
MOST_MISFIT = 3.0  # chi-square per degree of freedom: 1 in 30 of four views of one tripod


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


def estimate_level(
    segments: Segments,
    curve: Curve,
    focal_px: float,
    size: tuple[int, int],
    seed: int | None = None,
) -> Level | NotFound:
    """Estimate roll and pitch from one picture's lines under a known curve, or say why not.

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
    lines = Lines(segments.straight(curve) - np.asarray(curve.offset), focal_px / half)
    found = find_axes(lines, np.random.default_rng(seed or 0))
    if isinstance(found, NotFound):
        return found
    view = View(NO_EDGES, segments, found.axes, focal_px / half, FOCAL_SIGMA["equivalent"])
    fit = fit_rooms([view], np.zeros(TERMS), load_priors()[-1], fixed=curve)
    return judge(fit.views[0], segments, size, focal_ratio=fit.views[0].focal * half / focal_px)


def judge(
    fit: ViewFit, segments: Segments, size: tuple[int, int], *, focal_ratio: float = 1.0
) -> Level | NotFound:
    """Turn a fit into a level, or refuse when too little stands behind it.

    `focal_ratio` is the fit's focal length over the one that the level will be used with: the angles are
    those that put the same vanishing point at infinity.
    """
    if fit.axes is None:
        return NotFound("no upright lines that meet")
    long = fit.uprights.length > LONG_ENOUGH
    refusal = _too_little(fit, segments, size, long)
    if refusal is not None:
        return refusal
    n, levels = int(long.sum()), len(fit.levels.rows)
    apart = 1.4826 * float(np.median(np.abs(fit.uprights.off_deg[long])))
    roll, pitch = angles(fit.axes[1] * (focal_ratio, focal_ratio, 1.0))
    tilt = max(abs(roll), abs(pitch))
    refusal = _too_open(fit, apart, tilt)
    if refusal is not None:
        return refusal
    if tilt < SMALL_DEG and gain_over_as_is(fit.uprights) < LEAST_GAIN:
        return Level(roll, pitch, "none", f"{n} uprights stand upright already", uprights=n, levels=levels)
    return Level(
        roll_deg=roll,
        pitch_deg=pitch,
        level="both",
        why=f"{n} uprights and {levels} level lines agree",
        corrected_roll_deg=roll,
        corrected_pitch_deg=pitch,
        confidence=round(float(np.clip(SURE_DEG / max(fit.level_sigma_deg, 1e-3), 0, 1)), 3),
        residual_deg=round(apart, 4),
        uprights=n,
        levels=levels,
    )


def _too_little(fit: ViewFit, segments: Segments, size: tuple[int, int], long: np.ndarray) -> NotFound | None:
    """Too few, too short or too crowded uprights."""
    _, half = frame(size)
    n = int(long.sum())
    if n < MIN_UPRIGHTS:
        return NotFound(f"{n} uprights of some length agree, need {MIN_UPRIGHTS}")
    total = float(fit.uprights.length[long].sum()) * half / size[1]
    if total < MIN_LENGTH:
        return NotFound(f"uprights are short: {total:.2f} picture heights together, need {MIN_LENGTH}")
    spread = float(np.ptp(segments.points[fit.uprights.rows[long]].mean(1)[:, 0])) * half / size[0]
    if spread < MIN_SPREAD:
        return NotFound(f"uprights stand close together: over {spread:.2f} of the width, need {MIN_SPREAD}")
    return None


def _too_open(fit: ViewFit, apart: float, tilt: float) -> NotFound | None:
    """Uprights that disagree by `apart` degrees, or leave a `tilt` open."""
    if apart > MAX_APART_DEG:
        return NotFound(f"uprights disagree by {apart:.2f} degrees")
    if fit.upright_share < MIN_SHARE:
        return NotFound(f"only {fit.upright_share:.0%} of the steep lines are upright")
    if apart > FINE_APART_DEG and fit.upright_share < CLEAR_SHARE:
        share = f"{fit.upright_share:.0%} of the steep lines are upright"
        return NotFound(f"uprights disagree by {apart:.2f} degrees, and only {share}")
    if apart > FINE_APART_DEG and tilt < CLEAR_APART * apart:
        return NotFound(f"uprights disagree by {apart:.2f} degrees, as much as they lean together")
    sigma = fit.level_sigma_deg
    if sigma > MAX_SIGMA_DEG or (sigma > FINE_SIGMA_DEG and tilt < CLEAR * sigma):
        return NotFound(f"the lines leave the level open by {sigma:.2f} degrees")
    return None


def gain_over_as_is(uprights: Lining) -> float:
    """Log likelihood by which the uprights agree better with the level found than with the picture's own."""
    found, as_is = (_bounded_squares(d / uprights.sigma_deg) for d in (uprights.off_deg, uprights.lean_deg))
    return float((as_is - found).sum()) / (2 * TWINS)


def _bounded_squares(z: np.ndarray) -> np.ndarray:
    return z**2 / (1 + (z / ANGLE_SCALE) ** 2)


def level_from_plumb(
    lines_xy: Sequence[Sequence[float]], curve: Curve, focal_px: float, size: tuple[int, int]
) -> Level | NotFound:
    """The level that makes drawn lines upright: each (x0, y0, x1, y1) in source pixels.

    One line, or lines too near each other to tell a pitch, give the roll alone. Lines that lie outside the
    picture, are nearer to level than to upright, or ask for more than degrees may say, give a reason.
    """
    centre, half = frame(size)
    ends = np.asarray(lines_xy, float).reshape(-1, 2, 2)
    straight = (curve.undistort_points(ends, size) - centre) / half
    if not np.isfinite(straight).all() or (np.abs(straight) > PLUMB_REACH).any():
        return NotFound("a plumb line lies outside the picture")
    lines = Lines(straight - np.asarray(curve.offset), focal_px / half)
    if (np.abs(lines.along[:, 0]) > np.abs(lines.along[:, 1])).any():
        return NotFound("a plumb line is nearer to level than to upright")
    along = lines.along * np.where(lines.along[:, 1:] < 0, -1, 1)
    apart = np.ptp(straight.mean(1)[:, 0])
    if len(lines) == 1 or apart < PLUMB_APART:
        x, y = (along * lines.length[:, None]).sum(0)
        roll = float(np.degrees(np.arctan2(x, y)))
        return Level(roll, 0.0, "roll", "one plumb line", roll, 0.0, 1.0, 0.0, len(lines), 0, "plumb")
    _, vectors = np.linalg.eigh((lines.normal * lines.length[:, None]).T @ lines.normal)
    down = vectors[:, 0] * (np.sign(vectors[1, 0]) or 1)
    roll, pitch = angles(down)
    if max(abs(roll), abs(pitch)) > MOST_BY_HAND_DEG:
        return NotFound(f"the plumb lines ask for a roll of {roll:.0f} and a pitch of {pitch:.0f} degrees")
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
    common = _agreed(own)
    out = []
    for v in levels:
        if isinstance(v, Level):
            out.append(v)
        elif common is not None:
            r, p = common
            why = f"{v.reason}; {len(own)} other views of the visit agree on this level"
            out.append(Level(r, p, "both", why, r, p, confidence=0.5, source="set"))
        else:
            out.append(replace(LEVEL_AS_IS, why=v.reason))
    return out


def _agreed(own: Sequence[Level]) -> tuple[float, float] | None:
    """Roll and pitch of one levelled tripod, or None where the views are farther apart than such views are,
    and than what is known of each explains.
    """
    if len(own) < FEWEST_VIEWS:
        return None
    found = np.array([(v.roll_deg, v.pitch_deg) for v in own])
    apart = np.ptp(found, axis=0)
    if (apart < TRIPOD_APART_DEG).all():
        roll, pitch = np.median(found, axis=0)
        return float(roll), float(pitch)
    sigma = np.array([SURE_DEG / np.clip(v.confidence, LEAST_CONFIDENCE, 1.0) for v in own])[:, None]
    mean = (found / sigma**2).sum(0) / (1 / sigma**2).sum(0)
    misfit = (((found - mean) / sigma) ** 2).sum(0) / (len(own) - 1)
    if len(own) <= FEWEST_VIEWS or (misfit > MOST_MISFIT).any() or (apart > MOST_APART_VIEWS_DEG).any():
        return None
    return float(mean[0]), float(mean[1])
