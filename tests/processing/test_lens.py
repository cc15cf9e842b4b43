"""The lens curve: both ways, every form, and what pictures may be pooled by."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from processing import lens
from processing.errors import ShapeError
from processing.lens_curve import NO_CURVE, Curve, fit_form, fitted_curve, straight_factor
from processing.lens_lines import bow_and_sigma, bow_percent, complexity, decide, load_priors
from processing.results import NotFound

SIZE = (6000, 4000)
CURVES = [
    Curve("database", "ptlens", (0.02, -0.06, 0.01), unit=1.8),
    Curve("database", "poly3", (-0.02,), unit=1.8),
    Curve("database", "poly5", (-0.05, 0.01)),
    Curve("lines", "brown", (0.045, -0.01, 0.004)),
]


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.model)
def test_points_come_back_within_a_hundredth_of_a_pixel(curve):
    rng = np.random.default_rng(1)
    bent = rng.uniform((0, 0), SIZE, (500, 2))
    there_and_back = curve.distort_points(curve.undistort_points(bent, SIZE), SIZE)
    assert np.abs(there_and_back - bent).max() < 0.01


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.model)
def test_the_centre_keeps_its_place_and_size(curve):
    centre = np.array([(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2])
    assert np.allclose(curve.undistort_points(centre[None], SIZE), centre)
    near = centre + np.array([[1.0, 0.0]])
    assert np.allclose(curve.undistort_points(near, SIZE) - centre, [[1.0, 0.0]], atol=1e-4)


def test_brown_agrees_with_opencv():
    # cv2.undistortPoints 5.0.0 with K = diag(2400, 2400, 1), k1 -.05, k2 .01, 80 iterations, the inverse way:
    # the inverse direction, so the poly5 form carries OpenCV's model exactly
    f, half = 2400.0, np.hypot(*SIZE) / 2
    curve = Curve("set", "poly5", (-0.05 * (half / f) ** 2, 0.01 * (half / f) ** 4))
    x = np.array([0.9, -0.4])
    r2 = float(x @ x)
    bent = x * (1 - 0.05 * r2 + 0.01 * r2**2) * f + (2999.5, 1999.5)
    assert np.allclose(curve.undistort_points(bent, SIZE), x * f + (2999.5, 1999.5), atol=1e-3)


def test_the_fits_form_is_the_curve_it_becomes():
    for c in (np.array([0.02, -0.06, 0.01, 0.0]), np.array([0.0, -0.05, 0.0, 0.01])):
        curve = fitted_curve(c, source="lines")
        r = np.linspace(0.05, 1.0, 40)
        assert np.allclose(curve.straight_radius(r) / r, straight_factor(r, c), atol=2e-6)
        assert np.allclose(fit_form(curve), c, atol=1e-9)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.3, -0.1)])
def test_bow_of_a_known_barrel_is_that_of_its_points(shift):
    c = np.array([0.0, -0.05, 0.0, 0.01])
    x = np.linspace(-0.94, 0.94, 101) * SIZE[0] / 2
    y = np.full_like(x, 0.84 * SIZE[1] / 2)
    curve = replace(fitted_curve(c, source="lines"), offset=shift)
    bent = curve.distort_points(np.stack([x, y], 1) + (2999.5, 1999.5), SIZE)[:, 1]
    bow = np.abs(bent - np.linspace(bent[0], bent[-1], 101)).max() / SIZE[1] * 100
    assert abs(bow_percent(c, SIZE, shift)[0]) == pytest.approx(bow, rel=0.03)  # from five points of the line


def test_a_curve_that_turns_back_has_no_value_beyond():
    curve = Curve("lines", "poly5", (-0.5, 0.0))
    assert np.isnan(curve.bent_radius(np.array([1.2]))).all()


def test_a_curve_without_a_value_at_the_corner_tells_its_outermost_shift():
    for model, terms in (("poly5", (-0.5, 0.0)), ("brown", (1.0, -0.9)), ("ptlens", (0.98, -1.95, 0.58))):
        curve = Curve("lines", model, terms)
        assert 5 < curve.corner_shift_percent < 90
        json.dumps(curve.to_json(), allow_nan=False)


@pytest.mark.parametrize(
    "curve",
    [
        *CURVES,
        NO_CURVE,
        replace(CURVES[0], offset=(0.31, -0.18)),
        replace(CURVES[0], red=(1.0002, 0.0, 0.0), blue=(0.9998, 0.0, 0.0)),
    ],
)
def test_json_brings_the_same_curve_back(curve):
    assert Curve.from_json(curve.to_json()) == curve


def test_unknown_models_are_refused_by_name():
    with pytest.raises(ShapeError, match="model: need one of"):
        Curve("lines", "cubic")


def test_points_of_the_wrong_shape_are_refused():
    with pytest.raises(ShapeError, match="need"):
        CURVES[0].undistort_points(np.zeros((3, 3)), SIZE)


def test_priors_hold_the_median_lens_of_the_database():
    # lensfunpy 1.18.0: full-frame rectilinear lenses at 24 mm have a median corner shift of 2 % barrel
    for prior in load_priors():
        shift = fitted_curve(prior.mean, source="lines").corner_shift_percent
        assert 0.5 < shift < 6


def test_focal_length_comes_from_the_equivalent_then_the_sensor_then_a_guess():
    facts = SimpleNamespace(width=6000, height=4000, focal_35mm=24.0, focal_mm=16.0, crop_factor=1.5)
    assert lens.focal_px(facts) == (pytest.approx(4000.0, rel=1e-4), "equivalent")
    facts.focal_35mm = None
    assert lens.focal_px(facts) == (pytest.approx(4000.0, rel=1e-4), "crop")
    facts.crop_factor = None
    assert lens.focal_px(facts)[1] == "guess"


def test_pictures_pool_by_lens_focal_length_and_size():
    def one(name, focal, size=SIZE):
        return SimpleNamespace(lens=name, focal_mm=focal, size=size)

    given = [
        one("a", 16.0),
        one("a", 16.2),
        one("a", 20.0),
        one("b", 16.0),
        one("", 16.0),
        one("", 16.0),
        one("a", 16.1, SIZE[::-1]),
    ]
    assert lens.groups(given) == [[0, 1, 6], [2], [3], [4], [5]]


@pytest.mark.parametrize(
    ("sigmas", "odds", "is_kept"),
    [(6.0, 5.0, True), (2.3, 5.0, False), (6.0, 1.0, False)],  # 3 sigma, and ten to one: common practice
)
def test_a_bow_that_is_not_told_from_none_is_left(sigmas, odds, is_kept):
    k, size = np.array([0.0, -0.004, 0.0, 0.0]), (1500, 1000)
    prior = load_priors()[0]
    covariance = np.eye(4) * 1e-6
    bow, sigma = bow_and_sigma(k, covariance, size)
    covariance *= (np.abs(bow / sigma).max() / sigmas) ** 2
    freedom = complexity(k, covariance, prior)
    answer = decide(k, covariance, freedom + odds, freedom, chains=60, pictures=1, size=size)
    assert isinstance(answer, Curve) is is_kept
    assert is_kept or (isinstance(answer, NotFound) and "as straight without a curve" in answer.reason)
