"""The largest clean rectangle of a levelled picture.

Conventions: levelled coordinates are pixels of a pinhole camera with the frame's focal length and centre; a
rectangle is (left, top, right, bottom) in them, edges halfway between pixel centres, so that the whole frame
is (-.5, -.5, W - .5, H - .5).
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from .lens_curve import Curve
from .segments import Segments
from .verticals import Level
from .warp import Geometry

RATIOS = {"3:2": 1.5, "4:3": 4 / 3, "source": None, "free": None}
BORDER_POINTS = 600  # along each side of the frame
MARGIN_PX = 0.5
GRAZE = 0.005  # of the width: an upright so close inside an edge would leave a sliver beside it
GRAZE_LENGTH = 0.08  # of the height
UPRIGHT_DEG = 1.0
LEAST_AREA = 0.99
FREE_RATIOS = np.geomspace(0.6, 2.4, 49)


@dataclass(frozen=True)
class Crop:
    """What part of the levelled picture is kept, and at what size it is written."""

    rect: tuple[float, float, float, float]
    out_size: tuple[int, int]
    kept_share: float
    ratio: str
    why: str = ""

    def to_json(self) -> dict[str, Any]:
        """Plain dict."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Crop":
        """The crop that `to_json` wrote."""
        left, top, right, bottom = (float(v) for v in data["rect"])
        width, height = (int(v) for v in data["out_size"])
        kept = float(data["kept_share"])
        return cls((left, top, right, bottom), (width, height), kept, data["ratio"], data.get("why", ""))


def ratio_value(ratio: str, size: tuple[int, int]) -> float | None:
    """Width over height; None when free. Portrait frames turn the ratio round; "w:h" and numbers are
    understood.
    """
    width, height = size
    if ratio == "free":
        return None
    if ratio == "source":
        return width / height
    w, _, h = ratio.partition(":")
    value = float(w) / float(h or 1)
    return value if (width >= height) == (value >= 1) else 1 / value


def largest(
    size: tuple[int, int],
    curve: Curve,
    level: Level,
    focal_px: float,
    ratio: str = "source",
    *,
    segments: Segments | None = None,
) -> Crop:
    """Find the largest rectangle of a ratio that shows only real picture, free to move.

    Parameters
    ----------
    size : (width, height) of the frame
    ratio : "3:2", "4:3", "source", "free" or "w:h"
    segments : Segments, optional
        Of the frame: an upright just inside a side edge is not left as a sliver when a crop smaller by less
        than LEAST_AREA avoids it.
    """
    geometry = Geometry(size, curve, level, focal_px)
    border = _border(geometry)
    start = _middle(geometry)
    wanted = ratio_value(ratio, size)
    if wanted is not None:
        centre, half_height = _best(border, wanted, size, start)
        best = (wanted, centre, half_height)
    else:
        tries = [(a, *_best(border, float(a), size, start)) for a in FREE_RATIOS * size[0] / size[1] / 1.2]
        best = max(tries, key=lambda t: t[0] * t[2] ** 2)
    aspect, (cx, cy), half_height = best
    half_height -= MARGIN_PX
    out_h = max(1, int(np.floor(2 * half_height)))
    out_w = max(1, int(round(out_h * aspect)))
    while out_w > 2 * half_height * aspect + 0.5 and out_w > 1:
        out_w -= 1
    rect = (cx - out_w / 2, cy - out_h / 2, cx + out_w / 2, cy + out_h / 2)
    why = ""
    if segments is not None and len(segments):
        smaller = _without_slivers(geometry, rect, segments)
        if smaller is not None:
            rect, why = smaller, "moved off an upright at the edge"
    out = (max(1, round(rect[2] - rect[0])), max(1, round(rect[3] - rect[1])))
    return Crop(rect, out, kept_share(geometry, rect), ratio, why)


def _without_slivers(
    geometry: Geometry, rect: tuple[float, float, float, float], segments: Segments
) -> tuple[float, float, float, float] | None:
    """The rectangle with its side edges moved inwards onto uprights that they graze; None when there are
    none.
    """
    left, top, right, bottom = rect
    width, height = right - left, bottom - top
    ends = segments.ends * geometry.half + geometry.centre
    p = geometry.levelled_from_source(ends)
    step = p[:, 1] - p[:, 0]
    upright = np.abs(step[:, 0]) < np.tan(np.deg2rad(UPRIGHT_DEG)) * np.abs(step[:, 1])
    long = np.abs(step[:, 1]) > GRAZE_LENGTH * height
    seen = (p[..., 1].min(1) < bottom) & (p[..., 1].max(1) > top)
    x = p[upright & long & seen].mean(1)[:, 0]
    reach = GRAZE * width
    inside_left = x[(x > left) & (x < left + reach)]
    inside_right = x[(x < right) & (x > right - reach)]
    if not len(inside_left) and not len(inside_right):
        return None
    new_left = float(np.ceil(inside_left.max() - left)) + left if len(inside_left) else left
    new_right = right - float(np.ceil(right - inside_right.min())) if len(inside_right) else right
    new_width = float(round(new_right - new_left))
    new_height = float(round(new_width * height / width))
    if new_width * new_height < LEAST_AREA * width * height:
        return None
    middle = (top + bottom) / 2
    return new_left, middle - new_height / 2, new_left + new_width, middle + new_height / 2


def _border(geometry: Geometry) -> np.ndarray:
    """The frame's border, once round, a pixel's half inside, in levelled coordinates."""
    width, height = geometry.size
    x, y = np.linspace(0, width - 1, BORDER_POINTS), np.linspace(0, height - 1, BORDER_POINTS)
    sides = [
        np.stack([x, np.zeros_like(x)], 1),
        np.stack([np.full_like(y, width - 1), y], 1),
        np.stack([x[::-1], np.full_like(x, height - 1)], 1),
        np.stack([np.zeros_like(y), y[::-1]], 1),
    ]
    moved = geometry.levelled_from_source(np.concatenate(sides))
    return moved[np.isfinite(moved).all(1)]


def _reach(border: np.ndarray, centres: np.ndarray, aspect: float) -> np.ndarray:
    """Half height of the largest rectangle about each centre: no border point may lie inside it."""
    dx = np.abs(border[None, :, 0] - centres[:, None, 0]) / aspect
    dy = np.abs(border[None, :, 1] - centres[:, None, 1])
    return np.maximum(dx, dy).min(1)


def outline(geometry: Geometry) -> np.ndarray:
    """Left, top, right and bottom of all that the frame shows, levelled coordinates."""
    border = _border(geometry)
    return np.concatenate([border.min(0), border.max(0)])


def _middle(geometry: Geometry) -> np.ndarray:
    """Where the middle of the frame comes to lie, or the nearest to it that comes to lie anywhere."""
    width, height = geometry.size
    share = np.linspace(0, 1, 21)
    x, y = np.meshgrid(share * (width - 1), share * (height - 1))
    source = np.stack([x.ravel(), y.ravel()], 1)
    source = source[np.argsort(np.hypot(*(source - [(width - 1) / 2, (height - 1) / 2]).T), kind="stable")]
    moved = geometry.levelled_from_source(source)
    known = np.isfinite(moved).all(1)
    return moved[known][0] if known.any() else source[0]


def _inside(border: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Which points lie inside the frame's outline (even-odd rule)."""
    x0, y0 = border.T
    x1, y1 = np.roll(border, -1, 0).T
    x, y = points[:, :1], points[:, 1:]
    spans = (y0 > y) != (y1 > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = x < (x1 - x0) * (y - y0) / (y1 - y0) + x0
    return (spans & crossing).sum(1) % 2 == 1


def _best(
    border: np.ndarray, aspect: float, size: tuple[int, int], start: np.ndarray
) -> tuple[tuple[float, float], float]:
    span = np.array([size[0], size[1]]) * 0.2
    best, reach = start, float(_reach(border, start[None], aspect)[0])
    coarse = border[::4]
    for step in range(9):
        use = coarse if step < 3 else border
        u = np.linspace(-1, 1, 9)
        grid = best + np.stack(np.meshgrid(u * span[0], u * span[1]), -1).reshape(-1, 2)
        found = np.where(_inside(coarse, grid), _reach(use, grid, aspect), 0.0)
        i = int(np.argmax(found))
        if found[i] > reach or step == 3:
            best, reach = grid[i], float(found[i])
        span = span * 0.4
    return (float(best[0]), float(best[1])), float(_reach(border, best[None], aspect)[0])


def kept_share(geometry: Geometry, rect: tuple[float, float, float, float]) -> float:
    """Share of the source frame that lies inside a levelled rectangle."""
    width, height = geometry.size
    x, y = np.meshgrid((np.arange(90) + 0.5) / 90 * width - 0.5, (np.arange(60) + 0.5) / 60 * height - 0.5)
    p = geometry.levelled_from_source(np.stack([x.ravel(), y.ravel()], 1))
    inside = (p[:, 0] >= rect[0]) & (p[:, 0] <= rect[2]) & (p[:, 1] >= rect[1]) & (p[:, 1] <= rect[3])
    return round(float(inside.mean()), 4)
