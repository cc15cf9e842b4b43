"""How far a lens bends a picture, as one radial curve, both ways.

Conventions: points are (x, y) pixels, centres at whole numbers; the curve is centred on the frame, radii are
in half diagonals of the frame. "Bent" points are where the lens put them, "straight" points where a pinhole
camera of the same scale at the centre would have. Where the curve has no value (beyond its turning point)
points are NaN.
"""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from .errors import ShapeError

SOURCES = ("database", "lines", "set", "none")
MODELS = ("ptlens", "poly3", "poly5", "brown", "none")
TABLE_STEPS = 5120  # of the inverse; with one Newton step the error stays below 1e-7 half diagonals
# half diagonals, straight or bent: more than any source point of a levelled picture needs, also where the
# axis lies far off the centre of a cut frame
TABLE_RADIUS = 2.0


@dataclass(frozen=True)
class Curve:
    """One lens setting's curve.

    `model` names the equation (r in half diagonals times `unit`):
    ptlens  bent = r (a r^3 + b r^2 + c r + 1-a-b-c), r straight; coefficients a, b, c
    poly3   bent = r (1 - k + k r^2), r straight; coefficient k
    poly5   bent = r (1 + k1 r^2 + k2 r^4), r straight
    brown   straight = r (1 + k1 r^2 + k2 r^4 + k3 r^6), r bent
    The straight radius is multiplied by the scale at the centre, so that the centre keeps its size.

    `red` and `blue` are (v, c, b): the channel's radius is r (v + c r + b r^2) at the green's bent radius r.
    `vignetting` is (k1, k2, k3): light left is 1 + k1 q + k2 q^2 + k3 q^3, q = (r / `vignetting_unit`)^2,
    r the bent radius in half diagonals.
    """

    source: str = "none"
    model: str = "none"
    coefficients: tuple[float, ...] = ()
    why: str = ""
    unit: float = 1.0
    name: str = ""
    red: tuple[float, ...] = ()
    blue: tuple[float, ...] = ()
    vignetting: tuple[float, ...] = ()
    vignetting_unit: float = 1.0
    uncertainty_percent: float = 0.0
    offset: tuple[float, float] = field(default=(0.0, 0.0))
    code: str = ""  # why there is none, as in `quality.NEEDS_LOOK`

    def __post_init__(self) -> None:
        if self.source not in SOURCES:
            raise ShapeError(f"source: need one of {SOURCES}, got {self.source!r}")
        if self.model not in MODELS:
            raise ShapeError(f"model: need one of {MODELS}, got {self.model!r}")

    @property
    def is_identity(self) -> bool:
        """True when nothing is bent."""
        return self.model == "none" or not any(self.coefficients)

    @property
    def has_fringes(self) -> bool:
        """True when red and blue have curves of their own."""
        return bool(self.red) and bool(self.blue)

    def bent_radius(self, straight: np.ndarray) -> np.ndarray:
        """Radius where the lens puts a point of the given straight radius; half diagonals, NaN outside."""
        straight = np.asarray(straight, float)
        if self.is_identity:
            return straight.copy()
        if self.model == "brown":
            return self._invert(straight)
        return self._forward(straight)

    def straight_radius(self, bent: np.ndarray) -> np.ndarray:
        """Radius a pinhole camera would give a point found at the bent radius; half diagonals, NaN
        outside.
        """
        bent = np.asarray(bent, float)
        if self.is_identity:
            return bent.copy()
        if self.model == "brown":
            return self._forward(bent)
        return self._invert(bent)

    def undistort_points(self, xy: np.ndarray, size: tuple[int, int]) -> np.ndarray:
        """Move bent points to where straight lines are straight. (..., 2) pixels of a frame of (width,
        height).
        """
        return self._scaled(xy, size, self.straight_radius)

    def distort_points(self, xy: np.ndarray, size: tuple[int, int]) -> np.ndarray:
        """Move straight points to where the lens put them. (..., 2) pixels."""
        return self._scaled(xy, size, self.bent_radius)

    def fringe_points(self, xy: np.ndarray, size: tuple[int, int], *, channel: int) -> np.ndarray:
        """Where red (0) or blue (2) lies for green points in the bent picture. (..., 2) pixels."""
        if not {0: self.red, 2: self.blue}.get(channel, ()):
            return np.array(xy, float)
        return self._scaled(xy, size, lambda r: self.fringe_radius(r, channel=channel))

    def fringe_radius(self, radius: np.ndarray, *, channel: int) -> np.ndarray:
        """Radius of red (0) or blue (2) where green is bent to `radius`; half diagonals."""
        v, c, b = {0: self.red, 2: self.blue}.get(channel, ()) or (1.0, 0.0, 0.0)
        q = radius * self.unit
        return radius * (v + c * q + b * q * q)

    def light_left(self, radius: np.ndarray) -> np.ndarray:
        """Share of the centre's light at a bent radius in half diagonals; 1 where nothing is known."""
        radius = np.asarray(radius, float)
        if not self.vignetting:
            return np.ones_like(radius)
        q = (radius / self.vignetting_unit) ** 2
        k1, k2, k3 = self.vignetting
        return np.clip(1 + q * (k1 + q * (k2 + q * k3)), 0.05, 1.0)

    @property
    def corner_shift_percent(self) -> float:
        """How far the corner lies inside (barrel, > 0) or outside its straight place, % of the straight
        radius; of a strong curve that has no value there, the outermost point that has one.
        """
        reach = min(1.0, self._turning_radius if self.model == "brown" else float(self._table[0][-1]))
        straight = float(self.straight_radius(np.array([reach]))[0])
        return (1.0 - reach / straight) * 100 if np.isfinite(straight) and straight > 0 else 0.0

    def to_json(self) -> dict[str, Any]:
        """Plain dict of the fields that are set."""
        out: dict[str, Any] = {
            "source": self.source,
            "model": self.model,
            "coefficients": [float(k) for k in self.coefficients],
            "why": self.why,
            "unit": float(self.unit),
            "corner_shift_percent": round(self.corner_shift_percent, 4),
        }
        for key in ("red", "blue", "vignetting", "offset"):
            if any(getattr(self, key)):
                out[key] = [float(v) for v in getattr(self, key)]
        if self.vignetting:
            out["vignetting_unit"] = float(self.vignetting_unit)
        if self.name:
            out["name"] = self.name
        if self.code:
            out["code"] = self.code
        if self.uncertainty_percent:
            out["uncertainty_percent"] = float(self.uncertainty_percent)
        return out

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Curve":
        """The curve that `to_json` wrote."""
        known = {k: v for k, v in data.items() if k in cls.__dataclass_fields__}
        for key in ("coefficients", "red", "blue", "vignetting", "offset"):
            if key in known:
                known[key] = tuple(float(v) for v in known[key])
        return cls(**known)

    def _forward(self, radius: np.ndarray) -> np.ndarray:
        value = self._polynomial(radius)
        return np.where(radius <= self._turning_radius, value, np.nan)

    def _polynomial(self, radius: np.ndarray) -> np.ndarray:
        k = self.coefficients
        centre = 1 - sum(k) if self.model in ("ptlens", "poly3") else 1.0
        q = radius * self.unit / centre
        if self.model == "ptlens":
            a, b, c = k
            return radius * (1 + q * (c + q * (b + q * a)) / centre)
        if self.model == "poly3":
            return radius * (1 + k[0] * q * q / centre)
        p = q * q
        factor = np.ones_like(radius)
        power = np.ones_like(radius)
        for value in k:
            power = power * p
            factor = factor + value * power
        return radius * factor

    def _slope(self, radius: np.ndarray) -> np.ndarray:
        step = 1e-5
        return (self._polynomial(radius + step) - self._polynomial(radius - step)) / (2 * step)

    @cached_property
    def _turning_radius(self) -> float:
        """Where the curve stops growing (its slope falls under a twentieth), at most TABLE_RADIUS."""
        r = np.linspace(0, TABLE_RADIUS, TABLE_STEPS)
        flat = np.flatnonzero(self._slope(r) < 0.05)
        return (
            float(r[flat[0] - 1]) if flat.size and flat[0] > 0 else (TABLE_RADIUS if not flat.size else 0.0)
        )

    @cached_property
    def _table(self) -> tuple[np.ndarray, np.ndarray]:
        r = np.linspace(0, self._turning_radius, TABLE_STEPS)
        return self._polynomial(r), r

    def _invert(self, value: np.ndarray) -> np.ndarray:
        values, radii = self._table
        r = np.interp(value, values, radii)
        for _ in range(2):
            r = r - (self._polynomial(r) - value) / np.maximum(self._slope(r), 0.05)
        return np.where(value <= values[-1], r, np.nan)

    def _scaled(self, xy: np.ndarray, size: tuple[int, int], radial: Any) -> np.ndarray:
        xy = np.asarray(xy, float)
        if xy.shape[-1:] != (2,):
            raise ShapeError(f"xy: need (..., 2), got {xy.shape}")
        centre, half = frame(size, self.offset)
        p = (xy - centre) / half
        r = np.hypot(p[..., 0], p[..., 1])
        with np.errstate(invalid="ignore"):
            factor = np.where(r > 1e-9, radial(r) / np.maximum(r, 1e-9), 1.0)
        return centre + p * factor[..., None] * half


def frame(size: tuple[int, int], offset: tuple[float, float] = (0.0, 0.0)) -> tuple[np.ndarray, float]:
    """Centre (x, y) and half diagonal in pixels of a frame of (width, height)."""
    width, height = size
    half = float(np.hypot(width, height) / 2)
    return np.array([(width - 1) / 2, (height - 1) / 2]) + np.asarray(offset) * half, half


NO_CURVE = Curve()


TERMS = 4  # of the fit's form: coefficients of s, s^2, s^3, s^4


def straight_factor(radius: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Straight radius over bent radius for the fit's form of ptlens and poly5, by Newton steps.

    Parameters
    ----------
    radius : array
        Bent radius, half diagonals.
    c : (4,) array
        bent = s (1 + c[0] s + c[1] s^2 + c[2] s^3 + c[3] s^4), s the straight radius.
    """
    return straight_factor_and_slope(radius, c)[0]


def straight_factor_and_slope(radius: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """`straight_factor`, and the slope of the bent radius over the straight one near there."""
    c0, c1, c2, c3 = (float(v) for v in c)
    s = radius * (1 - radius * (c0 + radius * (c1 + radius * (c2 + radius * c3))))
    for _ in range(3):
        bent = s * (1 + s * (c0 + s * (c1 + s * (c2 + s * c3))))
        slope = np.maximum(1 + s * (2 * c0 + s * (3 * c1 + s * (4 * c2 + s * (5 * c3)))), 0.25)
        s = s + (radius - bent) / slope
    return np.clip(s / np.maximum(radius, 1e-9), 0.4, 2.5), slope


def fitted_curve(c: np.ndarray, *, source: str, why: str = "", uncertainty_percent: float = 0.0) -> Curve:
    """The Curve of coefficients as in `straight_factor`: ptlens, or poly5 when only even powers are there."""
    c0, c1, c2, c3 = (float(v) for v in c)
    if abs(c0) < 1e-6 and abs(c2) < 1e-6:
        model, terms = "poly5", [c1, c3]
    else:
        d = 1.0  # scale at the centre: the model's four terms add up to one
        for _ in range(20):
            d -= (d * (1 + d * (c0 + d * (c1 + d * c2))) - 1) / (1 + d * (2 * c0 + d * (3 * c1 + d * 4 * c2)))
        model, terms = "ptlens", [c2 * d**4, c1 * d**3, c0 * d**2]
    return Curve(
        source=source,
        model=model,
        coefficients=tuple(terms),
        why=why,
        uncertainty_percent=uncertainty_percent,
    )


def fit_form(curve: Curve) -> np.ndarray | None:
    """Coefficients as in `straight_factor` of a ptlens, poly3 or poly5 curve; None for others."""
    u = curve.unit
    k = curve.coefficients
    if curve.model == "ptlens":
        a, b, c = k
        d = 1 - a - b - c
        return np.array([c * u / d**2, b * u**2 / d**3, a * u**3 / d**4, 0.0])
    if curve.model == "poly3":
        return np.array([0.0, k[0] * u**2 / (1 - k[0]) ** 3, 0.0, 0.0])
    if curve.model == "poly5":
        return np.array([0.0, k[0] * u**2, 0.0, k[1] * u**4])
    return None
