"""Small removals: as the wall was, or not at all."""

import cv2
import numpy as np
import pytest

from processing.arrays import decode_srgb
from processing.colour import delta_e_2000, lab_from_linear
from processing.errors import ShapeError
from processing.removal import Removed, remove


def wall(*, seed: int = 0, noise: float = 2.0) -> np.ndarray:
    """A painted wall with fall-off and grain, uint8 sRGB."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:1:400j, 0:1:600j]
    shade = 150 + 50 * x - 30 * y + 14 * np.sin(3 * x) * y
    grain = cv2.GaussianBlur(rng.normal(0, noise, (400, 600, 3)).astype(np.float32), (0, 0), 0.7) * 1.8
    return np.clip(shade[..., None] * np.array([1.0, 0.96, 0.9]) + grain, 0, 255).astype(np.uint8)


def marked(box: tuple[int, int, int, int], shape: tuple[int, int] = (400, 600)) -> np.ndarray:
    mask = np.zeros(shape, bool)
    x, y, w, h = box
    mask[y : y + h, x : x + w] = True
    return mask


@pytest.mark.parametrize("box", [(300, 200, 24, 20), (120, 90, 14, 34), (60, 300, 200, 3), (450, 60, 26, 26)])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_thing_on_a_wall_is_filled_with_the_wall(box: tuple[int, int, int, int], seed: int) -> None:
    before = wall(seed=seed)
    mask = marked(box)
    damaged = before.copy()
    damaged[mask] = (60, 60, 60)
    found = remove(damaged, mask)
    assert isinstance(found, Removed)
    assert np.array_equal(found.rgb_srgb[~mask], damaged[~mask])

    def low(picture: np.ndarray) -> np.ndarray:
        return cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 3)

    pair = [lab_from_linear(decode_srgb(low(p)[mask] / 255)) for p in (before, found.rgb_srgb)]
    assert delta_e_2000(*pair).mean() < 0.5  # the study's best fill reached .28
    grain = [(p.astype(np.float32) - low(p))[mask].std() for p in (before, found.rgb_srgb)]
    assert 0.7 < grain[1] / grain[0] < 1.3


def test_an_edge_beside_the_thing_is_refused() -> None:
    picture = wall()
    picture[:, 330:] = (picture[:, 330:] * 0.4).astype(np.uint8)
    found = remove(picture, marked((315, 200, 24, 20)))
    assert not found
    assert "smeared" in found.reason


def test_a_patterned_surface_is_refused() -> None:
    picture = wall()
    picture[::8] = 60
    picture[:, ::8] = 60
    assert not remove(picture, marked((300, 200, 20, 20)))


def test_a_large_area_is_refused() -> None:
    found = remove(wall(), marked((100, 100, 200, 200)))
    assert not found
    assert "of the picture" in found.reason


def test_nothing_marked_and_wrong_sizes_are_named() -> None:
    assert "nothing" in remove(wall(), np.zeros((400, 600), bool)).reason
    with pytest.raises(ShapeError, match="mask: need"):
        remove(wall(), np.zeros((4, 4), bool))


def test_several_marks_are_filled_and_the_input_is_left_alone() -> None:
    picture = wall()
    kept = picture.copy()
    mask = marked((100, 100, 12, 12)) | marked((400, 250, 12, 12))
    found = remove(picture, mask)
    assert isinstance(found, Removed)
    assert np.array_equal(picture, kept)
    assert remove(picture.astype(np.uint16) * 257, mask).rgb_srgb.dtype == np.uint16  # type: ignore[union-attr]


def test_a_mark_at_the_very_edge_does_not_crash() -> None:
    assert remove(wall(), marked((0, 0, 10, 10))) is not None
    assert remove(wall(), marked((590, 390, 10, 10))) is not None
