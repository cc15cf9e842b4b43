"""How straight a finished picture is, from truth alone: lean of uprights, bow of lines, proportions.

The measures are those of a levelled view: true uprights and true straight lines are carried through the
lens, then through the map that made the file.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

PointMap = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Straightness:
    """lean_deg: worst lean of an upright; bow_percent: worst bend of a straight line, % of the height."""

    lean_deg: float
    bow_percent: float
    aspect_percent: float
    shear_deg: float


def measure(
    out_from_source: PointMap,
    bent: PointMap,
    *,
    size: tuple[int, int],
    focal_px: float,
    camera_from_world: np.ndarray,
    out_size: tuple[int, int],
    centre: np.ndarray | None = None,
) -> Straightness:
    """Carry true uprights and lines of the pinhole picture through lens and map.

    Parameters
    ----------
    out_from_source : source pixels to pixels of the file
    bent : pinhole pixels to source pixels
    camera_from_world : 3 x 3, world x right, y down, z forward
    centre : where the camera's axis goes through the picture, pixels; None for the middle of a whole frame
    """
    w, h = size
    centre = np.array([(w - 1) / 2, (h - 1) / 2]) if centre is None else centre
    down = camera_from_world[:, 1]
    leans, bows = [], []
    for x in np.linspace(0.06, 0.94, 15) * w:
        start = np.array([x, h / 2])
        p = (start - centre) / focal_px
        d = down[:2] - down[2] * p
        d = d / abs(d[1])
        out = _visible(out_from_source(bent(start + np.linspace(-0.45, 0.45, 31)[:, None] * h * d)), out_size)
        if len(out) < 12:
            continue
        line = np.polyfit(out[:, 1], out[:, 0], 1)
        leans.append(abs(np.degrees(np.arctan(line[0]))))
        bows.append(np.ptp(out[:, 0] - np.polyval(line, out[:, 1])) / out_size[1] * 100)
    for y in np.linspace(0.08, 0.92, 9) * h:
        line_xy = np.stack([np.linspace(0.03, 0.97, 41) * w, np.full(41, y)], -1)
        out = _visible(out_from_source(bent(line_xy)), out_size)
        if len(out) < 20:
            continue
        line = np.polyfit(out[:, 0], out[:, 1], 1)
        bows.append(np.ptp(out[:, 1] - np.polyval(line, out[:, 0])) / out_size[1] * 100)
    aspect, shear = _proportions(out_from_source, bent, size, focal_px, camera_from_world, centre)
    return Straightness(max(leans), max(bows), aspect, shear)


def _visible(out: np.ndarray, out_size: tuple[int, int]) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return out[((out > 0) & (out < np.array(out_size))).all(1)]


def _proportions(
    out_from_source: PointMap,
    bent: PointMap,
    size: tuple[int, int],
    focal_px: float,
    camera_from_world: np.ndarray,
    centre: np.ndarray,
) -> tuple[float, float]:
    """Width against height (%) and shear (degrees) against the levelled view of the same yaw."""
    w, h = size
    down = camera_from_world[:, 1]
    roll, pitch = np.arctan2(down[0], down[1]), np.arctan2(-down[2], np.hypot(down[0], down[1]))
    about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    y, x = np.mgrid[0.15:0.86:8j, 0.15:0.86:8j]
    points = np.stack([x.ravel() * w, y.ravel() * h], -1)
    ray = np.c_[(points - centre) / focal_px, np.ones(len(points))] @ (about_x @ about_z).T
    upright = ray[:, :2] / ray[:, 2:] * focal_px + centre
    out = out_from_source(bent(points))
    known = np.isfinite(out).all(1)
    fit = np.linalg.lstsq(np.c_[upright[known], np.ones(known.sum())], out[known], rcond=None)[0][:2].T
    sx, sy = np.hypot(*fit[:, 0]), np.hypot(*fit[:, 1])
    shear = np.degrees(np.arccos(np.clip(fit[:, 0] @ fit[:, 1] / sx / sy, -1, 1))) - 90
    return float(abs(sx / sy - 1) * 100), float(abs(shear))
