"""The second look at soft pictures: edge widths against the Gaussian's integral, and what it finds again."""

import math

import numpy as np
import pytest

from processing import verticals
from processing.edges import image_gradient
from processing.results import NotFound
from processing.second_look import FAR_PX, NEAR_PX, coarse_segments, sharpness
from processing.segments import find_segments
from processing.verticals import Level


def bars(sigma_px: float) -> np.ndarray:
    """Upright bars at places between pixels, blurred by a Gaussian."""
    x = np.arange(720)
    row = np.full(720, 60.0)
    for left in range(30, 700, 48):
        step = [0.5 * (1 + math.erf((v - left - 0.3) / sigma_px / math.sqrt(2))) for v in x]
        stop = [0.5 * (1 + math.erf((v - left - 24.3) / sigma_px / math.sqrt(2))) for v in x]
        row += 120 * (np.array(step) - np.array(stop))
    return np.round(np.tile(row, (480, 1))).astype(np.uint8)


@pytest.mark.parametrize("sigma_px", [0.9, 1.5, 2.2])
def test_sharpness_is_the_share_of_a_gaussian_step_that_lies_across_one_pixel(sigma_px: float) -> None:
    grey = bars(sigma_px)
    near, far = (math.erf(reach / sigma_px / math.sqrt(2)) for reach in (NEAR_PX, FAR_PX))
    # linear interpolation between pixels widens an edge a little
    assert sharpness(grey, find_segments(grey)) == pytest.approx(near / far, abs=0.05)


def test_only_a_soft_picture_is_looked_at_again_and_its_lines_lie_where_they_were() -> None:
    sharp, soft = bars(0.8), bars(2.2)
    assert coarse_segments(sharp, find_segments(sharp), image_gradient(sharp)) is None
    before = soft.copy()
    found = coarse_segments(soft, find_segments(soft), image_gradient(soft))
    assert found is not None
    assert len(found) > 20
    assert (soft == before).all()
    half = math.hypot(720, 480) / 2
    x = found.points[..., 0] * half + 359.5
    edges = np.sort([v + s for v in range(30, 700, 48) for s in (0.3, 24.3)])
    assert np.abs(x[..., None] - edges).min(-1).max() < 0.15  # a tenth of a pixel is what segments promise


def test_a_flat_and_a_tiny_picture_are_not_soft() -> None:
    for grey in (np.full((200, 300), 90, np.uint8), np.zeros((20, 20), np.uint8)):
        assert sharpness(grey, find_segments(grey)) == 1.0
        assert coarse_segments(grey, find_segments(grey), image_gradient(grey)) is None


def level(roll_deg: float, pitch_deg: float, sigma_deg: float) -> Level:
    confidence = min(1.0, verticals.SURE_DEG / sigma_deg)
    return Level(roll_deg, pitch_deg, "both", "", roll_deg, pitch_deg, confidence)


@pytest.mark.parametrize(("sigma_deg", "agree"), [(0.4, True), (0.05, False)])
def test_levels_agree_as_far_as_they_are_known(sigma_deg: float, agree: bool) -> None:
    pitches = (-4.5, -3.8, -3.7, -4.4)  # .8 degrees apart: one tripod for coarse levels, four for fine ones
    views = [level(1.4, p, sigma_deg) for p in pitches]
    last = verticals.settle([*views, NotFound("too few lines")])[-1]
    assert last.level == ("both" if agree else "none")
    if agree:
        assert last.pitch_deg == pytest.approx(-4.1)
        assert last.source == "set"


def test_a_level_that_is_known_better_counts_for_more() -> None:
    views = [level(1.0, -4.0, 0.1), *(level(1.0, p, 0.5) for p in (-3.3, -3.4, -4.4))]
    # weights 1 / sigma^2: (100 * -4 + 4 * (-3.3 - 3.4 - 4.4)) / 112
    assert verticals.settle([*views, NotFound("none")])[-1].pitch_deg == pytest.approx(-3.9679, abs=1e-3)
