"""A picture's lines as a fit of rooms sees them: where each runs, how bent it is, how a lens changes both.

Conventions: points are in half diagonals from the centre of the frame; a line's direction is in radians,
its distances from its own straight line in pixels of the grey it was found in.
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
    """Lines under a curve: middle (n, 2), direction (n,), distances (n, points) from the line in px."""

    mid: np.ndarray
    turn: np.ndarray
    bow: np.ndarray


@dataclass(frozen=True)
class Slopes:
    """Derivatives of a `Run` by each lens coefficient: (TERMS, n, 2), (TERMS, n), (TERMS, n, points)."""

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

    def straight(self, k: np.ndarray | None) -> Run:
        """The lines with coefficients `k` taken out (None: as they are)."""
        return self._taken(k).run

    def slopes(self, k: np.ndarray) -> tuple[Run, Slopes]:
        """The lines under `k`, and how they change with each coefficient."""
        taken = self._taken(k)
        run, x, y = taken.run, taken.x, taken.y
        radius = self.radius * taken.factor
        power = np.empty((TERMS, *radius.shape))
        # bent = s (1 + c0 s + c1 s^2 + ...) stays: ds/dc_i = -s^(i + 2) / slope, along the radius
        power[0] = -radius * radius / taken.slope * self.mask / np.maximum(self.radius, 1e-9)
        for i in range(1, TERMS):
            np.multiply(power[i - 1], radius, out=power[i])
        mid = np.einsum("npd,inp->ind", self.points, power) / self.count[:, None]
        cos, sin = np.cos(run.turn)[:, None], np.sin(run.turn)[:, None]
        along = x * cos + y * sin
        off = y * cos - x * sin
        across = (self.points[..., 1] * cos - self.points[..., 0] * sin) * power  # off the line
        onward = (self.points[..., 0] * cos + self.points[..., 1] * sin) * power
        spread = np.einsum("np,np->n", along, along) - np.einsum("np,np->n", off, off)
        turn = np.einsum("np,inp->in", along, across) + np.einsum("np,inp->in", off, onward)
        turn /= np.maximum(spread, 1e-12)
        mean = across.sum(2, keepdims=True) / self.count[:, None]
        bow = (across - mean * self.mask - along * turn[..., None]) * self.half_px
        return run, Slopes(mid, turn, bow)

    def _taken(self, k: np.ndarray | None) -> "_Taken":
        """The lines under `k` with what their slopes need; the last answer is kept."""
        key = b"" if k is None else k.tobytes()
        if self._kept is None or self._kept[0] != key:
            self._kept = key, self._take(k)
        return self._kept[1]

    def _take(self, k: np.ndarray | None) -> "_Taken":
        factor = slope = np.ones(1)
        points = self.points
        if k is not None:
            factor, slope = straight_factor_and_slope(self.radius, k)
            points = points * factor[..., None]
        mid = np.einsum("npi,np->ni", points, self.mask) / self.count[:, None]
        x = (points[..., 0] - mid[:, :1]) * self.mask
        y = (points[..., 1] - mid[:, 1:]) * self.mask
        sxx, syy, sxy = (np.einsum("np,np->n", a, b) for a, b in ((x, x), (y, y), (x, y)))
        turn = 0.5 * np.arctan2(2 * sxy, sxx - syy)
        bow = (y * np.cos(turn)[:, None] - x * np.sin(turn)[:, None]) * self.half_px
        return _Taken(Run(mid, turn, bow), x, y, factor, slope)


@dataclass(frozen=True)
class _Taken:
    """A run, its points from each line's middle, and the factor and slope of `straight_factor_and_slope`."""

    run: Run
    x: np.ndarray
    y: np.ndarray
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
