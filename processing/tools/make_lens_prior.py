"""Make data/lens_prior.json: what curves the lens database knows for wide rectilinear lenses.

Run by hand when the database is updated: `python -m processing.tools.make_lens_prior`. Every rectilinear
lens is sampled at the focal lengths photographers of rooms use; its curve is fitted by the three-parameter
"brown" model (half diagonals of the sensor it was calibrated on); mean and covariance are kept, the latter
widened, since a lens that is not in the database may be stranger than those that are.
"""

import json
from pathlib import Path

import lensfunpy
import numpy as np

from processing.lens_database import curve_of_lens

FOCALS_35MM = (14.0, 16.0, 18.0, 20.0, 24.0, 28.0, 35.0)
WIDEN = 1.5
FLOOR = 0.004  # smallest standard deviation along any axis


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
            r = np.linspace(0.03, 1, 60)
            gain = curve.straight_radius(r) / r - 1
            if not np.isfinite(gain).all() or np.abs(gain).max() > 0.2:
                continue
            basis = np.stack([r**2, r**4, r**6], 1) * r[:, None]
            rows.append(np.linalg.lstsq(basis, gain * r, rcond=None)[0])
    k = np.array(rows)
    covariance = np.cov(k.T) * WIDEN + np.eye(3) * FLOOR**2
    out = {
        "about": "mean and covariance of k1, k2, k3: straight = r (1 + k1 r^2 + k2 r^4 + k3 r^6)",
        "source": "lensfun database (CC BY-SA 3.0) through lensfunpy " + lensfunpy.__version__,
        "curves": len(rows),
        "mean": [round(float(v), 6) for v in k.mean(0)],
        "covariance": [[round(float(v), 8) for v in row] for row in covariance],
    }
    path = Path(__file__).parents[1] / "data" / "lens_prior.json"
    path.write_text(json.dumps(out, indent=1) + "\n", encoding="utf-8")
    print(path, out)


if __name__ == "__main__":
    main()
