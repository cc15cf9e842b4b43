"""Colours of the lights that are found in homes, as linear sRGB of luminance 1."""

from __future__ import annotations

import numpy as np

LUMA_709 = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709, linear light
RGB_FROM_XYZ = np.array(  # IEC 61966-2-1, inverse in more digits
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)
PRESETS_K = (2850.0, 3000, 3200, 3800, 4000, 4500, 5000, 5500, 6000, 6500, 7000)


def planckian_uv(kelvin: np.ndarray) -> np.ndarray:
    """Return CIE 1960 u, v (2, n) of a black body: Krystek, Color Res. Appl. 10 (1985), 38-40."""
    t = np.asarray(kelvin, float)
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t**2) / (
        1 + 8.42420235e-4 * t + 7.08145163e-7 * t**2
    )
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t**2) / (
        1 - 2.89741816e-5 * t + 1.61456053e-7 * t**2
    )
    return np.stack([u, v])


def light_rgb(kelvin: np.ndarray, duv: np.ndarray) -> np.ndarray:
    """Return linear sRGB (n, 3), luminance 1, of lights at `kelvin` and `duv` (positive: greener)."""
    t = np.asarray(kelvin, float)
    along = planckian_uv(t + 5) - planckian_uv(t - 5)
    across = np.stack([along[1], -along[0]])
    across /= np.hypot(*across)
    across = np.where(across[1] > 0, across, -across)
    u, v = planckian_uv(t) + duv * across
    d = 2 * u - 8 * v + 4
    x, y = 3 * u / d, 2 * v / d
    rgb = np.stack([x / y, np.ones_like(x), (1 - x - y) / y]).T @ RGB_FROM_XYZ.T
    rgb = np.maximum(rgb, 0.02)
    return rgb / (rgb @ np.array(LUMA_709))[:, None]


def tables(count: int, seed: int) -> dict[str, np.ndarray]:
    """Return `count` random lights of each kind: bulbs, tubes and LEDs, daylight, flash, cameras' presets."""
    rng = np.random.default_rng(seed)

    def by_mired(low_k: float, high_k: float) -> np.ndarray:
        return 1e6 / rng.uniform(1e6 / high_k, 1e6 / low_k, count)

    presets = rng.choice(PRESETS_K, count) * rng.uniform(0.98, 1.02, count)
    return {
        "bulb": light_rgb(by_mired(2200, 4200), rng.normal(0, 0.0015, count)),
        "tube": light_rgb(by_mired(2600, 7000), rng.uniform(-0.005, 0.026, count)),
        "day": light_rgb(by_mired(4800, 9500), rng.uniform(0.0, 0.006, count)),
        "flash": light_rgb(by_mired(5000, 6200), rng.normal(0, 0.002, count)),
        "preset": light_rgb(presets, rng.choice([0, 0, 0.002, 0.006, 0.012], count)),
    }
