"""Coloured lines at bright borders go; colours and everything else stay."""

import numpy as np
import pytest

from processing.errors import ShapeError
from processing.false_colour import suppress


def window(wall: tuple[int, int, int] = (120, 118, 115)) -> np.ndarray:
    picture = np.full((300, 300, 3), wall, np.uint8)
    picture[60:240, 100:220] = 250
    return picture


@pytest.mark.parametrize("line", [(90, 230, 240), (240, 120, 240), (250, 240, 90)])
@pytest.mark.parametrize("deep", [False, True])
def test_a_thin_line_along_a_pane_loses_its_colour_and_keeps_its_lightness(
    line: tuple[int, int, int], deep: bool
) -> None:
    picture = window()
    picture[60:240, 100:102] = line
    given = picture.astype(np.uint16) * 257 if deep else picture
    kept = given.copy()
    out = suppress(given)
    assert out.dtype == given.dtype
    assert np.array_equal(given, kept)
    eight = out / (257.0 if deep else 1.0)
    assert np.ptp(eight[70:230, 100:102], axis=-1).max() < 12
    luma = eight[150, 100] @ [0.299, 0.587, 0.114]  # ITU-R BT.601
    assert luma == pytest.approx(np.array(line) @ [0.299, 0.587, 0.114], abs=1.5)
    # what was right is the very same
    assert np.array_equal(out[:, :95], given[:, :95])
    assert np.array_equal(out[:, 110:215], given[:, 110:215])


def test_a_coloured_wall_keeps_its_colour_up_to_the_pane() -> None:
    picture = window((150, 60, 50))
    out = suppress(picture).astype(int)
    assert np.abs(out - picture)[100:200].max() <= 3


def test_coloured_lines_elsewhere_stay_and_the_same_array_comes_back() -> None:
    picture = np.full((300, 300, 3), 120, np.uint8)
    picture[:, 150:152] = (40, 160, 170)
    assert suppress(picture) is picture


def test_only_pictures_of_three_channels_are_taken() -> None:
    with pytest.raises(ShapeError):
        suppress(np.zeros((4, 4), np.uint8))
