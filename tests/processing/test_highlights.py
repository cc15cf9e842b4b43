"""Clipped pixels: neutral where nothing is known, untouched where all is known."""

import numpy as np
import pytest

from processing import highlights

EYE = np.eye(3)


def lit(pixel, gain=(1, 1, 1), levels=(1, 1, 1), matrix=EYE):
    camera = np.array(pixel, np.float32).reshape(1, 1, 3)
    given = np.array(gain, np.float32).reshape(1, 1, 3)
    return highlights.light_band(camera, given, srgb_from_camera=matrix, clip_levels=np.array(levels, float))[
        0, 0
    ]


def test_unclipped_pixels_are_matrix_and_gain_only():
    matrix = np.array([[1.7, -0.5, -0.2], [-0.1, 1.5, -0.4], [0.0, -0.4, 1.4]])
    pixel, gain = np.array([0.3, 0.5, 0.2]), np.array([0.8, 1.0, 1.3])
    assert lit(pixel, gain, matrix=matrix) == pytest.approx(matrix @ pixel * gain, rel=1e-5)


def test_a_lamp_clipped_in_all_channels_comes_out_white_under_its_own_light():
    # a warm lamp's gain would turn (1, 1, 1) cyan: (.5, 1, 2)
    red, green, blue = lit((1.0, 1.0, 1.0), gain=(0.5, 1.0, 2.0))
    assert red == pytest.approx(green, rel=1e-3)
    assert blue == pytest.approx(green, rel=1e-3)


def test_raw_channels_that_clip_at_different_levels_come_out_white_not_magenta():
    values = lit((2.0, 1.0, 1.5), levels=(2.0, 1.0, 1.5))
    assert np.ptp(values) < 1e-3
    assert values.min() >= 1.0


def test_one_clipped_channel_is_raised_to_what_the_others_say():
    values = lit((1.0, 0.7, 0.5), gain=(0.6, 1.0, 1.5))  # red is lost: .6 after the gain, the rest says .7+
    assert values[0] == pytest.approx(0.7, abs=0.06)
    assert values[1:] == pytest.approx([0.7, 0.75], rel=1e-4)


def test_a_saturated_colour_with_one_clipped_channel_keeps_its_colour():
    values = lit((1.0, 0.1, 0.05))
    assert values == pytest.approx([1.0, 0.1, 0.05], abs=1e-4)


def test_nothing_jumps_when_clipping_begins():
    levels = np.linspace(0.85, 1.0, 60)
    values = np.array([lit((v, 0.8, 0.6), gain=(0.7, 1.0, 1.3)) for v in levels])
    assert np.abs(np.diff(values, axis=0)).max() < 0.02
    # the input is not touched
    camera = np.ones((4, 4, 3), np.float32)
    highlights.light_band(camera, None, srgb_from_camera=EYE, clip_levels=np.ones(3))
    assert (camera == 1).all()


@pytest.mark.parametrize("levels", [(1, 1, 1), (2.0, 1.0, 1.5)])
def test_the_more_of_a_cloud_is_burnt_the_brighter_and_less_coloured_it_is(levels):
    # a white that brightens until all channels are lost, under a light that is corrected strongly
    cloud = np.array([0.9, 0.93, 1.0]) * np.array(levels)
    values = np.array(
        [
            lit(np.minimum(cloud * k, levels), gain=(1.13, 0.98, 0.83), levels=levels)
            for k in np.linspace(0.7, 1.2, 80)
        ]
    )
    level = values @ [0.2126, 0.7152, 0.0722]
    assert np.diff(level).min() > -1e-3  # burnt pixels stood out as darker patches
    assert np.abs(np.diff(values, axis=0)).max() < 0.05 * max(levels)  # 80 steps: nothing jumps
    assert np.ptp(values[-1]) < 1e-3


def test_a_cloud_that_lost_its_blue_does_not_turn_pink():
    # codes (241, 245, 255) of a real sky: two channels known, all of them near white
    red, green, blue = lit((0.88, 0.913, 1.0), gain=(1.13, 0.98, 0.83))
    before = 0.88 * 1.13 - 0.913 * 0.98
    assert abs(red - green) < 0.6 * before
    assert blue > green - 0.05
