"""Lens, focal length and level of one or several pictures of rooms, fitted together.

A room's lines run along three directions. A chain that is short says little about the lens by its own bow,
but much by pointing to its vanishing point: once the level is known all uprights of the picture must agree
on one point, wherever in the frame they stand, and the lens curve is what makes them agree. So the fit has,
for each picture, a rotation and a focal length, and for the whole pool the lens coefficients (or a fixed
curve); its residuals are each line's distances from its own straight line and its angle to its vanishing
point.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .edges import Edges
from .lens_curve import TERMS, Curve
from .lens_lines import Chains, Prior
from .room_lines import (
    ANGLE_SCALE,
    AXES,
    BOW_SCALE,
    BOW_SIGMA_PX,
    Block,
    Run,
    Slopes,
    aim,
    noise_of,
    sine,
    trust,
)
from .segments import Segments

STEEP_DEG = 15.0
FOCAL_SIGMA = {"equivalent": 0.03, "crop": 0.03, "guess": 0.3}  # of the logarithm
ROUNDS = (4.0, 2.0, 1.0, 1.0, 1.0)  # how tolerant the weights are, round by round
STEPS = 2  # Gauss-Newton steps in each round
HELD = 1.5  # while weights are more tolerant than this, a shift that was looked for stays where it was found
STIFF = 1e9
GATE_SIGMAS = 5.0
MOST_TURN, MOST_FOCAL = 0.3, 0.9  # radians, logarithm: farther from the start is another answer
MOST_AWAY = 6.0  # standard deviations of the prior
TWINS = 3.0  # both sides of a moulding, chain and segment of one edge: so many residuals count as one
DIFF = np.array([1e-4] * TERMS + [1e-5] * 3 + [1e-4] + [1e-4] * 2)
TURN_STEP = 1e-6  # radians, of a difference of rotations
MOST_SHIFT = 0.5  # half diagonals: more than a corner of 60 % of a frame has
# where lens ends, rotation lies, focal length stands, the optical axis lies
L, R, F, S = TERMS, slice(TERMS, TERMS + 3), TERMS + 3, slice(TERMS + 4, TERMS + 6)
BENDING = np.array([*range(TERMS), TERMS + 4, TERMS + 5])  # the curve, and the point about which it bends
OWN = 6  # parameters of each picture


@dataclass(frozen=True)
class View:
    """One picture before the fit; rows of `axes` are level, down, level, None where they were not found."""

    edges: Edges
    segments: Segments
    axes: np.ndarray | None
    focal: float  # half diagonals
    focal_sigma: float  # of its logarithm
    shift_sigma: float = 0.0  # half diagonals: how far the optical axis may lie off the frame's centre
    shift: tuple[float, float] = (0.0, 0.0)  # half diagonals: where it is first looked for


@dataclass(frozen=True)
class Lining:
    """How one picture's segments line up with an axis: which ones do, and how far they are off, degrees.
    `lean_deg` is how far they are off the picture's own vertical.
    """

    rows: np.ndarray
    off_deg: np.ndarray
    sigma_deg: np.ndarray
    length: np.ndarray
    lean_deg: np.ndarray


@dataclass(frozen=True)
class ViewFit:
    """One picture after the fit. `axes` are those of a camera whose optical axis is the frame's centre: where
    it is not, as in a frame cut at one side, the down direction is the one whose vanishing point is the same.
    """

    axes: np.ndarray | None
    focal: float
    focal_sigma: float
    level_sigma_deg: float
    uprights: Lining
    levels: Lining
    upright_share: float  # of the length of steep lines of some length, how much is upright
    shift: tuple[float, float] = (0.0, 0.0)  # of the optical axis from the frame's centre, half diagonals
    true_axes: np.ndarray | None = None  # of the camera that looks along its optical axis
    bend_covariance: np.ndarray | None = None  # (6, 6) of coefficients and shift, where the shift is open


@dataclass(frozen=True)
class RoomFit:
    """The answer. `cost` is a robust negative log likelihood, comparable between fits of the same
    pictures; `shift_cost` what the shifts' prior and their freedom take from it (Laplace's method).
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    views: list[ViewFit]
    cost: float
    chains: int
    noises: list[float]
    # (views, 6) rotation and logarithm of focal length against the views' start; shift from the centre
    own: np.ndarray
    shift_cost: float = 0.0


class _Picture:
    """One view's lines, weights and residuals; parameters are those of lens and view."""

    def __init__(self, view: View, fixed: Curve | None) -> None:
        self.view = view
        chains = Chains([view.edges])
        pieces = view.segments.points
        length = np.hypot(*(pieces[:, -1] - pieces[:, 0]).T) if len(pieces) else np.zeros(0)
        points = chains.points
        if fixed is not None:  # from here on its axis is the centre
            points, pieces = _moved(points, fixed), _moved(pieces, fixed)
        self.lens_free = fixed is None
        self.blocks = [
            Block(points, chains.mask, chains.length, view.edges.half_px),
            Block(pieces, np.ones(pieces.shape[:2]), length, view.segments.half_px),
        ]
        self.noise = 1.0  # how much rougher this picture's edges are than a sharp one's
        self.axis: list[np.ndarray] = []
        self.weights: list[tuple[np.ndarray, np.ndarray]] = []

    def axes(self, p: np.ndarray) -> np.ndarray | None:
        return None if self.view.axes is None else self.view.axes @ turned(p[R])

    def focal(self, p: np.ndarray) -> float:
        return self.view.focal * float(np.exp(p[F]))

    def shift(self, p: np.ndarray) -> np.ndarray | None:
        return p[S] if self.view.shift_sigma else None

    def run(self, p: np.ndarray, block: Block) -> Run:
        return block.straight(p[:L] if self.lens_free else None, self.shift(p))

    def sines(self, p: np.ndarray, block: Block) -> tuple[np.ndarray, np.ndarray]:
        """(3, n) sines of each line's angle to each axis, and (n, points) distances in px."""
        run = self.run(p, block)
        axes = self.axes(p)
        if axes is None:
            return np.ones((AXES, len(run.mid))), run.bow
        return np.array([sine(a, run.mid, run.turn, self.focal(p)) for a in axes]), run.bow

    def weigh(self, p: np.ndarray, tolerance: float) -> None:
        """Assign each line to the axis it points to and set its weight by how well it does."""
        self.axis, self.weights = [], []
        found = [(block, *self.sines(p, block)) for block in self.blocks]
        self.noise = noise_of([(b, np.abs(s).min(0) / b.sigma) for b, s, _ in found])
        for block, sines, bow in found:
            axis = np.argmin(np.abs(sines), 0)
            z = np.abs(sines[axis, np.arange(len(axis))]) / (block.sigma * tolerance * self.noise)
            rms = block.rms(bow) / (BOW_SIGMA_PX * tolerance * self.noise)
            straight = np.where(rms < 2 * GATE_SIGMAS, 1 / (1 + (rms / BOW_SCALE) ** 2), 0.0)
            believed = trust(block, z, tolerance * self.noise)
            points_there = 1 / (1 + (z / ANGLE_SCALE) ** 2) ** 2 * straight * believed
            self.axis.append(axis)
            angle_weight = np.sqrt(points_there) / (block.sigma * self.noise)
            self.weights.append((angle_weight, np.sqrt(straight) * block.bow_weight / self.noise))

    def normal(self, p: np.ndarray, *, held: bool) -> tuple[np.ndarray, np.ndarray]:
        """10 x 10 normal matrix and gradient at `p`; `held` keeps the shift as it is."""
        matrix, gradient = np.zeros((L + OWN, L + OWN)), np.zeros(L + OWN)
        for block, axis, (angle_weight, bow_weight) in zip(self.blocks, self.axis, self.weights, strict=True):
            if not len(block.points):
                continue
            run, slopes = self._run_and_slopes(p, block)
            if slopes is not None:
                bend = (slopes.bow * bow_weight[:, None]).reshape(len(slopes.bow), -1)
                bending = BENDING[: len(bend)]
                matrix[np.ix_(bending, bending)] += bend @ bend.T
                gradient[bending] += bend @ (run.bow * bow_weight[:, None]).ravel()
            if self.view.axes is not None:
                residual, jacobian = self._pointing(p, run, slopes, axis)
                jacobian *= angle_weight
                matrix += jacobian @ jacobian.T
                gradient += jacobian @ (residual * angle_weight)
        if self.view.axes is not None:
            z = p[F] / self.view.focal_sigma
            root, slope = _logarithmic(z)
            matrix[F, F] += TWINS * (slope / self.view.focal_sigma) ** 2
            gradient[F] += TWINS * root * slope / self.view.focal_sigma
            if self.view.shift_sigma:
                matrix[S, S] += np.eye(2) * TWINS / self.view.shift_sigma**2
                gradient[S] += TWINS * p[S] / self.view.shift_sigma**2
                if held and any(self.view.shift):
                    matrix[S, S] += np.eye(2) * STIFF
        return matrix / TWINS, gradient / TWINS

    def _run_and_slopes(self, p: np.ndarray, block: Block) -> tuple[Run, Slopes | None]:
        if self.lens_free:
            return block.slopes(p[:L], self.shift(p))
        return block.straight(None, self.shift(p)), None

    def _pointing(
        self, p: np.ndarray, run: Run, slopes: Slopes | None, axis: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Sines of the lines' angles to their axes (n,), and their Jacobian (10, n)."""
        axes, focal, mid = self.view.axes @ turned(p[R]), self.focal(p), run.mid
        depth = axes[axis, 2] / focal
        aimed = aim(axes[axis, :2] - depth[:, None] * mid, run.turn)
        out = np.zeros((L + OWN, len(mid)))
        by_mid = -depth[:, None] * aimed.by_way
        if slopes is not None:
            bending = BENDING[: len(slopes.turn)]
            out[bending] = np.einsum("nd,ind->in", by_mid, slopes.mid) + aimed.by_turn * slopes.turn
        elif self.view.shift_sigma:
            out[S] = -by_mid.T
        for i in range(3):
            q = p[R].copy()
            q[i] += TURN_STEP
            moved = (self.view.axes @ turned(q) - axes)[axis] / TURN_STEP
            out[L + i] = ((moved[:, :2] - moved[:, 2:] * mid / focal) * aimed.by_way).sum(1)
        out[F] = -(by_mid * mid).sum(1)
        return aimed.sine, out

    def cost(self, p: np.ndarray, noise: float = 1.0) -> float:
        """Bounded cost of all lines at the final tolerance."""
        total = 0.0
        for block in self.blocks:
            sines, bow = self.sines(p, block)
            z = np.abs(sines).min(0) / (block.sigma * noise)
            rms = block.rms(bow) / (BOW_SIGMA_PX * noise)
            effective = block.bow_weight**2 * BOW_SIGMA_PX**2 * block.count
            total += float((0.5 * z**2 / (1 + (z / ANGLE_SCALE) ** 2)).sum())
            bow_cost = 0.5 * BOW_SCALE**2 * np.log1p(np.minimum(rms, 20) ** 2 / BOW_SCALE**2)
            total += float((effective * bow_cost).sum())
        return total / TWINS

    def lining(self, p: np.ndarray, wanted: tuple[int, ...]) -> Lining:
        """Segments that point to one of the wanted axes."""
        block = self.blocks[1]
        if self.view.axes is None or not len(block.points):
            return Lining(np.zeros(0, int), *(np.zeros(0),) * 4)
        sines, _ = self.sines(p, block)
        axis = np.argmin(np.abs(sines), 0)
        off = sines[axis, np.arange(len(axis))]
        rows = np.flatnonzero(np.isin(axis, wanted) & (np.abs(off) < 3 * block.sigma * self.noise))
        lean = np.degrees(self.run(p, block).turn[rows]) % 180 - 90
        sigma = np.degrees(block.sigma[rows]) * self.noise
        return Lining(rows, np.degrees(off[rows]), sigma, block.length[rows], lean)

    def upright_share(self, p: np.ndarray) -> float:
        """Of the length of steep lines of some length, the share that points to the down axis."""
        block = self.blocks[1]
        axes = self.axes(p)
        if axes is None or not len(block.points):
            return 0.0
        run = self.run(p, block)
        off = np.abs(sine(axes[1], run.mid, run.turn, self.focal(p)))
        steep = (off < np.sin(np.deg2rad(STEEP_DEG))) & (block.kind > 0)
        near = steep & (off < 3 * block.sigma * self.noise)
        return float(block.length[near].sum() / max(block.length[steep].sum(), 1e-9))


def fit_rooms(
    views: Sequence[View],
    k: np.ndarray,
    prior: Prior,
    *,
    fixed: Curve | None = None,
    reference: RoomFit | None = None,
    rounds: Sequence[float] = ROUNDS,
) -> RoomFit:
    """Fit the pool by re-weighted Gauss-Newton steps from a good start.

    Parameters
    ----------
    views : pictures of one lens setting with their first axes
    k : (4,) first coefficients (`lens_curve.straight_factor`); ignored with a fixed curve
    fixed : a curve known from elsewhere
    reference : another fit of the same pictures, whose noise the cost is measured by, to compare the two
    rounds : tolerances; fewer when the views' axes and focal lengths are those of a fit already
    """
    pictures = [_Picture(v, fixed) for v in views]
    k = np.asarray(k, float) if fixed is None else np.zeros(L)
    own = np.zeros((len(views), OWN))
    for p, view in zip(own, views, strict=True):
        p[OWN - 2 :] = view.shift
    inverse = np.linalg.inv(prior.covariance)
    lens_normal = inverse
    normals: list[np.ndarray] = []
    for tolerance in rounds:
        for picture, p in zip(pictures, own, strict=True):
            picture.weigh(np.concatenate([k, p]), tolerance)
        for _ in range(STEPS):
            held = tolerance > HELD
            k, own, lens_normal, normals = _step(pictures, k, own, prior.mean, inverse, held=held)
    lens = np.linalg.inv(lens_normal)
    fits = [
        _view_fit(q, np.concatenate([k, p]), n, lens) for q, p, n in zip(pictures, own, normals, strict=True)
    ]
    noises = list(reference.noises) if reference else [q.noise for q in pictures]
    cost = sum(q.cost(np.concatenate([k, p]), n) for q, p, n in zip(pictures, own, noises, strict=True))
    chains = sum(int((q.weights[0][1] * q.noise > 0.5 * q.blocks[0].bow_weight).sum()) for q in pictures)
    shift_cost = sum(_shift_cost(v, p, n) for v, p, n in zip(views, own, normals, strict=True))
    return RoomFit(k, lens, fits, float(cost), chains, noises, own, shift_cost)


def cost_under(fit: RoomFit, views: Sequence[View], noises: Sequence[float]) -> float:
    """The cost of a fit with a free lens by other noises than its own, to compare fits of several starts."""
    return sum(
        _Picture(v, None).cost(np.concatenate([fit.coefficients, p]), n)
        for v, p, n in zip(views, fit.own, noises, strict=True)
    )


def _step(
    pictures: list[_Picture],
    k: np.ndarray,
    own: np.ndarray,
    mean: np.ndarray,
    inverse: np.ndarray,
    *,
    held: bool,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[np.ndarray]]:
    """One Gauss-Newton step: the pictures' own parameters are eliminated, the shared lens is solved first."""
    lens_normal, lens_gradient = inverse.copy(), inverse @ (k - mean)
    parts = []
    for picture, p in zip(pictures, own, strict=True):
        a, g = picture.normal(np.concatenate([k, p]), held=held)
        a = a + np.diag([0] * L + [1] * OWN) * 1e-6
        back = np.linalg.inv(a[L:, L:])
        lens_normal += a[:L, :L] - a[:L, L:] @ back @ a[L:, :L]
        lens_gradient += g[:L] - a[:L, L:] @ back @ g[L:]
        parts.append((a, g, back))
    free = bool(pictures) and pictures[0].lens_free
    move = np.zeros(L)
    if free:
        scale = 1 / np.sqrt(np.diag(lens_normal))  # closed terms are a billion times stiffer than open ones
        step = np.linalg.lstsq(lens_normal * np.outer(scale, scale), lens_gradient * scale, rcond=1e-13)[0]
        move = _bounded(k, -step * scale, mean, inverse)
    moved = [p - back @ (g[L:] + a[L:, :L] @ move) for p, (a, g, back) in zip(own, parts, strict=True)]
    limits = np.array([MOST_TURN] * 3 + [MOST_FOCAL] + [MOST_SHIFT] * 2)
    turned_to = np.clip(np.array(moved).reshape(-1, OWN), -limits, limits)
    return k + move, turned_to, lens_normal, [a for a, _, _ in parts]


def _bounded(k: np.ndarray, move: np.ndarray, mean: np.ndarray, inverse: np.ndarray) -> np.ndarray:
    """Shorten a step that leaves all known lenses far behind."""
    for _ in range(12):
        away = k + move - mean
        if float(away @ inverse @ away) <= MOST_AWAY**2:
            return move
        move = move / 2
    return np.zeros_like(move)


def _shift_cost(view: View, own: np.ndarray, normal: np.ndarray) -> float:
    """Negative log of a shift's prior, and of the share of it that the lines leave over, given the lens."""
    if not view.shift_sigma:
        return 0.0
    after = np.linalg.inv(normal[L:, L:] + np.eye(OWN) * 1e-6)[-2:, -2:]
    away = float((own[-2:] ** 2).sum()) / view.shift_sigma**2
    return (away + 4 * float(np.log(view.shift_sigma)) - float(np.linalg.slogdet(after)[1])) / 2


def _bend_covariance(normal: np.ndarray, lens: np.ndarray) -> np.ndarray:
    """Covariance of coefficients and shift of one picture, whose lens is known as `lens` says."""
    back = np.linalg.inv(normal[L:, L:] + np.eye(OWN) * 1e-6)
    follows = (back @ normal[L:, :L])[-2:]  # the shift moves by minus so much of the coefficients
    across = -lens @ follows.T
    return np.block([[lens, across], [across.T, back[-2:, -2:] + follows @ lens @ follows.T]])


def _view_fit(picture: _Picture, p: np.ndarray, normal: np.ndarray, lens: np.ndarray) -> ViewFit:
    covariance = np.linalg.inv(normal + np.eye(L + OWN) * 1e-9)
    is_open = picture.view.shift_sigma > 0 and picture.lens_free
    return ViewFit(
        true_axes=picture.axes(p),
        bend_covariance=_bend_covariance(normal, lens) if is_open else None,
        axes=centred(picture, p),
        focal=picture.focal(p),
        focal_sigma=float(np.sqrt(max(covariance[F, F], 0.0))),
        level_sigma_deg=level_sigma_deg(picture, p, covariance),
        shift=(float(p[S][0]), float(p[S][1])),
        uprights=picture.lining(p, (1,)),
        levels=picture.lining(p, (0, 2)),
        upright_share=picture.upright_share(p),
    )


def centred(picture: _Picture, p: np.ndarray) -> np.ndarray | None:
    """The axes with the same vanishing points for a camera that looks through the frame's centre."""
    axes = picture.axes(p)
    if axes is None or not picture.view.shift_sigma:
        return axes
    moved = axes + np.stack([*(axes[:, 2] * s / picture.focal(p) for s in p[S]), np.zeros(AXES)], 1)
    return moved / np.linalg.norm(moved, axis=1)[:, None]


def level_sigma_deg(picture: _Picture, p: np.ndarray, covariance: np.ndarray) -> float:
    """Standard deviation of the level; where the optical axis is open, of the down direction `centred`."""
    start = centred(picture, p)
    if start is None or not picture.view.shift_sigma:
        return float(np.degrees(np.sqrt(np.trace(covariance[R, R]) / 3)))
    free = [*range(L, L + 3), F, F + 1, F + 2]
    moved = [centred(picture, p + DIFF[i] * np.eye(L + OWN)[i]) for i in free]
    slope = np.stack(
        [(m[1] - start[1]) / DIFF[i] for m, i in zip(moved, free, strict=True) if m is not None], 1
    )
    return float(np.degrees(np.sqrt(np.trace(slope @ covariance[np.ix_(free, free)] @ slope.T) / 2)))


def turned(turn: np.ndarray) -> np.ndarray:
    """Rotation matrix of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(turn))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = turn / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross)


def _logarithmic(z: float) -> tuple[float, float]:
    """Root of log(1 + z^2) with the sign of z, and its slope: a prior that forgives the far."""
    root = float(np.sqrt(np.log1p(z * z)))
    if root < 1e-6:
        return z, 1.0
    return float(np.copysign(root, z)), abs(z) / ((1 + z * z) * root)


def _moved(points: np.ndarray, curve: Curve) -> np.ndarray:
    """Straight points from the curve's own centre."""
    bent = points - np.asarray(curve.offset)
    r = np.hypot(bent[..., 0], bent[..., 1])
    with np.errstate(invalid="ignore"):
        factor = np.where(r > 1e-9, curve.straight_radius(r) / np.maximum(r, 1e-9), 1.0)
    return bent * np.nan_to_num(factor, nan=10.0)[..., None]
