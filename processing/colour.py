"""Chromaticity, colour temperature and colour differences, after CIE publications.

Conventions: RGB is linear sRGB (IEC 61966-2-1, white D65) unless a name says otherwise; L*a*b* is relative
to D65; x, y are CIE 1931, u, v CIE 1960.
"""

from functools import lru_cache
from pathlib import Path

import numpy as np

from .results import NotFound

# IEC 61966-2-1 / ITU-R BT.709 primaries with white (0.3127, 0.3290)
XYZ_FROM_SRGB = np.array(
    [
        [0.4123908, 0.3575843, 0.1804808],
        [0.2126390, 0.7151687, 0.0721923],
        [0.0193308, 0.1191948, 0.9505322],
    ]
)
WHITE_D65_XYZ = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
LAB_EPSILON = 216 / 24389  # CIE 15:2004, exact fractions
LAB_KAPPA = 24389 / 27
DUV_LIMIT = 0.05  # beyond this distance a colour temperature has no meaning (CIE 015: 5e-2)


def lab_from_linear(rgb_linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* (D65) of linear sRGB, float64; negative tristimulus values count as 0.

    Source
    ------
    CIE 15:2004.

    Examples
    --------
    >>> (lab_from_linear(np.array([0.18, 0.18, 0.18])) + 0).round(1)[0].item()
    49.5
    """
    xyz = np.asarray(rgb_linear, np.float64) @ XYZ_FROM_SRGB.T
    t = np.maximum(xyz / WHITE_D65_XYZ, 0)
    f = np.where(t > LAB_EPSILON, np.cbrt(t), (LAB_KAPPA * t + 16) / 116)
    lightness = 116 * f[..., 1] - 16
    return np.stack([lightness, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1)


def luminance_from_lightness(lightness: np.ndarray | float) -> np.ndarray:
    """Relative luminance Y (white = 1) of CIE L*.

    Examples
    --------
    >>> round(float(luminance_from_lightness(50.0)), 4)
    0.1842
    """
    lightness = np.asarray(lightness, np.float64)
    return np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness / LAB_KAPPA)


def xy_from_xyz(xyz: np.ndarray) -> np.ndarray:
    """CIE 1931 x, y of XYZ; the last axis shrinks from 3 to 2."""
    xyz = np.asarray(xyz, np.float64)
    return xyz[..., :2] / xyz.sum(-1, keepdims=True)


def uv_from_xy(xy: np.ndarray) -> np.ndarray:
    """CIE 1960 u, v of CIE 1931 x, y."""
    xy = np.asarray(xy, np.float64)
    scale = -2 * xy[..., 0] + 12 * xy[..., 1] + 3
    return np.stack([4 * xy[..., 0] / scale, 6 * xy[..., 1] / scale], -1)


def cct_duv(xy: np.ndarray) -> tuple[float, float] | NotFound:
    """Correlated colour temperature and distance from the Planckian locus of one light.

    Parameters
    ----------
    xy : (2,) float array
        CIE 1931 chromaticity.

    Returns
    -------
    (kelvin, duv) or NotFound
        duv > 0 lies on the green side. NotFound outside 1000-100000 K or |duv| > .05.

    Source
    ------
    Y. Ohno, "Practical use and calculation of CCT and Duv", Leukos 10 (2014) 47-55: table search, then the
    triangular solution near the locus and the parabolic one away from it.

    Examples
    --------
    >>> kelvin, duv = cct_duv(np.array([0.44758, 0.40745]))  # CIE illuminant A
    >>> round(kelvin), round(duv, 4)
    (2856, 0.0)
    """
    table = _planckian_table()
    u, v = uv_from_xy(xy)
    distances = np.hypot(table[:, 1] - u, table[:, 2] - v)
    m = int(np.argmin(distances))
    if not np.isfinite([u, v]).all() or m in (0, len(table) - 1):
        return NotFound("the light's colour lies outside 1000 to 100000 kelvin")
    (t0, u0, v0), (t1, _, _), (t2, u2, v2) = table[m - 1 : m + 2]
    d0, d1, d2 = distances[m - 1 : m + 2]
    side = np.hypot(u2 - u0, v2 - v0)
    along = (d0**2 - d2**2 + side**2) / (2 * side)
    kelvin = t0 + (t2 - t0) * along / side
    across = np.sqrt(max(d0**2 - along**2, 0.0))
    sign = 1.0 if v > v0 + (v2 - v0) * along / side else -1.0
    duv = sign * across
    if across >= 0.002:  # the paper's limit between the two solutions
        a, b, c = np.polyfit(np.array([t0, t1, t2]) - t1, [d0, d1, d2], 2)
        kelvin = t1 - b / (2 * a)
        duv = sign * (c - b**2 / (4 * a))
    if abs(duv) > DUV_LIMIT:
        return NotFound("the light's colour is too far from any white for a colour temperature")
    return float(kelvin), float(duv)


@lru_cache(maxsize=1)
def _planckian_table() -> np.ndarray:
    """(n, 3) kelvin, u, v in steps of 1 %; how it was made stands in the file."""
    return np.loadtxt(Path(__file__).parent / "data" / "planckian_uv.csv", delimiter=",")


def xy_from_kelvin(kelvin: float, *, duv: float = 0.0) -> np.ndarray:
    """CIE 1931 x, y of a black body, moved by `duv` across the locus (towards green if positive).

    Examples
    --------
    >>> xy_from_kelvin(2855.5).round(3).tolist()
    [0.448, 0.407]
    """
    table = _planckian_table()
    logs = np.log(table[:, 0])
    at = np.log(kelvin)
    u, v = np.interp(at, logs, table[:, 1]), np.interp(at, logs, table[:, 2])
    step = 0.005
    du = np.interp(at + step, logs, table[:, 1]) - np.interp(at - step, logs, table[:, 1])
    dv = np.interp(at + step, logs, table[:, 2]) - np.interp(at - step, logs, table[:, 2])
    length = np.hypot(du, dv)
    u, v = (
        u + duv * dv / length,
        v - duv * du / length,
    )  # u and v both fall with kelvin: this is the green side
    scale = 2 * u - 8 * v + 4
    return np.array([3 * u / scale, 2 * v / scale])


def linear_from_xy(xy: np.ndarray) -> np.ndarray:
    """Linear sRGB of luminance 1 with this chromaticity; may leave 0..1, also below 0 for very warm light."""
    x, y = np.asarray(xy, np.float64)
    return np.linalg.inv(XYZ_FROM_SRGB) @ np.array([x / y, 1.0, (1 - x - y) / y])


def delta_e_2000(lab1: np.ndarray, lab2: np.ndarray) -> np.ndarray:
    """CIEDE2000 colour difference with kL = kC = kH = 1.

    Source
    ------
    G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30 (2005) 21-30, equations 2-22.

    Examples
    --------
    >>> a, b = np.array([50, 2.6772, -79.7751]), np.array([50, 0.0, -82.7485])
    >>> round(float(delta_e_2000(a, b)), 4)
    2.0425
    """
    lab1, lab2 = np.asarray(lab1, np.float64), np.asarray(lab2, np.float64)
    mean_c = (np.hypot(lab1[..., 1], lab1[..., 2]) + np.hypot(lab2[..., 1], lab2[..., 2])) / 2
    g = 0.5 * (1 - np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)))
    a1, a2 = (1 + g) * lab1[..., 1], (1 + g) * lab2[..., 1]
    c1, c2 = np.hypot(a1, lab1[..., 2]), np.hypot(a2, lab2[..., 2])
    h1 = np.degrees(np.arctan2(lab1[..., 2], a1)) % 360
    h2 = np.degrees(np.arctan2(lab2[..., 2], a2)) % 360
    grey = c1 * c2 == 0
    turn = np.where(grey, 0.0, (h2 - h1 + 180) % 360 - 180)
    # half a turn apart: the paper keeps +180 where h2 - h1 = 180
    turn = np.where((~grey) & (np.abs(h2 - h1) == 180), h2 - h1, turn)
    delta_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)
    total = h1 + h2
    mean_h = np.where(
        np.abs(h1 - h2) <= 180, total / 2, np.where(total < 360, total / 2 + 180, total / 2 - 180)
    )
    mean_h = np.where(grey, total, mean_h)
    mean_l, mean_c = (lab1[..., 0] + lab2[..., 0]) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * np.cos(np.radians(mean_h - 30))
        + 0.24 * np.cos(np.radians(2 * mean_h))
        + 0.32 * np.cos(np.radians(3 * mean_h + 6))
        - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    )
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    rotation = np.radians(60 * np.exp(-(((mean_h - 275) / 25) ** 2)))
    r_t = -2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)) * np.sin(rotation)
    dl, dc, dh = (lab2[..., 0] - lab1[..., 0]) / s_l, (c2 - c1) / s_c, delta_h / s_h
    return np.sqrt(dl**2 + dc**2 + dh**2 + r_t * dc * dh)
