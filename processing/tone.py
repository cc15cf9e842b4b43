"""Open and bright without going grey: one monotone curve on an edge-aware base, per picture.

Works on linear sRGB float32 after the light's correction. A local base (log2 luminance, smoothed inside
surfaces, sharp at their edges) is brought through the curve; the detail on top of it is kept, so a lifted
corner keeps its texture and no halo can form beside a window. Base maps are small and in source geometry;
they travel through the same map as the picture.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np

from .arrays import (
    LUMA_709,
    encode_srgb_u16,
    fit_size,
    linear_to_srgb_u8_table,
    luminance,
    require_rgb,
    shrink,
)
from .colour import luminance_from_lightness
from .panes import BLACK, COLOUR_SHARE, find_bright, find_panes, log2_luminance, window_base

__all__ = [
    "ToneAnalysis",
    "TonePlan",
    "analyse",
    "apply",
    "curve_ev",
    "find_bright",
    "local_base",
    "log2_luminance",
    "settle",
    "shadow_lift_ev",
]

BRIGHT_LIGHTNESS = 86.0  # L* that bright walls and ceilings come to: ceilings 85-92 is the aim
BASE_EPS = 0.01  # (log2)^2: steps above .1 stop are edges; larger values make halos (2.9 L* at .5)
BASE_RADIUS = 1 / 45  # of the width
SHADOW_LIGHTNESS = 30.0  # L* of a shadow in a finished picture
LOG_RANGE = (-13.0, 9.0)  # log2 luminance covered by the curve's table
ANALYSIS_EDGE = 480  # px; levels are measured at this size
BORDER_SHARE = 0.96  # of a pane, below which a pixel is its border's
VIEW_CONTRAST = 0.55  # of the contrast inside a window view that is kept
STEPS_EV = 1024  # entries a stop: a step of .06 % in light, below one 8-bit code
ROLL_START = 0.86  # linear level from which highlights bend towards white
CHUNK_ROWS = 32  # rows worked on at once: stays in the processor's cache
EV_LIMITS = (-2.5, 5.5)  # beyond, a frame is a mistake, not a style
COLOURED_EV = 1.2  # above, the light is of one strong colour
LIFT = 0.42  # default share of the distance below the bright surfaces that is taken away
WINDOW_HOLD = 0.5  # default: 0 lets windows run to white, 1 keeps them as dark as they can be
CONTRAST = 0.0


@dataclass(frozen=True)
class ToneAnalysis:
    """Levels of one picture, log2 of linear light: what is bright, middle and dark in the room itself.

    `window_ev` is the middle of windows and lamps, `white_ev` the brightest that the picture holds,
    `colour_ev` how far the largest channel lies above the luminance (0 grey; 2: one colour of light).
    """

    bright_ev: float
    middle_ev: float
    dark_ev: float
    window_ev: float
    window_share: float
    white_ev: float = 0.0
    colour_ev: float = 0.0

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "ToneAnalysis":
        return cls(**data)


@dataclass(frozen=True)
class TonePlan:
    """One picture's tone.

    Attributes
    ----------
    applied_ev : float
        Brightening in stops.
    lift : float
        0..1: share of the distance below the bright surfaces that is taken away from the base.
    window_hold : float
        0..1: how much of the range above the bright surfaces is kept apart.
    contrast : float
        -1..1: steepness of the middle, 0 as it comes.
    bright_ev, white_ev : float
        Levels (log2) of the bright surfaces and of the brightest light, before brightening.
    """

    applied_ev: float
    lift: float = LIFT
    window_hold: float = WINDOW_HOLD
    contrast: float = CONTRAST
    bright_ev: float = -1.5
    white_ev: float = 0.0

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "TonePlan":
        return cls(**data)


def analyse(rgb_linear: np.ndarray) -> ToneAnalysis:
    """Measure the room's own levels, windows and lamps apart.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float32
        Linear sRGB after the light's correction, at any size from 300 px wide.

    Returns
    -------
    ToneAnalysis
    """
    require_rgb(rgb_linear, name="rgb_linear", dtypes=(np.float32,))
    rgb_linear = np.nan_to_num(rgb_linear)
    size = fit_size((rgb_linear.shape[1], rgb_linear.shape[0]), max_edge=ANALYSIS_EDGE)
    rgb_linear = shrink(rgb_linear, size)
    level = log2_luminance(cv2.GaussianBlur(rgb_linear, (0, 0), 0.7))
    window = find_bright(level)
    room = level[~window] if (~window).mean() > 0.05 else level.ravel()
    dark, middle, bright = np.percentile(room, [5, 50, 85])
    top = float(np.percentile(level[window], 60)) if window.any() else float(bright)
    # room for lights brighter than any that is there would only make whites grey
    white = max(float(np.percentile(level, 99.8)), min(float(bright) + 0.8, float(level.max())))
    most = np.maximum(rgb_linear.max(-1), BLACK)
    colour = float(np.median(np.log2(most / np.maximum(luminance(rgb_linear), BLACK))))
    return ToneAnalysis(
        float(bright), float(middle), float(dark), top, float(window.mean()), white, round(colour, 3)
    )


def settle(
    analyses: Sequence[ToneAnalysis],
    *,
    brightness_ev: float = 0.0,
    lift: float | None = None,
    window_hold: float | None = None,
    contrast: float | None = None,
) -> list[TonePlan]:
    """One tone family for all pictures of a visit.

    Each picture's bright surfaces come to the same lightness; a picture far darker than the others keeps a
    third of the difference, so that a dark room stays believable beside a bright one.
    """
    if not analyses:
        return []
    wanted = float(np.log2(luminance_from_lightness(BRIGHT_LIGHTNESS)))
    own = np.array([wanted - a.bright_ev for a in analyses])
    plans = []
    for one, ev in zip(analyses, own.tolist(), strict=True):
        # darkened only as far as there is light above white: burnt white would end as grey
        ev = max(ev, min(0.0, -one.white_ev))
        # open rooms need less lift: what the middle lies below the bright surfaces sets it
        depth = one.bright_ev - one.middle_ev
        chosen = LIFT * float(np.clip(depth / 1.5, 0.5, 1.3)) if lift is None else lift
        # light of one strong colour is a stage or a sunset, not a room to be opened
        ev *= 1 - 0.7 * float(np.clip((one.colour_ev - COLOURED_EV) / 1.0, 0, 1))
        plan = TonePlan(
            applied_ev=float(np.clip(ev, *EV_LIMITS)) + brightness_ev,
            lift=chosen,
            window_hold=WINDOW_HOLD if window_hold is None else window_hold,
            contrast=CONTRAST if contrast is None else contrast,
            bright_ev=one.bright_ev,
            white_ev=one.white_ev,
        )
        plans.append(replace(plan, applied_ev=round(plan.applied_ev, 4), lift=round(plan.lift, 4)))
    return plans


def is_ordinary(one: ToneAnalysis) -> bool:
    """Whether this is a room's light rather than a stage's."""
    return one.colour_ev <= COLOURED_EV


def curve_ev(plan: TonePlan, level: np.ndarray) -> np.ndarray:
    """Where a base level goes: log2 linear in, log2 display-linear out. Monotone for every plan.

    Below the bright surfaces the slope is 1 - lift, returning to 1 four stops down so that blacks stay;
    above them the curve runs to white without reaching it.
    """
    x = np.asarray(level, np.float64) + plan.applied_ev
    knee = plan.bright_ev + plan.applied_ev
    knee = float(np.clip(knee, -3.0, -0.25))
    below = np.minimum(x - knee, 0)
    # distance below the knee, of which the lifted share saturates: d -> lift * s * (1 - exp(-d / s))
    reach = 3.2
    lifted = plan.lift * reach * (1 - np.exp(below / reach))
    soft = 0.35 if plan.contrast > 0 else 0.35 * max(1 - plan.lift, 0.0)  # never falling
    bend = plan.contrast * soft * below * np.exp(below / 1.5)  # steeper right below the bright surfaces
    above = np.maximum(x - knee, 0)
    span = max(plan.white_ev + plan.applied_ev - knee, -knee)
    return knee + below + lifted + bend - knee * _shoulder(above / span, span / -knee, plan.window_hold)


def shadow_lift_ev(plan: TonePlan) -> float:
    """Stops by which a shadow is brightened that ends at L* `SHADOW_LIGHTNESS`."""
    levels = np.linspace(*LOG_RANGE, 441)
    after = curve_ev(plan, levels)
    at = int(np.searchsorted(after, np.log2(luminance_from_lightness(SHADOW_LIGHTNESS))))
    at = min(at, len(levels) - 1)
    return float(after[at] - levels[at])


def _shoulder(t: np.ndarray, ratio: float, hold: float) -> np.ndarray:
    """From 0 at t = 0 to 1 at t = 1 and on beyond, bending: `ratio` is the slope it would start with.

    It starts with the slope of the curve below where it can; `hold` (0..1) spreads what lies above the
    bright surfaces more evenly, so that windows stay darker.
    """
    steep = max(ratio * (1 - 0.6 * hold), 1.0)
    bend = max(np.log(steep) * 1.6, 1e-3)
    return (1 - np.exp(-bend * t)) / (1 - np.exp(-bend))


def local_base(rgb_linear: np.ndarray) -> np.ndarray:
    """Edge-aware base of a picture as a local linear model: base = a * level + b.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float32
        The small picture, source geometry, after the light's correction.

    Returns
    -------
    (H, W, 5) float32
        a and b of log2 luminance; enlarged and applied to the full-size level they give its base, with
        edges as sharp as the picture's own. Then, for windows: two more that give the share (0..1) in the
        same way, and the window's own middle level, which is its base, so that a view keeps its contrast.

    Source
    ------
    K. He, J. Sun, "Fast guided filter", arXiv:1505.00996 (2015).
    """
    level = log2_luminance(rgb_linear).astype(np.float32)
    radius = max(2, round(BASE_RADIUS * level.shape[1]))
    window = (2 * radius + 1, 2 * radius + 1)
    mean = cv2.blur(level, window)
    variance = np.maximum(cv2.blur(level * level, window) - mean * mean, 0)
    a = variance / (variance + BASE_EPS)
    b = mean * (1 - a)
    panes = window_base(level, find_panes(level), radius)
    return np.dstack([cv2.blur(a, window), cv2.blur(b, window), *panes])


def apply(
    rgb_linear: np.ndarray, plan: TonePlan, base: np.ndarray, *, sixteen_bit: bool = False
) -> np.ndarray:
    """Tone one band of rows and encode it as sRGB.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float32
        Linear sRGB after the light's correction.
    plan : TonePlan
    base : (H, W, 5) float32
        `local_base` of the picture, brought to this band's geometry.
    sixteen_bit : bool
        uint16 instead of uint8.

    Returns
    -------
    (H, W, 3) uint8 or uint16, sRGB
    """
    require_rgb(rgb_linear, name="rgb_linear", dtypes=(np.float32,))
    out = np.empty(rgb_linear.shape, np.uint16 if sixteen_bit else np.uint8)
    table = gain_table(plan)
    for row in range(0, len(rgb_linear), CHUNK_ROWS):
        rows = slice(row, row + CHUNK_ROWS)
        rgb, maps = np.ascontiguousarray(rgb_linear[rows]), np.ascontiguousarray(base[rows])
        codes = _tone_chunk(rgb, maps, table, plan, depth=cv2.CV_32F if sixteen_bit else cv2.CV_16U)
        out[rows] = encode_srgb_u16(codes / np.float32(65535)) if sixteen_bit else _encode_u8(codes)
    return out


def _tone_chunk(
    rgb: np.ndarray, base: np.ndarray, table: np.ndarray, plan: TonePlan, *, depth: int
) -> np.ndarray:
    """Linear 16-bit codes: the curve and the roll-off as one gain and one added white per pixel."""
    luma = cv2.transform(rgb, np.array([LUMA_709], np.float32))
    red, green, blue = cv2.split(rgb)
    most = np.maximum(np.maximum(red, green), blue)
    luma = np.maximum(np.maximum(luma, most * np.float32(COLOUR_SHARE)), np.float32(BLACK))
    level = cv2.log(luma) * np.float32(1 / np.log(2))
    slope, offset, share_slope, share_offset, middle = cv2.split(base)
    place = level * slope + offset
    index = np.clip((place - LOG_RANGE[0]) * np.float32(STEPS_EV), 0, len(table) - 1).astype(np.uint16)
    gain = cv2.LUT(index, _whole_table(table.tobytes()))
    share = level * share_slope + share_offset
    if share.max() > 0:
        gain = _with_view(gain, level, np.clip(share, 0, 1), middle, plan)
    over = np.flatnonzero(most * gain > ROLL_START)
    if len(over) == 0:
        return cv2.multiply(rgb, cv2.merge([gain] * 3), scale=65535.0, dtype=depth)
    least = np.minimum(np.minimum(red, green), blue)
    own = gain.ravel()[over]
    factor, white = roll_off_terms(
        most.ravel()[over] * own, least.ravel()[over] * own, luma.ravel()[over] * own
    )
    added = np.zeros_like(gain)
    gain.ravel()[over] *= factor
    added.ravel()[over] = white * np.float32(65535)
    scaled = cv2.multiply(rgb, cv2.merge([gain] * 3), scale=65535.0)
    return cv2.add(scaled, cv2.merge([added] * 3), dtype=depth)


def _with_view(
    gain: np.ndarray, level: np.ndarray, share: np.ndarray, middle: np.ndarray, plan: TonePlan
) -> np.ndarray:
    """The gain with that of window views blended in.

    A view's own middle comes a little above the room's bright surfaces, most of its contrast is kept around
    it, and what is clipped in the source stays white.
    """
    drop = np.float32(0.10 + 0.36 * plan.window_hold)  # stops below white; bright surfaces lie at .55
    home = np.maximum(-drop, np.float32(-0.8) * np.maximum(plan.white_ev - middle, 0))
    view = home + np.float32(VIEW_CONTRAST) * (level - middle)
    # a border's pixels are part wall: they lie between the two, and are not a dark part of the view
    view = np.maximum(view, home - np.float32(0.1) - np.float32(60) * np.maximum(share - BORDER_SHARE, 0))
    view -= level
    # dark things in the pane (bars, a flower pot) belong to the room
    belongs = np.clip((level - middle + np.float32(2.8)) * np.float32(1.2), 0, 1) * share
    return gain * cv2.exp(belongs * (view * np.float32(np.log(2)) - cv2.log(gain)))


def roll_off_terms(top: np.ndarray, least: np.ndarray, level: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bend what lies above `ROLL_START` towards 1, by the largest channel, losing colour on the way.

    The hue stays; a colour brighter than white goes to white instead of clipping channel by channel. Pale
    highlights (a wall beside a lamp) lose their colour sooner than strong ones (a yellow mat), and pure
    colours (a red hat), which are paint and no light, last of all. The white that they go to is their own
    level's, so that the rim of a lamp never ends brighter than the lamp.

    Parameters
    ----------
    top, least, level : (...) float32
        Largest and smallest channel of each pixel, and the level that tone goes by.

    Returns
    -------
    factor, white : (...) float32
        The pixel becomes pixel * factor + white.
    """
    start = np.float32(ROLL_START)
    over = np.maximum(top - start, 0) / (1 - start)
    bent = _bend(top)
    purity = 1 - np.minimum(np.float32(3) * least / np.maximum(top, np.float32(BLACK)), 1)
    haste = np.float32(0.35) - np.float32(0.30) * np.clip(purity, 0, 1)
    strong = 1 - np.exp(-haste * np.maximum(over - np.float32(0.5), 0))
    pale = np.clip((least - np.float32(0.5)) * np.float32(3), 0, 1) * np.clip(over * np.float32(0.8), 0, 1)
    colourless = np.maximum(strong, pale)
    return bent / np.maximum(top, np.float32(BLACK)) * (1 - colourless), _bend(level) * colourless


def _bend(level: np.ndarray) -> np.ndarray:
    start = np.float32(ROLL_START)
    return np.minimum(level, start) + (1 - start) * (1 - np.exp(-np.maximum(level - start, 0) / (1 - start)))


def _encode_u8(codes: np.ndarray) -> np.ndarray:
    return cv2.LUT(codes, linear_to_srgb_u8_table())


@lru_cache(maxsize=4)
def _whole_table(table: bytes) -> np.ndarray:
    """A gain table padded to the 65536 entries that OpenCV's look-up wants."""
    values = np.frombuffer(table, np.float32)
    return np.concatenate([values, np.full(65536 - len(values), values[-1], np.float32)])


def gain_table(plan: TonePlan) -> np.ndarray:
    """Linear gain for each base level, `STEPS_EV` a stop over `LOG_RANGE`, float32."""
    levels = np.linspace(*LOG_RANGE, round((LOG_RANGE[1] - LOG_RANGE[0]) * STEPS_EV) + 1)
    return np.exp2(curve_ev(plan, levels) - levels).astype(np.float32)
