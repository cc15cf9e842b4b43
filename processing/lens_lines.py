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

from .edges import Edges
from .lens_curve import TERMS, Curve, fitted_curve
from .results import NotFound
from .room_lines import Block

MIN_CHAINS = 8
NOISE_PX = 0.15  # of a chain's mean position, 1500 px grey
EFFECTIVE_POINTS = 36  # a chain's points are correlated: their weight is shared among so many
SOFT_PX = 0.25
HALF_PX = 901.4  # residuals are stated for a 1500 x 1000 picture
THIN = 3  # a first guess needs every third point only
SCAN_STEPS, POLISH_STEPS, SHIFTED_STEPS = 25, 8, 12
MAX_BOW_SIGMA = 0.15  # % of the height
FORM_MARGIN = 3.0  # log likelihood by which the ptlens form must beat even powers: real glass is even
MIN_LOG_ODDS = 2.3  # ten to one for a curve
CLEAR_SIGMAS = 3.0  # a bow below is not told from none


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
    """Chains of one or several pictures as padded arrays; of each only every `thin`th point."""

    def __init__(self, edges: Sequence[Edges], *, thin: int = 1) -> None:
        points = [e.points[:, ::thin] for e in edges if len(e)]
        counts = [-(-e.counts // thin) for e in edges if len(e)]
        self.points = np.concatenate(points).astype(float) if points else np.zeros((0, 1, 2))
        self.counts = np.concatenate(counts) if counts else np.zeros(0, int)
        self.mask = (np.arange(self.points.shape[1])[None] < self.counts[:, None]).astype(float)
        last = self.points[np.arange(len(self.counts)), np.maximum(self.counts - 1, 0)]
        self.length = np.hypot(*(last - self.points[:, 0]).T) if len(self.counts) else np.zeros(0)

    def __len__(self) -> int:
        return len(self.counts)

    def block(self, half_px: float) -> Block:
        """The chains for a fit; distances are stated for a picture of this half diagonal."""
        return Block(self.points, self.mask, self.length, half_px)


def _scan(block: Block, prior: Prior) -> np.ndarray:
    """Best point along the prior's longest axis, by a truncated cost that arcs cannot pull."""
    values, vectors = np.linalg.eigh(prior.covariance)
    axis = vectors[:, -1] * np.sqrt(values[-1])

    def cost(k: np.ndarray) -> float:
        square = block.rms(block.straight(k).bow) ** 2
        return float((block.length * square / (square + 0.4**2)).sum())

    steps = np.linspace(-3, 3, SCAN_STEPS)
    return prior.mean + steps[int(np.argmin([cost(prior.mean + t * axis) for t in steps]))] * axis


def _polish(block: Block, prior: Prior, k: np.ndarray, shift_sigma: float = 0.0) -> np.ndarray:
    """Re-weighted Gauss-Newton steps (soft L1) on the chains that are nearly straight, chosen each time: the
    coefficients, and with a `shift_sigma` the two of the axis's shift behind them.
    """
    noise = NOISE_PX**2 / EFFECTIVE_POINTS
    m = TERMS + 2 if shift_sigma else TERMS
    inverse, mean, p = np.zeros((m, m)), np.zeros(m), np.zeros(m)
    inverse[:TERMS, :TERMS] = np.linalg.inv(prior.covariance)
    inverse[TERMS:, TERMS:] = np.eye(m - TERMS) / max(shift_sigma, 1e-9) ** 2
    inverse, mean[:TERMS], p[:TERMS] = inverse * noise, prior.mean, k
    for _ in range(SHIFTED_STEPS if shift_sigma else POLISH_STEPS):
        run, slopes = block.slopes(p[:TERMS], p[TERMS:] if shift_sigma else None)
        rms = block.rms(run.bow)
        fair = rms[rms < 1.0]
        near = rms < (max(0.3, 3 * float(np.median(fair))) if fair.size else 0.5)
        if near.sum() < 3:
            break
        weight = np.where(near, block.length / block.count, 0.0)[:, None]
        weight = weight / np.sqrt(1 + weight * (run.bow / SOFT_PX) ** 2)
        bend = slopes.bow.reshape(m, -1)
        pulled = bend * weight.ravel()
        step = np.linalg.solve(pulled @ bend.T + inverse, pulled @ run.bow.ravel() + inverse @ (p - mean))
        p = p - step
        p[TERMS:] = np.clip(p[TERMS:], -2.5 * shift_sigma, 2.5 * shift_sigma)
    return p


def first_guess(edges: Sequence[Edges], prior: Prior) -> np.ndarray:
    """Where a fit of rooms may begin: by the edges' own bow, or no bend when there are too few."""
    chains = Chains(edges, thin=THIN)
    if len(chains) < MIN_CHAINS:
        return np.zeros(TERMS)
    block = chains.block(HALF_PX)
    return _polish(block, prior, _scan(block, prior))


def off_centre(
    edges: Sequence[Edges], prior: Prior, first: np.ndarray, shift_sigma: float
) -> tuple[np.ndarray, tuple[float, float]]:
    """The same for a curve whose centre may lie off the frame's by `shift_sigma` half diagonals, from a first
    guess of a centred one: its coefficients, and where the centre lies.
    """
    chains = Chains(edges, thin=THIN)
    if len(chains) < MIN_CHAINS:
        return first, (0.0, 0.0)
    p = _polish(chains.block(HALF_PX), prior, first, shift_sigma)
    return p[:TERMS], (float(p[TERMS]), float(p[TERMS + 1]))


def complexity(k: np.ndarray, covariance: np.ndarray, prior: Prior) -> float:
    """Negative log of the prior, and of the share of it that the lines leave over (Laplace's method)."""
    d = k - prior.mean
    away = float(d @ np.linalg.solve(prior.covariance, d)) / 2
    _, before = np.linalg.slogdet(prior.covariance)
    _, after = np.linalg.slogdet(covariance)
    return away + (before - after) / 2


def bow_percent(
    k: np.ndarray, size: tuple[int, int], shift: Sequence[float] | np.ndarray = (0.0, 0.0)
) -> np.ndarray:
    """Bow, % of the height, of level lines near bottom and top and of uprights near both sides; signed. The
    curve's centre lies `shift` half diagonals off the frame's.
    """
    width, height = size
    half = float(np.hypot(width, height) / 2)
    w, h = width / 2 / half, height / 2 / half
    t = np.linspace(-1, 1, 5)
    out = []
    for across, off, reach in ((1, 0.84 * h, 0.94 * w), (0, 0.88 * w, 0.9 * h)):
        for side in (off, -off):
            v, u = side - shift[across], t * reach - shift[1 - across]
            r = np.hypot(u, v)
            bent = v * (1 + r * (k[0] + r * (k[1] + r * (k[2] + r * k[3]))))
            bow = bent - (bent[0] * (1 - t) + bent[-1] * (1 + t)) / 2
            out.append(bow[int(np.argmax(np.abs(bow)))])
    return np.array(out) / (2 * h) * 100


def bow_and_sigma(
    k: np.ndarray,
    covariance: np.ndarray,
    size: tuple[int, int],
    shift: Sequence[float] | np.ndarray = (0.0, 0.0),
) -> tuple[np.ndarray, np.ndarray]:
    """`bow_percent` and its standard deviations; `covariance` is that of the coefficients, or of them and the
    shift.
    """
    d = 1e-4
    at, step = np.concatenate([k, shift]), d * np.eye(TERMS + 2)[: len(covariance)]

    def bow(p: np.ndarray) -> np.ndarray:
        return bow_percent(p[:TERMS], size, p[TERMS:])

    slope = np.stack([(bow(at + e) - bow(at - e)) / (2 * d) for e in step], 1)
    return bow(at), np.sqrt(np.diag(slope @ covariance @ slope.T))


def decide(
    k: np.ndarray,
    covariance: np.ndarray,
    evidence: float,
    freedom: float,
    *,
    chains: int,
    pictures: int,
    size: tuple[int, int],
    shift: Sequence[float] = (0.0, 0.0),
) -> Curve | NotFound:
    """Keep a fitted curve when it is certain, and straightens more than its freedom would by chance.

    `evidence` is the log likelihood ratio to no curve, `freedom` the fit's `complexity`: their difference
    is the logarithm of the odds for a curve (Laplace's method). `covariance` is that of the coefficients, or
    of them and the `shift` of the curve's centre where that is open.
    """
    bow, sigma = bow_and_sigma(k, covariance, size, shift)
    size_of = f"bow {np.abs(bow).max():.2f} +- {sigma.max():.2f} % of the height"
    words = f"{chains} edges; {size_of}; evidence {evidence:.0f}"
    if chains < MIN_CHAINS:
        return NotFound(f"too few straight edges: {words}")
    if sigma.max() > MAX_BOW_SIGMA:
        return NotFound(f"the lines leave the curve open: {words}")
    if evidence - freedom < MIN_LOG_ODDS or (np.abs(bow) < CLEAR_SIGMAS * sigma).all():
        return NotFound(f"the lines are as straight without a curve: {words}")
    source = "lines" if pictures == 1 else "set"
    return fitted_curve(k, source=source, why=words, uncertainty_percent=round(float(sigma.max()), 4))
