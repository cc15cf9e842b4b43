"""A lens curve from a picture's own straight lines, and the test whether a curve straightens them.

The estimate is a maximum a posteriori one: three parameters of the "brown" model, whose prior comes from the
lens database (data/lens_prior.json, made by tools/make_lens_prior.py), and soft orthogonal residuals of the
chains from straight lines. Chains that are really bent (arches, curtains) drop out by re-selection.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from scipy.optimize import least_squares

from .edges import Edges
from .lens_curve import Curve
from .results import NotFound

MIN_CHAINS = 8
NOISE_PX = 0.15  # of a chain's mean position, 1500 px grey
EFFECTIVE_POINTS = 36  # a chain's points are correlated: their weight is shared among so many
SOFT_PX = 0.25
MAX_BOW_SIGMA = 0.15  # % of the height
MIN_EVIDENCE = 8.0  # log likelihood ratio
MAX_UNCERTAINTY_PERCENT = 0.35  # of the half diagonal at .7 of it: a wider estimate is not used


@dataclass(frozen=True)
class Prior:
    """Mean and covariance of (k1, k2, k3)."""

    mean: np.ndarray
    covariance: np.ndarray


@dataclass(frozen=True)
class Check:
    """Does a curve straighten a picture's lines? `before_px` and `after_px`: typical bow at 1500 px."""

    verdict: str  # "straighter" | "worse" | "cannot tell"
    before_px: float
    after_px: float
    chains: int
    why: str

    def __bool__(self) -> bool:
        return self.verdict != "worse"


@lru_cache(maxsize=1)
def load_prior() -> Prior:
    """The committed prior of wide lenses."""
    data = json.loads(resources.files("processing").joinpath("data/lens_prior.json").read_text("utf-8"))
    return Prior(np.array(data["mean"]), np.array(data["covariance"]))


class Chains:
    """Chains of one or several pictures as padded arrays, ready for fast residuals."""

    def __init__(self, edges: Sequence[Edges]) -> None:
        points = [e.points for e in edges if len(e)]
        counts = [e.counts for e in edges if len(e)]
        self.points = np.concatenate(points).astype(float) if points else np.zeros((0, 1, 2))
        self.counts = np.concatenate(counts) if counts else np.zeros(0, int)
        self.mask = (np.arange(self.points.shape[1])[None] < self.counts[:, None]).astype(float)
        self.half_px = 901.4  # residuals are stated for a 1500 x 1000 picture
        last = self.points[np.arange(len(self.counts)), np.maximum(self.counts - 1, 0)]
        self.length = np.hypot(*(last - self.points[:, 0]).T) if len(self.counts) else np.zeros(0)
        self.r2 = (self.points**2).sum(-1)

    def __len__(self) -> int:
        return len(self.counts)

    def residuals_px(self, k: np.ndarray, rows: np.ndarray | None = None) -> np.ndarray:
        """(chains, points) distances from each chain's own best line under the brown coefficients `k`."""
        points, r2, mask = (
            (self.points, self.r2, self.mask)
            if rows is None
            else (self.points[rows], self.r2[rows], self.mask[rows])
        )
        factor = 1 + r2 * (k[0] + r2 * (k[1] + r2 * k[2]))
        return (
            line_distances(points * factor[..., None], mask)
            / (factor * mask).sum()
            * mask.sum()
            * self.half_px
        )

    def residuals_of_points_px(self, straight: np.ndarray) -> np.ndarray:
        """The same for chains already moved by any curve."""
        return line_distances(straight, self.mask) * self.half_px

    def rms(self, distances: np.ndarray, rows: np.ndarray | None = None) -> np.ndarray:
        counts = self.counts if rows is None else self.counts[rows]
        return np.sqrt((distances**2).sum(1) / np.maximum(counts, 1))


def line_distances(points: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """Signed orthogonal distance of each point from its row's total least squares line; 0 where masked
    out.
    """
    n = np.maximum(mask.sum(1), 1)
    mean = (points * mask[..., None]).sum(1) / n[:, None]
    c = (points - mean[:, None]) * mask[..., None]
    sxx, syy = (c[..., 0] ** 2).sum(1), (c[..., 1] ** 2).sum(1)
    sxy = (c[..., 0] * c[..., 1]).sum(1)
    turn = 0.5 * np.arctan2(2 * sxy, sxx - syy)
    return c[..., 1] * np.cos(turn)[:, None] - c[..., 0] * np.sin(turn)[:, None]


def estimate(edges: Sequence[Edges], *, prior: Prior | None = None) -> Curve | NotFound:
    """Estimate the curve of one lens setting from one picture's edges or a pool's.

    Returns
    -------
    Curve or NotFound
        Source "lines" (one picture) or "set" (several), with its uncertainty; the reason when lines are too
        few or leave too much open.
    """
    chains = Chains(edges)
    if len(chains) < MIN_CHAINS:
        return NotFound(f"{len(chains)} usable edges, need {MIN_CHAINS}")
    prior = prior or load_prior()
    k = _scan(chains, prior)
    k, covariance, kept = _polish(chains, prior, k)
    if kept < MIN_CHAINS:
        return NotFound(f"{kept} edges agree on a curve, need {MIN_CHAINS}")
    r = np.array([0.7, 1.0])
    basis = np.stack([r**3, r**5, r**7], 1)
    sigma = np.sqrt(np.einsum("ij,jk,ik->i", basis, covariance, basis)) * 100
    source = "lines" if sum(len(e) > 0 for e in edges) == 1 else "set"
    why = f"{kept} of {len(chains)} edges agree"
    curve = Curve(
        source=source,
        model="brown",
        coefficients=tuple(float(v) for v in k),
        why=why,
        uncertainty_percent=float(sigma[0]),
    )
    if sigma[0] > MAX_UNCERTAINTY_PERCENT:
        return NotFound(f"{why}, but they leave the curve open by {sigma[0]:.2f} % of the half diagonal")
    verdict = check_chains(curve, chains)
    if verdict.verdict == "worse":
        return NotFound(f"the estimated curve does not straighten the edges: {verdict.why}")
    return curve


def _scan(chains: Chains, prior: Prior) -> np.ndarray:
    """Best point along the prior's longest axis, by a truncated cost that arcs cannot pull."""
    values, vectors = np.linalg.eigh(prior.covariance)
    axis = vectors[:, -1] * np.sqrt(values[-1])

    def cost(k: np.ndarray) -> float:
        r = chains.rms(chains.residuals_px(k))
        return float((chains.length * r**2 / (r**2 + 0.4**2)).sum())

    steps = np.linspace(-3, 3, 49)
    return prior.mean + steps[int(np.argmin([cost(prior.mean + t * axis) for t in steps]))] * axis


def _polish(chains: Chains, prior: Prior, k: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    whiten = np.linalg.cholesky(np.linalg.inv(prior.covariance)).T
    weight = NOISE_PX / np.sqrt(EFFECTIVE_POINTS)
    covariance, kept = prior.covariance, 0
    for _ in range(4):
        r = chains.rms(chains.residuals_px(k))
        fair = r[r < 1.0]
        rows = np.flatnonzero(r < (max(0.3, 3 * float(np.median(fair))) if fair.size else 0.5))
        kept = len(rows)
        if kept < 3:
            break
        w = np.sqrt(chains.length[rows])[:, None] / np.sqrt(chains.counts[rows])[:, None]

        def misfit(p: np.ndarray, rows: np.ndarray = rows, w: np.ndarray = w) -> np.ndarray:
            d = chains.residuals_px(p, rows) * w
            return np.concatenate([d.ravel(), weight * (whiten @ (p - prior.mean))])

        solution = least_squares(misfit, k, loss="soft_l1", f_scale=SOFT_PX)
        k = solution.x
        covariance = np.linalg.pinv(solution.jac.T @ solution.jac) * weight**2
    return k, covariance, kept


def starts(edges: Sequence[Edges], prior: Prior) -> list[np.ndarray]:
    """Where a fit of rooms may begin: the edges' own bow, and no bend."""
    chains = Chains(edges)
    if len(chains) < MIN_CHAINS:
        return [np.zeros(3)]
    k, _, _ = _polish(chains, prior, _scan(chains, prior))
    return [k, np.zeros(3)]


def prior_cost(k: np.ndarray, prior: Prior) -> float:
    """Negative log of the prior."""
    d = k - prior.mean
    return float(d @ np.linalg.solve(prior.covariance, d)) / 2


def bow_percent(k: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Bow, % of the height, of a level line near the top and an upright near the side: linear in `k`."""
    return _bow_matrix(size) @ k


@lru_cache(maxsize=32)
def _bow_matrix(size: tuple[int, int]) -> np.ndarray:
    width, height = size
    half = float(np.hypot(width, height) / 2)
    w, h = width / 2 / half, height / 2 / half
    rows = []
    for off, reach in ((0.84 * h, 0.94 * w), (0.88 * w, 0.9 * h)):
        t = np.linspace(-reach, reach, 41)
        r2 = t * t + off * off
        rows.append([np.ptp(off * r2**n) * (1 if n else 0) for n in (1, 2, 3)])
    return np.array(rows) / (2 * h) * 100


def decide(
    k: np.ndarray, covariance: np.ndarray, evidence: float, chains: int, pictures: int, size: tuple[int, int]
) -> Curve | NotFound:
    """Keep a fitted curve when it is certain and straightens more than chance would."""
    matrix = _bow_matrix(size)
    bow = matrix @ k
    sigma = np.sqrt(np.diag(matrix @ covariance @ matrix.T))
    size_of = f"bow {np.abs(bow).max():.2f} +- {sigma.max():.2f} % of the height"
    words = f"{chains} edges; {size_of}; evidence {evidence:.0f}"
    if chains < MIN_CHAINS:
        return NotFound(f"too few straight edges: {words}")
    if sigma.max() > MAX_BOW_SIGMA:
        return NotFound(f"the lines leave the curve open: {words}")
    if evidence < MIN_EVIDENCE or (np.abs(bow) < 2 * sigma).all():
        return NotFound(f"the lines are as straight without a curve: {words}")
    coefficients = tuple(float(v) for v in k)
    return Curve(
        source="lines" if pictures == 1 else "set",
        model="brown",
        coefficients=coefficients,
        why=words,
        uncertainty_percent=round(float(sigma.max()), 4),
    )


def check(curve: Curve, edges: Edges) -> Check:
    """Compare the straightness of a picture's edges without and with a curve."""
    return check_chains(curve, Chains([edges]))


def check_chains(curve: Curve, chains: Chains) -> Check:
    """`check` for chains that are already packed."""
    if len(chains) < MIN_CHAINS:
        return Check("cannot tell", 0.0, 0.0, len(chains), f"{len(chains)} usable edges, need {MIN_CHAINS}")
    before = chains.rms(chains.residuals_px(np.zeros(3)))
    factor = _factor(curve, chains)
    after = chains.rms(chains.residuals_of_points_px(chains.points * factor[..., None]))
    fair = np.minimum(before, after) < 0.6
    if fair.sum() < MIN_CHAINS:
        return Check(
            "cannot tell", 0.0, 0.0, int(fair.sum()), f"{int(fair.sum())} straight edges, need {MIN_CHAINS}"
        )
    w = chains.length[fair]
    b, a = (float(np.sqrt((w * np.minimum(v[fair], 1.0) ** 2).sum() / w.sum())) for v in (before, after))
    why = f"bow of the edges {b:.2f} px without, {a:.2f} px with the curve (1500 px picture)"
    if a > b + 0.02:
        return Check("worse", b, a, int(fair.sum()), why)
    if a < b - 0.01:
        return Check("straighter", b, a, int(fair.sum()), why)
    return Check("cannot tell", b, a, int(fair.sum()), why)


def _factor(curve: Curve, chains: Chains) -> np.ndarray:
    r = np.sqrt(chains.r2)
    with np.errstate(invalid="ignore"):
        factor = np.where(r > 1e-9, curve.straight_radius(r) / np.maximum(r, 1e-9), 1.0)
    return np.nan_to_num(factor, nan=10.0)
