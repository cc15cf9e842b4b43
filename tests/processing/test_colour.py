"""Chromaticity and colour differences against published values."""

import json
from pathlib import Path

import numpy as np
import pytest

from processing.colour import (
    cct_duv,
    delta_e_2000,
    lab_from_linear,
    linear_from_xy,
    luminance_from_lightness,
    xy_from_kelvin,
)

VALUES = Path(__file__).parent / "values"
ILLUMINANTS = json.loads((VALUES / "illuminants.json").read_text())["checks"]
PAIRS = json.loads((VALUES / "ciede2000.json").read_text())["checks"]


@pytest.mark.parametrize("known", ILLUMINANTS, ids=lambda known: known["name"])
def test_kelvin_and_duv_match_the_published_illuminants(known: dict) -> None:
    found = cct_duv(np.array(known["xy"]))
    assert isinstance(found, tuple)
    # the tables give x, y to four or five places; that alone moves the temperature by up to .04 %
    assert found[0] == pytest.approx(known["kelvin"], rel=6e-4)
    assert found[1] == pytest.approx(known["duv"], abs=1.2e-4)


@pytest.mark.parametrize("pair", PAIRS)
def test_ciede2000_matches_the_published_pairs(pair: dict) -> None:
    assert float(delta_e_2000(pair["lab1"], pair["lab2"])) == pytest.approx(pair["de00"], abs=6e-5)
    assert float(delta_e_2000(pair["lab2"], pair["lab1"])) == pytest.approx(pair["de00"], abs=6e-5)


@pytest.mark.parametrize("kelvin", [2000, 2700, 4000, 5600, 9500])
@pytest.mark.parametrize("duv", [-0.01, 0.0, 0.006, 0.02])
def test_a_light_made_from_kelvin_and_duv_is_found_again(kelvin: float, duv: float) -> None:
    found = cct_duv(xy_from_kelvin(kelvin, duv=duv))
    assert isinstance(found, tuple)
    assert found[0] == pytest.approx(kelvin, rel=2e-3)
    assert found[1] == pytest.approx(duv, abs=2e-4)


@pytest.mark.parametrize("xy", [(0.15, 0.06), (0.30, 0.60), (np.nan, 0.3)])
def test_a_light_far_from_any_white_has_no_temperature(xy: tuple[float, float]) -> None:
    found = cct_duv(np.array(xy))
    assert not found
    assert found.reason


def test_white_and_lightness_agree_with_the_definition() -> None:
    assert lab_from_linear(np.ones(3)) == pytest.approx([100, 0, 0], abs=2e-2)
    grey = float(luminance_from_lightness(50.0))
    assert lab_from_linear(np.full(3, grey))[0] == pytest.approx(50, abs=1e-2)


def test_a_warm_light_is_red_and_a_cool_one_blue() -> None:
    warm, cool = linear_from_xy(xy_from_kelvin(2856)), linear_from_xy(xy_from_kelvin(8000))
    assert warm[0] > 1.3 > 0.4 > warm[2]
    assert cool[2] > 1.2 > 0.95 > cool[0]
