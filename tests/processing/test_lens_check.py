"""A known curve against the picture's own lines: kept when right, refused when taken out, wrong or cut."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import pytest

from processing import straightening
from processing.lens_check import Check
from processing.lens_curve import Curve
from processing.lens_database import curve_of_lens
from processing.results import NotFound

from .drawn_rooms import draw_room, wide_lenses

LENSES = wide_lenses(40, seed=11)
CHOSEN = (4, 8, 14)


def sighting(grey, truth, curve, *, developed=False):
    """The picture with the database's answer set, looked at as the product does."""
    facts = SimpleNamespace(
        maker="Anywhere",
        model="A1",
        lens_maker=None,
        lens="A lens nobody knows 10-20mm F4",
        focal_mm=truth.focal_mm,
        focal_35mm=truth.focal_mm * truth.crop_factor,
        aperture=8.0,
        crop_factor=truth.crop_factor,
        width=grey.shape[1],
        height=grey.shape[0],
    )
    return replace(straightening.look(grey, facts), database=curve, developed=developed)


def room(index):
    lens, focal = LENSES[index]
    grey, truth = draw_room(5000 + index, lens=lens, focal_mm=focal)
    return grey, truth, curve_of_lens(lens, focal, crop_factor=truth.crop_factor)


@pytest.mark.parametrize("index", CHOSEN)
def test_the_right_curve_is_kept(index):
    grey, truth, curve = room(index)
    assert straightening.settle([sighting(grey, truth, curve)])[0].curve.source == "database"


@pytest.mark.parametrize("index", CHOSEN)
def test_a_curve_that_was_taken_out_already_is_refused(index):
    _, truth, curve = room(index)
    straight, _ = draw_room(5000 + index, focal_mm=truth.focal_mm, crop_factor=truth.crop_factor)
    found = straightening.settle([sighting(straight, truth, curve)])[0].curve
    assert found.source != "database"
    assert abs(found.corner_shift_percent) < 0.5
    assert curve.name in found.why


@pytest.mark.parametrize("index", CHOSEN)
def test_another_lens_is_refused(index):
    grey, truth, _ = room(index)
    other, focal = LENSES[index + 7]
    wrong = curve_of_lens(other, focal, crop_factor=other.crop_factor)
    found = straightening.settle([sighting(grey, truth, wrong)])[0].curve
    assert found.source != "database"


def test_a_cut_frame_does_not_get_the_whole_frames_curve():
    grey, truth, curve = room(14)
    h, w = grey.shape
    part = grey[int(0.15 * h) : int(0.85 * h), int(0.15 * w) : int(0.85 * w)]
    part = cv2.resize(part, (w, h), interpolation=cv2.INTER_CUBIC)
    found = straightening.settle([sighting(part, truth, curve)])[0].curve
    assert found.source != "database"


def test_a_developed_file_without_lines_keeps_what_the_camera_made():
    nothing_said = Check(fit=None, gain=0.5, better=-8.0)
    assert nothing_said.objection("A lens", developed=False) is None
    assert "may have taken" in nothing_said.objection("A lens", developed=True).reason


def test_the_records_come_back_with_their_codes():
    grey, truth, curve = room(4)
    one = replace(sighting(grey, truth, curve), database=NotFound("round", "fisheye"), developed=True)
    again = straightening.Sighting.from_json(one.to_json())
    assert again.database == NotFound("round", "fisheye")
    assert again.developed
    settled = straightening.settle([again])[0]
    assert (settled.curve.source, settled.curve.code, settled.level.level) == ("none", "fisheye", "none")
    assert Curve.from_json(settled.curve.to_json()) == settled.curve
