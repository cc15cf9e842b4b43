"""The rooms and lights that the light map learns from."""

import numpy as np
import pytest

from processing.tools.lightmap import lights, rooms, scene

XYZ_FROM_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


@pytest.mark.parametrize(
    ("kelvin", "duv", "xy"),
    [  # CIE 015 tables; temperatures and Duv by Ohno 2013, computed with colour-science 0.4.7
        (2855.5, 0.0000, (0.44758, 0.40745)),  # A
        (5000.7, 0.0032, (0.34570, 0.35850)),  # D50
        (6504.3, 0.0032, (0.31270, 0.32900)),  # D65
        (4223.4, 0.0018, (0.37210, 0.37510)),  # FL2
        (6343.0, 0.0108, (0.31380, 0.34520)),  # FL5
    ],
)
def test_lights_have_the_chromaticity_of_published_illuminants(kelvin, duv, xy):
    xyz = XYZ_FROM_RGB @ lights.light_rgb(np.array([kelvin]), np.array([duv]))[0]
    # .002: Krystek's fit of the black body and four-digit matrices
    assert xyz[:2] / xyz.sum() == pytest.approx(xy, abs=0.002)


def test_the_same_seed_gives_the_same_room():
    assert np.array_equal(rooms.room(17), rooms.room(17))
    assert not np.array_equal(rooms.room(17), rooms.room(18))


def test_rooms_fit_the_tracer_and_have_a_camera_and_light():
    packed = rooms.rooms(range(200, 260))
    assert packed.shape == (60, scene.SCENE_FLOATS)
    assert np.isfinite(packed).all()
    assert (packed[:, 0] <= scene.MAX_SOLIDS).all()
    assert ((packed[:, 1] >= 1) & (packed[:, 1] <= scene.MAX_EMITTERS)).all()
    axes = packed[:, 6:15].reshape(-1, 3, 3)
    assert np.allclose(axes @ axes.transpose(0, 2, 1), np.eye(3), atol=1e-5)


def test_some_rooms_stand_upright_in_the_frame():
    packed = rooms.rooms(range(100))
    ratio = (
        packed[:, 15] / packed[:, 16]
    )  # focal length in widths over focal length in heights = height / width
    assert 0.08 < (ratio > 1).mean() < 0.35
