"""Figures of a finished picture, and the codes that ask for a look."""

import cv2
import numpy as np
import pytest

from processing import arrays, quality
from processing.errors import ShapeError
from tests.processing import lit_rooms, pictures


def test_edge_sigma_is_the_sigma_of_the_blur() -> None:
    rng = np.random.default_rng(0)
    steps = cv2.resize(rng.integers(40, 220, (12, 18)).astype(np.float32), (1440, 960), interpolation=0)
    for sigma in (1.0, 1.6, 2.4):
        soft = cv2.GaussianBlur(steps, (0, 0), sigma)
        # a pixel's own width and the gradient's kernel add about .35 px^2 and .5 px^2
        assert quality.edge_sigma(soft.astype(np.uint8)) == pytest.approx(np.sqrt(sigma**2 + 0.6), rel=0.12)


def test_sharpness_does_not_depend_on_brightness() -> None:
    room = pictures.drawn_room()
    dark = (arrays.decode_srgb(room) / 4).astype(np.float32)
    sharp = quality.edge_sigma(cv2.cvtColor(room, cv2.COLOR_RGB2GRAY))
    darker = quality.edge_sigma(cv2.cvtColor(arrays.encode_srgb_u8(dark), cv2.COLOR_RGB2GRAY))
    assert darker == pytest.approx(sharp, rel=0.12)


def test_noise_is_measured_in_lightness_units() -> None:
    rng = np.random.default_rng(1)
    grey = np.clip(140 + rng.normal(0, 5.1, (400, 600)), 0, 255).astype(np.uint8)
    # 5.1 of 255 codes is 2.0 of 100
    assert quality.noise_sigma(grey) == pytest.approx(2.0, rel=0.08)


def test_shares_of_clipping_are_counted_as_defined() -> None:
    picture = np.full((100, 100, 3), 120, np.uint8)
    picture[:10, :, 0] = 254
    picture[90:] = 2
    bright = np.zeros((50, 50), bool)
    bright[:5] = True
    found = quality.measure(picture, bright=bright)
    assert found.clipped_high == pytest.approx(0.10)
    assert found.clipped_low == pytest.approx(0.10)
    assert found.clipped_room == 0
    assert "clipped" not in found.needs_look


def test_a_shaken_picture_is_called_soft_and_a_sharp_one_is_not() -> None:
    rng = np.random.default_rng(2)
    steps = cv2.resize(rng.integers(40, 220, (12, 18, 3)).astype(np.uint8), (1440, 960), interpolation=0)
    sharp = cv2.GaussianBlur(steps, (0, 0), 0.8)
    shaken = cv2.blur(sharp, (9, 5))  # a slanted shake over 9 px
    assert "soft" in quality.measure(shaken).needs_look
    assert "soft" not in quality.measure(sharp).needs_look


def test_a_cast_on_bright_surfaces_is_seen() -> None:
    plain, _ = lit_rooms.lit(lit_rooms.surfaces(), left=np.ones(3), right=np.ones(3), level=0.8)
    warm = (plain * np.array([1.12, 1.0, 0.8])).astype(np.float32)
    casts = [quality.neutral_cast(arrays.encode_srgb_u8(x)) for x in (plain, warm)]
    assert casts[0] < 1.5
    assert casts[1] > 8
    assert "cast_left" in quality.measure(arrays.encode_srgb_u8(warm)).needs_look


@pytest.mark.parametrize("code", quality.NEEDS_LOOK)
def test_every_code_has_a_sentence(code: str) -> None:
    sentence = quality.NEEDS_LOOK[code]
    assert sentence[0].isupper()
    assert sentence.endswith(".")


def test_an_unknown_code_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="'sloppy'"):
        quality.measure(np.full((20, 20, 3), 100, np.uint8), raised=("sloppy",))
    with pytest.raises(ShapeError, match="rgb_srgb_u8"):
        quality.measure(np.zeros((4, 4), np.uint8))


@pytest.mark.parametrize("value", [0, 255])
def test_an_empty_frame_is_named(value: int) -> None:
    found = quality.measure(np.full((64, 96, 3), value, np.uint8))
    assert "nothing_seen" in found.needs_look
    assert found.sharpness is None


def test_a_tilt_above_the_limit_asks_for_a_look() -> None:
    room = pictures.drawn_room()
    assert "not_level" in quality.measure(room, tilt_deg=0.6).needs_look
    assert "not_level" not in quality.measure(room, tilt_deg=0.1).needs_look
