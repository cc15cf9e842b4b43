"""The numbers that decide whether a person has to look at a picture, and the words for them."""

from dataclasses import asdict, dataclass, field
from typing import Any

import cv2
import numpy as np

from .arrays import decode_srgb, require_rgb
from .colour import lab_from_linear

# The closed list: every code that a report may carry, with the sentence that people read.
NEEDS_LOOK: dict[str, str] = {
    "not_level": "Some walls still lean; look along the edges of doors and windows.",
    "level_unsure": "The picture shows too few straight edges to be levelled with confidence.",
    "lens_unknown": "The lens curve could not be found; straight lines may still bend.",
    "fisheye": "This is a fisheye view; its lines and level were left as they are.",
    "soft": "The picture is soft: out of focus or shaken.",
    "shaken_frame": "One frame of the bracket was shaken and left out.",
    "clipped": "Large parts are burnt out outside windows and lamps.",
    "dark": "The picture is very dark; brightening it further would show mostly noise.",
    "noisy": "Brightening has made noise visible.",
    "cast_left": "Surfaces that should be neutral still have a colour cast.",
    "coloured_light": "The light is strongly coloured; it was left as the camera saw it.",
    "over_exposed": "Too much of the frame is clipped to tell the light's colour; a darker frame would help.",
    "moved": "Something moved between the frames; look for doubled edges.",
    "not_aligned": "A frame did not fit the others and was left out.",
    "flicker": "Bands of lamp flicker run across a frame.",
    "not_removed": "Something marked to be taken away would have smeared and was left in the picture.",
    "nothing_seen": "The frame is black or white all over.",
}

TILT_DEG = 0.3
WINDOW_PX = 640
SOFT_PX = 1.45  # edge sigma: sharp frames .94-1.18, shaken ones from 1.75 (measured on rendered rooms)
CLIPPED_SHARE = 0.03
NOISE_L = 1.6
CAST_C = 6.0
MOVING_SHARE = 0.05


@dataclass(frozen=True)
class Quality:
    """Figures of one finished picture. None: could not be measured.

    Attributes
    ----------
    tilt_deg : largest lean left in the lines found
    sharpness : edge sigma in output px on the 1 % strongest edges
    clipped_high : share with any channel >= 254; clipped_low : share with all channels <= 2
    clipped_room : the same as clipped_high outside windows and lamps
    noise : sigma of L* in mid-tones
    neutral_cast : median C* of the surfaces taken for neutral
    needs_look : codes of NEEDS_LOOK
    """

    tilt_deg: float | None
    sharpness: float | None
    clipped_high: float
    clipped_low: float
    clipped_room: float
    noise: float | None
    neutral_cast: float | None
    needs_look: tuple[str, ...] = field(default=())

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def measure(
    rgb_srgb_u8: np.ndarray,
    *,
    tilt_deg: float | None = None,
    bright: np.ndarray | None = None,
    raised: tuple[str, ...] = (),
    moving_share: float = 0.0,
    scale: float = 1.0,
) -> Quality:
    """Measure a finished picture and say what needs a person's look.

    Parameters
    ----------
    rgb_srgb_u8 : (H, W, 3) uint8
        The written picture, at full size or a crop of it (sharpness and noise need real pixels).
    tilt_deg : float, optional
        From the geometry.
    bright : (h, w) bool, optional
        Windows and lamps at any size: they may clip.
    raised : codes that other steps have found, e.g. ("lens_unknown",)
    moving_share : share of the frame that moved between frames
    scale : output px per source px, to compare sharpness with the sensor's

    Returns
    -------
    Quality
    """
    require_rgb(rgb_srgb_u8, name="rgb_srgb_u8", dtypes=(np.uint8,))
    high = 255 - cv2.inRange(rgb_srgb_u8, (0, 0, 0), (253, 253, 253))
    low = cv2.inRange(rgb_srgb_u8, (0, 0, 0), (2, 2, 2))
    room = high
    if bright is not None:
        size = rgb_srgb_u8.shape[1::-1]
        wide = cv2.dilate(bright.astype(np.uint8), np.ones((3, 3), np.uint8))
        room = cv2.bitwise_and(high, high, mask=1 - cv2.resize(wide, size, interpolation=cv2.INTER_NEAREST))
    grey = cv2.cvtColor(rgb_srgb_u8, cv2.COLOR_RGB2GRAY)
    sharp, noise, cast = edge_sigma(grey), noise_sigma(grey), neutral_cast(rgb_srgb_u8)
    figures = Quality(
        tilt_deg=tilt_deg,
        sharpness=sharp,
        clipped_high=share(high),
        clipped_low=share(low),
        clipped_room=share(room),
        noise=noise,
        neutral_cast=cast,
    )
    codes = [*raised, *_codes(figures, grey, moving_share, scale)]
    unknown = [c for c in codes if c not in NEEDS_LOOK]
    if unknown:
        raise ValueError(f"raised: not a known code: {unknown[0]!r}")
    return Quality(**(asdict(figures) | {"needs_look": tuple(dict.fromkeys(codes))}))


def _codes(figures: Quality, grey: np.ndarray, moving_share: float, scale: float) -> list[str]:
    found = {
        "nothing_seen": figures.clipped_low > 0.98 or figures.clipped_high > 0.98,
        "not_level": figures.tilt_deg is not None and figures.tilt_deg > TILT_DEG,
        "soft": figures.sharpness is not None and figures.sharpness > SOFT_PX * max(scale, 0.5),
        "clipped": figures.clipped_room > CLIPPED_SHARE,
        "dark": float(np.percentile(grey[::4, ::4], 95)) < 90,
        "noisy": figures.noise is not None and figures.noise > NOISE_L,
        "cast_left": figures.neutral_cast is not None and figures.neutral_cast > CAST_C,
        "moved": moving_share > MOVING_SHARE,
    }
    return [code for code, hit in found.items() if hit]


def share(mask: np.ndarray) -> float:
    """Share of pixels that are not 0."""
    return cv2.countNonZero(mask) / mask.size


def windows(grey: np.ndarray) -> list[np.ndarray]:
    """Up to nine windows of real pixels, spread over a large picture, for sharpness and noise."""
    height, width = grey.shape[:2]
    if height * width <= 9 * WINDOW_PX**2:
        return [grey]
    tops = np.linspace(0, height - min(WINDOW_PX, height), 3).astype(int)
    lefts = np.linspace(0, width - min(WINDOW_PX, width), 3).astype(int)
    return [grey[t : t + WINDOW_PX, x : x + WINDOW_PX] for t in tops for x in lefts]


def edge_sigma(grey: np.ndarray) -> float | None:
    """Blur of the strongest edges: sigma in px of the Gaussian that would make them from a step.

    Parameters
    ----------
    grey : (H, W) uint8, encoded

    Returns
    -------
    float, or None without strong edges. Does not depend on brightness: height and slope are measured on the
    same edge (sigma = height / (peak slope * sqrt(2 pi))).
    """
    parts = [_slopes(part) for part in windows(grey)]
    limit = np.percentile(np.concatenate([slope[::3, ::3].ravel() for _, _, _, slope in parts]), 99)
    found = [_edge_heights(part, limit=float(limit), most=3000 // len(parts)) for part in parts]
    height, peak = (np.concatenate(column) for column in zip(*found, strict=True))
    ok = height > 25
    if ok.sum() < 30:
        return None
    return round(float(np.median(height[ok] / peak[ok]) / np.sqrt(2 * np.pi)), 3)


Slopes = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _slopes(grey: np.ndarray) -> Slopes:
    values = grey.astype(np.float32)
    gx = cv2.Sobel(values, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(values, cv2.CV_32F, 0, 1, scale=1 / 8)
    return values, gx, gy, cv2.magnitude(gx, gy)


def _edge_heights(part: Slopes, *, limit: float, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Step height across, and peak slope of, up to `most` edges steeper than `limit`."""
    values, gx, gy, slope = part
    strong = slope > limit
    strong[:9], strong[-9:], strong[:, :9], strong[:, -9:] = False, False, False, False
    ys, xs = np.nonzero(strong)
    if len(ys) < 6:
        return np.zeros(0), np.ones(0)
    pick = np.linspace(0, len(ys) - 1, min(most, len(ys))).astype(int)
    ys, xs = ys[pick], xs[pick]
    peak = slope[ys, xs]
    along = np.arange(-8, 9)
    px = xs[:, None] + along * (gx[ys, xs] / peak)[:, None]
    py = ys[:, None] + along * (gy[ys, xs] / peak)[:, None]
    profile = cv2.remap(values, px.astype(np.float32), py.astype(np.float32), cv2.INTER_LINEAR)
    return np.abs(profile[:, -3:].mean(1) - profile[:, :3].mean(1)), peak


def noise_sigma(grey: np.ndarray) -> float | None:
    """Sigma of noise in mid-tones, in L* units: median absolute deviation of the finest diagonal detail.

    Source
    ------
    D. Donoho, I. Johnstone, Biometrika 81 (1994): sigma = MAD / .6745 of the finest wavelet band.
    """
    kept = [_finest_detail(part) for part in windows(grey)]
    detail = np.concatenate(kept)
    if detail.size < 500:
        return None
    sigma = float(np.median(np.abs(detail))) / 0.6745
    return round(sigma * 100 / 255, 3)  # L* runs nearly along the encoded grey


def _finest_detail(grey: np.ndarray) -> np.ndarray:
    height, width = grey.shape[0] // 2 * 2, grey.shape[1] // 2 * 2
    values = grey[:height, :width].astype(np.float32)
    a, b, c, d = values[::2, ::2], values[::2, 1::2], values[1::2, ::2], values[1::2, 1::2]
    level = (a + b + c + d) / 4
    return ((a - b - c + d) / 2)[(level > 70) & (level < 215)]


def neutral_cast(rgb_srgb_u8: np.ndarray) -> float | None:
    """Median chroma C* of the surfaces taken for neutral: bright, smooth, little coloured.

    A guess without knowledge of the paint, to compare pictures; None where no such surface is seen.
    """
    small = cv2.resize(rgb_srgb_u8, (300, max(1, round(300 * rgb_srgb_u8.shape[0] / rgb_srgb_u8.shape[1]))),
                       interpolation=cv2.INTER_AREA)  # fmt: skip
    lab = lab_from_linear(decode_srgb(small))
    chroma = np.hypot(lab[..., 1], lab[..., 2])
    texture = np.abs(lab[..., 0] - cv2.blur(lab[..., 0], (5, 5)))
    bright = (lab[..., 0] > max(60.0, float(np.percentile(lab[..., 0], 50)))) & (lab[..., 0] < 97)
    taken = bright & (texture < 1.5) & (chroma < 18)
    if taken.mean() < 0.01:
        return None
    return round(float(np.median(chroma[taken])), 2)
