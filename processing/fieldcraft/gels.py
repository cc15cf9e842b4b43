"""Matching lights with gels: mired shifts, green and magenta, what a dimmer does.

A light is kelvin and Duv. A gel is a mired shift, a green (+) or magenta (-) strength in CC and a loss of
light in stops. The owner's own drawer of gels is what `nearest_pack` searches; makers differ, so values are
kept, never names.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from processing.colour import (
    cct_duv,
    delta_e_2000,
    lab_from_linear,
    linear_from_xy,
    xy_from_kelvin,
)
from processing.results import NotFound

CCT_EXPONENT, FLUX_EXPONENT = 0.42, 3.4  # dimmed incandescent lamps; lighting handbook, from memory
# Duv of one CC of green: density .01 in red and blue alike (sRGB primaries) gives .0009 at 2856 K and .0013
# at 5500 K, computed here with `cct_duv`
DUV_PER_CC = 0.0011


@dataclass(frozen=True)
class Light:
    """A light's colour: correlated colour temperature and distance from the black body (+ is green)."""

    kelvin: float
    duv: float = 0.0


@dataclass(frozen=True)
class Gel:
    """One gel as it lies in the drawer."""

    name: str
    mired: float = 0.0
    green_cc: float = 0.0  # negative: magenta
    loss_stops: float = 0.0


@dataclass(frozen=True)
class Pack:
    """Gels to put before a light, what it becomes, and how far that is from the light to be matched."""

    gels: tuple[Gel, ...]
    becomes: Light
    delta_e: float
    loss_stops: float


def mired(kelvin: float) -> float:
    """Micro reciprocal degrees.

    Examples
    --------
    >>> mired(5000)
    200.0
    """
    return 1e6 / kelvin


def shift(from_kelvin: float, to_kelvin: float) -> float:
    """Mired shift that turns one temperature into another: positive warms."""
    return mired(to_kelvin) - mired(from_kelvin)


def shifted(kelvin: float, mired_shift: float) -> float:
    """Temperature behind a gel.

    Examples
    --------
    >>> round(shifted(5600, 159))
    2962
    """
    return 1e6 / (mired(kelvin) + mired_shift)


def cc_transmittance(cc: float) -> float:
    """Share of the complementary band that a colour-compensating filter lets through (density = CC / 100).

    Examples
    --------
    >>> round(cc_transmittance(30), 3)
    0.501
    """
    return 10 ** (-cc / 100)


def cc_stops(cc: float) -> float:
    """Loss in that band, in stops."""
    return -math.log2(cc_transmittance(cc))


def dimmed(kelvin: float, *, voltage: float) -> tuple[float, float]:
    """Temperature and light (share of full) of an incandescent lamp at a share of its voltage.

    Examples
    --------
    >>> kelvin, flux = dimmed(2856, voltage=0.5)
    >>> round(kelvin), round(flux, 3)
    (2135, 0.095)
    """
    return kelvin * voltage**CCT_EXPONENT, voltage**FLUX_EXPONENT


def behind(light: Light, gels: Sequence[Gel]) -> Light:
    """What a light becomes behind gels: mired shifts and green add up."""
    total = mired(light.kelvin) + sum(g.mired for g in gels)
    return Light(1e6 / max(total, 20.0), light.duv + DUV_PER_CC * sum(g.green_cc for g in gels))


def difference(one: Light, other: Light) -> float:
    """CIEDE2000 between a white surface under two lights, seen by an eye at home in the second one."""
    rgb = [linear_from_xy(xy_from_kelvin(x.kelvin, duv=x.duv)) for x in (one, other)]
    seen = np.maximum(rgb[0] / rgb[1], 0)
    luma = float(seen @ np.array([0.2126, 0.7152, 0.0722]))
    pair = [lab_from_linear(v) for v in (seen / luma * 0.6, np.full(3, 0.6))]
    return float(delta_e_2000(pair[0], pair[1]))


def nearest_pack(
    light: Light, target: Light, drawer: Sequence[Gel], *, most: int = 3, per_gel_cost: float = 0.4
) -> Pack | NotFound:
    """Choose gels that make `light` match `target`.

    Parameters
    ----------
    light, target : Light
    drawer : the owner's gels; each may be used once
    most : largest number of gels in front of one light
    per_gel_cost : CIEDE2000 that another gel has to gain to be worth its light and its fuss

    Returns
    -------
    Pack (possibly of no gel at all), or NotFound when the drawer is empty and the lights differ
    """
    if not drawer and difference(light, target) > 1:
        return NotFound("the drawer holds no gels")
    best: tuple[float, Pack] | None = None
    for count in range(most + 1):
        for gels in itertools.combinations(drawer, count):
            becomes = behind(light, gels)
            if not 1500 < becomes.kelvin < 40000:
                continue
            error = difference(becomes, target)
            cost = error + per_gel_cost * count
            if best is None or cost < best[0]:
                best = (cost, Pack(gels, becomes, error, sum(g.loss_stops for g in gels)))
    return best[1] if best is not None else NotFound("no gel of the drawer brings the light nearer")


def light_of_xy(xy: np.ndarray) -> Light | NotFound:
    """A measured chromaticity as a light."""
    found = cct_duv(xy)
    return Light(*found) if isinstance(found, tuple) else found
