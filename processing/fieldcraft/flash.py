"""Exposure and flash by numbers: values, guide numbers, fall-off, balance."""

import math

INCIDENT_CONSTANT = 250.0  # C of ISO 2720 for incident meters (from memory)
REFLECTED_CONSTANT = 12.5  # K of ISO 2720 for reflected-light meters (from memory)


def exposure_value(f_number: float, exposure_s: float, *, iso: float = 100.0) -> float:
    """Exposure value at ISO 100 of a setting: log2(N^2 / t) - log2(ISO / 100) (APEX).

    Examples
    --------
    >>> round(exposure_value(8, 0.5), 2), round(exposure_value(6.3, 1 / 15, iso=400), 2)
    (7.0, 7.22)
    """
    return math.log2(f_number**2 / exposure_s) - math.log2(iso / 100)


def illuminance_lx(ev100: float) -> float:
    """Light on the subject for which a setting of this value is right, lux."""
    return 2**ev100 * INCIDENT_CONSTANT / 100


def luminance_cd(ev100: float) -> float:
    """Brightness of the subject for which a setting of this value is right, cd / m2."""
    return 2**ev100 * REFLECTED_CONSTANT / 100


def fall_off_stops(from_m: float, to_m: float) -> float:
    """Stops lost by going from one distance to another from a small light (inverse square).

    Examples
    --------
    >>> fall_off_stops(1.5, 3.0)
    2.0
    """
    return 2 * math.log2(to_m / from_m)


def guide_number(rated_m: float, *, power: float = 1.0, iso: float = 100.0) -> float:
    """Guide number in metres at a power fraction and sensitivity, from the rated one (full, ISO 100).

    Examples
    --------
    >>> round(guide_number(58, power=1 / 16), 1), guide_number(58, iso=400)
    (14.5, 116.0)
    """
    return rated_m * math.sqrt(power * iso / 100)


def f_number_for(guide_m: float, *, distance_m: float, loss_stops: float = 0.0) -> float:
    """Aperture for a flash at a distance; `loss_stops` counts a modifier, a gel, a bounce."""
    return guide_m / distance_m * 2 ** (-loss_stops / 2)


def reach_m(guide_m: float, *, f_number: float, loss_stops: float = 0.0) -> float:
    """Distance to which a flash is enough."""
    return guide_m / f_number * 2 ** (-loss_stops / 2)


def power_for(
    rated_m: float,
    *,
    distance_m: float,
    f_number: float,
    iso: float = 100.0,
    loss_stops: float = 0.0,
    balance_stops: float = 0.0,
) -> float:
    """Power fraction that gives the wanted balance: 0 stops puts the flash at the setting's own exposure.

    Values above 1 say that the flash is too weak.

    Examples
    --------
    >>> round(power_for(58, distance_m=3.0, f_number=8, iso=400, loss_stops=2, balance_stops=-1), 4)
    0.0856
    """
    needed = f_number * distance_m * 2 ** (loss_stops / 2)
    full = guide_number(rated_m, iso=iso)
    return (needed / full) ** 2 * 2**balance_stops


def bounced_m(to_surface_m: float, surface_to_subject_m: float) -> float:
    """Way of the light over a ceiling or wall; its paint costs 1 to 2 stops more (common practice)."""
    return to_surface_m + surface_to_subject_m
