"""Colour speckle goes, coloured things and everything bright stay."""

import numpy as np
import pytest

from processing import tone
from processing.arrays import encode_srgb_u8
from processing.chroma_noise import shadow_sigma, smooth_shadows
from processing.errors import ShapeError


def dark_room(noise: float, *, seed: int = 0) -> np.ndarray:
    """A dark wall with a dark red thing on it and a bright half, speckled, uint8 sRGB."""
    picture = np.full((240, 320, 3), 0.02, np.float32)
    picture[80:160, 60:120] = (0.05, 0.012, 0.012)
    picture[:, 200:] = 0.5
    rng = np.random.default_rng(seed)
    return encode_srgb_u8(np.clip(picture + rng.normal(0, noise, picture.shape).astype(np.float32), 0, 1))


@pytest.mark.parametrize("deep", [False, True])
def test_speckle_is_halved_and_lightness_and_bright_parts_stay(deep: bool) -> None:
    picture = dark_room(0.003)
    given = picture.astype(np.uint16) * 257 if deep else picture
    kept = given.copy()
    out = smooth_shadows(given, lifted_ev=4.0)
    assert out.dtype == given.dtype
    assert np.array_equal(given, kept)
    eight = out / (257.0 if deep else 1.0)
    assert np.array_equal(out[:, 204:], given[:, 204:])
    wall = np.s_[180:236, 8:190]
    for a, b in ((0, 1), (2, 1)):
        before = np.std(picture[wall][..., a].astype(float) - picture[wall][..., b])
        assert np.std(eight[wall][..., a] - eight[wall][..., b]) < 0.5 * before
    luma = [p.astype(float) @ [0.299, 0.587, 0.114] for p in (picture, eight)]  # ITU-R BT.601
    assert np.abs(luma[0] - luma[1]).max() < 1.5
    # the red thing, no lighter than the wall, keeps its colour; at its very edge most of it
    clean = dark_room(0.0).astype(float)
    for column, least in ((62, 0.8), (90, 0.95), (117, 0.8)):
        redness = [np.mean(p[90:150, column, 0] - p[90:150, column, 1]) for p in (clean, eight)]
        assert redness[1] > least * redness[0]


def test_what_is_clean_or_was_not_lifted_is_the_very_same() -> None:
    clean, speckled = dark_room(0.0003), dark_room(0.003)
    assert smooth_shadows(clean, lifted_ev=4.0) is clean
    assert smooth_shadows(speckled, lifted_ev=0.5) is speckled
    bright = np.full((50, 60, 3), 220, np.uint8)
    assert shadow_sigma(bright) is None
    assert smooth_shadows(bright, lifted_ev=4.0) is bright


def test_tiles_leave_no_seams() -> None:
    wide = np.tile(dark_room(0.003)[:, :190], (3, 4, 1))
    whole = smooth_shadows(wide, lifted_ev=4.0)
    part = smooth_shadows(np.ascontiguousarray(wide[:600, :600]), lifted_ev=4.0)
    inside = np.s_[40:560, 40:560]
    assert np.abs(whole[inside].astype(int) - part[inside]).max() <= 2


def test_the_noise_is_told_in_codes() -> None:
    rng = np.random.default_rng(1)
    grey = np.full((300, 300, 3), 40.0)
    grey[..., 0] += rng.normal(0, 6, (300, 300))  # Cr = .713 (R - Y), Y = .299 R + ...: .5 of it (BT.601)
    found = shadow_sigma(np.clip(grey + 0.5, 0, 255).astype(np.uint8))
    assert found == pytest.approx(3.0, rel=0.12)


def test_how_far_shadows_are_lifted() -> None:
    plain = tone.TonePlan(3.0, lift=0.0, bright_ev=-3.5)
    assert tone.shadow_lift_ev(plain) == pytest.approx(3.0, abs=0.05)
    assert tone.shadow_lift_ev(tone.TonePlan(3.0, lift=0.5, bright_ev=-3.5)) > 3.3


def test_only_pictures_of_three_channels_are_taken() -> None:
    with pytest.raises(ShapeError):
        smooth_shadows(np.zeros((4, 4), np.uint8), lifted_ev=4.0)
