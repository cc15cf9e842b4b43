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
from .lens_curve import TERMS, Curve, straight_factor
from .lens_lines import Chains, Prior
from .segments import Segments

BOW_SIGMA_PX = 0.10  # measured on rendered rooms with the true curve taken out: median rms of a chain
BOW_POINTS = 2.5  # bends are of one piece, and some lines are really bent: a line counts as so many at most
ANGLE_SIGMA_PX = 0.12  # the same for a whole line turning: its points err together
POINTS_APART_PX = 4.0  # points closer than this err together
ANGLE_FLOOR_DEG = 0.02  # edge bias of long lines; a room built worse raises its own `noise_of`
AXES = 3
STEEP_DEG = 15.0
FOCAL_SIGMA = {"equivalent": 0.03, "crop": 0.03, "guess": 0.3}  # of the logarithm
ROUNDS = (4.0, 2.0, 1.0, 1.0, 1.0)  # how tolerant the weights are, round by round
STEPS = 2  # Gauss-Newton steps in each round
ANGLE_SCALE, BOW_SCALE = 3.5, 2.0  # in sigmas: beyond it a line's pull fades (angles: to nothing)
CLASSES_PX = (45.0, 90.0)  # short, middling and long lines are believed by how many of their class agree
FEWEST_AGREE = 0.15
NOISE_REACH, MOST_NOISE = 8.0, 3.0
GATE_SIGMAS = 5.0
MOST_TURN, MOST_FOCAL = 0.3, 0.9  # radians, logarithm: farther from the start is another answer
MOST_AWAY = 6.0  # standard deviations of the prior
TWINS = 3.0  # both sides of a moulding, chain and segment of one edge: so many residuals count as one
DIFF = np.array([1e-4] * TERMS + [1e-5] * 3 + [1e-4] + [1e-4] * 2)
MOST_SHIFT = 0.25  # half diagonals
# where lens ends, rotation lies, focal length stands, the optical axis lies
L, R, F, S = TERMS, slice(TERMS, TERMS + 3), TERMS + 3, slice(TERMS + 4, TERMS + 6)
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


@dataclass(frozen=True)
class RoomFit:
    """The answer. `cost` is a robust negative log likelihood, comparable between fits of the same
    pictures.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    views: list[ViewFit]
    cost: float
    chains: int
    noises: list[float]
    own: np.ndarray  # (views, 6) rotation, logarithm of focal length, shift: against the views' start


class _Block:
    """Lines of one kind as padded points, with what their noise allows to believe."""

    def __init__(self, points: np.ndarray, mask: np.ndarray, length: np.ndarray, half_px: float) -> None:
        self.points = points
        self.half_px = half_px
        self._kept: tuple[bytes, tuple[np.ndarray, np.ndarray, np.ndarray]] | None = None
        self.radius = np.hypot(points[..., 0], points[..., 1])
        self.mask = mask
        self.count = np.maximum(mask.sum(1), 1)
        self.length = length
        length_px = np.maximum(length * half_px, 1)
        self.kind = np.searchsorted(CLASSES_PX, length_px)
        effective = np.maximum(length_px / POINTS_APART_PX, 3)
        self.bow_weight = np.sqrt(np.minimum(effective, BOW_POINTS) / self.count) / BOW_SIGMA_PX
        fit = ANGLE_SIGMA_PX * np.sqrt(12 / effective) / length_px
        self.sigma = np.hypot(fit, np.deg2rad(ANGLE_FLOOR_DEG))

    def straight(self, k: np.ndarray | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Middle (n, 2), direction (n,) and distances in px (n, points) of each line under `k`; kept once."""
        key = b"" if k is None else k.tobytes()
        if self._kept is None or self._kept[0] != key:
            self._kept = key, self._straighten(k)
        return self._kept[1]

    def _straighten(self, k: np.ndarray | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        points = self.points
        if k is not None:
            points = points * straight_factor(self.radius, k)[..., None]
        mid = np.einsum("npi,np->ni", points, self.mask) / self.count[:, None]
        x = (points[..., 0] - mid[:, :1]) * self.mask
        y = (points[..., 1] - mid[:, 1:]) * self.mask
        sxx, syy, sxy = (np.einsum("np,np->n", a, b) for a, b in ((x, x), (y, y), (x, y)))
        turn = 0.5 * np.arctan2(2 * sxy, sxx - syy)
        return mid, turn, (y * np.cos(turn)[:, None] - x * np.sin(turn)[:, None]) * self.half_px


class _Picture:
    """One view's lines, weights and residuals; parameters are those of lens and view."""

    def __init__(self, view: View, fixed: Curve | None) -> None:
        self.view = view
        chains = Chains([view.edges])
        pieces = view.segments.points
        length = np.hypot(*(pieces[:, -1] - pieces[:, 0]).T) if len(pieces) else np.zeros(0)
        points = chains.points
        if fixed is not None:
            points, pieces = _moved(points, fixed), _moved(pieces, fixed)
        self.lens_free = fixed is None
        self.blocks = [
            _Block(points, chains.mask, chains.length, view.edges.half_px),
            _Block(pieces, np.ones(pieces.shape[:2]), length, view.segments.half_px),
        ]
        self.noise = 1.0  # how much rougher this picture's edges are than a sharp one's
        self.axis: list[np.ndarray] = []
        self.weights: list[tuple[np.ndarray, np.ndarray]] = []

    def axes(self, p: np.ndarray) -> np.ndarray | None:
        return None if self.view.axes is None else self.view.axes @ turned(p[R])

    def focal(self, p: np.ndarray) -> float:
        return self.view.focal * float(np.exp(p[F]))

    def sines(self, p: np.ndarray, block: _Block) -> tuple[np.ndarray, np.ndarray]:
        """(3, n) sines of each line's angle to each axis, and (n, points) distances in px."""
        mid, turn, bow = block.straight(p[:L] if self.lens_free else None)
        axes = self.axes(p)
        if axes is None:
            return np.ones((3, len(mid))), bow
        mid = mid - p[S]
        return np.array([sine(a, mid, turn, self.focal(p)) for a in axes]), bow

    def weigh(self, p: np.ndarray, tolerance: float) -> None:
        """Assign each line to the axis it points to and set its weight by how well it does."""
        self.axis, self.weights = [], []
        found = [(block, *self.sines(p, block)) for block in self.blocks]
        self.noise = noise_of([(b, np.abs(s).min(0) / b.sigma) for b, s, _ in found])
        for block, sines, bow in found:
            axis = np.argmin(np.abs(sines), 0)
            z = np.abs(sines[axis, np.arange(len(axis))]) / (block.sigma * tolerance * self.noise)
            rms = np.sqrt((bow**2).sum(1) / block.count) / (BOW_SIGMA_PX * tolerance * self.noise)
            straight = np.where(rms < 2 * GATE_SIGMAS, 1 / (1 + (rms / BOW_SCALE) ** 2), 0.0)
            believed = trust(block, z, tolerance * self.noise)
            points_there = 1 / (1 + (z / ANGLE_SCALE) ** 2) ** 2 * straight * believed
            self.axis.append(axis)
            angle_weight = np.sqrt(points_there) / (block.sigma * self.noise)
            self.weights.append((angle_weight, np.sqrt(straight) * block.bow_weight / self.noise))

    def residuals(self, p: np.ndarray) -> np.ndarray:
        out = []
        axes, focal = self.axes(p), self.focal(p)
        for block, axis, (angle_weight, bow_weight) in zip(self.blocks, self.axis, self.weights, strict=True):
            mid, turn, bow = block.straight(p[:L] if self.lens_free else None)
            if axes is not None:
                chosen = axes[axis]
                out.append(sine(chosen.T, mid - p[S], turn, focal) * angle_weight)
            if self.lens_free:
                out.append((bow * bow_weight[:, None]).ravel())
        z = p[F] / self.view.focal_sigma
        out.append(np.array([np.sqrt(TWINS) * np.sign(z) * np.sqrt(np.log1p(z * z))]))
        if self.view.shift_sigma:
            out.append(np.sqrt(TWINS) * p[S] / self.view.shift_sigma)
        return np.concatenate(out)

    def normal(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """10 x 10 normal matrix and gradient at `p`."""
        r = self.residuals(p)
        jacobian = np.zeros((len(r), L + OWN))
        for i in (*range(L, L + OWN), *range(L)):  # first those that leave the lines as they are
            if (i < L and not self.lens_free) or (i >= L and self.view.axes is None):
                continue
            if i > F and not self.view.shift_sigma:
                continue
            q = p.copy()
            q[i] += DIFF[i]
            jacobian[:, i] = (self.residuals(q) - r) / DIFF[i]
        return jacobian.T @ jacobian / TWINS, jacobian.T @ r / TWINS

    def cost(self, p: np.ndarray, noise: float = 1.0) -> float:
        """Bounded cost of all lines at the final tolerance."""
        total = 0.0
        for block in self.blocks:
            sines, bow = self.sines(p, block)
            z = np.abs(sines).min(0) / (block.sigma * noise)
            rms = np.sqrt((bow**2).sum(1) / block.count) / (BOW_SIGMA_PX * noise)
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
        _, turn, _ = block.straight(p[:L] if self.lens_free else None)
        lean = np.degrees(turn[rows]) % 180 - 90
        sigma = np.degrees(block.sigma[rows]) * self.noise
        return Lining(rows, np.degrees(off[rows]), sigma, block.length[rows], lean)

    def upright_share(self, p: np.ndarray) -> float:
        """Of the length of steep lines of some length, the share that points to the down axis."""
        block = self.blocks[1]
        axes = self.axes(p)
        if axes is None or not len(block.points):
            return 0.0
        mid, turn, _ = block.straight(p[:L] if self.lens_free else None)
        off = np.abs(sine(axes[1], mid - p[S], turn, self.focal(p)))
        steep = (off < np.sin(np.deg2rad(STEEP_DEG))) & (block.kind > 0)
        near = steep & (off < 3 * block.sigma * self.noise)
        return float(block.length[near].sum() / max(block.length[steep].sum(), 1e-9))


def noise_of(lines: list[tuple[_Block, np.ndarray]]) -> float:
    """Spread of longer lines about their axes, in the sigmas of a sharp picture; 1 to MOST_NOISE."""
    z = np.concatenate([v[(b.kind > 0) & (v < NOISE_REACH)] for b, v in lines])
    noise = MOST_NOISE
    for _ in range(4):  # clipped at three times itself: lines of other directions must not blur the rest
        near = z[z < 3 * noise]
        if len(near) < 8:
            return 1.0
        noise = float(np.clip(1.4826 * np.median(near), 1.0, MOST_NOISE))
    return noise


def trust(block: _Block, z: np.ndarray, tolerance: float) -> np.ndarray:
    """How far lines of each length are believed: by how many of their class point to an axis, beyond chance.

    Leaves, bricks and cloth are full of short lines in all directions; some of them always point the right
    way.
    """
    out = np.ones(len(z))
    for kind in np.unique(block.kind):
        rows = block.kind == kind
        reach = np.minimum(ANGLE_SCALE * tolerance * block.sigma[rows], 0.5)
        chance = float(np.minimum(2 * AXES * reach / np.pi, 0.9).mean())
        agree = (float((z[rows] < ANGLE_SCALE).mean()) - chance) / (1 - chance)
        out[rows] = np.clip((agree - FEWEST_AGREE) / 0.3, 0.0, 1.0) if rows.sum() >= 8 else max(agree, 0.0)
    return out


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
    inverse = np.linalg.inv(prior.covariance)
    lens_normal = inverse
    normals: list[np.ndarray] = []
    for tolerance in rounds:
        for picture, p in zip(pictures, own, strict=True):
            picture.weigh(np.concatenate([k, p]), tolerance)
        for _ in range(STEPS):
            k, own, lens_normal, normals = _step(pictures, k, own, prior.mean, inverse)
    fits = [_view_fit(q, np.concatenate([k, p]), n) for q, p, n in zip(pictures, own, normals, strict=True)]
    noises = list(reference.noises) if reference else [q.noise for q in pictures]
    cost = sum(q.cost(np.concatenate([k, p]), n) for q, p, n in zip(pictures, own, noises, strict=True))
    chains = sum(int((q.weights[0][1] * q.noise > 0.5 * q.blocks[0].bow_weight).sum()) for q in pictures)
    return RoomFit(k, np.linalg.inv(lens_normal), fits, float(cost), chains, noises, own)


def cost_under(fit: RoomFit, views: Sequence[View], noises: Sequence[float]) -> float:
    """The cost of a fit with a free lens by other noises than its own, to compare fits of several starts."""
    return sum(
        _Picture(v, None).cost(np.concatenate([fit.coefficients, p]), n)
        for v, p, n in zip(views, fit.own, noises, strict=True)
    )


def _step(
    pictures: list[_Picture], k: np.ndarray, own: np.ndarray, mean: np.ndarray, inverse: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[np.ndarray]]:
    """One Gauss-Newton step: the pictures' own parameters are eliminated, the shared lens is solved first."""
    lens_normal, lens_gradient = inverse.copy(), inverse @ (k - mean)
    parts = []
    for picture, p in zip(pictures, own, strict=True):
        a, g = picture.normal(np.concatenate([k, p]))
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


def _view_fit(picture: _Picture, p: np.ndarray, normal: np.ndarray) -> ViewFit:
    covariance = np.linalg.inv(normal + np.eye(L + OWN) * 1e-9)
    return ViewFit(
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


def sine(axis: np.ndarray, mid: np.ndarray, turn: np.ndarray, focal: float) -> np.ndarray:
    """Signed sine of the angle between lines (middle, direction) and the way to an axis's vanishing point."""
    tx, ty = axis[0] - axis[2] * mid[:, 0] / focal, axis[1] - axis[2] * mid[:, 1] / focal
    return (tx * np.sin(turn) - ty * np.cos(turn)) / (np.hypot(tx, ty) + 1e-12)


def turned(turn: np.ndarray) -> np.ndarray:
    """Rotation matrix of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(turn))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = turn / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross)


def _moved(points: np.ndarray, curve: Curve) -> np.ndarray:
    r = np.hypot(points[..., 0], points[..., 1])
    with np.errstate(invalid="ignore"):
        factor = np.where(r > 1e-9, curve.straight_radius(r) / np.maximum(r, 1e-9), 1.0)
    return points * np.nan_to_num(factor, nan=10.0)[..., None]
