"""Fisheye views: recognised by their circle or their lens, made flat by a profile, else left alone."""

from types import SimpleNamespace

import lensfunpy
import numpy as np
import pytest

from processing import straightening
from processing.fisheye import find_circle
from processing.lens_curve import Curve
from processing.lens_database import curve_of_lens, database, find_in_database

from .drawn_rooms import draw_room


def facts(**changed):
    given = {
        "maker": "GoPro",
        "model": "HERO4 Silver",
        "lens_maker": None,
        "lens": None,
        "focal_mm": 3.0,
        "focal_35mm": 15.0,
        "aperture": 2.8,
        "crop_factor": 5.0,
        "width": 1280,
        "height": 960,
    }
    return SimpleNamespace(**{**given, **changed})


def faded(grey, edge):
    h, w = grey.shape
    y, x = np.mgrid[:h, :w]
    radius = np.hypot(x - (w - 1) / 2, y - (h - 1) / 2) / np.hypot(w, h) * 2
    return (grey * np.clip(edge(radius), 0, 1)).astype(np.uint8)


@pytest.mark.parametrize("seed", range(4))
def test_a_circle_is_found_and_a_lenss_fall_off_is_none(seed):
    grey, _ = draw_room(seed)
    for radius in (0.45, 0.62):
        found = find_circle(faded(grey, lambda r, radius=radius: (radius - r) / 0.01 + 0.5))
        assert found == pytest.approx(radius, abs=0.01)
    for strength, power in ((0.9, 2), (1.2, 4)):
        assert find_circle(faded(grey, lambda r, s=strength, p=power: 1 - s * r**p)) is None
    assert find_circle(grey) is None


def test_a_round_picture_is_left_alone_with_the_reason_even_beside_others_that_agree():
    grey, truth = draw_room(1)
    known = facts(
        maker="A", model="B", lens="A lens 24mm F2", focal_mm=24.0, focal_35mm=24.0, crop_factor=1.0
    )
    known.width, known.height = truth.size
    round_one = straightening.look(faded(grey, lambda r: (0.55 - r) / 0.01), known)
    others = [straightening.look(draw_room(s, roll_deg=1.0, pitch_deg=2.0)[0], known) for s in (2, 3, 4)]
    settled = straightening.settle([round_one, *others])[0]
    assert settled.curve.code == "fisheye"
    assert "fisheye" in settled.curve.why
    assert settled.level.level == "none"


def test_an_action_cameras_profile_makes_the_view_flat_as_the_library_does():
    # lensfunpy 1.18.0: modifier with target geometry RECTILINEAR; OpenCV's calibration of this camera agrees
    # up to a radius of .55 half diagonals (checkerboards, MIT: f 560 px, k1 -.233, k2 .062, 1280 x 960)
    curve = find_in_database(facts())
    assert isinstance(curve, Curve)
    lens = next(v for v in database().lenses if v.model == "HERO4")
    modifier = lensfunpy.Modifier(lens, lens.crop_factor, 1281, 961)
    flags = lensfunpy.ModifyFlags.DISTORTION | lensfunpy.ModifyFlags.GEOMETRY
    modifier.initialize(3.0, 2.8, 1000.0, scale=1.0, targeom=lensfunpy.LensType.RECTILINEAR, flags=flags)
    half = np.hypot(1280, 960) / 2
    centre_scale = (modifier.apply_geometry_distortion(680.0, 480.0, 1, 1)[0, 0, 0] - 640) / 40
    for radius in (0.2, 0.5, 0.9, 1.3):
        theirs = (modifier.apply_geometry_distortion(640 + radius * half, 480.0, 1, 1)[0, 0, 0] - 640) / half
        assert curve.bent_radius(np.array([radius * centre_scale]))[0] == pytest.approx(theirs, abs=0.002)
    focal = 560 / (np.hypot(1280, 960) / 2)
    x = np.array([0.2, 0.5]) / focal
    assert curve.bent_radius(x * focal) == pytest.approx(
        focal * x * (1 - 0.233 * x**2 + 0.062 * x**4), abs=0.004
    )


def test_a_view_too_wide_for_a_flat_picture_has_no_curve_and_a_code():
    found = find_in_database(
        facts(
            maker="Canon",
            model="Canon EOS 5D Mark III",
            lens="EF8-15mm f/4L FISHEYE USM",
            focal_mm=15.0,
            focal_35mm=None,
            crop_factor=None,
            aperture=8.0,
        )
    )
    assert not found
    assert found.code == "fisheye"
    lens = next(v for v in database().lenses if "8-15mm" in v.model)
    assert curve_of_lens(lens, 15.0, crop_factor=1.0) is None


def test_a_fisheye_that_the_database_lacks_is_told_by_its_name():
    found = find_in_database(
        facts(maker="Canon", model="Canon EOS 5D Mark III", lens="Acme Fish-Eye 12mm f/2.8")
    )
    assert not found
    assert found.code == "fisheye"
