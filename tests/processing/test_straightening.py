"""Lens and level together, on drawn rooms with real lenses: straighter always, and left alone when nothing
is wrong.
"""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from processing import analysis, crop, series, straightening
from processing.lens_curve import Curve, frame
from processing.lens_database import curve_of_lens
from processing.results import NotFound
from processing.straightening import Sighting
from processing.verticals import Level, level_by_hand
from processing.warp import Warp

from .drawn_rooms import draw_room, wide_lenses
from .straightness import measure


def facts(truth, *, known=True):
    """Facts of a file that names a lens nobody knows."""
    return SimpleNamespace(
        maker="Anywhere",
        model="A1",
        lens_maker=None,
        lens="A lens nobody knows 10-20mm F4",
        focal_mm=truth.focal_mm if known else None,
        focal_35mm=truth.focal_mm * truth.crop_factor if known else None,
        aperture=8.0,
        crop_factor=truth.crop_factor if known else None,
        width=truth.size[0],
        height=truth.size[1],
    )


def straightness(truth, straight):
    size = truth.size
    found = crop.largest(size, straight.curve, straight.level, straight.focal_px, "source")
    warp = Warp(size, straight.curve, straight.level, straight.focal_px, found.rect, found.out_size)
    how = {"size": size, "focal_px": truth.focal_px, "camera_from_world": truth.camera_from_world}
    after = measure(warp.out_from_source, truth.bent, out_size=found.out_size, **how)
    before = measure(lambda xy: xy, truth.bent, out_size=size, **how)
    return before, after


@pytest.fixture(scope="module")
def rooms():
    """Four rooms with four lenses, as (grey, truth)."""
    lenses = wide_lenses(30, seed=7)
    return [draw_room(1000 + i, lens=lenses[i][0], focal_mm=lenses[i][1]) for i in (2, 5, 17, 29)]


def test_rooms_with_unknown_lenses_come_out_straight(rooms):
    leans, bows = [], []
    for grey, truth in rooms:
        straight = straightening.settle([straightening.look(grey, facts(truth))])[0]
        before, after = straightness(truth, straight)
        assert after.lean_deg < max(0.1, before.lean_deg)
        assert after.bow_percent <= before.bow_percent + 0.05
        assert after.aspect_percent < 1.0
        assert after.shear_deg < 0.1
        leans.append(after.lean_deg)
        bows.append(after.bow_percent)
    # the bench over 48 lenses: median lean .01 degrees, median bow .016 %; margins for four
    assert np.median(leans) < 0.03
    assert np.median(bows) < 0.04


def test_a_missing_focal_length_leaves_uprights_upright(rooms):
    grey, truth = rooms[0]
    straight = straightening.settle([straightening.look(grey, facts(truth, known=False))])[0]
    assert straightness(truth, straight)[1].lean_deg < 0.15


@pytest.mark.parametrize(
    ("room", "place"),
    [(26, (0.5, 0.5)), (14, (0.3, 0.9)), (20, (0.9, 0.9))],
    ids=["in the middle", "below", "at a corner"],
)
def test_a_cut_frame_whose_file_tells_the_whole_ones_focal_length_is_straightened(room, place):
    lens, focal = wide_lenses(30, seed=7)[room]
    grey, truth = draw_room(1000 + room, lens=lens, focal_mm=focal)
    h, w = grey.shape
    corner = np.array([int(0.3 * place[0] * w), int(0.3 * place[1] * h)])
    size = (int(0.7 * w), int(0.7 * h))
    (x, y), (x1, y1) = corner, corner + size
    told = facts(truth)
    told.width, told.height = size
    straight = straightening.settle([straightening.look(np.ascontiguousarray(grey[y:y1, x:x1]), told)])[0]
    found = crop.largest(size, straight.curve, straight.level, straight.focal_px, "source")
    warp = Warp(size, straight.curve, straight.level, straight.focal_px, found.rect, found.out_size)
    after = measure(
        warp.out_from_source,
        lambda xy: truth.bent(xy + corner) - corner,
        size=size,
        focal_px=truth.focal_px,
        camera_from_world=truth.camera_from_world,
        out_size=found.out_size,
        centre=truth.centre - corner,
    )
    # the bench over 24 windows placed anywhere: lean .02 median, bow .05 %
    assert after.lean_deg < 0.1
    assert after.bow_percent < 0.12
    centre, half = frame(size)
    assert np.allclose(straight.curve.offset, (truth.centre - corner - centre) / half, atol=0.05)


def test_a_finished_picture_is_left_as_it_is(rooms):
    for grey, truth in rooms[:2]:
        straight = straightening.settle([straightening.look(grey, facts(truth))])[0]
        found = crop.largest(truth.size, straight.curve, straight.level, straight.focal_px, "source")
        warp = Warp(truth.size, straight.curve, straight.level, straight.focal_px, found.rect, found.out_size)
        stripped = facts(truth, known=False)
        stripped.width, stripped.height = found.out_size
        again = straightening.settle([straightening.look(warp.resample(grey), stripped)])[0]
        assert again.curve.is_identity
        assert abs(again.level.corrected_roll_deg) < 0.05
        assert abs(again.level.corrected_pitch_deg) < 0.05


@pytest.mark.parametrize(("roll", "pitch"), [(0.2, -0.3), (-0.1, 0.3)])
def test_a_small_tilt_is_still_taken_out(roll, pitch):
    grey, truth = draw_room(742, roll_deg=roll, pitch_deg=pitch)
    straight = straightening.settle([straightening.look(grey, facts(truth))])[0]
    before, after = straightness(truth, straight)
    assert before.lean_deg > 0.25
    assert after.lean_deg < 0.06  # thirty uprights of a tenth of a pixel; the bench: .03 and less mostly


def test_a_database_curve_that_fits_is_kept(rooms):
    grey, truth = rooms[0]
    curve = curve_of_lens(truth.lens, truth.focal_mm, crop_factor=truth.crop_factor)
    sighting = replace(straightening.look(grey, facts(truth)), database=curve)
    straight = straightening.settle([sighting])[0]
    assert straight.curve.source == "database"
    assert straightness(truth, straight)[1].bow_percent < 0.02


def test_a_picture_that_was_corrected_in_the_camera_is_not_corrected_again(rooms):
    _, truth = rooms[0]
    grey, plain = draw_room(1002, lens=None, focal_mm=truth.focal_mm, crop_factor=truth.crop_factor)
    curve = curve_of_lens(truth.lens, truth.focal_mm, crop_factor=truth.crop_factor)
    sighting = replace(straightening.look(grey, facts(plain)), database=curve)
    straight = straightening.settle([sighting])[0]
    assert straight.curve.source != "database"
    assert "bends this picture's lines" in straight.curve.why
    assert straightness(plain, straight)[1].bow_percent < 0.05


def test_pictures_of_one_lens_decide_together():
    lens, focal = wide_lenses(30, seed=7)[17]
    views = [draw_room(300 + i, lens=lens, focal_mm=focal) for i in range(3)]
    settled = straightening.settle([straightening.look(g, facts(t)) for g, t in views])
    assert {s.curve.source for s in settled} == {"set"}
    assert len({s.curve.coefficients for s in settled}) == 1
    for (_, truth), straight in zip(views, settled, strict=True):
        assert straightness(truth, straight)[1].bow_percent < 0.1


def test_textures_stay_as_they_are():
    rng = np.random.default_rng(4)
    cloth = cv2.GaussianBlur(rng.normal(128, 60, (1000, 1500)).astype(np.float32), (0, 0), 3)
    y, x = np.mgrid[:1000, :1500].astype(np.float32)
    waves = 128 + 50 * np.sin((y + 25 * np.sin(x / 90)) / 6)
    truth = SimpleNamespace(size=(1500, 1000), focal_mm=24.0, crop_factor=1.0)
    for grey in (cloth, waves):
        straight = straightening.settle(
            [straightening.look(np.clip(grey, 0, 255).astype(np.uint8), facts(truth))]
        )[0]
        assert straight.level.level == "none"
        assert straight.level.why
        assert straight.curve.is_identity


def test_a_flat_picture_says_why_nothing_is_done():
    truth = SimpleNamespace(size=(1500, 1000), focal_mm=24.0, crop_factor=1.0)
    straight = straightening.settle([straightening.look(np.full((1000, 1500), 90, np.uint8), facts(truth))])[
        0
    ]
    assert straight.level.level == "none"
    assert "lines" in straight.level.why
    assert "edges" in straight.curve.why or "lines" in straight.curve.why


@pytest.mark.parametrize(("roll", "pitch", "part"), [(0.5, 19.0, "up"), (12.0, 0.0, "turned")])
def test_views_meant_to_be_tilted_are_left(roll, pitch, part):
    level = Level(roll, pitch, "both", "", roll, pitch)
    limited = straightening.limited(level, (1500, 1000), Curve(), 1000.0)
    assert limited.level == "none"
    assert limited.corrected_pitch_deg == limited.corrected_roll_deg == 0.0
    assert part in limited.why


def test_a_steep_pitch_is_taken_out_as_far_as_the_frame_allows():
    level = Level(0.0, 14.0, "both", "", 0.0, 14.0)
    limited = straightening.limited(level, (1500, 1000), Curve(), 700.0)
    assert 8.0 <= limited.corrected_pitch_deg < 14.0
    kept = crop.largest((1500, 1000), Curve(), limited, 700.0, "source").kept_share
    assert kept >= 0.79 or limited.corrected_pitch_deg == 8.0


def test_a_hands_level_is_kept(rooms, tmp_path):
    path = tmp_path / "room.png"
    cv2.imwrite(str(path), rooms[0][0])
    hand = level_by_hand(1.25, -0.5)
    wish = {"level": {"roll_deg": 1.25, "pitch_deg": -0.5}}
    assert series.settle([analysis.analyse([path])], [wish])[0].level == hand


def test_a_sighting_kept_as_json_settles_to_the_same(rooms):
    grey, truth = rooms[1]
    told = facts(truth)
    told.is_whole = False
    sighting = straightening.look(grey, told)
    kept = Sighting.from_json(sighting.to_json())
    assert kept.is_whole is False
    assert isinstance(kept.database, NotFound)
    a, b = straightening.settle([sighting])[0], straightening.settle([kept])[0]
    # points are kept to a 24000th of the half diagonal
    assert b.level.roll_deg == pytest.approx(a.level.roll_deg, abs=0.005)
    assert b.level.pitch_deg == pytest.approx(a.level.pitch_deg, abs=0.01)
    again = straightening.settle([kept])[0]
    assert again == b
