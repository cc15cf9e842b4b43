"""The border between encoded pictures and linear light."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from processing import arrays
from processing.errors import ShapeError

SRGB = json.loads((Path(__file__).parent / "values" / "srgb.json").read_text())["checks"]


@pytest.mark.parametrize(("linear", "encoded"), [(float(k), v) for k, v in SRGB["check"].items()])
def test_srgb_curve_matches_iec_61966_2_1(linear, encoded):
    # float32 keeps 6 digits; the table prints 6
    assert float(arrays.encode_srgb(np.array([linear]))[0]) == pytest.approx(encoded, abs=2e-6)
    assert float(arrays.decode_srgb(np.array([encoded]))[0]) == pytest.approx(linear, abs=2e-6)


def test_eighteen_percent_grey_is_code_118():
    # IEC 61966-2-1: 117.65
    assert arrays.encode_srgb_u8(np.full((1, 1, 3), 0.18, np.float32)).max() == 118


def test_every_eight_bit_code_survives_the_round_trip():
    codes = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, 2)
    assert np.array_equal(arrays.encode_srgb_u8(arrays.decode_srgb(codes)), codes)


def test_every_sixteen_bit_code_survives_the_round_trip():
    codes = np.arange(0, 65536, 7, dtype=np.uint16)
    assert np.abs(arrays.encode_srgb_u16(arrays.decode_srgb(codes)).astype(int) - codes).max() <= 1


def test_out_of_range_light_is_mirrored_not_lost():
    assert arrays.encode_srgb(np.array([-0.18]))[0] == -arrays.encode_srgb(np.array([0.18]))[0]
    assert arrays.decode_srgb(arrays.encode_srgb(np.array([1.7])))[0] == pytest.approx(1.7, rel=1e-5)


TURNS = {  # Pillow's own transposes for each EXIF orientation (PIL.ImageOps.exif_transpose)
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientations_turn_as_pillow_turns_them(orientation):
    stored = np.arange(5 * 7, dtype=np.uint8).reshape(5, 7)
    image = Image.fromarray(stored)
    wanted = np.asarray(image.transpose(TURNS[orientation]) if orientation in TURNS else image)
    assert np.array_equal(arrays.orient(stored, orientation), wanted)
    assert arrays.oriented_size((7, 5), orientation) == wanted.shape[::-1]


def test_inputs_are_not_changed():
    linear = np.random.default_rng(0).uniform(-0.2, 1.4, (6, 8, 3)).astype(np.float32)
    kept = linear.copy()
    arrays.encode_srgb_u8(linear)
    arrays.luminance(linear)
    arrays.shrink(linear, (4, 3))
    assert np.array_equal(linear, kept)


def test_shrinking_keeps_the_mean_and_never_enlarges():
    image = np.random.default_rng(1).uniform(0, 1, (40, 60, 3)).astype(np.float32)
    small = arrays.shrink(image, (15, 10))
    assert small.shape == (10, 15, 3)
    assert small.mean() == pytest.approx(image.mean(), rel=1e-5)
    assert arrays.fit_size((60, 40), max_edge=100) == (60, 40)


@pytest.mark.parametrize(
    ("array", "words"),
    [
        (np.zeros((4, 4), np.float32), "need (H, W, 3)"),
        (np.zeros((0, 4, 3), np.float32), "need (H, W, 3)"),
        (np.zeros((4, 4, 3), np.float64), "need float32, got float64"),
    ],
)
def test_wrong_arrays_are_named_with_what_is_needed(array, words):
    with pytest.raises(ShapeError) as caught:
        arrays.require_rgb(array, name="picture", dtypes=(np.float32,))
    assert str(caught.value).startswith("picture:")
    assert words in str(caught.value)
