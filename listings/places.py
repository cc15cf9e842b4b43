"""A place in a picture and the same place in the camera's frame, by the map that made the picture.

A change request keeps the place in pixels of the reference frame, so it stays on the same thing when a new
version is cropped or levelled otherwise. The map is the report's grid: x_source, y_source, x_out, y_out.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator

Place = tuple[float, float]


def in_frame(report: dict[str, Any], place: Place) -> Place | None:
    """Carry a place in the picture (pixels) to the reference frame; None when the report has no grid."""
    return _carry(report, place, slice(2, 4), slice(0, 2))


def in_picture(report: dict[str, Any], place: Place) -> Place | None:
    """Carry a place in the reference frame to the picture; it may lie outside."""
    return _carry(report, place, slice(0, 2), slice(2, 4))


def _carry(report: dict[str, Any], place: Place, source: slice, target: slice) -> Place | None:
    grid = report.get("geometry", {}).get("grid")
    if not grid:
        return None
    rows = np.array([[np.nan if v is None else v for v in row] for row in grid], dtype=float)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) < 4:
        return None
    found = LinearNDInterpolator(rows[:, source], rows[:, target])(*place)
    if not np.isfinite(found).all():  # outside the grid: the nearest of its points
        found = NearestNDInterpolator(rows[:, source], rows[:, target])(*place)
    x, y = np.ravel(found)
    return float(x), float(y)
