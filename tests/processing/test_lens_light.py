"""Fringes and fall-off of light: as the library has them, out in one resampling, or left to the camera."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import lensfunpy
import numpy as np
import pytest

from processing import fringes, straightening
from processing.lens_curve import Curve
from processing.lens_database import curve_of_lens, database
from processing.verticals import LEVEL_AS_IS
from processing.warp import Geometry, Warp

from .drawn_rooms import draw_room

SIZE = (1501, 1001)
CENTRE = np.array([750.0, 500.0])
Flags = lensfunpy.ModifyFlags


def wide(lens):
    return "RECTILINEAR" in str(lens.type) and lens.min_focal and 14 <= lens.min_focal * lens.crop_factor < 30


LENSES = [v for v in database().lenses if v.calib_distortion and v.calib_tca and wide(v)]


def modifier(lens, focal, aperture, size=SIZE):
    made = lensfunpy.Modifier(lens, lens.crop_factor, *size)
    flags = Flags.DISTORTION | Flags.TCA | Flags.VIGNETTING
    made.initialize(focal, aperture, 3.0, scale=1.0, pixel_format=np.float32, flags=flags)
    return made


def scale_of(curve):
    """How much the library enlarges the centre; the product keeps it as it is."""
    free = 1 - sum(curve.coefficients) if curve.model == "ptlens" else 1 - curve.coefficients[0]
    return 1.0 if curve.model == "poly5" else free


def curve_at(lens, aperture=5.6):
    return curve_of_lens(lens, float(lens.min_focal), crop_factor=lens.crop_factor, aperture=aperture)


@pytest.mark.parametrize("index", range(0, len(LENSES), len(LENSES) // 12))
def test_red_and_blue_lie_where_the_library_puts_them(index):
    # lensfunpy 1.18.0: Modifier.apply_subpixel_geometry_distortion with DISTORTION and TCA
    lens = LENSES[index]
    curve = curve_at(lens)
    assert curve is not None
    made = modifier(lens, float(lens.min_focal), 5.6)
    geometry = Geometry(SIZE, curve, LEVEL_AS_IS, 1500.0)
    for straight in ((40.0, 60.0), (1400.0, 900.0), (1100.0, 300.0)):
        theirs = made.apply_subpixel_geometry_distortion(*straight, 1, 1)[0, 0]
        levelled = (np.array(straight) - CENTRE) * scale_of(curve) + CENTRE
        ours = np.array([geometry.source_from_levelled(levelled, channel=c) for c in range(3)])
        assert np.abs((ours - ours[1]) - (theirs - theirs[1])).max() < 0.004


def test_light_left_is_the_librarys():
    # lensfunpy 1.18.0: Modifier.apply_color_modification with VIGNETTING, 3 m
    radius = np.hypot(*(np.stack(np.meshgrid(np.arange(1501), np.arange(1001)), -1) - CENTRE).T).T
    known = [v for v in LENSES if v.calib_vignetting][::40]
    for lens in known:
        evened = np.ones((1001, 1501, 3), np.float32)
        modifier(lens, float(lens.min_focal), 5.6).apply_color_modification(evened)
        ours = curve_at(lens).light_left(radius / np.hypot(*SIZE) * 2)
        assert np.abs(ours - 1 / evened[..., 1]).max() < 0.004
    assert len(known) >= 3


def through_lens(lens, scene, aperture=5.6, *, fringed=True):
    """A picture as the lens makes it, through the library's own map turned round; (h, w, 3) float32."""
    height, width = scene.shape[:2]
    made = modifier(lens, float(lens.min_focal), aperture, (width, height))
    reach = np.linspace(1, np.hypot(width, height) * 0.62, 700)
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    placed = np.array(
        [made.apply_subpixel_geometry_distortion(middle[0] + r, middle[1], 1, 1)[0, 0] for r in reach]
    )
    centre_scale = (placed[8, 1, 0] - middle[0]) / reach[8]
    y, x = np.mgrid[:height, :width].astype(float)
    x, y = x - middle[0], y - middle[1]
    r = np.hypot(x, y) + 1e-9
    out = np.empty_like(scene)
    for c in range(3):
        straight = np.interp(r, placed[:, c if fringed else 1, 0] - middle[0], reach) * centre_scale / r
        at = ((v * straight + m).astype(np.float32) for v, m in zip((x, y), middle, strict=True))
        out[..., c] = cv2.remap(scene[..., c], *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    evened = np.ones_like(out)
    made.apply_color_modification(evened)
    return out / evened


def coloured(grey, seed=0):
    """A drawn room in linear light with surfaces of several colours."""
    rng = np.random.default_rng(seed)
    light = (grey.astype(np.float32) / 255) ** 2.2
    tint = rng.uniform(0.8, 1.2, (3, 4, 3)).astype(np.float32)
    tint = cv2.resize(tint, grey.shape[::-1], interpolation=cv2.INTER_CUBIC)
    red = light * (1 + 0.25 * np.sin(6 * light))
    return np.stack([red, light, light * (1 - 0.2 * np.sin(5 * light))], -1) * tint * 0.8


@pytest.fixture(scope="module")
def seen():
    """A room through a lens with wide fringes and a dark border: lens, scene, picture."""
    lens = next(v for v in LENSES if v.model == "Canon EF 24-70mm f/2.8L II USM")
    grey, _ = draw_room(303, hard=False)
    scene = np.ascontiguousarray(coloured(grey), np.float32)
    return lens, scene, through_lens(lens, scene, aperture=2.8)


def test_one_resampling_takes_fringes_out(seen):
    _, scene, _ = seen
    lens = next(v for v in LENSES if v.model == "HD Pentax-D FA 24-70mm f/2.8 ED SDM WR")
    smooth = cv2.GaussianBlur(scene, (0, 0), 2.5)
    fringed, plain = (through_lens(lens, smooth, fringed=f) for f in (True, False))
    curve = curve_at(lens)

    def made(image, red=curve.red, blue=curve.blue):
        warp = Warp((1500, 1000), replace(curve, red=red, blue=blue), LEVEL_AS_IS, 1500.0)
        return warp.resample(image)[40:-40, 40:-40]

    def colour_off(image):
        off = image - made(plain, (), ())
        return float(np.sqrt(np.mean((off[..., [0, 2]] - off[..., 1:2]) ** 2)))

    left_in, taken_out = colour_off(made(fringed, (), ())), colour_off(made(fringed))
    wrong_way = colour_off(made(fringed, *((2 - v, -c, -b) for v, c, b in (curve.red, curve.blue))))
    # the rest is cv2.remap's rounding to 1/32 px, twice: once here and once in drawing the picture
    assert taken_out < 0.3 * left_in
    assert wrong_way > 1.8 * left_in


def test_the_border_is_as_bright_as_the_scene(seen):
    lens, scene, picture = seen
    warp = Warp((1500, 1000), curve_at(lens, aperture=2.8), LEVEL_AS_IS, 1500.0)
    evened = warp.resample(picture) * warp.light_gain(0, 1000)[..., None]
    corner, as_it_was, seen_there = (float(v[40:140, 40:140].mean()) for v in (evened, scene, picture))
    assert corner == pytest.approx(as_it_was, rel=0.03)
    assert seen_there < 0.8 * as_it_was


def test_fringes_are_seen_where_they_are_and_not_where_they_are_not(seen):
    lens, scene, picture = seen
    curve = curve_at(lens)
    with_them, without = fringes.shown(picture, curve), fringes.shown(scene, curve)
    assert with_them.share > 0.7
    assert abs(without.share) < 0.2
    assert with_them.keep(developed=True)
    assert not without.keep(developed=True)
    assert not fringes.shown(np.full((1000, 1500, 3), 0.3, np.float32), curve).keep(developed=True)


def test_a_developed_file_keeps_its_light_and_loses_only_fringes_that_it_shows(seen):
    _, scene, picture = seen
    told = {"maker": "Canon", "model": "Canon EOS 5D Mark III", "lens_maker": None, "focal_35mm": None}
    told |= {"lens": "EF24-70mm f/2.8L II USM", "focal_mm": 24.0, "aperture": 2.8, "crop_factor": None}

    def known(image, kind):
        grey = (np.clip(image[..., 1], 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)
        facts = SimpleNamespace(**told, kind=kind, width=grey.shape[1] * 4, height=grey.shape[0] * 4)
        return straightening.look(grey, facts, rgb_linear=image).database

    raw, shows, corrected = known(picture, "raw"), known(picture, "jpeg"), known(scene, "jpeg")
    assert all(isinstance(v, Curve) for v in (raw, shows, corrected))
    assert (raw.has_fringes, shows.has_fringes, corrected.has_fringes) == (True, True, False)
    assert (bool(raw.vignetting), bool(shows.vignetting)) == (True, False)
    assert "left to the camera" in shows.why
