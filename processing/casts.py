"""Light of each area: which light falls where, as kelvin and Duv, and the gain that makes it neutral.

Conventions: light is written as log-chromaticity after the camera's white balance, u = ln(R/G),
v = ln(B/G) in linear sRGB; (0, 0) is what the camera took for white. Points are shares of the frame,
(x + .5) / width and (y + .5) / height. Maps are in source geometry, before lens and level.
"""

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from . import lightmap
from .arrays import LUMA_709, luminance, require_rgb
from .colour import (
    XYZ_FROM_SRGB,
    cct_duv,
    lab_from_linear,
    linear_from_xy,
    xy_from_kelvin,
    xy_from_xyz,
)
from .light_records import (
    MAP_STEP,
    Area,
    CameraColour,
    LightAnalysis,
    LightPlan,
    cast_deg,
    rgb_from_uv,
)
from .panes import find_panes, log2_luminance

__all__ = [
    "Area",
    "CameraColour",
    "LightAnalysis",
    "LightPlan",
    "analyse",
    "apply",
    "codes",
    "find_areas",
    "fix_points",
    "gains",
    "keep_luminance",
    "light_of",
    "read_point",
    "settle",
    "under_open_sky",
]

CLIP_LEVEL = 0.98  # linear level from which a pixel counts as clipped when nothing better is known
CLIP_FADE = 0.08  # below the clipping level, gains fade to 1 over this range
CLIPPED_SHARE = (0.30, 0.50)  # over-exposed: trust in the map falls from 1 to 0 between these shares
CAST_DEG = (21.0, 29.0)  # mean cast: beyond, the light is coloured on purpose (stage, sunset): left alone
HOME_KELVIN = (2400.0, 10000.0)  # lights of homes, from a dimmed bulb to open shade (common practice)
HOME_DUV = 0.03  # and how far from the black body they lie: tubes and LEDs
DARKEST_MARK = 0.004  # linear: below it noise decides the colour
OPEN_SKY = "daylight"  # method of a plan that leaves the light of an outside picture alone
FLASH_KELVIN = 5600.0  # common practice for electronic flash, no source
BOUNCE_UV = 0.10  # ln units: as far as a white in a painted room may be tinted by what the paint throws back
POINT_REACH = 0.35  # shares of the frame: how far a mark reaches
WARMTH_KEPT = 0.06  # default share of a lamp's warmth that stays; a taste, settable
AREA_DISTANCE = 0.09  # two areas of light closer than this in (u, v) are one
VIEW_KELVIN = 6500.0  # daylight of a view; sun and shade lie around it
LAMP_REDNESS = -0.7  # ln(B/R) against daylight below which a bright part is a lamp (2700 K: -1.6)


def analyse(
    rgb_linear: np.ndarray,
    *,
    camera: CameraColour | None = None,
    flash_linear: np.ndarray | None = None,
    clip_level: float = 1.0,
) -> LightAnalysis:
    """Find the light of each area of one picture.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float32
        Linear sRGB after the camera's white balance, 1.0 = clipping; 200 to 1500 px wide is enough.
    camera : CameraColour, optional
        Colour data of a raw file; without it kelvin and Duv stay unknown.
    flash_linear : (H, W, 3) float32, optional
        The same view, same exposure, with a flash added, aligned to `rgb_linear`.
    clip_level : float
        Level at which the scene is clipped (above 1.0 in a merged bracket).

    Returns
    -------
    LightAnalysis
        `trust` is 0..1; 0 means: leave the camera's white balance, `why` says for what reason.
    """
    require_rgb(rgb_linear, name="rgb_linear", dtypes=(np.float32,))
    if not np.isfinite(rgb_linear).all():
        rgb_linear = np.nan_to_num(rgb_linear, nan=0.0, posinf=clip_level, neginf=0.0)
    clipped = float((rgb_linear.max(-1) >= CLIP_LEVEL * clip_level).mean())
    pair, method = None, "network"
    if flash_linear is not None:
        pair = lightmap.pair_planes(rgb_linear, flash_linear, _flash_uv(camera)).astype(np.float16)
        method = "flash pair"
    map_uv, _ = lightmap.estimate_map(rgb_linear, pair=pair)
    trust, why = _trust(map_uv, clipped, camera)
    return LightAnalysis(_as_stored(map_uv), method, trust, why, clipped, camera, pair)


def _as_stored(map_uv: np.ndarray) -> np.ndarray:
    """A map in the steps that its JSON keeps."""
    return np.round(map_uv / MAP_STEP).astype(np.float32) * np.float32(MAP_STEP)


def _flash_uv(camera: CameraColour | None) -> np.ndarray | None:
    """How an electronic flash looks after the camera's white balance; None where the file does not tell."""
    if camera is None:
        return None
    rgb = np.maximum(camera.balanced_linear(linear_from_xy(xy_from_kelvin(FLASH_KELVIN))), 0.02)
    return np.log(rgb[[0, 2]] / rgb[1]).astype(np.float32)


def _trust(map_uv: np.ndarray, clipped_share: float, camera: CameraColour | None = None) -> tuple[float, str]:
    """How far the map may be followed, 0..1, and why not further."""
    mean_deg = float(cast_deg(map_uv).mean())
    by_clipping = 1 - np.clip(np.subtract(clipped_share, CLIPPED_SHARE[0]) / np.ptp(CLIPPED_SHARE), 0, 1)
    by_cast = 1 - np.clip((mean_deg - CAST_DEG[0]) / np.ptp(CAST_DEG), 0, 1)
    if by_cast < 1 and _is_light_of_homes(map_uv, camera):
        by_cast = 1.0  # an ordinary light, and a camera set to another one
    if by_cast < 1 and by_cast <= by_clipping:
        return float(by_cast), f"strongly coloured light ({mean_deg:.0f} degrees): taken as intended"
    if by_clipping < 1:
        return float(by_clipping), f"{clipped_share:.0%} of the frame is clipped: colours there are unknown"
    return 1.0, "the picture's own surfaces and lights"


def _is_light_of_homes(map_uv: np.ndarray, camera: CameraColour | None) -> bool:
    """Whether the light that rules the picture is, in absolute colour, one that lights homes."""
    if camera is None:
        return False
    light = rgb_from_uv(np.median(map_uv.reshape(-1, 2), axis=0).astype(np.float64))
    found = cct_duv(xy_from_xyz(XYZ_FROM_SRGB @ camera.absolute_linear(light)))
    if not isinstance(found, tuple):
        return False
    return HOME_KELVIN[0] <= found[0] <= HOME_KELVIN[1] and abs(found[1]) <= HOME_DUV


def settle(
    analyses: Sequence[LightAnalysis],
    *,
    warmth_kept: float | None = None,
    neutral_points: Sequence[Sequence[tuple[float, float, float, float]]] | None = None,
    pictures: Sequence[np.ndarray] | None = None,
) -> list[LightPlan]:
    """Turn what each picture says into what is done to each.

    Parameters
    ----------
    analyses : one per picture of the visit.
    warmth_kept : float, optional
        0: lamps end neutral; 1: lamps keep all their warmth. None: the default.
    neutral_points : per picture, marks "this is white or grey here", optional
        Each (x_share, y_share, u, v) as `read_point` returns it.
    pictures : (h, w, 3) arrays, linear sRGB, one per picture, optional
        Small copies, in which the light is estimated again, knowing the marks. Without them a mark only
        shifts the light around itself.

    Returns
    -------
    list of LightPlan, same order
    """
    kept = WARMTH_KEPT if warmth_kept is None else float(warmth_kept)
    plans = []
    for i, one in enumerate(analyses):
        points = list(neutral_points[i]) if neutral_points is not None else []
        kept_here = kept
        map_uv, strength, method, why = one.map_uv, one.trust, one.method, one.why
        if points:
            if pictures is not None and one.trust > 0:
                seen = np.ascontiguousarray(pictures[i], np.float32)
                told, _ = lightmap.estimate_map(seen, points=points, pair=one.pair)
                map_uv = _as_stored(fix_points(told, points, allowed=BOUNCE_UV, elsewhere=0.0))
            else:
                map_uv = _as_stored(fix_points(map_uv * one.trust, points))
            strength, method, why = 1.0, f"{method} + neutral points", f"{len(points)} neutral point(s)"
            kept_here = 0.0 if warmth_kept is None else kept  # "white here" means white
        elif strength == 0:
            method = "camera"
        plan = LightPlan(map_uv, method, strength, kept_here, why, camera=one.camera)
        plans.append(replace(plan, areas=find_areas(plan)))
    return plans


def under_open_sky(plan: LightPlan) -> LightPlan:
    """The plan of a picture taken outside: daylight as the camera balanced it; a blue sky is no cast."""
    why = "taken outside: daylight as the camera balanced it"
    kept = replace(plan, strength=0.0, method=OPEN_SKY, why=why)
    return replace(kept, areas=find_areas(kept))


def read_point(
    rgb_linear: np.ndarray, x_share: float, y_share: float
) -> tuple[float, float, float, float] | None:
    """Read the colour of a surface that is said to be white or grey, around one point.

    Returns
    -------
    (x_share, y_share, u, v) or None
        Log-chromaticity of the median of a disc of .6 % of the width, clipped pixels left out; None where
        all of it is clipped, or too dark to have a colour.
    """
    height, width = rgb_linear.shape[:2]
    radius = max(2, round(0.006 * width))
    x, y = int(np.clip(x_share * width, 0, width - 1)), int(np.clip(y_share * height, 0, height - 1))
    patch = rgb_linear[max(0, y - radius) : y + radius + 1, max(0, x - radius) : x + radius + 1].reshape(
        -1, 3
    )
    patch = patch[(patch.max(-1) < CLIP_LEVEL) & (patch.min(-1) > 1e-4)]
    if len(patch) == 0 or float(np.median(patch.mean(-1))) < DARKEST_MARK:
        return None
    r, g, b = np.median(patch, axis=0)
    return x_share, y_share, float(np.log(r / g)), float(np.log(b / g))


def fix_points(
    map_uv: np.ndarray,
    points: Sequence[tuple[float, float, float, float]],
    *,
    allowed: float = 0.0,
    elsewhere: float = 0.05,
) -> np.ndarray:
    """Move a light map so that it is right at the marked points, and elsewhere as far as the light is alike.

    A point's correction counts fully where the map and the place are near the point's, and less where
    another point is nearer. In a map that knew nothing of the points some of it holds far from all of them
    (`elsewhere`, a weight), since paint taken for light is usually taken so all over a picture. In one that
    knew of them, what is `allowed` (ln units) of a point's difference may stay: even a white wall is tinted
    by its neighbours' paint, and the map knows how such rooms look.
    """
    height, width = map_uv.shape[:2]
    rows, cols = np.meshgrid(
        (np.arange(height) + 0.5) / height, (np.arange(width) + 0.5) / width, indexing="ij"
    )
    total = np.full((height, width), 0.15, np.float32)  # pulls to no change
    moved = np.zeros_like(map_uv)
    for x, y, u, v in points:
        at = map_uv[min(int(y * height), height - 1), min(int(x * width), width - 1)]
        off = np.array([u, v], np.float32) - at
        off = off * max(0.0, 1 - allowed / max(float(np.linalg.norm(off)), 1e-6))
        near_light = np.sum((map_uv - at) ** 2, -1) / 0.15**2
        near_place = ((cols - x) ** 2 + (rows - y) ** 2) / POINT_REACH**2
        weight = np.exp(-0.5 * (near_light + near_place)) + elsewhere
        moved += weight[..., None] * off
        total += weight
    return (map_uv + moved / total[..., None]).astype(np.float32)


def correction_uv(plan: LightPlan, map_uv: np.ndarray | None = None) -> np.ndarray:
    """The part of the light that is taken away: strength and kept warmth applied to the plan's map."""
    uv = (plan.map_uv if map_uv is None else map_uv) * np.float32(plan.strength)
    warmth = np.maximum(uv[..., :1] - uv[..., 1:], 0) / 2  # towards the black body's warm side
    return (uv - plan.warmth_kept * warmth * np.array([1, -1], np.float32)).astype(np.float32)


def find_areas(plan: LightPlan) -> tuple[Area, ...]:
    """Group the plan's light map into at most three lights, largest share first."""
    uv = plan.map_uv.reshape(-1, 2).astype(np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-4)
    order = np.argsort(np.argsort((uv - uv.mean(0)) @ _main_axis(uv)))
    for count in (3, 2, 1):
        start = (order * count // len(uv)).astype(np.int32)[:, None]  # equal shares along the main axis
        _, labels, centres = cv2.kmeans(uv, count, start, criteria, 1, cv2.KMEANS_USE_INITIAL_LABELS)
        labels, centres = np.asarray(labels), np.asarray(centres)
        gaps = np.linalg.norm(centres[:, None] - centres[None], axis=-1) + np.eye(count) * 9
        if gaps.min() > AREA_DISTANCE or count == 1:
            break
    shares = np.bincount(labels.ravel(), minlength=count) / len(uv)
    after = centres - correction_uv(plan, centres[None])[0]
    return tuple(_area(shares[i], centres[i], after[i], plan.camera) for i in np.argsort(-shares))


def _main_axis(uv: np.ndarray) -> np.ndarray:
    """Unit vector along which the map varies most."""
    return np.linalg.eigh(np.cov(uv.T) + 1e-9 * np.eye(2))[1][:, -1]


def _area(share: float, uv: np.ndarray, left_uv: np.ndarray, camera: CameraColour | None) -> Area:
    light = rgb_from_uv(uv.astype(np.float64))
    kelvin = duv = None
    if camera is not None:
        found = cct_duv(xy_from_xyz(XYZ_FROM_SRGB @ camera.absolute_linear(light)))
        if isinstance(found, tuple):
            kelvin, duv = round(found[0]), round(found[1], 4)
    before, after = (_neutral_ab(u) for u in (uv, left_uv))
    return Area(round(float(share), 3), (float(uv[0]), float(uv[1])), kelvin, duv, before, after)


def _neutral_ab(uv: np.ndarray) -> tuple[float, float]:
    """a*, b* of a light grey surface (L* 75) under this light."""
    rgb = rgb_from_uv(np.asarray(uv, np.float64))
    lab = lab_from_linear(rgb / (rgb @ np.array(LUMA_709)) * 0.4828)  # Y of L* 75
    return round(float(lab[1]), 2), round(float(lab[2]), 2)


def gains(plan: LightPlan, rgb_linear: np.ndarray) -> np.ndarray:
    """Per-pixel gain of kept luminance that takes the plan's light away.

    Parameters
    ----------
    plan : LightPlan
    rgb_linear : (H, W, 3) float32
        The picture in source geometry, usually a quarter of the size; it guides the map along its edges.

    Returns
    -------
    (H, W, 3) float32
        Multiply linear sRGB by it. Clipping is not looked at here: `apply` fades at full size.
    """
    require_rgb(rgb_linear, name="rgb_linear", dtypes=(np.float32,))
    if plan.strength == 0:
        return np.ones_like(rgb_linear)
    uv = with_daylight(lightmap.upsample(correction_uv(plan), rgb_linear), plan, rgb_linear)
    gain = np.stack([np.exp(-uv[..., 0]), np.ones(uv.shape[:2], np.float32), np.exp(-uv[..., 1])], -1)
    return gain * keep_luminance(rgb_linear, gain)[..., None]


def with_daylight(uv: np.ndarray, plan: LightPlan, rgb_linear: np.ndarray) -> np.ndarray:
    """The light map with the view through windows under daylight, which is what lights it.

    Needs the camera's colour data to know how daylight looks after its white balance; without them the map
    stays as it is. A lamp's shade is far redder than daylight and is left to the room.

    Parameters
    ----------
    uv : (H, W, 2) float32
        Map at the picture's size.
    rgb_linear : (H, W, 3) float32

    Returns
    -------
    (H, W, 2) float32
    """
    if plan.camera is None:
        return uv
    day = np.maximum(
        plan.camera.balanced_linear(linear_from_xy(xy_from_kelvin(VIEW_KELVIN, duv=0.003))), 0.02
    )
    day_uv = np.log(day[[0, 2]] / day[1]).astype(np.float32)
    panes = find_panes(log2_luminance(rgb_linear))
    count, labels = cv2.connectedComponents(panes.astype(np.uint8), connectivity=4)
    for k in range(1, count):
        part = rgb_linear[labels == k]
        known = part[(part.max(-1) < CLIP_LEVEL) & (part.min(-1) > 1e-3)]
        if len(known) < 0.02 * len(part):
            continue
        blueness = float(np.median(np.log(known[:, 2] / known[:, 0]))) - float(day_uv[1] - day_uv[0])
        if blueness < LAMP_REDNESS:
            panes[labels == k] = False
    # where a channel clips, colour is rebuilt as neutral under the room's light: leave that as it is
    open_end = np.clip((np.float32(CLIP_LEVEL) - rgb_linear.max(-1)) / np.float32(CLIP_FADE), 0, 1)
    share = (cv2.GaussianBlur(panes.astype(np.float32), (0, 0), 0.7) * open_end)[..., None]
    return uv + share * (day_uv * np.float32(plan.strength) - uv)


def light_of(plan: LightPlan, rgb_linear: np.ndarray) -> np.ndarray:
    """The light that is in the picture according to the plan, (H, W, 3) float32, luminance 1.

    The picture divided by it is neutrally lit. Same arguments as `gains`.
    """
    uv = lightmap.upsample(plan.map_uv * np.float32(plan.strength), rgb_linear)
    light = rgb_from_uv(with_daylight(uv, plan, rgb_linear))
    return light / luminance(light)[..., None]


def codes(plan: LightPlan) -> tuple[str, ...]:
    """Codes of `quality.NEEDS_LOOK` that this plan raises."""
    if plan.strength >= 0.5 or plan.method == OPEN_SKY:
        return ()
    return ("coloured_light",) if plan.mean_deg > CAST_DEG[0] else ("over_exposed",)


def keep_luminance(rgb_linear: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """Factor per pixel that gives `rgb_linear * gain` the luminance of `rgb_linear`."""
    before = np.maximum(luminance(rgb_linear), 1e-5)
    after = np.maximum(luminance(rgb_linear * gain), 1e-5)
    return np.clip(before / after, 0.25, 4.0)


def apply(rgb_linear: np.ndarray, gain: np.ndarray, *, clip_level: float = 1.0) -> np.ndarray:
    """Multiply by the gain, fading to 1 where a channel nears clipping.

    A clipped channel makes the rest of the pixel's colour unknown: multiplied it would turn lamps cyan and
    panes yellow.

    Parameters
    ----------
    rgb_linear, gain : (H, W, 3) float32
        Same geometry; bands of rows are fine.
    clip_level : float
        Level at which the scene is clipped (above 1.0 in a merged bracket).

    Returns
    -------
    (H, W, 3) float32
    """
    headroom = 1 - rgb_linear.max(-1, keepdims=True) / np.float32(clip_level)
    fade = np.clip(headroom / np.float32(CLIP_FADE), 0, 1)
    return rgb_linear * (1 + (gain - 1) * fade)
