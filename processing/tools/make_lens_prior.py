"""Make data/lens_prior.json: what curves the lens database knows for wide rectilinear lenses.

Run by hand when the database is updated: `python -m processing.tools.make_lens_prior`. Every rectilinear
lens is sampled at the focal lengths photographers of rooms use; its curve is fitted by the three-parameter
"brown" model (half diagonals of the sensor it was calibrated on); mean and covariance are kept, the latter
widened, since a lens that is not in the database may be stranger than those that are.
"""

import json
from pathlib import Path
from typing import Any

import lensfunpy
import numpy as np

from processing.lens_curve import fit_form
from processing.lens_database import curve_of_lens

FOCALS_35MM = (14.0, 16.0, 18.0, 20.0, 24.0, 28.0, 35.0)
WIDEN = 4.5
FLOOR = 0.004  # standard deviation added along every axis in use
CLOSED = 1e-7  # of a term that a form does not have
FARTHEST = 12.0  # median deviations: a few entries of the database are slips of the pen


def main() -> None:
    """Write the file beside the other data of `processing`."""
    rows = []
    for lens in lensfunpy.Database().lenses:
        if "RECTILINEAR" not in str(lens.type) or not lens.calib_distortion:
            continue
        for equivalent in FOCALS_35MM:
            focal = equivalent / lens.crop_factor
            if not lens.min_focal * 0.98 <= focal <= lens.max_focal * 1.02:
                continue
            curve = curve_of_lens(lens, focal, crop_factor=lens.crop_factor)
            if curve is None:
                continue
            k = fit_form(curve)
            if k is None or not np.isfinite(curve.straight_radius(np.array([1.0]))).all():
                continue
            if abs(curve.corner_shift_percent) > 20:
                continue
            rows.append(k)
    out = {
        "about": "mean and covariance of c: bent = s (1 + c0 s + c1 s^2 + c2 s^3 + c3 s^4), half diagonals",
        "source": "lensfun database (CC BY-SA 3.0) through lensfunpy " + lensfunpy.__version__,
        "curves": len(rows),
        "ptlens": _moments(np.array([k for k in rows if k[3] == 0])),
        "poly5": _moments(np.array([_even(k) for k in rows])),
    }
    path = Path(__file__).parents[1] / "data" / "lens_prior.json"
    path.write_text(json.dumps(out, indent=1) + "\n", encoding="utf-8")
    print(path, out)


def _even(k: np.ndarray) -> np.ndarray:
    """The nearest curve of even powers, free in its scale at the centre."""
    s = np.linspace(0.03, 1.0, 80)
    bent = 1 + s * (k[0] + s * (k[1] + s * (k[2] + s * k[3])))
    fit = np.linalg.lstsq(np.stack([s, s**3, s**5], 1), bent * s, rcond=None)[0]
    return np.array([0.0, fit[1] / fit[0], 0.0, fit[2] / fit[0]])


def _moments(k: np.ndarray) -> dict[str, list[Any]]:
    """Mean and widened covariance about the middle nine tenths of each form; absent terms stay closed."""
    away = np.abs(k - np.median(k, 0)) / (np.median(np.abs(k - np.median(k, 0)), 0) + 1e-12)
    kept = k[(away < FARTHEST).all(1)]
    used = np.ptp(k, 0) > 0
    covariance = np.cov(kept.T) * WIDEN + np.diag(np.where(used, FLOOR, CLOSED) ** 2)
    return {
        "mean": [round(float(v), 6) for v in kept.mean(0)],
        "covariance": [[float(f"{v:.6g}") for v in row] for row in covariance],
    }


if __name__ == "__main__":
    main()
