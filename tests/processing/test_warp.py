"""One map: honest, both ways, and as sharp as one bicubic pass can be."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from processing.errors import ShapeError
from processing.lens_curve import Curve
from processing.verticals import Level
from processing.warp import Geometry, Warp

CURVE = Curve("database", "ptlens", (0.02, -0.07, 0.02), unit=1.8)
OFF_CENTRE = replace(CURVE, offset=(0.31, -0.18))
LEVEL = Level(1.2, -4.0, "both", "", 1.2, -4.0)


def warp(size=(1800, 1200), *, curve=CURVE, level=LEVEL, pre=None, shrink=1.0):
    w, h = size
    rect = (w * 0.06, h * 0.06, w * 0.94, h * 0.94)
    out = (round((rect[2] - rect[0]) * shrink), round((rect[3] - rect[1]) * shrink))
    return Warp(size, curve, level, 0.667 * w, rect, out, pre)


def scene(n, scale):
    """Zone plate and slanted bars, drawn `scale` times finer than n, reduced by area: what a camera would
    record.
    """
    big = n * scale
    y, x = np.mgrid[:big, :big].astype(np.float32)
    rings = 127 + 90 * np.cos(0.5 * np.pi * ((x - big / 2) ** 2 + (y - big / 2) ** 2) / big / scale)
    rng = np.random.default_rng(0)
    for _ in range(150):
        p, angle = rng.uniform(0, big, 2), rng.uniform(0, np.pi)
        q = p + rng.uniform(0.04, 0.4) * big * np.array([np.cos(angle), np.sin(angle)])
        ends = (tuple(int(v) for v in p), tuple(int(v) for v in q))
        cv2.line(rings, *ends, float(rng.uniform(0, 255)), int(rng.integers(3, 14)), cv2.LINE_AA)
    return rings


def test_one_pass_is_at_least_36_db_from_the_ideal():
    # the ideal: the exact map evaluated on a scene four times finer, then averaged over each pixel's area
    n, fine = 600, 4  # the scene by which 36.2 dB was measured for one bicubic pass
    big = scene(n, fine)
    small = cv2.resize(big, (n, n), interpolation=cv2.INTER_AREA)
    w = Warp((n, n), CURVE, Level(1.2, 2.5, "both", "", 1.2, 2.5), 0.67 * n, (21, 21, 579, 579), (558, 558))
    y, x = np.mgrid[: 558 * fine, : 558 * fine]
    source = w.source_from_out(np.stack([(x + 0.5) / fine - 0.5, (y + 0.5) / fine - 0.5], -1))
    at = ((source + 0.5) * fine - 0.5).astype(np.float32)
    ideal = cv2.resize(
        cv2.remap(big, at[..., 0], at[..., 1], cv2.INTER_LINEAR), (558, 558), interpolation=cv2.INTER_AREA
    )
    got = w.resample(np.clip(small * 256, 0, 65535).astype(np.uint16)).astype(float) / 256
    inside = np.s_[30:-30, 30:-30]
    psnr = 10 * np.log10(255**2 / np.mean((got[inside] - ideal[inside]) ** 2))
    assert psnr >= 36.0


@pytest.mark.parametrize("size", [(1800, 1200), (6000, 4000)])
def test_the_interpolated_map_is_within_two_hundredths_of_a_pixel(size):
    w = warp(size)
    rng = np.random.default_rng(3)
    for row0 in rng.integers(0, w.out_size[1] - 8, 5):
        map_x, map_y = w.maps(int(row0), int(row0) + 8)
        y, x = np.mgrid[row0 : row0 + 8, : w.out_size[0]]
        exact = w.source_from_out(np.stack([x, y], -1))
        assert np.abs(map_x - exact[..., 0]).max() < 0.02
        assert np.abs(map_y - exact[..., 1]).max() < 0.02


def test_bands_are_the_same_pixels_as_the_whole():
    w = warp((600, 400))
    image = np.random.default_rng(0).integers(0, 65535, (400, 600, 3)).astype(np.uint16)
    whole = w.resample(image)
    rows = [w.resample(image, a, min(a + 97, w.out_size[1])) for a in range(0, w.out_size[1], 97)]
    assert np.array_equal(np.concatenate(rows), whole)
    assert whole.dtype == np.uint16


def test_points_go_both_ways():
    w = warp(pre=np.array([[1, 0.001, 12.0], [-0.001, 1, -7.0], [0, 0, 1]]))
    points = np.random.default_rng(1).uniform((100, 100), (1700, 1100), (300, 2))
    assert np.abs(w.source_from_out(w.out_from_source(points)) - points).max() < 0.01


def test_an_axis_off_the_centre_is_opencvs_principal_point():
    # OpenCV's camera: bent = r (1 + k1 r^2 + k2 r^4), r in focal lengths from the principal point
    size, focal, k1, k2 = (1800, 1200), 1200.0, -0.06, 0.01
    half = np.hypot(*size) / 2
    unit = half / focal
    curve = Curve("lines", "poly5", (k1 * unit**2, k2 * unit**4), offset=(0.31, -0.18))
    principal = np.array([899.5, 599.5]) + half * np.array([0.31, -0.18])
    geometry = Geometry(size, curve, LEVEL, focal)
    levelled = np.random.default_rng(3).uniform((0, 0), size, (200, 2))
    rays = np.c_[(levelled - principal) / focal, np.ones(200)] @ geometry.turn
    camera = np.array([[focal, 0, principal[0]], [0, focal, principal[1]], [0, 0, 1]])
    expected, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), camera, np.array([k1, k2, 0, 0]))
    assert np.allclose(geometry.source_from_levelled(levelled), expected[:, 0], atol=1e-6)
    assert np.allclose(geometry.levelled_from_source(expected[:, 0]), levelled, atol=1e-3)


@pytest.mark.parametrize("curve", [CURVE, OFF_CENTRE])
def test_the_reported_grid_is_the_array_that_was_resampled(curve):
    w = warp(curve=curve)
    grid = np.array(w.grid33(), float)
    inside = ((grid[:, 2:] > 0) & (grid[:, 2:] < np.array(w.out_size) - 1)).all(1)
    assert inside.sum() > 500
    map_x, map_y = w.maps(0, w.out_size[1])
    at = grid[inside][:, 2:].astype(np.float32)
    read = np.stack([cv2.remap(m, at[:, :1], at[:, 1:], cv2.INTER_LINEAR)[:, 0] for m in (map_x, map_y)], 1)
    assert np.abs(read - grid[inside][:, :2]).max() < 0.05  # remap's own 1/32 px steps
    assert grid[0, :2].tolist() == [0, 0]
    assert grid[-1, :2].tolist() == [1799, 1199]


def test_a_knocked_frame_lands_on_the_reference():
    pre = np.array([[0.9999, -0.01, 31.0], [0.01, 0.9999, -20.0], [0, 0, 1.0]])
    reference, knocked = warp(), warp(pre=pre)
    points = np.random.default_rng(2).uniform((200, 200), (1400, 800), (50, 2))
    in_frame = knocked.source_from_out(points)
    back = np.c_[in_frame, np.ones(50)] @ pre.T
    assert np.allclose(back[:, :2] / back[:, 2:], reference.source_from_out(points), atol=1e-6)


def test_lateral_colour_moves_red_and_blue_by_their_own_curves():
    curve = Curve(
        "database", "ptlens", (0.0, 0.0, 0.0), unit=1.8, red=(1.001, 0.0, 0.0), blue=(0.999, 0.0, 0.0)
    )
    w = warp(curve=curve, level=Level())
    green, red, blue = (w.maps(10, 11, channel=c)[0][0] for c in (1, 0, 2))
    assert (red - green)[-1] == pytest.approx(0.001 * (green[-1] - 899.5), abs=0.02)
    assert (blue - green)[0] == pytest.approx(-0.001 * (green[0] - 899.5), abs=0.02)
    image = np.zeros((1200, 1800, 3), np.uint16)
    assert w.resample(image, 0, 64).shape == (64, w.out_size[0], 3)


def test_known_fall_off_becomes_a_gain():
    curve = Curve("database", "ptlens", (0.0, 0.0, 0.0), vignetting=(-0.5, 0.0, 0.0))
    w = Warp((300, 200), curve, Level(), 200.0)
    gain = w.light_gain(0, 200)
    assert gain[100, 150] == pytest.approx(1.0, abs=0.001)
    assert gain[0, 0] == pytest.approx(2.0, rel=0.02)
    assert Warp((300, 200), CURVE, Level(), 200.0).light_gain(0, 10) is None


def test_nothing_to_do_is_the_identity():
    image = np.random.default_rng(0).integers(0, 255, (200, 300, 3)).astype(np.uint8)
    w = Warp((300, 200), Curve(), Level(), 200.0)
    assert np.array_equal(w.resample(image), image)


def test_levelling_puts_the_vertical_vanishing_point_at_infinity():
    geometry = Geometry((1800, 1200), Curve(), LEVEL, 1200.0)
    down = np.array(
        [
            np.sin(np.deg2rad(1.2)) * np.cos(np.deg2rad(-4)),
            np.cos(np.deg2rad(1.2)) * np.cos(np.deg2rad(-4)),
            -np.sin(np.deg2rad(-4)),
        ]
    )
    assert np.allclose(geometry.turn @ down, [0, 1, 0], atol=1e-12)


def test_wrong_sizes_are_refused_in_words():
    with pytest.raises(ShapeError, match="image: need 1200 x 1800 rows"):
        warp().resample(np.zeros((10, 10), np.uint8))
    with pytest.raises(ShapeError, match="row0, row1"):
        warp().maps(5, 5)
    with pytest.raises(ShapeError, match="positive area"):
        Warp((100, 100), Curve(), Level(), 100.0, (50, 50, 40, 60))
