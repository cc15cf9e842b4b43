"""A lens's curve from the lens database, by the names and numbers in the file, or none: never a wrong lens.

Source: the lensfun project's database (data CC BY-SA 3.0) through lensfunpy, offline.
"""

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, Protocol

import lensfunpy
import numpy as np

from .lens_curve import Curve
from .lens_names import LensName, likeness, models, parse, same_lens
from .results import NotFound

FULL_FRAME_HALF_MM = 21.6333  # half diagonal of 36 x 24 mm
FOCAL_SLACK = 0.03
APERTURE_SLACK = 0.93
CROP_SLACK = 0.96  # a sensor may be so much larger than the one that the curve was measured on
PART_FROM, PART_TO = 1.2, 3.0  # equivalents are whole millimetres: smaller differences are rounding
ASPECTS = (1.5, 4 / 3, 16 / 9, 1.0)  # of calibration sensors in the database; the binding does not tell which
FLAT_REACH = 1.6  # straight half diagonals that a curve covers
LEAST_FLAT = 0.83  # of the bent half diagonal that has to fit into it: the ends of a 3:2 frame's middle row
FLAT_TERMS, FLAT_ERROR = 6, 0.001
GENERATIONS = re.compile(r"\[(?:new|i{2,3}|iv)\]")
WIDE_FILE = 1.62  # wider than this the file is cut from a 3:2 or 4:3 sensor


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


@lru_cache(maxsize=1)
def _catalogue() -> tuple[tuple[Any, LensName], ...]:
    """Every lens of the database that has a name of its own, with the name taken apart (20 ms)."""
    named = ((lens, parse(f"{_brand(lens)} {lens.model}")) for lens in database().lenses)
    return tuple((lens, name) for lens, name in named if name.low_mm > 0 and "compatibles" not in lens.model)


def _brand(lens: Any) -> str:
    return str(lens.maker) if str(lens.maker).lower() not in str(lens.model).lower() else ""


def find_in_database(facts: LensFacts) -> Curve | NotFound:
    """Find the curve of the lens that the file names.

    Returns
    -------
    Curve or NotFound
        Source "database"; the reason when the lens is not known for certain or has no curve.
    """
    if not facts.focal_mm:
        return NotFound("the file gives no focal length")
    cameras = database().find_cameras(facts.maker or None, facts.model, False) if facts.model else []
    camera = cameras[0] if len(cameras) == 1 else None
    crop = _used_part(float(camera.crop_factor), facts) if camera is not None else _crop_of(facts)
    fixed = camera is not None and str(camera.mount)[:1].islower()
    if not facts.lens and not fixed:
        return NotFound("the file names no lens")
    if not crop:
        return NotFound(f"the size of the sensor of {facts.model or 'the camera'} is not known")
    lens = _built_in(camera, facts, crop) if fixed else _named(camera, facts, crop)
    if isinstance(lens, NotFound) and "fisheye" in parse(str(facts.lens)).words:
        return NotFound(f"{facts.lens} is a fisheye lens; {lens.reason}", "fisheye")
    if isinstance(lens, NotFound):
        return lens
    curve = curve_of_lens(lens, float(facts.focal_mm), crop_factor=crop, aperture=facts.aperture)
    if curve is None and _is_fisheye(lens):
        return NotFound(f"{lens.model} is a fisheye lens: its view does not fit a flat picture", "fisheye")
    if curve is None:
        return NotFound(f"the database has no curve for {lens.model} at {facts.focal_mm:g} mm")
    return _for_file(curve, facts, crop)


def match(facts: LensFacts) -> Any:
    """The database's lens for a file, or NotFound; without its curve. For tests and tables."""
    cameras = database().find_cameras(facts.maker or None, facts.model, False) if facts.model else []
    camera = cameras[0] if len(cameras) == 1 else None
    crop = float(camera.crop_factor) if camera is not None else _crop_of(facts)
    return _named(camera, facts, crop or 0.0)


def _used_part(crop: float, facts: LensFacts) -> float:
    """The crop factor of the part of the sensor that made the file: cameras can use a smaller one, or zoom
    in digitally, and tell so in the 35 mm equivalent.
    """
    told = float(facts.focal_35mm / facts.focal_mm) if facts.focal_35mm and facts.focal_mm else crop
    return told if PART_FROM < told / crop < PART_TO else crop


def _crop_of(facts: LensFacts) -> float:
    if facts.crop_factor:
        return float(facts.crop_factor)
    if facts.focal_35mm and facts.focal_mm:
        return float(facts.focal_35mm / facts.focal_mm)
    return 0.0


def _named(camera: Any, facts: LensFacts, crop: float) -> Any:
    """The one lens of the database that bears the file's name, fits its numbers and this sensor."""
    text = str(facts.lens)
    if _offers_a_choice(text):
        return NotFound(f"{text} names several lenses")
    name = parse(
        text
        if not facts.lens_maker or facts.lens_maker.lower() in text.lower()
        else f"{facts.lens_maker} {text}"
    )
    if not name.says_enough:
        return NotFound(f"{text} does not say which lens it is")
    same = [(lens, other) for lens, other in _catalogue() if same_lens(name, other)]
    if models(name) and _has_rival(name):
        same = [(lens, other) for lens, other in same if models(name) & models(other)]
    found = [(lens, likeness(name, other)) for lens, other in same]
    usable = [(lens, like) for lens, like in found if _fits(lens, facts, crop)]
    if not usable:
        known = (
            "fits neither focal length, aperture nor sensor"
            if found
            else "is not in the database for certain"
        )
        return NotFound(f"{text} {known}")
    return _choose(usable, camera, crop, text)


def _has_rival(name: LensName) -> bool:
    """Does a lens that differs in nothing but its model number exist?"""
    bare = replace(name, codes=frozenset())
    return any(models(o) and not models(o) & models(name) and same_lens(bare, o) for _, o in _catalogue())


def _offers_a_choice(text: str) -> bool:
    """Tables name several lenses in one line: "... or ...", or "[II]" for two of the same number."""
    return " or " in f" {text.lower()} " or ";" in text or bool(GENERATIONS.search(text.lower()))


def _fits(lens: Any, facts: LensFacts, crop: float) -> bool:
    focal = float(facts.focal_mm or 0)
    if focal and not lens.min_focal * (1 - FOCAL_SLACK) <= focal <= lens.max_focal * (1 + FOCAL_SLACK):
        return False
    if facts.aperture and lens.min_aperture and facts.aperture < lens.min_aperture * APERTURE_SLACK:
        return False
    return not crop or crop >= lens.crop_factor * CROP_SLACK


def _choose(usable: Sequence[tuple[Any, float]], camera: Any, crop: float, text: str) -> Any:
    """One entry: the nearest name, made for the camera's mount, measured on the nearest sensor."""
    if camera is not None:
        mounted = [(lens, like) for lens, like in usable if camera.mount in lens.mounts]
        usable = mounted or usable
    best = max(like for _, like in usable)
    nearest = [lens for lens, like in usable if like >= best - 1e-9]
    names = [parse(f"{_brand(lens)} {lens.model}") for lens in nearest]
    if not all(same_lens(names[0], other) and names[0].codes == other.codes for other in names[1:]):
        return NotFound(f"{text} could be {' or '.join(sorted({str(lens.model) for lens in nearest}))}")
    measured = [lens for lens in nearest if lens.calib_distortion] or nearest
    return min(measured, key=lambda lens: abs(lens.crop_factor - (crop or lens.crop_factor)))


def _built_in(camera: Any, facts: LensFacts, crop: float) -> Any:
    """The lens of a camera whose lens cannot be changed; converters are another lens."""
    fitted = [lens for lens in database().lenses if camera.mount in lens.mounts]
    plain = [
        lens for lens in fitted if "with" not in lens.model.lower() and "macro" not in lens.model.lower()
    ]
    plain = [lens for lens in plain if "(standard)" in lens.model.lower()] or plain
    usable = [lens for lens in plain if _fits(lens, facts, crop)]
    if len({str(lens.model) for lens in usable}) != 1:
        return NotFound(f"the database does not know the lens of {facts.model} for certain")
    return usable[0]


def curve_of_lens(
    lens: Any, focal_mm: float, *, crop_factor: float, aperture: float | None = None
) -> Curve | None:
    """The curve of a database entry at a focal length, for a sensor of the given crop factor; or None.

    A fisheye's takes it to a flat picture, when most of the frame fits one.
    """
    if _is_fisheye(lens):
        return _flattened(lens, focal_mm, crop_factor)
    terms = lens.interpolate_distortion(focal_mm) if lens.calib_distortion else None
    if terms is None:
        return None
    model = str(terms.model.name).lower()
    count = {"ptlens": 3, "poly3": 1, "poly5": 2}.get(model)
    if count is None:
        return None
    unit = float(lens.crop_factor / crop_factor * np.hypot(_aspect(lens, focal_mm), 1.0))
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


def _is_fisheye(lens: Any) -> bool:
    return "RECTILINEAR" not in str(lens.type)


def _flattened(lens: Any, focal_mm: float, crop_factor: float) -> Curve | None:
    """A fisheye's projection and distortion as one curve, sampled from the library's own modifier."""
    middle, reach = 750, 3000
    modifier = lensfunpy.Modifier(lens, crop_factor, 2 * middle + 1, 2 * middle + 1)
    flags = lensfunpy.ModifyFlags.DISTORTION | lensfunpy.ModifyFlags.GEOMETRY
    flat = lensfunpy.LensType.RECTILINEAR
    modifier.initialize(focal_mm, 8.0, 1000.0, scale=1.0, targeom=flat, flags=flags)
    placed = modifier.apply_geometry_distortion(middle, middle, reach, 1)
    if not lens.calib_distortion or placed is None:
        return None
    half = float(np.hypot(middle, middle))
    bent = (placed[0, 1:, 0].astype(float) - middle) / half
    straight = np.arange(1, reach) / half * (bent[7] / (8 / half))  # the centre keeps its size
    rows = np.isfinite(bent) & (bent > 0.01) & (straight <= FLAT_REACH)
    if not rows.any() or bent[rows].max() < LEAST_FLAT:
        return None
    powers = np.stack([bent[rows] ** (2 * n) for n in range(1, FLAT_TERMS + 1)], 1)
    terms = np.linalg.lstsq(powers * bent[rows, None], straight[rows] - bent[rows], rcond=None)[0]
    missed = powers @ terms * bent[rows] + bent[rows] - straight[rows]
    if np.abs(missed).max() > FLAT_ERROR:
        return None
    why = f"{lens.model} at {focal_mm:g} mm, its fisheye view made flat"
    return Curve("database", "brown", tuple(float(v) for v in terms), why, name=str(lens.model))


def _aspect(lens: Any, focal_mm: float) -> float:
    """Aspect ratio of the calibration sensor: the one with which the library's own map is reproduced."""
    terms = lens.interpolate_distortion(focal_mm)
    size = 1501
    modifier = lensfunpy.Modifier(lens, lens.crop_factor, size, size)
    modifier.initialize(focal_mm, 8.0, 10.0, scale=1.0, flags=lensfunpy.ModifyFlags.DISTORTION)
    placed = modifier.apply_geometry_distortion(size - 1.0, (size - 1) / 2, 1, 1)
    if placed is None:
        return ASPECTS[0]
    half = np.hypot(size - 1, size - 1) / 2
    wanted = float(placed[0, 0, 0] - (size - 1) / 2) / half
    count = {"ptlens": 3, "poly3": 1, "poly5": 2}[str(terms.model.name).lower()]
    r = (size - 1) / 2 / half

    def bent(aspect: float) -> float:
        q = r * float(np.hypot(aspect, 1.0))
        k = [float(v) for v in terms.terms[:count]]
        if count == 3:
            return r * (k[0] * q**3 + k[1] * q**2 + k[2] * q + 1 - sum(k))
        return r * (1 - k[0] + k[0] * q * q) if count == 1 else r * (1 + k[0] * q**2 + k[1] * q**4)

    return min(ASPECTS, key=lambda a: abs(bent(a) - wanted))


def _for_file(curve: Curve, facts: LensFacts, crop: float) -> Curve:
    """Correct the unit when a wide file was cut from a 3:2 or 4:3 sensor: its diagonal is not the
    sensor's.
    """
    long, short = max(facts.width, facts.height), max(1, min(facts.width, facts.height))
    if long / short < WIDE_FILE:
        return curve
    sensor = 4 / 3 if 1.85 < crop < 2.1 or crop > 2.4 else 1.5
    share = float(np.hypot(1, short / long) / np.hypot(1, 1 / sensor))
    data = curve.to_json()
    data.update(unit=curve.unit * share, vignetting_unit=curve.vignetting_unit / share)
    return Curve.from_json(data)


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
