"""A picture's lines as a fit of rooms sees them: where each runs, how bent it is, how a lens changes both.

Conventions: points are in half diagonals, from the centre of the frame as they are found, from the optical
axis in a `Run`; a line's direction is in radians, its distances from its own straight line in pixels of the
grey it was found in.
"""

from dataclasses import dataclass

import numpy as np

from .lens_curve import TERMS, straight_factor_and_slope

BOW_SIGMA_PX = 0.10  # measured on rendered rooms with the true curve taken out: median rms of a chain
BOW_POINTS = 2.5  # bends are of one piece, and some lines are really bent: a line counts as so many at most
ANGLE_SIGMA_PX = 0.12  # the same for a whole line turning: its points err together
POINTS_APART_PX = 4.0  # points closer than this err together
ANGLE_FLOOR_DEG = 0.02  # edge bias of long lines; a room built worse raises its own `noise_of`
AXES = 3
ANGLE_SCALE, BOW_SCALE = 3.5, 2.0  # in sigmas: beyond it a line's pull fades (angles: to nothing)
CLASSES_PX = (45.0, 90.0)  # short, middling and long lines are believed by how many of their class agree
FEWEST_AGREE = 0.15
NOISE_REACH, MOST_NOISE = 8.0, 3.0


@dataclass(frozen=True)
class Run:
    """Lines under a curve: middle (n, 2) from the optical axis, direction (n,), distances (n, points) from
    the line in px.
    """

    mid: np.ndarray
    turn: np.ndarray
    bow: np.ndarray


@dataclass(frozen=True)
class Slopes:
    """Derivatives of a `Run` by each lens coefficient, and by the optical axis (x, y) where it is open:
    (m, n, 2), (m, n), (m, n, points), m = TERMS or TERMS + 2.
    """

    mid: np.ndarray
    turn: np.ndarray
    bow: np.ndarray


class Block:
    """Lines of one kind as padded points, with what their noise allows to believe."""

    def __init__(self, points: np.ndarray, mask: np.ndarray, length: np.ndarray, half_px: float) -> None:
        self.points = points
        self.half_px = half_px
        self._kept: tuple[bytes, _Taken] | None = None
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

    def rms(self, bow: np.ndarray) -> np.ndarray:
        """Each line's distances as one."""
        return np.sqrt(np.einsum("np,np->n", bow, bow) / self.count)

    def straight(self, k: np.ndarray | None, shift: np.ndarray | None = None) -> Run:
        """The lines with coefficients `k` taken out about the optical axis at `shift` (None: as they are)."""
        return self._taken(k, shift).run

    def slopes(self, k: np.ndarray, shift: np.ndarray | None = None) -> tuple[Run, Slopes]:
        """The lines under `k`, and how they change with each coefficient, and with a `shift` when given."""
        taken = self._taken(k, shift)
        run, x, y = taken.run, taken.x, taken.y
        radius = taken.radius * taken.factor
        power = np.empty((TERMS, *radius.shape))
        # bent = s (1 + c0 s + c1 s^2 + ...) stays: ds/dc_i = -s^(i + 2) / slope, along the radius
        power[0] = -radius * radius / taken.slope * self.mask / np.maximum(taken.radius, 1e-9)
        for i in range(1, TERMS):
            np.multiply(power[i - 1], radius, out=power[i])
        mid = np.einsum("npd,inp->ind", taken.bent, power) / self.count[:, None]
        cos, sin = np.cos(run.turn)[:, None], np.sin(run.turn)[:, None]
        across = (taken.bent[..., 1] * cos - taken.bent[..., 0] * sin) * power  # off the line
        onward = (taken.bent[..., 0] * cos + taken.bent[..., 1] * sin) * power
        if shift is not None:
            moved = self._moved_by_shift(taken)
            mid = np.concatenate([mid, moved.sum(2) / self.count[:, None]])
            across = np.concatenate([across, moved[..., 1] * cos - moved[..., 0] * sin])
            onward = np.concatenate([onward, moved[..., 0] * cos + moved[..., 1] * sin])
        along = x * cos + y * sin
        off = y * cos - x * sin
        spread = np.einsum("np,np->n", along, along) - np.einsum("np,np->n", off, off)
        turn = np.einsum("np,inp->in", along, across) + np.einsum("np,inp->in", off, onward)
        turn /= np.maximum(spread, 1e-12)
        mean = across.sum(2, keepdims=True) / self.count[:, None]
        bow = (across - mean * self.mask - along * turn[..., None]) * self.half_px
        return run, Slopes(mid, turn, bow)

    def _moved_by_shift(self, taken: "_Taken") -> np.ndarray:
        """Derivatives (2, n, points, 2) of the straight points by the axis's place: along the radius they
        move as the curve's slope says, across it as its factor does.
        """
        outward = taken.bent / np.maximum(taken.radius, 1e-9)[..., None]
        along = (1 / taken.slope - taken.factor)[..., None] * outward
        moved = -np.stack([along * outward[..., i : i + 1] for i in range(2)])
        for i in range(2):
            moved[i, ..., i] -= taken.factor
        return moved * self.mask[..., None]

    def _taken(self, k: np.ndarray | None, shift: np.ndarray | None) -> "_Taken":
        """The lines under `k` with what their slopes need; the last answer is kept."""
        key = b"".join(b"-" if v is None else v.tobytes() for v in (k, shift))
        if self._kept is None or self._kept[0] != key:
            self._kept = key, self._take(k, shift)
        return self._kept[1]

    def _take(self, k: np.ndarray | None, shift: np.ndarray | None) -> "_Taken":
        factor = slope = np.ones(1)
        bent, radius = self.points, self.radius
        if shift is not None:
            bent = bent - shift
            radius = np.hypot(bent[..., 0], bent[..., 1])
        points = bent
        if k is not None:
            factor, slope = straight_factor_and_slope(radius, k)
            points = bent * factor[..., None]
        mid = np.einsum("npi,np->ni", points, self.mask) / self.count[:, None]
        x = (points[..., 0] - mid[:, :1]) * self.mask
        y = (points[..., 1] - mid[:, 1:]) * self.mask
        sxx, syy, sxy = (np.einsum("np,np->n", a, b) for a, b in ((x, x), (y, y), (x, y)))
        turn = 0.5 * np.arctan2(2 * sxy, sxx - syy)
        bow = (y * np.cos(turn)[:, None] - x * np.sin(turn)[:, None]) * self.half_px
        return _Taken(Run(mid, turn, bow), x, y, bent, radius, factor, slope)


@dataclass(frozen=True)
class _Taken:
    """A run, its points from each line's middle, bent points and radii from the axis, and the factor and
    slope of `straight_factor_and_slope`.
    """

    run: Run
    x: np.ndarray
    y: np.ndarray
    bent: np.ndarray
    radius: np.ndarray
    factor: np.ndarray
    slope: np.ndarray


def noise_of(lines: list[tuple[Block, np.ndarray]]) -> float:
    """Spread of longer lines about their axes, in the sigmas of a sharp picture; 1 to MOST_NOISE."""
    z = np.concatenate([v[(b.kind > 0) & (v < NOISE_REACH)] for b, v in lines])
    noise = MOST_NOISE
    for _ in range(4):  # clipped at three times itself: lines of other directions must not blur the rest
        near = z[z < 3 * noise]
        if len(near) < 8:
            return 1.0
        noise = float(np.clip(1.4826 * np.median(near), 1.0, MOST_NOISE))
    return noise


def trust(block: Block, z: np.ndarray, tolerance: float) -> np.ndarray:
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


def sine(axis: np.ndarray, mid: np.ndarray, turn: np.ndarray, focal: float) -> np.ndarray:
    """Signed sine of the angle between lines (middle, direction) and the way to an axis's vanishing point."""
    tx, ty = axis[0] - axis[2] * mid[:, 0] / focal, axis[1] - axis[2] * mid[:, 1] / focal
    return (tx * np.sin(turn) - ty * np.cos(turn)) / (np.hypot(tx, ty) + 1e-12)


@dataclass(frozen=True)
class Aim:
    """Signed sine of the angle between lines and the way to their vanishing points, and its derivatives by
    the way (n, 2) and by the lines' directions (n,).
    """

    sine: np.ndarray
    by_way: np.ndarray
    by_turn: np.ndarray


def aim(way: np.ndarray, turn: np.ndarray) -> Aim:
    """How lines of direction `turn` aim along `way` (n, 2)."""
    long = np.hypot(way[:, 0], way[:, 1]) + 1e-12
    x, y = way[:, 0] / long, way[:, 1] / long
    sin, cos = np.sin(turn), np.cos(turn)
    off, on = x * sin - y * cos, x * cos + y * sin
    return Aim(off, np.stack([sin - off * x, -cos - off * y], 1) / long[:, None], on)
