"""Tone: open and bright, no halos, nothing turned upside down."""

import json

import cv2
import numpy as np
import pytest

from processing import arrays, tone
from processing.colour import lab_from_linear
from processing.errors import ShapeError
from tests.processing import lit_rooms


def toned(rgb_linear: np.ndarray, **wishes: float) -> np.ndarray:
    plan = tone.settle([tone.analyse(rgb_linear)], **wishes)[0]
    return tone.apply(rgb_linear, plan, tone.local_base(rgb_linear))


def toned_from_quarter(rgb_linear: np.ndarray) -> np.ndarray:
    """As large files are toned: the base worked out at a quarter of the size, then enlarged."""
    height, width = rgb_linear.shape[:2]
    plan = tone.settle([tone.analyse(rgb_linear)])[0]
    base = tone.local_base(arrays.shrink(rgb_linear, (width // 4, height // 4)))
    planes = [cv2.resize(np.ascontiguousarray(base[..., k]), (width, height)) for k in range(base.shape[2])]
    return tone.apply(rgb_linear, plan, np.dstack(planes))


def lightness(rgb_u8: np.ndarray) -> np.ndarray:
    return lab_from_linear(arrays.decode_srgb(rgb_u8))[..., 0]


@pytest.mark.parametrize("level", [0.06, 0.15, 0.45])
def test_the_ceiling_comes_out_bright_whatever_the_exposure(level: float) -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces(), left=np.ones(3), right=np.ones(3), level=level)
    ceiling = lightness(toned(picture))[10:60]
    assert 80 < np.median(ceiling) < 95  # the aim for bright surfaces: L* 78-94
    assert (toned(picture).max(-1) >= 254).mean() < 0.01


def test_no_halo_stands_beside_a_window_four_stops_brighter() -> None:
    # a plain wall at 18 % with a +4 stop window: the published test of exposure fusion's halos
    wall = np.full((600, 900, 3), 0.18, np.float32)
    rng = np.random.default_rng(0)
    wall *= (1 + 0.01 * rng.standard_normal((600, 900, 1))).astype(np.float32)
    wall[150:450, 300:600] *= 16
    scene = np.clip(wall / 2.9, 0, 1).astype(np.float32)  # as merged from a bracket: nothing clipped
    row = lightness(toned(scene))[280:320].mean(0)
    far, beside = row[60:120].mean(), row[180:294]
    assert abs(beside - far).max() < 1.0


@pytest.mark.parametrize("lift", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("window_hold", [0.0, 0.6, 1.0])
@pytest.mark.parametrize("contrast", [-1.0, 0.0, 1.0])
@pytest.mark.parametrize("applied_ev", [-2.0, 0.0, 3.0])
def test_the_curve_never_falls(lift: float, window_hold: float, contrast: float, applied_ev: float) -> None:
    for white_ev in (0.0, 4.0):
        plan = tone.TonePlan(applied_ev, lift, window_hold, contrast, bright_ev=-1.8, white_ev=white_ev)
        out = tone.curve_ev(plan, np.linspace(-12, 8, 4000))
        assert (np.diff(out) > 0).all()


def test_clipped_light_ends_white_and_not_grey() -> None:
    picture, _ = lit_rooms.lit(lit_rooms.surfaces())
    picture[110:200, 220:300] = 1.0
    pane = toned(picture)[130:180, 240:280]
    assert pane.min() >= 247  # L* above 97


def test_a_held_view_is_brighter_than_the_wall_and_keeps_its_pattern() -> None:
    room, _ = lit_rooms.lit(lit_rooms.surfaces(), left=np.ones(3), right=np.ones(3), level=0.3)
    scene, mask = lit_rooms.with_window(room, stops=3.5)
    light = lightness(toned(scene))
    view, wall = light[mask], light[120:210, 120:200]
    assert np.median(view) > np.median(wall)
    assert np.percentile(view, 90) - np.percentile(view, 10) > 6
    assert (toned(scene)[mask].max(-1) >= 254).mean() < 0.3


def test_the_wall_right_beside_a_pane_is_as_light_as_the_wall() -> None:
    wall = np.full((1200, 1800, 3), 0.12, np.float32)
    rng = np.random.default_rng(5)
    wall[360:840, 600:1200] = rng.uniform(1.2, 2.6, (4, 5, 1)).repeat(120, 0).repeat(120, 1)  # a view
    wall = cv2.GaussianBlur(wall, (0, 0), 1.0)  # a sharp lens
    row = lightness(toned_from_quarter(wall))[450:750].mean(0)
    far = row[300:450].mean()
    assert abs(row[560:596] - far).max() < 1.0
    assert row[596:1204].min() > far - 1.0  # the border itself too


def test_the_rim_of_a_lamp_is_not_brighter_than_the_lamp_nor_darker_than_the_wall() -> None:
    x = np.arange(900, dtype=np.float32)
    glow = 0.25 + 0.95 * np.exp(-np.maximum(500 - x, 0) / 60)  # on the wall, up to where it clips
    row = np.stack([np.minimum(glow * 1.3, 1.35), glow, np.minimum(glow * 0.95, 1.15)], 1)
    row[500:] = 1.36  # the lamp: all channels clipped, filled in as neutral
    scene = np.broadcast_to(row.astype(np.float32), (300, 900, 3)).copy()
    light = lightness(toned(scene))[150]
    assert np.diff(light).min() > -0.5


def test_light_that_fades_into_the_ceiling_is_not_taken_for_a_view() -> None:
    y, x = np.mgrid[0:800, 0:1200].astype(np.float32)
    lamp = (abs(x - 600) < 240) & (abs(y - 300) < 50)
    away = np.hypot(np.maximum(abs(x - 600) - 240, 0), np.maximum(abs(y - 300) - 50, 0))
    glow = np.where(y > 300, 2.6 * np.exp(-away / 40), 0.0)  # below the tube; its box shades the upper side
    level = np.where(lamp, 6.0 + 1.5 * (x > 600), 0.15 + glow)
    light = lightness(toned_from_quarter(np.repeat(level[..., None], 3, 2).astype(np.float32)))
    below = light[352:600, 600]  # from the lamp outwards it only gets darker
    assert np.diff(below).max() < 0.5


def test_order_of_lightness_inside_a_surface_is_kept() -> None:
    ramp = np.linspace(0.05, 0.5, 900, dtype=np.float32)[None, :, None].repeat(200, 0).repeat(3, 2)
    out = toned(np.ascontiguousarray(ramp))[100].astype(int)
    assert (np.diff(out[:, 1]) >= 0).all()
    assert abs(np.diff(out[:, 1])).max() <= 2  # no banding either


def test_grey_stays_grey_and_a_highlight_keeps_its_hue() -> None:
    grey = np.full((60, 90, 3), 0.2, np.float32)
    out = toned(grey)
    assert (out.max(-1) == out.min(-1)).all()
    bright = np.broadcast_to(np.array([1.6, 0.9, 0.5], np.float32), (4, 4, 3))
    top, least = bright.max(-1), bright.min(-1)
    factor, white = tone.roll_off_terms(
        np.ascontiguousarray(top), np.ascontiguousarray(least), arrays.luminance(np.ascontiguousarray(bright))
    )
    bent = bright * factor[..., None] + white[..., None]
    assert bent.max() <= 1.0
    order_before, order_after = np.argsort(bright[0, 0]), np.argsort(bent[0, 0])
    assert (order_before == order_after).all()


def test_wishes_do_what_they_say() -> None:
    room, _ = lit_rooms.lit(lit_rooms.surfaces(), level=0.3)
    plain = lightness(toned(room))
    assert np.median(lightness(toned(room, brightness_ev=0.5))) > np.median(plain) + 2
    dark = plain < np.percentile(plain, 20)
    assert lightness(toned(room, lift=0.8))[dark].mean() > plain[dark].mean() + 2
    scene, mask = lit_rooms.with_window(room, stops=3.0)
    held, free = (lightness(toned(scene, window_hold=h))[mask].mean() for h in (1.0, 0.0))
    assert held < free - 1


def test_bands_make_the_same_pixels_as_the_whole_picture() -> None:
    room, _ = lit_rooms.lit(lit_rooms.surfaces(), level=0.3)
    plan = tone.settle([tone.analyse(room)])[0]
    base = tone.local_base(room)
    whole = tone.apply(room, plan, base)
    bands = [tone.apply(room[r : r + 37], plan, base[r : r + 37]) for r in range(0, 320, 37)]
    assert np.array_equal(whole, np.concatenate(bands))


def test_sixteen_bits_agree_with_eight() -> None:
    room, _ = lit_rooms.lit(lit_rooms.surfaces(), level=0.3)
    plan = tone.settle([tone.analyse(room)])[0]
    base = tone.local_base(room)
    deep = tone.apply(room, plan, base, sixteen_bit=True)
    assert deep.dtype == np.uint16
    assert abs(deep / 257 - tone.apply(room, plan, base)).max() <= 1


def test_plans_and_analyses_read_back_equal() -> None:
    room, _ = lit_rooms.lit(lit_rooms.surfaces())
    analysis = tone.analyse(room)
    assert tone.ToneAnalysis.from_json(json.loads(json.dumps(analysis.to_json()))) == analysis
    plan = tone.settle([analysis])[0]
    assert tone.TonePlan.from_json(json.loads(json.dumps(plan.to_json()))) == plan
    assert tone.settle([]) == []


@pytest.mark.parametrize("level", [0.0, 1.0, 5.0])
def test_black_white_and_tiny_pictures_come_out(level: float) -> None:
    for shape in ((1, 1, 3), (5, 7, 3), (60, 90, 3)):
        assert toned(np.full(shape, level, np.float32)).shape == shape


def test_a_wrong_array_is_refused_by_name() -> None:
    with pytest.raises(ShapeError, match="rgb_linear: need float32"):
        tone.analyse(np.zeros((4, 4, 3)))


@pytest.mark.parametrize("wall", [0.2, 0.5, 0.72, 0.85])
def test_burnt_white_beside_a_bright_wall_stays_white(wall: float) -> None:
    # a frame exposed for its walls: nothing in it is brighter than 1.0, so 1.0 must not come out as grey
    picture = np.full((300, 450, 3), wall, np.float32)
    picture[60:240, 300:400] = 1.0
    plan = tone.settle([tone.analyse(picture)])[0]
    out = tone.apply(picture, plan, tone.local_base(picture))
    assert out[150, 350].min() >= 244
    assert out[150, 350].min() > out[150, 100].max()
