"""The order of the steps. Analyse one picture, settle a visit, make one picture from its plan.

`analyse` (from `analysis`) and `settle` (from `series`) are handed on, so that callers need one module.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from . import (
    arrays,
    casts,
    chroma_noise,
    encode,
    false_colour,
    quality,
    reading,
    removal,
    report,
    scene,
    tone,
    verticals,
)
from .analysis import Analysis, Look, analyse, look, thumbnail, view_mask
from .errors import PlanError
from .lens_curve import NO_CURVE
from .metadata import Metadata
from .packing import unpack_mask
from .plan import Plan
from .results import NotFound
from .scene import Scene
from .segments import find_segments
from .series import settle

__all__ = [
    "METHOD_VERSION",
    "PURPOSES",
    "Analysis",
    "Look",
    "Made",
    "Plan",
    "analyse",
    "look",
    "make",
    "settle",
    "thumbnail",
]

MAPS_SHARE = 0.25  # of the size, for files of any size: what the saved maps promise
METHOD_VERSION = "3"  # raised when the same plan would give other pixels


@dataclass(frozen=True)
class Purpose:
    """What a finished file is for: its longest edge, its quality, its depth."""

    suffix: str = ""
    long_edge_px: int | None = None
    quality: int = encode.DEFAULT_QUALITY
    dpi: int = encode.DEFAULT_DPI
    sixteen_bit: bool = False
    is_before: bool = False
    max_bytes: int | None = None


PURPOSES: dict[str, Purpose] = {
    "full": Purpose(),
    "listing": Purpose(long_edge_px=2048, dpi=72, max_bytes=10_000_000),
    "web": Purpose(long_edge_px=2048, quality=85, dpi=72),
    "print": Purpose(quality=95),
    "deep": Purpose(sixteen_bit=True),
    "preview": Purpose("-preview", encode.LONG_EDGE_PREVIEW_PX, 85, 72),
    "thumbnail": Purpose("-thumbnail", encode.LONG_EDGE_THUMBNAIL_PX, 82, 72),
    "before": Purpose("-before", encode.LONG_EDGE_PREVIEW_PX, 85, 72, is_before=True),
}


@dataclass(frozen=True)
class Made:
    """What `make` did: the report's entry, the files by purpose, and maps when they were asked for."""

    report: dict[str, Any]
    files: dict[str, Path]
    maps: dict[str, np.ndarray] = field(default_factory=dict)


class _Clock:
    """Seconds by stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    def __call__(self, stage: str) -> None:
        now = time.perf_counter()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self._last
        self._last = now


def make(
    paths: Sequence[Path | str],
    plan: Plan,
    out_dir: Path | str,
    purposes: Sequence[str] = ("full",),
    *,
    stem: str | None = None,
    meta: Metadata | None = None,
    with_maps: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Made:
    """Carry a plan out.

    Parameters
    ----------
    paths : the picture's frames, in the plan's order
    plan : Plan
    out_dir : folder of the finished files, made if missing
    purposes : keys of PURPOSES; the first one is what the report describes
    stem : name of the files without suffix; None takes the reference frame's
    meta : words for the files; the camera's facts and the digital source type are filled in
    with_maps : also return the light map, masks and alignments
    progress : called with the name of each stage when it is done

    Raises
    ------
    UnreadableFile, ProcessingError, WriteError
        With the reason; files that were already written are whole.
    """
    unknown = [p for p in purposes if p not in PURPOSES]
    if unknown or not purposes:
        raise PlanError(f"purpose: need some of {', '.join(PURPOSES)}, got {unknown or 'none'}")
    clock = _Clock()

    def done(stage: str) -> None:
        clock(stage)
        if progress is not None:
            progress(stage)

    picture = scene.read_scene(paths, plan, clock=done)
    gains, base = _low_resolution(picture, plan)
    done("light")
    deep = any(PURPOSES[p].sixteen_bit for p in purposes)
    pixels = render(picture, plan, gains, base, sixteen_bit=deep)
    picture.frame = picture.merger = None  # the pixels are in the finished picture now
    done("render")
    if picture.facts.kind == "raw":
        pixels = false_colour.suppress(pixels)
    pixels = chroma_noise.smooth_shadows(pixels, lifted_ev=tone.shadow_lift_ev(plan.tone))
    done("noise")
    pixels, left = removal.carry_out(pixels, plan.removals, picture.warp.out_from_source)
    if plan.removals:
        done("remove")
    eight = arrays.to_u8(pixels) if deep else pixels
    out = Path(out_dir)
    name = stem or Path(paths[plan.reference]).stem
    words = _words(meta, plan, picture, is_altered=None in left)
    files: dict[str, Path] = {}
    sizes: dict[str, tuple[int, int]] = {}
    for purpose in purposes:
        kind = PURPOSES[purpose]
        written = _write(kind, out, name, words, eight, pixels, paths[plan.reference])
        files[purpose], sizes[purpose] = written.path, (written.width, written.height)
    done("encode")
    figures = _measure(eight, picture, plan, is_left=any(left))
    done("measure")
    entry = report.entry(
        paths=paths,
        plan=plan,
        warp=picture.warp,
        output=files[purposes[0]].name,
        size=sizes[purposes[0]],
        figures=figures,
        stage_seconds=clock.seconds,
        left=left,
    )
    return Made(entry, files, _maps(picture, plan) if with_maps else {})


def _low_resolution(picture: Scene, plan: Plan) -> tuple[np.ndarray | None, np.ndarray]:
    """The light's gain (None where it changes nothing) and tone's base, both small, reference geometry."""
    gains = casts.gains(plan.light, picture.small) if plan.light.strength > 0 else None
    lit = picture.small if gains is None else picture.small * gains
    return gains, tone.local_base(lit)


def render(
    picture: Scene, plan: Plan, gains: np.ndarray | None, base: np.ndarray, *, sixteen_bit: bool = False
) -> np.ndarray:
    """All rows of the finished file: resampled, lit, toned and encoded in bands of bounded memory.

    Returns
    -------
    (H, W, 3) uint8 or uint16, sRGB
    """
    width, height = picture.warp.out_size
    out = np.empty((height, width, 3), np.uint16 if sixteen_bit else np.uint8)
    warp = picture.warp
    # window masks in the base need every pixel's own look-up; without them all of it is smooth
    has_panes = base[..., 2:4].any()
    base_map = scene.FineMap(base, warp) if has_panes else scene.SmoothMap(base, warp)
    for row0 in range(0, height, scene.BAND_ROWS):
        row1 = min(row0 + scene.BAND_ROWS, height)
        maps = warp.maps(row0, row1)
        gain = None if gains is None else scene.small_band(gains, warp, row0, row1, maps)
        linear = picture.rows(row0, row1, gain, maps)
        out[row0:row1] = tone.apply(
            linear, plan.tone, base_map.band(row0, row1, maps), sixteen_bit=sixteen_bit
        )
    return out


def _words(meta: Metadata | None, plan: Plan, picture: Scene, *, is_altered: bool) -> Metadata:
    """The caller's words with the camera's facts and the right digital source type (IPTC NewsCodes)."""
    merged = sum(use.used and not use.is_flash for use in plan.frames) > 1
    source = "computationalCapture" if merged else "algorithmicallyEnhanced"
    if is_altered:
        source = "humanEdits"  # a person had something taken out
    given = meta or Metadata()
    if given.source_type not in ("", "algorithmicallyEnhanced", "computationalCapture"):
        source = given.source_type  # a person's edits say more than ours
    return replace(given, facts=picture.facts, source_type=source)


def _write(
    kind: Purpose,
    out: Path,
    name: str,
    words: Metadata,
    eight: np.ndarray,
    pixels: np.ndarray,
    reference: Path | str,
) -> encode.Written:
    if kind.sixteen_bit:
        return encode.to_tiff(pixels, path=out / f"{name}{kind.suffix}.tif", meta=words, dpi=kind.dpi)
    image = eight
    if kind.is_before:
        image, words = before(reference, kind.long_edge_px), replace(words, source_type="digitalCapture")
    return encode.to_jpeg(
        encode.reduced(image, long_edge_px=kind.long_edge_px),
        path=out / f"{name}{kind.suffix}.jpg",
        meta=words,
        quality=kind.quality,
        dpi=kind.dpi,
        max_bytes=kind.max_bytes,
    )


def before(path: Path | str, max_edge: int | None) -> np.ndarray:
    """A frame as the camera made it, uint8 sRGB: upright, its own white balance, nothing corrected."""
    linear = look(path).rgb_linear if max_edge and max_edge <= 1500 else _plain(path, max_edge)
    return arrays.encode_srgb_u8(linear)


def _plain(path: Path | str, max_edge: int | None) -> np.ndarray:
    half = max_edge is not None and max(reading.read_facts(path).size) >= 2 * max_edge
    return reading.read_frame(path, half=half).linear(max_edge)


def _measure(eight: np.ndarray, picture: Scene, plan: Plan, *, is_left: bool) -> quality.Quality:
    raised = [*casts.codes(plan.light)]
    if plan.curve.code:
        raised.append(plan.curve.code)
    elif plan.level.level == "none" and plan.level.source == "none":
        raised.append("level_unsure")
    raised += sorted({use.alignment.code or "not_aligned" for use in plan.frames if not use.used})
    raised += ["not_removed"] if is_left else []
    if any(use.is_banded for use in plan.frames):
        raised.append("flicker")
    height, width = eight.shape[:2]
    small = arrays.shrink(eight, arrays.fit_size((width, height), max_edge=1500))
    bright = tone.find_bright(tone.log2_luminance(arrays.decode_srgb(small[::2, ::2])))
    crop_scale = width / (plan.crop.rect[2] - plan.crop.rect[0])
    return quality.measure(
        eight,
        tilt_deg=lean_left(small, plan),
        bright=bright,
        raised=tuple(raised),
        moving_share=plan.moving_share,
        scale=crop_scale,
    )


def lean_left(small_u8: np.ndarray, plan: Plan) -> float | None:
    """Largest lean, degrees, of upright lines anywhere in the finished picture; None without enough lines."""
    grey = cv2.cvtColor(small_u8, cv2.COLOR_RGB2GRAY)
    height, width = grey.shape
    focal_px = plan.focal_px * width / (plan.crop.rect[2] - plan.crop.rect[0])
    found = verticals.estimate_level(find_segments(grey), NO_CURVE, focal_px, (width, height))
    if isinstance(found, NotFound):
        return None
    edge = np.degrees(np.arctan(width / 2 / focal_px * np.tan(np.radians(abs(found.pitch_deg)))))
    return round(float(abs(found.roll_deg) + edge), 3)


def _maps(picture: Scene, plan: Plan) -> dict[str, np.ndarray]:
    """Light map, masks and alignments, as `--maps` saves them: a quarter of the size."""
    width, height = (max(1, round(v * MAPS_SHARE)) for v in plan.size)
    small = arrays.shrink(picture.small, (width, height))
    moving = np.zeros((height, width), bool)
    if plan.moving is not None:
        mask = unpack_mask(plan.moving).astype(np.uint8)
        moving = cv2.resize(mask, (width, height), interpolation=cv2.INTER_NEAREST) > 0
    return {
        "light": casts.light_of(plan.light, small).astype(np.float16),
        "moving": moving,
        "view": view_mask(small),
        "frame_to_reference": np.array([use.alignment.matrix for use in plan.frames]),
    }
