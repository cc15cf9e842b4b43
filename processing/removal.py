"""Small removals on plain surfaces: a cable, a magnet, a price label.

What lies under the mask is filled from the surface around it: a smooth surface fitted to a ring, the
boundary's remaining difference carried inside, and the surface's own texture on top. Where that would smear
or invent (edges, patterns, large areas) it refuses and says why. Every removal is an alteration that the
caller has to record.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from .arrays import require_rgb
from .errors import ShapeError
from .results import NotFound

LARGEST_SHARE = 0.003  # of the frame
LARGEST_THICKNESS_PX = 120  # of a mask; beyond, a guess would show
LARGEST_RING_PX = 60
RING_ROUGHNESS = 5.0  # 8-bit codes (about 2 L*) that the ring may differ from a smooth surface, rms
EDGE_SHARE = 0.03  # of the ring's pixels that may lie on strong edges
EDGE_CODES = 14.0  # gradient over a pixel, in 8-bit codes, that counts as a strong edge
NEAR_PX = 10  # around the mark: what lies here would be broken off by the fill
COHERENCE = 0.66  # share of one direction in the gradients there; grain and plaster stay below .64 (measured)
FAINT_CODES = 0.3  # gradient over a pixel that is not seen as structure
REST = 4.5  # times the middle deviation there: a piece of the thing that the mark left standing
SIDE_POINTS = 16  # along each side of an area: sides may be bent by the lens
SMOOTH_PX = 3.0  # what is coarser is surface, what is finer is texture


@dataclass(frozen=True)
class Removal:
    """What is to go: a polygon's corners (x, y), pixels of the reference frame after orientation."""

    area: tuple[tuple[float, float], ...]

    def to_json(self) -> dict[str, Any]:
        return {"area": [list(corner) for corner in self.area]}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Removal":
        return cls(tuple((float(x), float(y)) for x, y in data["area"]))


@dataclass(frozen=True)
class Removed:
    """The picture with the fill, where it was changed, and how well the surface was known."""

    rgb_srgb: np.ndarray
    changed: np.ndarray
    ring_rms: float


def remove(rgb_srgb: np.ndarray, mask: np.ndarray, *, frame_px: int | None = None) -> Removed | NotFound:
    """Fill what is under the mask from the surface around it.

    Parameters
    ----------
    rgb_srgb : (H, W, 3) uint8 or uint16
        The finished picture, sRGB.
    mask : (H, W) bool
        True where something is to go; several separate parts are filled one by one.
    frame_px : int, optional
        Pixels of the whole frame, when `rgb_srgb` is a part of it.

    Returns
    -------
    Removed, or NotFound with the reason for people when any part would smear; nothing is changed then.

    Raises
    ------
    ShapeError
        If the mask is not the picture's size.
    """
    require_rgb(rgb_srgb, name="rgb_srgb", dtypes=(np.uint8, np.uint16))
    if mask.shape != rgb_srgb.shape[:2]:
        raise ShapeError(f"mask: need {rgb_srgb.shape[:2]}, got {mask.shape}")
    if not mask.any():
        return NotFound("nothing was marked")
    share = np.count_nonzero(mask) / (frame_px or mask.size)
    if share > LARGEST_SHARE:
        return NotFound(f"the marked area is {share:.1%} of the picture; {LARGEST_SHARE:.1%} is the most")
    unit = 257.0 if rgb_srgb.dtype == np.uint16 else 1.0
    box = _around(mask)
    codes, marked = rgb_srgb[box].astype(np.float32) / unit, mask[box]
    count, labels = cv2.connectedComponents(marked.astype(np.uint8), connectivity=8)
    worst = 0.0
    for part in range(1, count):
        filled = _fill_part(codes, labels == part, marked)
        if isinstance(filled, NotFound):
            return filled
        worst = max(worst, filled)
    out = rgb_srgb.copy()
    out[mask] = np.clip(codes[marked] * unit + 0.5, 0, 255.0 * unit).astype(rgb_srgb.dtype)
    return Removed(out, mask.copy(), worst)


def carry_out(
    rgb_srgb: np.ndarray,
    wanted: Sequence[Removal],
    out_from_source: Callable[[np.ndarray], np.ndarray],
) -> tuple[np.ndarray, list[str | None]]:
    """Remove what a plan names from a finished picture, one after the other.

    Parameters
    ----------
    rgb_srgb : (H, W, 3) uint8 or uint16
        The finished picture, sRGB, in the geometry of the file.
    wanted : areas in the reference frame
    out_from_source : (n, 2) points of the reference frame to points of the file
        The picture's own map, `Warp.out_from_source`: areas stay in place whatever level or crop is chosen.

    Returns
    -------
    The picture, a new array when anything was removed; for each area None, or why it was left alone.
    """
    reasons: list[str | None] = []
    out = rgb_srgb
    for one in wanted:
        mask, box = _mask(one, out_from_source, rgb_srgb.shape[:2])
        if mask is None:
            reasons.append("it lies outside the picture")
            continue
        found = remove(np.ascontiguousarray(out[box]), mask, frame_px=rgb_srgb.shape[0] * rgb_srgb.shape[1])
        reasons.append(None if isinstance(found, Removed) else found.reason)
        if isinstance(found, Removed):
            out = rgb_srgb.copy() if out is rgb_srgb else out
            out[box] = found.rgb_srgb
    return out, reasons


def _mask(
    wanted: Removal, out_from_source: Callable[[np.ndarray], np.ndarray], shape: tuple[int, int]
) -> tuple[np.ndarray | None, tuple[slice, slice]]:
    """Mask of the area in the file, and the part of the file that it covers with what lies around."""
    corners = np.array([*wanted.area, wanted.area[0]])
    share = np.linspace(0, 1, SIDE_POINTS, endpoint=False)[:, None]
    sides = [a + (b - a) * share for a, b in zip(corners[:-1], corners[1:], strict=True)]
    points = out_from_source(np.concatenate(sides))
    nowhere = np.s_[0:0, 0:0]
    if not np.isfinite(points).all():
        return None, nowhere
    pad = LARGEST_RING_PX + 16
    low = np.maximum(np.floor(points.min(0)).astype(int) - pad, 0)
    high = np.minimum(np.ceil(points.max(0)).astype(int) + pad + 1, shape[::-1])
    if (high <= low).any():
        return None, nowhere
    mask = np.zeros((high - low)[::-1], np.uint8)
    cv2.fillPoly(mask, [np.round((points - low) * 16).astype(np.int32)], 1, shift=4)
    box = (slice(low[1], high[1]), slice(low[0], high[0]))
    return (mask > 0, box) if mask.any() else (None, nowhere)


def _around(mask: np.ndarray) -> tuple[slice, slice]:
    """The part of the picture that has a say: the marks and as far around them as any texture is copied."""
    x, y, width, height = cv2.boundingRect(mask.astype(np.uint8))
    pad = LARGEST_RING_PX + 16
    return slice(max(0, y - pad), y + height + pad), slice(max(0, x - pad), x + width + pad)


def _fill_part(codes: np.ndarray, part: np.ndarray, mask: np.ndarray) -> float | NotFound:
    """Fill one connected part in place; returns the ring's roughness in codes, or why not."""
    ys, xs = np.nonzero(part)
    thickness = 2 * float(cv2.distanceTransform(part.astype(np.uint8), cv2.DIST_L2, 5).max())
    if thickness > LARGEST_THICKNESS_PX:
        return NotFound(
            f"the marked thing is {thickness:.0f} px thick; {LARGEST_THICKNESS_PX} px is the most"
        )
    ring_px = int(np.clip(thickness, 8, LARGEST_RING_PX))
    pad = ring_px + 16
    box = np.s_[max(0, ys.min() - pad) : ys.max() + pad + 1, max(0, xs.min() - pad) : xs.max() + pad + 1]
    part, known, local = part[box], ~mask[box], codes[box]
    size = 2 * ring_px + 1
    ring = (cv2.dilate(part.astype(np.uint8), np.ones((size, size), np.uint8)) > 0) & known
    if ring.sum() < max(40, 0.6 * part.sum() ** 0.5 * ring_px):
        return NotFound("the marked thing lies at the edge of the picture or between other marks")
    smooth = _smooth_known(local, known)
    surface, roughness, edges = _fit_surface(local, smooth, ring, part)
    if edges > EDGE_SHARE:
        return NotFound("an edge or pattern runs beside the marked thing; it would be smeared")
    if roughness > RING_ROUGHNESS:
        return NotFound("the surface around it is not plain enough to be continued")
    coherence, rest = _structure(local - surface, part, known)
    if coherence > COHERENCE:
        return NotFound("a line or pattern runs up to the marked thing; it would be broken off")
    if rest > REST:
        return NotFound("something else stands right beside the mark; mark all of it, or less")
    texture = _texture(local - smooth, part, known)
    local[part] = surface[part] + _membrane((smooth - surface), part) + texture
    return roughness


def _smooth_known(local: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Low-pass of the known pixels alone."""
    weight = known.astype(np.float32)
    total = cv2.GaussianBlur(weight, (0, 0), SMOOTH_PX)
    sums = cv2.GaussianBlur(local * weight[..., None], (0, 0), SMOOTH_PX)
    return sums / np.maximum(total, 1e-3)[..., None]


def _fit_surface(
    local: np.ndarray, smooth: np.ndarray, ring: np.ndarray, part: np.ndarray
) -> tuple[np.ndarray, float, float]:
    """Robust quadratic surface through the ring; its roughness and the share of strong edges in it."""
    rows, cols = np.indices(ring.shape, np.float32)
    y, x = (rows / max(ring.shape) - 0.5), (cols / max(ring.shape) - 0.5)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)
    design, values = terms[ring], local[ring]
    weight = np.ones(len(design), np.float32)
    for _ in range(6):
        root = np.sqrt(weight)[:, None]
        solution = np.linalg.lstsq(design * root, values * root, rcond=None)[0]
        miss = np.abs(values - design @ solution).max(1)
        weight = 1 / (1 + (miss / (1.5 * np.median(miss) + 0.3)) ** 2)
    surface = (terms @ solution).astype(np.float32)
    inner = cv2.erode(ring.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    inner = inner if inner.any() else ring
    roughness = float(np.sqrt(np.mean((smooth[inner] - surface[inner]) ** 2)))
    grey = cv2.GaussianBlur(local.mean(-1), (0, 0), 1.2)
    step = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(grey, cv2.CV_32F, 0, 1) / 8)
    away = ring & (cv2.dilate(part.astype(np.uint8), np.ones((9, 9), np.uint8)) == 0)
    edges = float((step[away] > EDGE_CODES / 4).mean()) if away.any() else 0.0
    return surface, roughness, edges


def _structure(rest: np.ndarray, part: np.ndarray, known: np.ndarray) -> tuple[float, float]:
    """Lines around the mark in what the smooth surface leaves: their coherence 0..1, and the largest piece.

    Grain and plaster have gradients in all directions, an edge, a joint or a stripe in one. The largest piece
    is told in middle deviations of what lies around it.

    Source
    ------
    J. Bigun, G. Granlund, ICCV 1987: coherence of the structure tensor; S. Di Zenzo, CVGIP 33 (1986): of all
    channels together.
    """
    weight = known.astype(np.float32)
    total = np.maximum(cv2.GaussianBlur(weight, (0, 0), 1.5), 0.05)
    low = cv2.GaussianBlur(rest * weight[..., None], (0, 0), 1.5) / total[..., None]
    gx, gy = (cv2.Sobel(low, cv2.CV_32F, *way, scale=1 / 8) for way in ((1, 0), (0, 1)))
    valid = cv2.erode(weight, np.ones((5, 5), np.uint8))
    share = np.maximum(cv2.GaussianBlur(valid, (0, 0), 5), 1e-3)
    xx, yy, xy = (
        cv2.GaussianBlur((product.mean(-1) * valid), (0, 0), 5) / share
        for product in (gx * gx, gy * gy, gx * gy)
    )
    coherence = np.hypot(xx - yy, 2 * xy) / (xx + yy + FAINT_CODES**2)
    reach = np.ones((2 * NEAR_PX + 1, 2 * NEAR_PX + 1), np.uint8)
    near = (cv2.dilate(part.astype(np.uint8), reach) > 0) & (valid > 0)
    if not near.any():
        return 0.0, 0.0
    size = np.abs(low).max(-1)[near]
    return float(np.percentile(coherence[near], 98)), float(np.percentile(size, 99) / (np.median(size) + 0.7))


def _membrane(difference: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Carry the boundary's difference into the part by Laplace's equation; (n, 3) in the part's order."""
    index = np.full(part.shape, -1)
    py, px = np.nonzero(part)
    n = len(py)
    index[py, px] = np.arange(n)
    right = np.zeros((n, 3))
    rows, cols = [np.arange(n)], [np.arange(n)]
    values = [np.full(n, 4.0)]
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        qy, qx = np.clip(py + dy, 0, part.shape[0] - 1), np.clip(px + dx, 0, part.shape[1] - 1)
        other = index[qy, qx]
        inside = other >= 0
        rows.append(np.flatnonzero(inside))
        cols.append(other[inside])
        values.append(np.full(int(inside.sum()), -1.0))
        outside = np.flatnonzero(~inside)
        np.add.at(right, outside, difference[qy[~inside], qx[~inside]])
    entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(cols)))
    return splu(sp.coo_matrix(entries, shape=(n, n)).tocsc()).solve(right).astype(np.float32)


def _texture(fine: np.ndarray, part: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Fine detail for the part, (n, 3): copied from the most ordinary place of the same shape nearby.

    The quietest copy would be too smooth and the liveliest could carry a thing over, so the one nearest the
    median liveliness is taken; without any free place the ring's own grain is drawn at random.
    """
    py, px = np.nonzero(part)
    height, width = np.ptp(py) + 1, np.ptp(px) + 1
    found = []
    for step in (4, 12):
        for dy, dx in ((0, width + step), (0, -width - step), (height + step, 0), (-height - step, 0)):
            sy, sx = py + dy, px + dx
            if sy.min() < 0 or sx.min() < 0 or sy.max() >= part.shape[0] or sx.max() >= part.shape[1]:
                continue
            if known[sy, sx].all():
                found.append(fine[sy, sx])
    if found:
        lively = np.array([f.std() for f in found])
        return found[int(np.argmin(abs(lively - np.median(lively))))]
    ring = (cv2.dilate(part.astype(np.uint8), np.ones((17, 17), np.uint8)) > 0) & known
    pool = fine[ring]
    return pool[np.random.default_rng(len(py)).integers(0, len(pool), len(py))]
