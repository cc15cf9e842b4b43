"""Lines under a lens: how they change with its coefficients, against differences of the lines themselves."""

import numpy as np
import pytest

from processing.room_lines import Block, aim, sine

K = np.array([0.01, -0.06, 0.004, 0.01])


def block() -> Block:
    """Forty slightly rough lines all over a 3:2 frame, the last with fewer points than the others."""
    rng = np.random.default_rng(5)
    at, way = rng.uniform((-0.75, -0.5), (0.75, 0.5), (40, 2)), rng.uniform(0, np.pi, 40)
    reach = np.linspace(-0.2, 0.2, 9)[None, :, None] * np.stack([np.cos(way), np.sin(way)], 1)[:, None]
    points = at[:, None] + reach + rng.normal(0, 1e-4, (40, 9, 2))
    mask = np.ones((40, 9))
    points[-1, 6:], mask[-1, 6:] = 0.0, 0.0
    return Block(points, mask, np.full(40, 0.4), 900.0)


@pytest.mark.parametrize("term", range(4))
def test_slopes_are_those_of_the_lines_themselves(term):
    # central differences of 1e-5: their own error is below 1e-6 of the slope
    step = 1e-5 * np.eye(4)[term]
    _, slopes = block().slopes(K)
    after, before = block().straight(K + step), block().straight(K - step)
    assert np.allclose(slopes.mid[term], (after.mid - before.mid) / 2e-5, atol=1e-6)
    assert np.allclose(slopes.turn[term], (after.turn - before.turn) / 2e-5, atol=1e-5)
    assert np.allclose(slopes.bow[term], (after.bow - before.bow) / 2e-5, atol=1e-2)  # px; up to 100


@pytest.mark.parametrize("axis", range(2))
def test_slopes_by_the_axis_are_those_of_the_lines_themselves(axis):
    shift, step = np.array([0.31, -0.12]), 1e-5 * np.eye(2)[axis]
    _, slopes = block().slopes(K, shift)
    after, before = block().straight(K, shift + step), block().straight(K, shift - step)
    assert np.allclose(slopes.mid[4 + axis], (after.mid - before.mid) / 2e-5, atol=1e-6)
    assert np.allclose(slopes.turn[4 + axis], (after.turn - before.turn) / 2e-5, atol=1e-5)
    assert np.allclose(slopes.bow[4 + axis], (after.bow - before.bow) / 2e-5, atol=1e-2)
    assert np.allclose(slopes.bow[:4], block().slopes(K, shift)[1].bow[:4])


def test_a_line_and_its_slopes_are_told_of_the_same_run():
    run, _ = block().slopes(K)
    again = block().straight(K)
    assert all(np.array_equal(a, b) for a, b in ((run.mid, again.mid), (run.bow, again.bow)))


def test_aim_changes_as_the_sine_does():
    lines = block().straight(K)
    axis, focal = np.array([0.3, 0.9, -0.2]), 1.1

    def way(mid: np.ndarray) -> np.ndarray:
        return axis[:2] - axis[2] * mid / focal

    aimed = aim(way(lines.mid), lines.turn)
    assert np.allclose(aimed.sine, sine(axis, lines.mid, lines.turn, focal))
    turned = sine(axis, lines.mid, lines.turn + 1e-6, focal)
    assert np.allclose(aimed.by_turn, (turned - aimed.sine) / 1e-6, atol=1e-5)
    for d in np.eye(2):
        moved = sine(axis, lines.mid + 1e-6 * d, lines.turn, focal)
        assert np.allclose(aimed.by_way @ d * -axis[2] / focal, (moved - aimed.sine) / 1e-6, atol=1e-5)
