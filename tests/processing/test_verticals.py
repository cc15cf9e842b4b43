"""Level: recovered from lines, refused without them, limited, and taken from a hand or the visit."""

import numpy as np
import pytest

from processing import verticals
from processing.lens_curve import NO_CURVE, Curve, frame
from processing.results import NotFound
from processing.segments import BINS, Segments, find_segments
from processing.verticals import Level

SIZE = (1500, 1000)
FOCAL = 1000.0


def room_segments(roll, pitch, *, uprights=12, levels=12, curve=NO_CURVE, seed=0, spread=1.0, focal=FOCAL):
    """Segments of a made-up room seen with a roll and a pitch: world x right, y down, z forward."""
    rng = np.random.default_rng(seed)
    turn = verticals.rotation(roll, pitch).T  # camera from level
    centre, half = frame(SIZE)
    out = []
    for i in range(uprights + levels):
        while True:
            p = np.array([rng.uniform(-1.4, 1.4) * spread, rng.uniform(-1, 1), rng.uniform(1.8, 4)])
            d = np.array([0, 1.0, 0]) if i < uprights else np.array([[0.8, 0, 0.6], [-0.6, 0, 0.8]][i % 2])
            t = np.linspace(-0.4, 0.4, BINS)
            world = p + t[:, None] * d
            camera = world @ turn.T
            xy = camera[:, :2] / camera[:, 2:] * focal + centre
            if ((xy > 0) & (xy < SIZE)).all():
                break
        out.append((curve.distort_points(xy, SIZE) - centre) / half)
    return Segments(np.array(out), SIZE)


@pytest.mark.parametrize(("roll", "pitch"), [(0.0, 0.0), (1.4, -4.0), (-2.6, 3.0), (0.8, 7.5)])
def test_a_known_level_is_recovered(roll, pitch):
    found = verticals.estimate_level(room_segments(roll, pitch), NO_CURVE, FOCAL, SIZE)
    assert isinstance(found, Level)
    assert found.roll_deg == pytest.approx(roll, abs=0.01)
    assert found.pitch_deg == pytest.approx(pitch, abs=0.01)


def test_the_lens_is_taken_out_first():
    curve = Curve("database", "ptlens", (0.01, -0.05, 0.01), unit=1.8)
    found = verticals.estimate_level(room_segments(1.0, -5.0, curve=curve), curve, FOCAL, SIZE)
    assert found.pitch_deg == pytest.approx(-5.0, abs=0.01)


@pytest.mark.parametrize("wrong", [0.75, 1.33])
def test_a_wrong_focal_length_leaves_uprights_upright(wrong):
    found = verticals.estimate_level(room_segments(1.0, -5.0), NO_CURVE, FOCAL * wrong, SIZE)
    # what puts the same vanishing point at infinity through the wrong focal length
    down = verticals.down_vector(1.0, -5.0) / [wrong, wrong, 1]
    roll, pitch = verticals.angles(down / np.linalg.norm(down))
    assert found.roll_deg == pytest.approx(roll, abs=0.02)
    assert found.pitch_deg == pytest.approx(pitch, abs=0.03)


def test_the_same_seed_gives_the_same_answer():
    segments = room_segments(1.0, -5.0)
    assert verticals.estimate_level(segments, NO_CURVE, FOCAL, SIZE, 3) == verticals.estimate_level(
        segments, NO_CURVE, FOCAL, SIZE, 3
    )


@pytest.mark.parametrize(
    ("segments", "reason"),
    [
        (Segments(np.zeros((0, BINS, 2)), SIZE), "0 lines near upright"),
        (room_segments(0, 0, uprights=2, levels=6), "uprights|upright"),
        (room_segments(0, 0, spread=0.12), "close together"),
    ],
)
def test_too_little_is_refused_with_the_reason(segments, reason):
    found = verticals.estimate_level(segments, NO_CURVE, FOCAL, SIZE)
    assert isinstance(found, NotFound)
    assert any(r in found.reason for r in reason.split("|"))


def test_flat_and_tiny_pictures_show_no_segments():
    assert len(find_segments(np.full((300, 400), 128, np.uint8))) == 0
    assert len(find_segments(np.zeros((20, 20), np.uint8))) == 0


def test_two_plumb_lines_override():
    centre, half = frame(SIZE)
    ends = room_segments(2.0, -6.0).points[:2][:, [0, -1]] * half + centre
    level = verticals.level_from_plumb(ends.reshape(2, 4).tolist(), NO_CURVE, FOCAL, SIZE)
    assert level.source == "plumb"
    assert level.corrected_roll_deg == pytest.approx(2.0, abs=1e-6)
    assert level.corrected_pitch_deg == pytest.approx(-6.0, abs=1e-6)


def test_one_plumb_line_gives_the_roll_alone():
    level = verticals.level_from_plumb([[700.0, 100.0, 705.0, 900.0]], NO_CURVE, FOCAL, SIZE)
    assert level.level == "roll"
    assert level.corrected_pitch_deg == 0.0
    turned = verticals.rotation(level.corrected_roll_deg, 0.0) @ [5.0, 800.0, 0.0]
    assert turned[0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("lines", "reason"),
    [
        ([[-1500, 200, -1490, 900], [2500, 200, 2480, 900]], "outside"),
        ([[300, 500, 1100, 505]], "level than to upright"),
        ([[200, 100, 600, 700], [1200, 100, 800, 700]], "ask for"),
    ],
)
def test_plumb_lines_that_cannot_be_meant_give_a_reason(lines, reason):
    found = verticals.level_from_plumb(lines, NO_CURVE, FOCAL, SIZE)
    assert isinstance(found, NotFound)
    assert reason in found.reason


def test_a_plumb_line_drawn_twice_or_backwards_gives_its_roll():
    once = verticals.level_from_plumb([[700, 100, 705, 900]], NO_CURVE, FOCAL, SIZE)
    twice = verticals.level_from_plumb([[700, 100, 705, 900], [705, 900, 700, 100]], NO_CURVE, FOCAL, SIZE)
    assert twice.level == "roll"
    assert twice.roll_deg == pytest.approx(once.roll_deg)


def test_views_that_agree_lend_their_level_to_one_without_lines():
    def own(roll, pitch):
        return Level(roll, pitch, "both", "", roll, pitch)

    agree = verticals.settle([own(0.5, -2.0), own(0.55, -2.1), NotFound("2 lines"), own(0.45, -1.9)])
    assert agree[2].source == "set"
    assert agree[2].corrected_pitch_deg == pytest.approx(-2.0)
    differ = verticals.settle([own(0.5, -2.0), own(3.0, 4.0), NotFound("2 lines"), own(0.4, 1.0)])
    assert differ[2].level == "none"
    assert "2 lines" in differ[2].why


def test_json_brings_the_same_level_back():
    level = Level(1.0, -2.0, "both", "because", 1.0, -2.0, 0.7, 0.02, 10, 20)
    assert Level.from_json(level.to_json()) == level
