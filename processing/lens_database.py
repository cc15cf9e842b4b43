"""A lens's curve from the lens database, by the names and numbers in the file, or none: never a wrong lens.

Source: the lensfun project's database (data CC BY-SA 3.0) through lensfunpy, offline.
"""

import re
from functools import lru_cache
from typing import Any, Protocol

import lensfunpy
import numpy as np

from .lens_curve import Curve
from .results import NotFound

FULL_FRAME_HALF_MM = 21.6333  # half diagonal of 36 x 24 mm
MIN_SCORE = 50  # the database's own measure; below it loose matches name other lenses
FOCAL_SLACK = 0.03
ASPECTS = (1.5, 4 / 3, 16 / 9, 1.0, 1.25, 1.7778)


class LensFacts(Protocol):
    """What is read from a file about camera and lens."""

    @property
    def maker(self) -> str | None: ...
    @property
    def model(self) -> str | None: ...
    @property
    def lens_maker(self) -> str | None: ...
    @property
    def lens(self) -> str | None: ...
    @property
    def focal_mm(self) -> float | None: ...
    @property
    def focal_35mm(self) -> float | None: ...
    @property
    def aperture(self) -> float | None: ...
    @property
    def crop_factor(self) -> float | None: ...
    @property
    def width(self) -> int: ...
    @property
    def height(self) -> int: ...


@lru_cache(maxsize=1)
def database() -> Any:
    """The bundled database, loaded once (60 ms)."""
    return lensfunpy.Database()


def find_in_database(facts: LensFacts) -> Curve | NotFound:
    """Find the curve of the lens that the file names.

    Returns
    -------
    Curve or NotFound
        Source "database"; the reason when the lens is not known for certain or the database has no curve for
        it.
    """
    if not facts.lens or not facts.focal_mm:
        return NotFound("the file names no lens" if not facts.lens else "the file gives no focal length")
    cameras = database().find_cameras(facts.maker or "", facts.model or "", False) if facts.model else []
    camera = cameras[0] if cameras else None
    crop = camera.crop_factor if camera is not None else facts.crop_factor
    if camera is None and not crop:
        return NotFound(f"the database does not know the camera {facts.model or 'without a name'}")
    lens = _match(camera, facts, float(crop or 1.0))
    if isinstance(lens, NotFound):
        return lens
    curve = curve_of_lens(
        lens, float(facts.focal_mm), crop_factor=float(crop or 1.0), aperture=facts.aperture
    )
    if curve is None:
        return NotFound(f"the database has no curve for {lens.model}")
    return curve


def _match(camera: Any, facts: LensFacts, crop: float) -> Any:
    name = str(facts.lens)
    found = database().find_lenses(camera, facts.lens_maker or None, name, True) if camera else []
    for lens in found:
        if lens.score < MIN_SCORE:
            continue
        focal = float(facts.focal_mm or 0)
        if not lens.min_focal * (1 - FOCAL_SLACK) <= focal <= lens.max_focal * (1 + FOCAL_SLACK):
            continue
        if facts.aperture and lens.min_aperture and facts.aperture < lens.min_aperture * 0.93:
            continue
        if crop < lens.crop_factor * 0.96:
            continue
        if _generation(name) != _generation(lens.model):
            continue
        return lens
    return NotFound(f"the database does not know the lens {name} for certain")


def _numbers(name: str) -> list[float]:
    return [float(v) for v in re.findall(r"\d+(?:\.\d+)?", name)]


def _generation(name: str) -> str:
    found = re.search(r"\b(II|III|IV|V|VI|G2|Mark\s*\d)\b", name)
    return found.group(1) if found else ""


def curve_of_lens(
    lens: Any, focal_mm: float, *, crop_factor: float, aperture: float | None = None
) -> Curve | None:
    """The curve of a database entry at a focal length, for a sensor of the given crop factor; None without
    data.
    """
    terms = lens.interpolate_distortion(focal_mm) if lens.calib_distortion else None
    if terms is None:
        return None
    model = str(terms.model.name).lower()
    count = {"ptlens": 3, "poly3": 1, "poly5": 2}.get(model)
    if count is None:
        return None
    aspect = 1.5
    unit = float(lens.crop_factor / crop_factor * np.hypot(aspect, 1.0))
    red, blue = _fringes(lens, focal_mm)
    return Curve(
        source="database",
        model=model,
        coefficients=tuple(float(v) for v in terms.terms[:count]),
        unit=unit,
        name=str(lens.model),
        why=f"{lens.model} at {focal_mm:g} mm",
        red=red,
        blue=blue,
        vignetting=_vignetting(lens, focal_mm, aperture),
        vignetting_unit=float(crop_factor / lens.crop_factor),
        offset=(float(lens.center_x) / unit, float(lens.center_y) / unit),
    )


def _fringes(lens: Any, focal_mm: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    terms = lens.interpolate_tca(focal_mm) if lens.calib_tca else None
    if terms is None:
        return (), ()
    t = [float(v) for v in terms.terms]
    if terms.model.name == "LINEAR":
        return (t[0], 0.0, 0.0), (t[1], 0.0, 0.0)
    return (t[0], t[2], t[4]), (t[1], t[3], t[5])


def _vignetting(lens: Any, focal_mm: float, aperture: float | None) -> tuple[float, ...]:
    if not lens.calib_vignetting or not aperture:
        return ()
    terms = lens.interpolate_vignetting(focal_mm, float(aperture), 3.0)
    return tuple(float(v) for v in terms.terms[:3]) if terms is not None else ()
