"""Light of each area: what is taken away, what is left alone."""

import json

import numpy as np
import pytest

from processing import casts, lightmap
from processing.colour import lab_from_linear, linear_from_xy, xy_from_kelvin
from processing.errors import ShapeError
from tests.processing import lit_rooms

SRGB_CAMERA = casts.CameraColour(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), (1.0, 1.0, 1.0))


def cast_of(rgb_linear: np.ndarray, rows: slice, cols: slice) -> float:
    """Chroma C* of the median of a part, at its own lightness."""
    lab = lab_from_linear(np.median(rgb_linear[rows, cols].reshape(-1, 3), axis=0))
    return float(np.hypot(lab[1], lab[2]))


def corrected(rgb_linear: np.ndarray, **settings: float) -> np.ndarray:
    plan = casts.settle([casts.analyse(rgb_linear)], **settings)[0]
    return casts.apply(rgb_linear, casts.gains(plan, rgb_linear))


def test_the_lamp_side_loses_its_cast_and_the_window_side_gets_none() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    after = corrected(picture)
    for cols in (slice(20, 120), slice(360, 460)):
        before_c, after_c = cast_of(picture, slice(10, 60), cols), cast_of(after, slice(10, 60), cols)
        assert after_c < max(before_c, 5.0)  # C* 5: hardly seen on a ceiling
    warm_before, warm_after = (cast_of(x, slice(10, 60), slice(360, 460)) for x in (picture, after))
    assert warm_after < 0.4 * warm_before


def test_luminance_is_kept() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    after = corrected(picture)
    before_y, after_y = (x @ lit_rooms.LUMA for x in (picture, after))
    assert np.median(abs(np.log2(after_y / before_y))) < 0.01


def test_clipped_pixels_stay_as_they_are() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    picture[100:140, 300:360] = (1.0, 0.8, 0.3)
    after = corrected(picture)
    assert after[105:135, 305:355] == pytest.approx(picture[105:135, 305:355], abs=1e-6)


def test_a_stage_in_blue_light_is_left_as_the_camera_saw_it() -> None:
    rng = np.random.default_rng(0)
    stage = (rng.uniform(0.02, 0.3, (160, 240, 1)) * np.array([0.03, 0.12, 1.0])).astype(np.float32)
    plan = casts.settle([casts.analyse(stage)])[0]
    assert plan.strength == 0
    assert plan.method == "camera"
    assert "intended" in plan.why
    assert np.array_equal(casts.gains(plan, stage), np.ones_like(stage))
    assert casts.codes(plan) == ("coloured_light",)


def test_daylight_under_a_tungsten_preset_is_corrected_when_the_camera_tells_its_white() -> None:
    preset, day = (linear_from_xy(xy_from_kelvin(k)) for k in (2700.0, 6500.0))
    rng = np.random.default_rng(0)
    grey = rng.uniform(0.05, 0.3, (160, 240, 1)) * (day / preset)
    room = (grey / grey.max()).astype(np.float32)
    camera = casts.CameraColour(SRGB_CAMERA.srgb_from_camera, tuple(preset.tolist()))
    told, untold = (casts.settle([casts.analyse(room, camera=c)])[0] for c in (camera, None))
    assert told.strength == 1
    assert untold.strength == 0  # nothing says then that the blue was not meant


def test_a_frame_that_is_mostly_clipped_falls_back() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    blown = np.clip(picture * 16, 0, 1)
    plan = casts.settle([casts.analyse(blown)])[0]
    assert plan.strength < 0.2
    assert casts.codes(plan) == ("over_exposed",)


def test_a_marked_white_ends_neutral() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    marks = [casts.read_point(picture, 0.15, 0.1), casts.read_point(picture, 0.85, 0.1)]
    plan = casts.settle([casts.analyse(picture)], neutral_points=[marks])[0]
    after = casts.apply(picture, casts.gains(plan, picture))
    for x in (0.15, 0.85):
        col = int(x * 480)
        assert cast_of(after, slice(26, 38), slice(col - 6, col + 6)) < 1.5


def test_a_mark_on_a_burnt_or_black_place_has_no_colour() -> None:
    for level in (0.001, 1.0):
        assert casts.read_point(np.full((40, 60, 3), level, np.float32), 0.5, 0.5) is None


def test_the_light_is_estimated_again_with_the_marks_in_the_picture() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    seen = casts.analyse(picture)
    marks = [casts.read_point(picture, 0.15, 0.1), casts.read_point(picture, 0.85, 0.1)]
    plan = casts.settle([seen], neutral_points=[marks], pictures=[picture])[0]
    after = casts.apply(picture, casts.gains(plan, picture))
    for x in (0.15, 0.85):
        col = int(x * 480)
        left = cast_of(after, slice(26, 38), slice(col - 6, col + 6))
        assert left < 6  # a white may keep what neighbouring paint throws on it, about this much
    assert not np.array_equal(plan.map_uv, seen.map_uv)


def test_a_pair_of_frames_gives_the_ratio_of_two_lights_whatever_the_paint() -> None:
    """Lambert's law: a matt surface sends back paint times light, so paint falls out of the ratio."""
    rng = np.random.default_rng(3)
    paint = np.repeat(np.repeat(rng.uniform(0.1, 0.9, (16, 24, 3)), 8, 0), 8, 1).astype(np.float32)
    lamp, flash = np.array([0.5, 0.35, 0.15], np.float32), np.array([0.2, 0.22, 0.25], np.float32)
    uv = np.log((flash / flash[1])[[0, 2]])
    planes = lightmap.pair_planes(paint * lamp, paint * (lamp + flash), uv)
    weight = planes[..., 2]
    assert (weight > 0.05).mean() > 0.5
    light = planes[..., :2][weight > 0.05] / weight[weight > 0.05][:, None]
    assert np.median(light, axis=0) == pytest.approx(np.log((lamp / lamp[1])[[0, 2]]), abs=0.01)
    assert np.array_equal(planes[..., 3], weight)  # known: the flash's colour was told
    clipped = lightmap.pair_planes(paint * lamp, np.ones_like(paint), uv)
    assert not clipped.any()


def test_more_warmth_kept_leaves_more_of_the_lamp() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    casts_left = [
        cast_of(corrected(picture, warmth_kept=kept), slice(10, 60), slice(360, 460))
        for kept in (0.0, 0.3, 0.8)
    ]
    assert casts_left[0] < casts_left[1] < casts_left[2]


@pytest.mark.parametrize("kelvin", [2850, 4000, 6500])
def test_an_area_says_its_kelvin_through_the_cameras_own_matrix(kelvin: int) -> None:
    mix = ((0.8, 0.25, -0.05), (0.1, 0.8, 0.1), (0.02, -0.12, 1.1))  # rows sum to 1, as a camera's do
    white = tuple(linear_from_xy(xy_from_kelvin(5000.0)).tolist())
    camera = casts.CameraColour(mix, white)
    seen = camera.balanced_linear(linear_from_xy(xy_from_kelvin(kelvin, duv=0.004)))
    uv = np.log(seen[[0, 2]] / seen[1]).astype(np.float32)
    plan = casts.LightPlan(np.broadcast_to(uv, (12, 16, 2)).copy(), "network", 1.0, 0.0, "", camera=camera)
    area = casts.find_areas(plan)[0]
    assert area.share == 1.0
    assert area.kelvin == pytest.approx(kelvin, rel=0.01)
    assert area.duv == pytest.approx(0.004, abs=5e-4)


def test_without_camera_data_kelvin_is_unknown() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    plan = casts.settle([casts.analyse(picture)])[0]
    assert plan.areas
    assert all(area.kelvin is None and area.duv is None for area in plan.areas)
    assert sum(area.share for area in plan.areas) == pytest.approx(1, abs=0.01)


def test_a_plan_read_back_from_json_makes_the_same_pixels() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    analysis = casts.LightAnalysis.from_json(
        json.loads(json.dumps(casts.analyse(picture, camera=SRGB_CAMERA).to_json()))
    )
    plan = casts.settle([analysis])[0]
    again = casts.LightPlan.from_json(json.loads(json.dumps(plan.to_json())))
    assert again == plan
    assert np.array_equal(casts.gains(plan, picture), casts.gains(again, picture))


def test_light_of_a_plan_has_luminance_one_and_the_input_is_left_alone() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    kept = picture.copy()
    plan = casts.settle([casts.analyse(picture)])[0]
    light = casts.light_of(plan, picture)
    assert light @ lit_rooms.LUMA == pytest.approx(np.ones(picture.shape[:2]), abs=1e-3)
    assert np.array_equal(picture, kept)


@pytest.mark.parametrize("shape", [(2, 3), (40, 60), (300, 200)])
def test_tiny_flat_black_and_portrait_pictures_give_finite_gains(shape: tuple[int, int]) -> None:
    for level in (0.0, 0.3, 1.0):
        picture = np.full((*shape, 3), level, np.float32)
        plan = casts.settle([casts.analyse(picture)])[0]
        assert np.isfinite(casts.gains(plan, picture)).all()
    holed = np.full((*shape, 3), np.nan, np.float32)
    assert np.isfinite(casts.analyse(holed).map_uv).all()


def test_a_wrong_array_is_refused_by_name() -> None:
    with pytest.raises(ShapeError, match="rgb_linear: need float32"):
        casts.analyse(np.zeros((4, 4, 3)))


def test_a_flash_pair_tells_blue_paint_from_blue_light() -> None:
    paint = lit_rooms.surfaces()
    ambient, light = lit_rooms.lit(paint)
    near = np.linspace(1.0, 0.4, 320)[:, None, None]
    with_flash = (ambient + paint * near * np.array([0.98, 1.0, 1.03]) * 0.25).astype(np.float32)
    analysis = casts.analyse(ambient, flash_linear=with_flash, camera=SRGB_CAMERA)
    assert analysis.method == "flash pair"
    plan = casts.settle([analysis], warmth_kept=0.0)[0]
    after = casts.apply(ambient, casts.gains(plan, ambient))
    cupboard = np.s_[175:225, 60:150]

    def hue(rgb: np.ndarray) -> float:
        lab = lab_from_linear(np.median(rgb[cupboard].reshape(-1, 3), axis=0))
        return float(np.degrees(np.arctan2(lab[2], lab[1])))

    assert hue(after) == pytest.approx(hue(paint), abs=8)
    chroma = [np.hypot(*lab_from_linear(x)[1:]) for x in (np.median(after[cupboard], (0, 1)),)]
    assert chroma[0] > 20  # the cupboard is still blue
