"""The lens database: the right lens or none, and the same points as the library's own modifier."""

import csv
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import lensfunpy
import numpy as np
import pytest

from processing.lens_curve import Curve
from processing.lens_database import curve_of_lens, database, find_in_database, match
from processing.lens_names import parse
from processing.results import NotFound

VALUES = Path(__file__).parent / "values" / "lens_names.csv"


def facts(**changed: Any) -> SimpleNamespace:
    """A full-frame file whose lens is in the database."""
    given = {
        "maker": "Canon",
        "model": "Canon EOS 5D Mark III",
        "lens_maker": None,
        "lens": "EF16-35mm f/2.8L II USM",
        "focal_mm": 20.0,
        "focal_35mm": None,
        "aperture": 8.0,
        "crop_factor": None,
        "width": 6000,
        "height": 4000,
    }
    return SimpleNamespace(**{**given, **changed})


def name_rows() -> list[dict[str, str]]:
    lines = [line for line in VALUES.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def answer(row: dict[str, str]) -> Any:
    """The matcher's answer to a row of the table."""
    crop = float(row["crop"]) if row["crop"] else None
    low = parse(row["lens"]).low_mm or None
    return match(
        facts(
            maker=row["maker"],
            model=row["camera"],
            lens=row["lens"],
            focal_mm=low,
            aperture=11,
            crop_factor=crop,
        )
    )


def test_no_name_of_the_table_brings_another_lens_and_nearly_all_known_ones_are_found():
    rows = name_rows()
    answers = [(row, answer(row)) for row in rows]
    found = [
        (row["lens"], lens.model, row["entry"]) for row, lens in answers if not isinstance(lens, NotFound)
    ]
    assert [names for names in found if names[1] != names[2]] == []
    known = sum(row["entry"] != "-" for row in rows)
    assert len(found) >= 0.95 * known
    assert len(rows) >= 650
    assert len(rows) - known >= 260


def test_every_entry_of_the_table_is_in_the_database():
    models = {lens.model for lens in database().lenses}
    assert {row["entry"] for row in name_rows()} - {"-"} <= models


@pytest.mark.parametrize("index", range(0, 900, 37))
def test_points_agree_with_the_librarys_own_modifier(index):
    # lensfunpy 1.18.0: Modifier(lens, crop, w, h).apply_geometry_distortion; the curve is free in its scale
    rectilinear = [v for v in database().lenses if v.calib_distortion and "RECTILINEAR" in str(v.type)]
    lens = rectilinear[index % len(rectilinear)]
    focal, size, crop = float(lens.min_focal), (1501, 1001), float(lens.crop_factor) * 1.1
    curve = curve_of_lens(lens, focal, crop_factor=crop)
    assert curve is not None
    modifier = lensfunpy.Modifier(lens, crop, *size)
    modifier.initialize(focal, 8.0, 10.0, scale=1.0, flags=lensfunpy.ModifyFlags.DISTORTION)
    centre = np.array([750.0, 500.0])
    scale = {"ptlens": 1 - sum(curve.coefficients), "poly3": 1 - curve.coefficients[0], "poly5": 1.0}[
        curve.model
    ]
    for straight in ((900.0, 300.0), (200.0, 820.0), (1300.0, 100.0)):
        theirs = modifier.apply_geometry_distortion(straight[0], straight[1], 1, 1)[0, 0]
        ours = curve.distort_points((np.array(straight) - centre) * scale + centre, size)
        # their half diagonal is a pixel shorter than ours: a thousandth of the shift of 100 px at most
        assert np.hypot(*(ours - theirs)) < 0.15


ZOOMS = [
    v
    for v in database().lenses
    if v.calib_distortion and "RECTILINEAR" in str(v.type) and v.min_focal and v.max_focal > 1.3 * v.min_focal
]


@pytest.mark.parametrize("index", range(5, len(ZOOMS), 37))
def test_zooms_between_calibration_points_on_other_sensors_agree_with_the_modifier(index):
    # lensfunpy 1.18.0: Modifier.apply_geometry_distortion; over all 676 zooms: median .008 px, worst .24
    lens = ZOOMS[index]
    part = (0.13, 0.37, 0.61, 0.83)[index % 4]
    focal = float(lens.min_focal * (1 - part) + lens.max_focal * part)
    crop = float(lens.crop_factor) * (1.0, 1.3, 1.6)[index % 3]
    size = ((1501, 1001), (1501, 1126), (1001, 1501))[index % 3]
    curve = curve_of_lens(lens, focal, crop_factor=crop)
    assert curve is not None
    modifier = lensfunpy.Modifier(lens, crop, *size)
    modifier.initialize(focal, 8.0, 10.0, scale=1.0, flags=lensfunpy.ModifyFlags.DISTORTION)
    centre = (np.array(size) - 1) / 2
    scale = {"ptlens": 1 - sum(curve.coefficients), "poly3": 1 - curve.coefficients[0]}.get(curve.model, 1.0)
    for share in ((0.06, 0.09), (0.93, 0.8), (0.6, 0.2)):
        straight = np.array(share) * size
        theirs = modifier.apply_geometry_distortion(*map(float, straight), 1, 1)[0, 0]
        ours = curve.distort_points((straight - centre) * scale + centre, size)
        assert np.hypot(*(ours - theirs)) < 0.15


def test_the_used_part_of_the_sensor_counts():
    # a full-frame camera set to the smaller format: its file has the lens's middle and tells 1.5 times 20 mm
    whole, part = find_in_database(facts()), find_in_database(facts(focal_35mm=30.0))
    assert isinstance(whole, Curve)
    assert isinstance(part, Curve)
    assert part.unit == pytest.approx(whole.unit / 1.5)
    assert find_in_database(facts(focal_35mm=21.0)) == whole  # rounding


def test_generations_are_told_apart():
    assert match(facts(lens="EF16-35mm f/2.8L III USM")).model == "Canon EF 16-35mm f/2.8L III USM"
    assert match(facts(lens="EF16-35mm f/2.8L USM")).model == "Canon EF 16-35mm f/2.8L USM"


def test_a_name_with_a_generation_that_the_table_leaves_open_is_no_lens():
    model = "NIKON D7200"
    open_name = "AF-S DX VR Zoom-Nikkor 18-200mm f/3.5-5.6G IF-ED [II]"
    told = "AF-S DX VR Zoom-Nikkor 18-200mm f/3.5-5.6G IF-ED II"
    assert isinstance(match(facts(maker="NIKON CORPORATION", model=model, lens=open_name)), NotFound)
    assert match(facts(maker="NIKON CORPORATION", model=model, lens=told)).model.endswith("IF-ED II")


def test_an_entry_with_a_curve_is_taken_before_one_of_a_nearer_sensor_without():
    # "Canon EF 35mm f/2 IS USM" is there twice: full frame with a curve, 1.6 without
    found = find_in_database(facts(model="Canon EOS 7D", lens="EF35mm f/2 IS USM", focal_mm=35.0))
    assert isinstance(found, Curve)


def test_bare_numbers_name_no_lens():
    found = find_in_database(facts(maker="NIKON CORPORATION", model="NIKON D750", lens="14.0-24.0 mm f/2.8"))
    assert not found
    assert "does not say which lens" in found.reason


def test_a_focal_length_outside_the_lens_is_refused():
    assert not find_in_database(facts(focal_mm=50.0))


def test_an_aperture_wider_than_the_lens_is_refused():
    assert not find_in_database(facts(aperture=1.8))


def test_a_sensor_larger_than_the_calibrations_is_refused():
    # In the database the lens was measured on a 1.6 sensor only.
    assert not find_in_database(facts(lens="EF-S10-22mm f/3.5-4.5 USM", focal_mm=10.0))
    assert find_in_database(facts(model="Canon EOS 7D", lens="EF-S10-22mm f/3.5-4.5 USM", focal_mm=10.0))


def test_a_smaller_sensor_takes_the_middle_of_the_curve():
    full = find_in_database(facts())
    small = find_in_database(facts(model="Canon EOS 7D"))
    assert isinstance(full, Curve)
    assert isinstance(small, Curve)
    # the same place on the lens: r on the smaller sensor is r / 1.6 on the larger one
    assert small.straight_radius(np.array([0.8]))[0] / 0.8 == pytest.approx(
        full.straight_radius(np.array([0.8 / 1.61]))[0] / (0.8 / 1.61), abs=2e-4
    )


def test_lateral_colour_and_fall_off_come_along_when_known():
    curve = find_in_database(facts(lens="EF24-70mm f/2.8L II USM", focal_mm=24.0, aperture=2.8))
    assert isinstance(curve, Curve)
    assert curve.has_fringes
    assert curve.light_left(np.array([0.0, 1.0]))[1] < 0.6
    assert Curve.from_json(curve.to_json()) == curve
