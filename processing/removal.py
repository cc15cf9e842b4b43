"""Small removals on plain surfaces: a cable, a magnet, a price label.

What lies under the mask is filled from the surface around it: a smooth surface fitted to a ring, the
boundary's remaining difference carried inside, and the surface's own texture on top. Where that would smear
or invent (edges, patterns, large areas) it refuses and says why. Every removal is an alteration that the
caller has to record.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from .arrays import require_rgb
from .errors import ShapeError
from .results import NotFound

LARGEST_SHARE = 0.003  # of the frame
LARGEST_THICKNESS_PX = 120  # of a mask; beyond, a guess would show
RING_ROUGHNESS = 5.0  # 8-bit codes (about 2 L*) that the ring may differ from a smooth surface, rms
EDGE_SHARE = 0.03  # of the ring's pixels that may lie on strong edges
EDGE_CODES = 14.0  # gradient over a pixel, in 8-bit codes, that counts as a strong edge
SMOOTH_PX = 3.0  # what is coarser is surface, what is finer is texture


@dataclass(frozen=True)
class Removed:
    """The picture with the fill, where it was changed, and how well the surface was known."""

    rgb_srgb: np.ndarray
    changed: np.ndarray
    ring_rms: float


def remove(rgb_srgb: np.ndarray, mask: np.ndarray) -> Removed | NotFound:
    """Fill what is under the mask from the surface around it.

    Parameters
    ----------
    rgb_srgb : (H, W, 3) uint8 or uint16
        The finished picture, sRGB.
    mask : (H, W) bool
        True where something is to go; several separate parts are filled one by one.

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
    if mask.mean() > LARGEST_SHARE:
        return NotFound(
            f"the marked area is {mask.mean():.1%} of the picture; {LARGEST_SHARE:.1%} is the most"
        )
    unit = 257.0 if rgb_srgb.dtype == np.uint16 else 1.0
    codes = rgb_srgb.astype(np.float32) / unit
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    worst = 0.0
    for part in range(1, count):
        filled = _fill_part(codes, labels == part, mask)
        if isinstance(filled, NotFound):
            return filled
        worst = max(worst, filled)
    out = rgb_srgb.copy()
    top = 255.0 * unit
    out[mask] = np.clip(codes[mask] * unit + 0.5, 0, top).astype(rgb_srgb.dtype)
    return Removed(out, mask.copy(), worst)


def _fill_part(codes: np.ndarray, part: np.ndarray, mask: np.ndarray) -> float | NotFound:
    """Fill one connected part in place; returns the ring's roughness in codes, or why not."""
    ys, xs = np.nonzero(part)
    thickness = 2 * float(cv2.distanceTransform(part.astype(np.uint8), cv2.DIST_L2, 5).max())
    if thickness > LARGEST_THICKNESS_PX:
        return NotFound(
            f"the marked thing is {thickness:.0f} px thick; {LARGEST_THICKNESS_PX} px is the most"
        )
    ring_px = int(np.clip(thickness, 8, 60))
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
