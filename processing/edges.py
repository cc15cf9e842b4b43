"""Edges of a picture as smooth sub-pixel chains: what the lens curve is judged and estimated from.

Conventions: chain points are (x, y) in half diagonals from the centre of the frame, so that they do not
depend on the size of the picture they were found in.
"""

import base64
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from .errors import ShapeError

POINTS = 33  # per chain at most
CHAINS = 400  # per picture at most, the longest
# steps of the packed 16-bit form per half diagonal: .02 px of a 24-megapixel picture's 1500 px grey
SCALE = 24000
SHORTEST = 0.08  # half diagonals
CUT_DEG = 6.0  # the normal may turn this much within 19 points
ROUGHEST_PX = 0.6  # rms distance from a parabola
DEEPEST = 0.04  # sagitta by length: more is an arc, not a bent line


@dataclass(frozen=True)
class Edges:
    """Chains of one picture, packed: `points` (n, POINTS, 2) float32, `counts` (n,) int, `size` of the
    grey.
    """

    points: np.ndarray
    counts: np.ndarray
    size: tuple[int, int]

    def __len__(self) -> int:
        return len(self.counts)

    @property
    def half_px(self) -> float:
        """Half diagonal of the grey picture in its pixels."""
        return float(np.hypot(*self.size) / 2)

    def to_json(self) -> dict[str, Any]:
        """Compact JSON: 16-bit steps as base64."""
        packed = np.round(np.clip(self.points, -1.3, 1.3) * SCALE).astype("<i2")
        flat = np.concatenate(
            [p[:n].ravel() for p, n in zip(packed, self.counts, strict=True)] or [packed[:0].ravel()]
        )
        return {
            "size": list(self.size),
            "counts": [int(n) for n in self.counts],
            "points": base64.b64encode(flat.tobytes()).decode("ascii"),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Edges":
        """The chains that `to_json` wrote (rounded to 1 / SCALE)."""
        counts = np.array(data["counts"], int)
        flat = (
            np.frombuffer(base64.b64decode(data["points"]), "<i2").reshape(-1, 2).astype(np.float32) / SCALE
        )
        points = np.zeros((len(counts), POINTS, 2), np.float32)
        at = 0
        for i, n in enumerate(counts):
            points[i, :n] = flat[at : at + n]
            at += n
        return cls(points, counts, (int(data["size"][0]), int(data["size"][1])))


def find_edges(grey_u8: np.ndarray) -> Edges:
    """Find smooth, nearly straight edge chains.

    Parameters
    ----------
    grey_u8 : (H, W) uint8 array
        Display-like grey, about 1500 px wide.

    Returns
    -------
    Edges
        At most CHAINS of them, the longest first.

    Source
    ------
    Edge Drawing: C. Topal, C. Akinlar, J. Vis. Commun. Image Represent. 23 (2012); OpenCV's ximgproc.
    """
    if not isinstance(grey_u8, np.ndarray) or grey_u8.ndim != 2 or grey_u8.dtype != np.uint8:
        raise ShapeError(f"grey_u8: need (H, W) uint8, got {getattr(grey_u8, 'shape', None)}")
    height, width = grey_u8.shape
    half = float(np.hypot(width, height) / 2)
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    if min(width, height) < 64:
        return Edges(np.zeros((0, POINTS, 2), np.float32), np.zeros(0, int), (width, height))
    raw = _draw(grey_u8, shortest_px=SHORTEST * half * 0.6)
    gradient = image_gradient(grey_u8)
    pieces: list[np.ndarray] = []
    for chain in raw:
        xy, normal = _refine(chain, gradient)
        pieces += [p for p in _split(xy, normal, SHORTEST * half * 0.9) if _is_line_like(p, SHORTEST * half)]
    pieces.sort(key=lambda p: -float(np.hypot(*(p[-1] - p[0]))))
    pieces = pieces[:CHAINS]
    points = np.zeros((len(pieces), POINTS, 2), np.float32)
    counts = np.zeros(len(pieces), int)
    for i, piece in enumerate(pieces):
        binned = (_bin(piece) - centre) / half
        points[i, : len(binned)] = binned
        counts[i] = len(binned)
    return Edges(points, counts, (width, height))


def _draw(grey_u8: np.ndarray, *, shortest_px: float) -> list[np.ndarray]:
    drawing = cv2.ximgproc.createEdgeDrawing()
    params = cv2.ximgproc.EdgeDrawing.Params()
    params.EdgeDetectionOperator = cv2.ximgproc.EDGE_DRAWING_SOBEL
    params.GradientThresholdValue = 18
    params.AnchorThresholdValue = 4
    params.Sigma = 1.0
    params.MinPathLength = max(10, int(shortest_px))
    params.PFmode = False
    params.NFAValidation = True
    drawing.setParams(params)
    drawing.detectEdges(grey_u8)
    return [np.asarray(s, np.float32).reshape(-1, 2) for s in drawing.getSegments()]


def image_gradient(grey_u8: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Smoothed gradient across, down, and its size; float32."""
    smooth = cv2.GaussianBlur(grey_u8.astype(np.float32), (0, 0), 1.2)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    return gx, gy, cv2.magnitude(gx, gy)


def _refine(
    chain: np.ndarray, gradient: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Move each point along its normal to the top of a parabola through the gradient's size, twice."""
    gx, gy, size = gradient

    def sample(a: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return cv2.remap(a, x.reshape(1, -1), y.reshape(1, -1), cv2.INTER_CUBIC).ravel()

    x, y = chain[:, 0].copy(), chain[:, 1].copy()
    nx = ny = np.zeros_like(x)
    for _ in range(2):
        nx, ny = sample(gx, x, y), sample(gy, x, y)
        length = np.hypot(nx, ny) + 1e-6
        nx, ny = nx / length, ny / length
        before, here, after = sample(size, x - nx, y - ny), sample(size, x, y), sample(size, x + nx, y + ny)
        curvature = 2 * (before - 2 * here + after)
        step = np.where(curvature < -1e-6, (before - after) / np.minimum(curvature, -1e-6), 0.0)
        step = np.clip(step, -1, 1)
        x, y = (x + step * nx).astype(np.float32), (y + step * ny).astype(np.float32)
    return np.stack([x, y], 1), np.stack([nx, ny], 1)


def _split(xy: np.ndarray, normal: np.ndarray, shortest_px: float) -> list[np.ndarray]:
    """Cut where the smoothed normal turns; gently bent pieces survive."""
    n = len(xy)
    if n < max(shortest_px, 20):
        return []
    k = 9
    turn = np.unwrap(2 * np.arctan2(normal[:, 1], normal[:, 0])) / 2
    smooth = np.convolve(np.pad(turn, k, mode="edge"), np.ones(2 * k + 1) / (2 * k + 1), "valid")
    sharp = np.zeros(n, bool)
    sharp[k : n - k] = np.abs(smooth[2 * k :] - smooth[: -2 * k]) > np.deg2rad(CUT_DEG)
    runs = np.flatnonzero(~sharp)
    if not runs.size:
        return []
    return [
        xy[run[2:-2]]
        for run in np.split(runs, np.flatnonzero(np.diff(run_gap(runs)) > 0) + 1)
        if len(run) >= shortest_px + 4
    ]


def run_gap(indices: np.ndarray) -> np.ndarray:
    """Number of gaps before each index: constant within a run of consecutive ones."""
    return np.concatenate([[0], np.cumsum(np.diff(indices) > 1)])


def _is_line_like(piece: np.ndarray, shortest_px: float) -> bool:
    chord = piece[-1] - piece[0]
    length = float(np.hypot(*chord))
    if length < shortest_px:
        return False
    along = chord / length
    t = (piece - piece.mean(0)) @ along
    off = (piece - piece.mean(0)) @ np.array([-along[1], along[0]])
    coefficients = np.polyfit(t, off, 2)
    rest = off - np.polyval(coefficients, t)
    return float(np.sqrt((rest**2).mean())) < ROUGHEST_PX and abs(coefficients[0]) * length / 4 < DEEPEST


def _bin(piece: np.ndarray) -> np.ndarray:
    """Average neighbouring points so that at most POINTS are left."""
    parts = np.array_split(piece.astype(float), min(POINTS, max(9, len(piece) // 3)))
    return np.array([p.mean(0) for p in parts])


NO_EDGES = Edges(np.zeros((0, POINTS, 2), np.float32), np.zeros(0, int), (1500, 1000))
