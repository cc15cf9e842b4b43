"""What straight lines say of a lens: a first guess from their bow, the priors, and when a fit is believed.

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
from .lens_curve import TERMS, Curve, fitted_curve, straight_factor
from .results import NotFound

MIN_CHAINS = 8
NOISE_PX = 0.15  # of a chain's mean position, 1500 px grey
EFFECTIVE_POINTS = 36  # a chain's points are correlated: their weight is shared among so many
SOFT_PX = 0.25
MAX_BOW_SIGMA = 0.15  # % of the height
FORM_MARGIN = 3.0  # log likelihood by which the ptlens form must beat even powers: real glass is even
MIN_EVIDENCE = 8.0  # log likelihood ratio


@dataclass(frozen=True)
class Prior:
    """Mean and covariance of the coefficients of `lens_curve.straight_factor`."""

    mean: np.ndarray
    covariance: np.ndarray


@lru_cache(maxsize=1)
def load_priors() -> tuple[Prior, ...]:
    """The committed priors of wide lenses: even powers only (simplest first), and the ptlens form."""
    data = json.loads(resources.files("processing").joinpath("data/lens_prior.json").read_text("utf-8"))
    return tuple(
        Prior(np.array(data[f]["mean"]), np.array(data[f]["covariance"])) for f in ("poly5", "ptlens")
    )


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
        self.radius = np.hypot(self.points[..., 0], self.points[..., 1])

    def __len__(self) -> int:
        return len(self.counts)

    def residuals_px(self, k: np.ndarray, rows: np.ndarray | None = None) -> np.ndarray:
        """(chains, points) distances from each chain's own best line under the coefficients `k`."""
        points, r, mask = self.points, self.radius, self.mask
        if rows is not None:
            points, r, mask = points[rows], r[rows], mask[rows]
        factor = straight_factor(r, k)
        return (
            line_distances(points * factor[..., None], mask)
            / (factor * mask).sum()
            * mask.sum()
            * self.half_px
        )

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


def first_guess(edges: Sequence[Edges], prior: Prior) -> np.ndarray:
    """Where a fit of rooms may begin: by the edges' own bow, or no bend when there are too few."""
    chains = Chains(edges)
    if len(chains) < MIN_CHAINS:
        return np.zeros(TERMS)
    return _polish(chains, prior, _scan(chains, prior))[0]


def complexity(k: np.ndarray, covariance: np.ndarray, prior: Prior) -> float:
    """Negative log of the prior, and of the share of it that the lines leave over (Laplace's method)."""
    d = k - prior.mean
    away = float(d @ np.linalg.solve(prior.covariance, d)) / 2
    _, before = np.linalg.slogdet(prior.covariance)
    _, after = np.linalg.slogdet(covariance)
    return away + (before - after) / 2


def bow_percent(k: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Bow, % of the height, of a level line near the top and of an upright near the side; signed."""
    width, height = size
    half = float(np.hypot(width, height) / 2)
    w, h = width / 2 / half, height / 2 / half
    out = []
    for off, reach in ((0.84 * h, 0.94 * w), (0.88 * w, 0.9 * h)):
        r = np.hypot(np.array([0.0, 0.5, 1.0]) * reach, off)
        bent = off * (1 + r * (k[0] + r * (k[1] + r * (k[2] + r * k[3]))))
        out.append(
            bent[0] - bent[2] if abs(bent[0] - bent[2]) > abs(bent[1] - bent[2]) else bent[1] - bent[2]
        )
    return np.array(out) / (2 * h) * 100


def bow_and_sigma(
    k: np.ndarray, covariance: np.ndarray, size: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """`bow_percent` and its standard deviations."""
    d = 1e-4
    slope = np.stack(
        [(bow_percent(k + d * e, size) - bow_percent(k - d * e, size)) / (2 * d) for e in np.eye(TERMS)], 1
    )
    return bow_percent(k, size), np.sqrt(np.diag(slope @ covariance @ slope.T))


def decide(
    k: np.ndarray, covariance: np.ndarray, evidence: float, chains: int, pictures: int, size: tuple[int, int]
) -> Curve | NotFound:
    """Keep a fitted curve when it is certain and straightens more than chance would."""
    bow, sigma = bow_and_sigma(k, covariance, size)
    size_of = f"bow {np.abs(bow).max():.2f} +- {sigma.max():.2f} % of the height"
    words = f"{chains} edges; {size_of}; evidence {evidence:.0f}"
    if chains < MIN_CHAINS:
        return NotFound(f"too few straight edges: {words}")
    if sigma.max() > MAX_BOW_SIGMA:
        return NotFound(f"the lines leave the curve open: {words}")
    if evidence < MIN_EVIDENCE or (np.abs(bow) < 2 * sigma).all():
        return NotFound(f"the lines are as straight without a curve: {words}")
    source = "lines" if pictures == 1 else "set"
    return fitted_curve(k, source=source, why=words, uncertainty_percent=round(float(sigma.max()), 4))
