"""What fits, what is sharp, what is stretched: ideal rectilinear optics before the shutter.

Lengths carry their unit in the name. Formulas are the standard ones of optics handbooks (thin lens, focus at
infinity unless a distance is given); practice that is no formula is called so.
"""

import math
from dataclasses import dataclass

FULL_FRAME_MM = (36.0, 24.0)
VISIBLE_STRETCH = 1.35  # aspect of a ball at the frame's edge that people notice; common practice, no source
AIRY_FACTOR = 2.43934  # first zero of the Airy pattern: diameter / (wavelength x f-number)


@dataclass(frozen=True)
class Stretch:
    """How much larger than in the middle things are drawn at mid-edge and corner, across and along."""

    edge_across: float
    edge_along: float
    edge_ball_aspect: float
    corner_across: float
    corner_along: float

    @property
    def is_visible(self) -> bool:
        """Whether round things at the side will look wrong."""
        return self.edge_ball_aspect > VISIBLE_STRETCH


@dataclass(frozen=True)
class Depth:
    """Sharp from `near_m` to `far_m` (infinity beyond the hyperfocal distance)."""

    near_m: float
    far_m: float
    hyperfocal_m: float


def field_of_view_deg(
    focal_mm: float, *, sensor_mm: tuple[float, float] = FULL_FRAME_MM
) -> tuple[float, float, float]:
    """Horizontal, vertical and diagonal field of view in degrees.

    Examples
    --------
    >>> [round(v, 2) for v in field_of_view_deg(24)]
    [73.74, 53.13, 84.06]
    """
    sides = (*sensor_mm, math.hypot(*sensor_mm))
    h, v, d = (2 * math.degrees(math.atan(side / (2 * focal_mm))) for side in sides)
    return h, v, d


def frame_at_m(
    focal_mm: float, *, distance_m: float, sensor_mm: tuple[float, float] = FULL_FRAME_MM
) -> tuple[float, float]:
    """Width and height in metres of what fits at a distance.

    Examples
    --------
    >>> [round(v, 2) for v in frame_at_m(24, distance_m=3.048)]
    [4.57, 3.05]
    """
    width, height = (side / focal_mm * distance_m for side in sensor_mm)
    return width, height


def distance_for_m(
    focal_mm: float, *, width_m: float, sensor_mm: tuple[float, float] = FULL_FRAME_MM
) -> float:
    """How far back to stand so that a width fits.

    Examples
    --------
    >>> round(distance_for_m(24, width_m=4.5), 2)
    3.0
    """
    return width_m * focal_mm / sensor_mm[0]


def stretch(focal_mm: float, *, sensor_mm: tuple[float, float] = FULL_FRAME_MM) -> Stretch:
    """Stretch of a rectilinear picture: 1 / cos across, 1 / cos squared along the way outwards."""
    edge = math.atan(sensor_mm[0] / 2 / focal_mm)
    corner = math.atan(math.hypot(*sensor_mm) / 2 / focal_mm)
    return Stretch(
        edge_across=1 / math.cos(edge),
        edge_along=1 / math.cos(edge) ** 2,
        edge_ball_aspect=1 / math.cos(edge),
        corner_across=1 / math.cos(corner),
        corner_along=1 / math.cos(corner) ** 2,
    )


def fall_off_stops(focal_mm: float, *, sensor_mm: tuple[float, float] = FULL_FRAME_MM) -> tuple[float, float]:
    """Natural fall-off of light at mid-edge and corner in stops (cos^4 law of an ideal thin lens)."""
    edge = math.atan(sensor_mm[0] / 2 / focal_mm)
    corner = math.atan(math.hypot(*sensor_mm) / 2 / focal_mm)
    return -4 * math.log2(math.cos(edge)), -4 * math.log2(math.cos(corner))


def lean_at_edge_deg(
    pitch_deg: float, *, focal_mm: float, sensor_mm: tuple[float, float] = FULL_FRAME_MM
) -> float:
    """Lean of a wall at the frame's side, half way up, when the camera looks up or down by `pitch_deg`.

    Examples
    --------
    >>> round(lean_at_edge_deg(2, focal_mm=24), 2)
    1.5
    """
    slope = math.tan(math.radians(pitch_deg)) * sensor_mm[0] / 2 / focal_mm
    return math.degrees(math.atan(slope))


def hyperfocal_mm(focal_mm: float, *, f_number: float, blur_mm: float = 0.030) -> float:
    """Hyperfocal distance; `blur_mm` is the circle of confusion (.030 is usual for 36 x 24 mm).

    Examples
    --------
    >>> round(hyperfocal_mm(24, f_number=6.3), 1)
    3071.6
    """
    return focal_mm**2 / (f_number * blur_mm) + focal_mm


def depth_of_field(focal_mm: float, *, f_number: float, focus_m: float, blur_mm: float = 0.030) -> Depth:
    """Near and far limit of sharpness when focused at a distance.

    The far limit swings wildly close to the hyperfocal distance: judge by the near limit there.
    """
    hyperfocal, focus = hyperfocal_mm(focal_mm, f_number=f_number, blur_mm=blur_mm), focus_m * 1000
    near = focus * (hyperfocal - focal_mm) / (hyperfocal + focus - 2 * focal_mm)
    far = math.inf if focus >= hyperfocal else focus * (hyperfocal - focal_mm) / (hyperfocal - focus)
    return Depth(near / 1000, far / 1000, hyperfocal / 1000)


def airy_um(f_number: float, *, wavelength_um: float = 0.55) -> float:
    """Diameter of the diffraction disc; compare it with two pixel pitches.

    Examples
    --------
    >>> round(airy_um(6.3), 2)
    8.45
    """
    return AIRY_FACTOR * wavelength_um * f_number


def flicker_left(light_hz: float, *, exposure_s: float) -> float:
    """Share of a lamp's ripple that remains in a frame: 0 where the exposure holds whole cycles.

    `light_hz` is twice the mains frequency: 100 or 120.

    Examples
    --------
    >>> round(flicker_left(120, exposure_s=1 / 125), 3)
    0.042
    """
    x = math.pi * light_hz * exposure_s
    return abs(math.sin(x) / x) if x else 1.0
