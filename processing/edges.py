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
ROW = 1024  # points looked up at a time
SHORTEST = 0.08  # half diagonals
CUT_DEG = 6.0  # the normal may turn this much within 19 points
ROUGHEST_PX = 0.6  # rms distance from a parabola
Gradient = tuple[np.ndarray, np.ndarray, np.ndarray]
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


def find_edges(grey_u8: np.ndarray, gradient: Gradient | None = None) -> Edges:
    """Find smooth, nearly straight edge chains.

    Parameters
    ----------
    grey_u8 : (H, W) uint8 array
        Display-like grey, about 1500 px wide.
    gradient : as `image_gradient` gives it, when it is at hand

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
    chains = [c for c in _draw(grey_u8, shortest_px=SHORTEST * half * 0.6) if len(c) >= SHORTEST * half * 0.9]
    if not chains:
        return Edges(np.zeros((0, POINTS, 2), np.float32), np.zeros(0, int), (width, height))
    counts = np.array([len(c) for c in chains])
    xy, normal = _refine(np.concatenate(chains), gradient or image_gradient(grey_u8))
    runs = _straightish(normal, counts, SHORTEST * half * 0.9)
    pieces = [xy[first:last] for first, last in _line_like(xy, runs, SHORTEST * half)]
    pieces.sort(key=lambda p: -float(np.hypot(*(p[-1] - p[0]))))
    return _packed(pieces[:CHAINS], centre, half, (width, height))


def _packed(pieces: list[np.ndarray], centre: np.ndarray, half: float, size: tuple[int, int]) -> Edges:
    points = np.zeros((len(pieces), POINTS, 2), np.float32)
    counts = np.zeros(len(pieces), int)
    for i, piece in enumerate(pieces):
        binned = (_bin(piece) - centre) / half
        points[i, : len(binned)] = binned
        counts[i] = len(binned)
    return Edges(points, counts, size)


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


def image_gradient(grey_u8: np.ndarray) -> Gradient:
    """Smoothed gradient across, down, and its size; float32."""
    smooth = cv2.GaussianBlur(grey_u8.astype(np.float32), (0, 0), 1.2)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    return gx, gy, cv2.magnitude(gx, gy)


def _refine(xy: np.ndarray, gradient: Gradient) -> tuple[np.ndarray, np.ndarray]:
    """Move each point along its normal to the top of a parabola through the gradient's size, twice."""
    gx, gy, size = gradient
    n = len(xy)
    # all chains in one go, as rows: OpenCV's maps are at most 32767 wide
    x, y = (np.pad(v, (0, -n % ROW), mode="edge").reshape(-1, ROW) for v in (xy[:, 0], xy[:, 1]))
    nx = ny = np.zeros_like(x)
    for _ in range(2):
        nx, ny = cv2.remap(gx, x, y, cv2.INTER_CUBIC), cv2.remap(gy, x, y, cv2.INTER_CUBIC)
        length = np.hypot(nx, ny) + np.float32(1e-6)
        nx, ny = nx / length, ny / length
        before, here, after = (
            cv2.remap(size, x + d * nx, y + d * ny, cv2.INTER_CUBIC)
            for d in (np.float32(-1), np.float32(0), np.float32(1))
        )
        curvature = 2 * (before - 2 * here + after)
        step = np.where(curvature < -1e-6, (before - after) / np.minimum(curvature, -1e-6), np.float32(0))
        step = np.clip(step, -1, 1)
        x, y = x + step * nx, y + step * ny
    return np.stack([x.ravel()[:n], y.ravel()[:n]], 1), np.stack([nx.ravel()[:n], ny.ravel()[:n]], 1)


def _straightish(normal: np.ndarray, counts: np.ndarray, shortest_px: float) -> np.ndarray:
    """(n, 2) first and one past the last point of the stretches in which the smoothed normal does not turn;
    gently bent ones survive. `counts` are the points of each chain.
    """
    k = 9
    starts = np.cumsum(counts) - counts
    chain = np.repeat(np.arange(len(counts)), counts + 2 * k)
    within = np.arange(len(chain)) - (starts + 2 * k * np.arange(len(counts)))[chain] - k
    padded = starts[chain] + np.clip(within, 0, counts[chain] - 1)  # ends repeat
    turn = (np.unwrap(2 * np.arctan2(normal[:, 1].astype(float), normal[:, 0])) / 2)[padded]
    total = np.concatenate([[0.0], np.cumsum(turn)])
    width = 2 * k + 1
    smooth = np.zeros(len(turn))  # of the points around, at the padded place
    smooth[k : len(turn) - k] = (total[width:] - total[:-width]) / width
    change = np.zeros(len(turn))
    change[k:-k] = np.abs(smooth[2 * k :] - smooth[: -2 * k])
    inside = (within >= k) & (within < counts[chain] - k)
    sharp = (inside & (change > np.deg2rad(CUT_DEG)))[(within >= 0) & (within < counts[chain])]
    of = np.repeat(np.arange(len(counts)), counts)
    calm = np.flatnonzero(~sharp)
    if not calm.size:
        return np.zeros((0, 2), int)
    breaks = np.flatnonzero((np.diff(calm) > 1) | (np.diff(of[calm]) > 0))
    first = calm[np.concatenate([[0], breaks + 1])]
    last = calm[np.concatenate([breaks, [len(calm) - 1]])] + 1
    runs = np.stack([first + 2, last - 2], 1)
    return runs[(last - first >= shortest_px + 4) & (counts[of[first]] >= max(shortest_px, 20))]


def _line_like(xy: np.ndarray, runs: np.ndarray, shortest_px: float) -> np.ndarray:
    """Those of the runs that are long, smooth, and no arcs: judged by a parabola through their points."""
    chord = (xy[runs[:, 1] - 1] - xy[runs[:, 0]]).astype(float)
    length = np.hypot(chord[:, 0], chord[:, 1])
    runs, chord, length = (a[length >= shortest_px] for a in (runs, chord, length))
    if not len(runs):
        return runs
    counts = runs[:, 1] - runs[:, 0]
    of = np.repeat(np.arange(len(runs)), counts)
    starts = np.cumsum(counts) - counts
    p = xy[np.arange(counts.sum()) - starts[of] + runs[of, 0]].astype(float)
    p -= (np.add.reduceat(p, starts) / counts[:, None])[of]
    along = chord / length[:, None]
    t = (p * along[of]).sum(1) / length[of]
    off = p[:, 1] * along[of, 0] - p[:, 0] * along[of, 1]
    basis = np.stack([np.ones_like(t), t, t * t], 1)
    moments = np.add.reduceat(basis[:, :, None] * basis[:, None, :], starts)
    right = np.add.reduceat(basis * off[:, None], starts)
    fit = np.linalg.solve(moments, right[..., None])[..., 0]
    rest = off - (basis * fit[of]).sum(1)
    rough = np.sqrt(np.add.reduceat(rest**2, starts) / counts)
    return runs[(rough < ROUGHEST_PX) & (np.abs(fit[:, 2]) / length / 4 < DEEPEST)]


def _bin(piece: np.ndarray) -> np.ndarray:
    """Average neighbouring points so that at most POINTS are left."""
    parts = min(POINTS, max(9, len(piece) // 3))
    share, more = divmod(len(piece), parts)
    sizes = np.full(parts, share)
    sizes[:more] += 1
    return np.add.reduceat(piece.astype(float), np.cumsum(sizes) - sizes) / sizes[:, None]


NO_EDGES = Edges(np.zeros((0, POINTS, 2), np.float32), np.zeros(0, int), (1500, 1000))
