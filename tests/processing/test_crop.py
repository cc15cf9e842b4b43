"""The crop: clean, the largest of its ratio, and off uprights that it would graze."""

import cv2
import numpy as np
import pytest

from processing import crop
from processing.lens_curve import Curve
from processing.segments import BINS, Segments
from processing.verticals import Level
from processing.warp import Geometry

SIZE = (1800, 1200)
CASES = [
    (Curve(), Level()),
    (Curve("database", "ptlens", (0.02, -0.07, 0.02), unit=1.8), Level(1.2, -4.0, "both", "", 1.2, -4.0)),
    (Curve("lines", "poly5", (-0.12, 0.02)), Level(-2.6, 7.5, "both", "", -2.6, 7.5)),
    (Curve("lines", "poly5", (0.05, 0.0)), Level(3.0, 0.0, "both", "", 3.0, 0.0)),
]


def largest_by_mask(geometry, aspect):
    """Height of the largest clean rectangle by brute force on a mask of every second levelled pixel."""
    w, h = geometry.size
    pad, step = 600, 2
    x, y = np.meshgrid(np.arange(-pad, w + pad, step), np.arange(-pad, h + pad, step))
    p = geometry.source_from_levelled(np.stack([x, y], -1))
    with np.errstate(invalid="ignore"):
        clean = ((p >= 0) & (p <= (w - 1, h - 1))).all(-1).astype(np.uint8)
    total = cv2.integral(clean)
    best = 0
    for rows in range(100, clean.shape[0] - 1):
        columns = int(rows * aspect)
        if columns >= clean.shape[1]:
            break
        inside = (
            total[rows:, columns:]
            - total[:-rows, columns:]
            - total[rows:, :-columns]
            + total[:-rows, :-columns]
        )
        if inside.max() < rows * columns:
            break
        best = rows
    return best * step


@pytest.mark.parametrize(("curve", "level"), CASES)
@pytest.mark.parametrize("ratio", ["3:2", "4:3"])
def test_it_is_clean_and_the_largest(curve, level, ratio):
    found = crop.largest(SIZE, curve, level, 1200.0, ratio)
    geometry = Geometry(SIZE, curve, level, 1200.0)
    left, top, right, bottom = found.rect
    t = np.linspace(0, 1, 400)
    x, y = left + 0.5 + t * (right - left - 1), top + 0.5 + t * (bottom - top - 1)
    edge = np.concatenate(
        [np.stack(np.broadcast_arrays(a, b), -1) for a, b in ((x, y[0]), (x, y[-1]), (x[0], y), (x[-1], y))]
    )
    source = geometry.source_from_levelled(edge)
    assert (source > -0.5).all()
    assert (source < np.array(SIZE) - 0.5).all()
    aspect = crop.ratio_value(ratio, SIZE)
    assert found.out_size[0] / found.out_size[1] == pytest.approx(aspect, abs=0.002)
    assert found.out_size[1] >= largest_by_mask(geometry, aspect) - 5  # the mask's own steps


def test_free_is_at_least_as_large_as_any_ratio():
    curve, level = CASES[1]
    free = crop.largest(SIZE, curve, level, 1200.0, "free")
    for ratio in ("3:2", "4:3", "source"):
        fixed = crop.largest(SIZE, curve, level, 1200.0, ratio)
        assert np.prod(free.out_size) >= 0.999 * np.prod(fixed.out_size)


def test_the_kept_share_is_counted_in_the_frame():
    assert crop.largest(SIZE, Curve(), Level(), 1200.0, "source").kept_share == pytest.approx(1.0, abs=0.01)
    assert crop.largest(SIZE, Curve(), Level(), 1200.0, "4:3").kept_share == pytest.approx(8 / 9, abs=0.01)


def test_portrait_frames_turn_the_ratio():
    found = crop.largest((1200, 1800), Curve(), Level(), 1200.0, "3:2")
    assert found.out_size[1] / found.out_size[0] == pytest.approx(1.5, abs=0.002)


def upright_at(x_px):
    t = np.linspace(0.2, 0.6, BINS) * SIZE[1]
    points = (np.stack([np.full(BINS, x_px), t], 1) - ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)) / (
        np.hypot(*SIZE) / 2
    )
    return Segments(points[None], SIZE)


def test_an_upright_grazed_by_the_edge_is_stepped_over():
    plain = crop.largest(SIZE, Curve(), Level(), 1200.0, "3:2")
    stepped = crop.largest(SIZE, Curve(), Level(), 1200.0, "3:2", segments=upright_at(plain.rect[0] + 4.3))
    assert stepped.rect[0] > plain.rect[0] + 4.3
    assert np.prod(stepped.out_size) > 0.99 * np.prod(plain.out_size)
    assert stepped.why


def test_an_upright_further_in_is_kept():
    plain = crop.largest(SIZE, Curve(), Level(), 1200.0, "3:2")
    assert crop.largest(SIZE, Curve(), Level(), 1200.0, "3:2", segments=upright_at(60.0)).rect == plain.rect


def test_json_brings_the_same_crop_back():
    found = crop.largest(SIZE, *CASES[1], 1200.0, "4:3")
    assert crop.Crop.from_json(found.to_json()) == found


@pytest.mark.parametrize(("roll", "pitch"), [(0, 30), (0, 45), (-35, 10), (20, -40)])
def test_a_level_far_off_still_shows_only_the_picture(roll, pitch):
    level = Level(roll, pitch, "both", "", roll, pitch, 1.0, 0.0, 0, 0, "set by hand")
    found = crop.largest(SIZE, Curve("none", "none", ()), level, 1200.0, "3:2")
    geometry = Geometry(SIZE, Curve("none", "none", ()), level, 1200.0)
    left, top, right, bottom = found.rect
    x, y = np.meshgrid(np.linspace(left + 0.5, right - 0.5, 60), np.linspace(top + 0.5, bottom - 0.5, 40))
    source = geometry.source_from_levelled(np.stack([x.ravel(), y.ravel()], 1))
    assert ((source > -0.5) & (source < np.array(SIZE) - 0.5)).all()
    assert found.kept_share > 0.1
