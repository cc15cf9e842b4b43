"""Pictures of one room agree: views that a known homography joins, with known gains between them.

A camera that turns about its centre sees two views joined by K R inverse(K) (R. Hartley, A. Zisserman,
"Multiple View Geometry", 2nd ed., 2004, section 8.4.2); the gains are drawn here, so what must be found is
exact.
"""

import json

import cv2
import numpy as np
import pytest

from processing import likeness
from processing.light_records import rgb_from_uv
from tests.processing import lit_rooms

SIZE = (900, 600)
CAMERA = np.array([[600.0, 0, 449.5], [0, 600.0, 299.5], [0, 0, 1]])


def wall() -> np.ndarray:
    """A long wall with many painted things on it, linear, 1800 x 900."""
    rng = np.random.default_rng(3)
    picture = np.full((900, 1800, 3), (0.40, 0.38, 0.33), np.float32)
    for _ in range(420):
        x, y = rng.integers(0, 1800), rng.integers(0, 900)
        w, h = rng.integers(8, 60, 2)
        colour = tuple(float(v) for v in rng.uniform(0.05, 0.6, 3))
        cv2.rectangle(picture, (int(x), int(y)), (int(x + w), int(y + h)), colour, -1)
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


def turned(picture: np.ndarray, yaw_deg: float) -> np.ndarray:
    """The wall seen by a camera turned by this angle."""
    c, s = np.cos(np.radians(yaw_deg)), np.sin(np.radians(yaw_deg))
    turn = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    straight = np.array([[600.0, 0, 899.5], [0, 600.0, 449.5], [0, 0, 1]])
    to_source = straight @ turn @ np.linalg.inv(CAMERA)
    return cv2.warpPerspective(picture, to_source, SIZE, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


@pytest.fixture(scope="module")
def views() -> list[np.ndarray]:
    picture = wall()
    return [turned(picture, yaw) for yaw in (-14, 0, 12)]


GAINS = [(1.0, 1.0, 1.0), (1.45, 1.3, 1.15), (0.7, 0.75, 0.82)]


@pytest.fixture(scope="module")
def marks(views: list[np.ndarray]) -> list[likeness.Landmarks]:
    return [likeness.find_landmarks(v * np.float32(g)) for v, g in zip(views, GAINS, strict=True)]


def test_views_of_one_wall_are_joined_and_an_other_room_is_not(marks: list[likeness.Landmarks]) -> None:
    other = likeness.find_landmarks(lit_rooms.surfaces())
    pairs = likeness.match([*marks, other], [SIZE] * 4)
    joined = {frozenset((p.first, p.second)) for p in pairs}
    assert joined >= {frozenset((0, 1)), frozenset((1, 2))}
    assert all(3 not in pair for pair in joined)


def test_the_order_of_the_pictures_changes_nothing(marks: list[likeness.Landmarks]) -> None:
    none = [np.zeros((6, 9, 2), np.float32)] * 3
    there = likeness.colour_offsets(likeness.match(marks, [SIZE] * 3), marks, none, [False] * 3)
    turned_round = marks[::-1]
    pairs = likeness.match(turned_round, [SIZE] * 3)
    back = likeness.colour_offsets(pairs, turned_round, none, [False] * 3)
    assert back[::-1] == pytest.approx(there, abs=1e-6)


def test_a_monochrome_picture_has_no_say_in_colour(marks: list[likeness.Landmarks]) -> None:
    grey = likeness.Landmarks(marks[0].xy, marks[0].descriptors, np.repeat(marks[0].rgb[:, :1], 3, 1))
    assert likeness.has_colour(marks[0])
    assert not likeness.has_colour(grey)
    assert not likeness.has_colour(likeness.NO_LANDMARKS)


def test_offsets_take_the_difference_of_the_gains_away(marks: list[likeness.Landmarks]) -> None:
    pairs = likeness.match(marks, [SIZE] * 3)
    offsets = likeness.colour_offsets(
        pairs, marks, [np.zeros((6, 9, 2), np.float32)] * 3, [True, False, False]
    )
    uv = np.array([[np.log(r / g), np.log(b / g)] for r, g, b in GAINS])
    # the first was marked by a person: the others come to it
    assert offsets[:, :, 0] == pytest.approx(uv, abs=0.025)
    assert np.abs(offsets[:, :, 1:]).max() < 0.06
    light = rgb_from_uv(likeness.field(offsets[1], (9, 6)))
    assert light.mean((0, 1)) == pytest.approx(np.divide(GAINS[1], GAINS[1][1]), abs=0.03)


def test_a_picture_alone_is_not_moved(marks: list[likeness.Landmarks]) -> None:
    offsets = likeness.colour_offsets([], marks[:1], [np.zeros((6, 9, 2), np.float32)], [False])
    assert not offsets.any()
    stops, groups = likeness.exposures([], [likeness.log2_levels(marks[0])])
    assert not stops.any()
    assert list(groups) == [0]


def test_exposures_are_the_ones_that_were_given(marks: list[likeness.Landmarks]) -> None:
    pairs = likeness.match(marks, [SIZE] * 3)
    stops, groups = likeness.exposures(pairs, [likeness.log2_levels(m) for m in marks])
    assert len(set(groups.tolist())) == 1
    wanted = np.log2(np.array(GAINS) @ [0.2126, 0.7152, 0.0722])
    assert stops - stops[0] == pytest.approx(wanted - wanted[0], abs=0.06)


def test_json_brings_the_same_landmarks_back(marks: list[likeness.Landmarks]) -> None:
    text = json.dumps(marks[0].to_json())
    assert len(text) < 120_000
    back = likeness.Landmarks.from_json(json.loads(text))
    assert (back.descriptors == marks[0].descriptors).all()
    assert back.xy == pytest.approx(marks[0].xy, abs=1e-5)
    assert back.rgb == pytest.approx(marks[0].rgb, rel=2e-3)


@pytest.mark.parametrize("level", [0.0, 1.0, np.nan])
def test_an_empty_frame_has_no_landmarks(level: float) -> None:
    flat = np.full((300, 450, 3), level, np.float32)
    assert len(likeness.find_landmarks(flat).xy) == 0
    assert likeness.match([likeness.NO_LANDMARKS] * 2, [SIZE] * 2) == []
