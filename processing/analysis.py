"""Phase one: what one picture says of itself. Cheap, alone, kept as JSON; no decision is taken here.

A picture is one frame, or several frames of one view (a bracket, with or without flash frames). Each frame
is read once at reduced size (`Look`); everything is measured in the geometry of the reference frame.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from . import arrays, brackets, casts, flicker, reading, straightening, tone
from .alignment import BANDED, Alignment, rescale
from .casts import CameraColour, LightAnalysis
from .errors import ProcessingError
from .facts import Facts
from .frame import Frame, grey_from_linear
from .likeness import NO_LANDMARKS, Landmarks, find_landmarks
from .merging import Merger, find_view, held_mask, refine_difference
from .packing import pack, pack_mask, unpack, unpack_mask
from .plan import STILL, FrameUse
from .results import NotFound
from .straightening import Sighting
from .tone import ToneAnalysis

ANALYSIS_VERSION = 3
LOOK_EDGE_PX = 1500  # lines are found at this size; ALGORITHMS: .03 degrees of lean are still seen
HALF_FROM_PX = 3000  # raw frames this wide are looked at without demosaicing
POINTS_EDGE_PX = 240  # small picture kept for "this is white here" marks
MASK_EDGE_PX = 900
SKY_BLUENESS = 0.08  # ln units of B/R, against neutral and against the rest of the picture
SKY_SHARE = 0.05  # of the frame
OUTSIDE_EV = 11.5  # at ISO 100; overcast sky 12 to 13, lit rooms 4 to 9 (exposure tables, from memory)
BLOWN_LEVEL, BLOWN_SHARE = 0.95, 0.005  # a frame that clips more than this share needs a darker one beside it


@dataclass(frozen=True)
class Look:
    """One frame at reduced size: linear sRGB (float32, or float16 when it was set aside) and its facts."""

    facts: Facts
    rgb_linear: np.ndarray
    camera: CameraColour | None
    multipliers: tuple[float, ...] = (1.0, 1.0, 1.0)
    notes: tuple[str, ...] = ()

    def thumbnail(self, edge_px: int = 192) -> np.ndarray:
        """Small linear picture for grouping, float32."""
        height, width = self.rgb_linear.shape[:2]
        linear = np.asarray(self.rgb_linear, np.float32)
        return arrays.shrink(linear, arrays.fit_size((width, height), max_edge=edge_px))


def look(path: Path | str, *, multipliers: Sequence[float] | None = None) -> Look:
    """Read one frame at reduced size; `multipliers` as in `reading.read_frame`.

    Raises
    ------
    UnreadableFile
        With the reason in words.
    """
    facts = reading.read_facts(path)
    frame = reading.read_frame(
        path,
        half=facts.kind == "raw" and max(facts.size) >= HALF_FROM_PX,
        multipliers=None if multipliers is None else np.asarray(multipliers, float),
    )
    balance = tuple(float(m) for m in frame.multipliers)
    return Look(facts, frame.linear(LOOK_EDGE_PX), camera_colour(frame), balance, tuple(frame.notes))


def camera_colour(frame: Frame) -> CameraColour | None:
    """What `casts` needs to tell kelvin and Duv; None where the file does not say."""
    if frame.white_srgb is None:
        return None
    matrix = tuple(tuple(float(v) for v in row) for row in frame.srgb_from_camera)
    return CameraColour(matrix, tuple(float(v) for v in frame.white_srgb))


def thumbnail(path: Path | str) -> np.ndarray:
    """Small linear sRGB picture (float16) of a file, as `brackets.group` compares them."""
    return look(path).thumbnail().astype(np.float16)


@dataclass(frozen=True)
class Analysis:
    """Facts of one picture: its frames, lines, lights and levels."""

    kind: str
    reference: int
    facts: tuple[Facts, ...]
    frames: tuple[FrameUse, ...]
    sighting: Sighting
    light: LightAnalysis
    tone: ToneAnalysis
    small: np.ndarray  # (h, w, 3) float16 linear sRGB, for neutral points
    moving: np.ndarray | None = None  # (h, w) bool
    notes: tuple[str, ...] = ()
    landmarks: Landmarks = NO_LANDMARKS

    @property
    def is_outside(self) -> bool:
        """Whether even the longest exposure without flash was one for daylight in the open, and sky is seen.

        A flash makes such an exposure possible in a room too, so neither says it alone.
        """
        levels = [
            facts.ev100
            for facts, use in zip(self.facts, self.frames, strict=True)
            if not (use.is_flash or facts.flash_fired) and facts.aperture and facts.ev100 is not None
        ]
        is_day = len(levels) == len(self.facts) and min(levels) >= OUTSIDE_EV
        return is_day and shows_sky(self.small)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the reference frame."""
        return self.facts[self.reference].size

    def to_json(self) -> dict[str, Any]:
        """Plain dict, some hundreds of kilobytes."""
        return {
            "version": ANALYSIS_VERSION,
            "kind": self.kind,
            "reference": self.reference,
            "facts": [f.to_json() for f in self.facts],
            "frames": [use.to_json() for use in self.frames],
            "sighting": self.sighting.to_json(),
            "light": self.light.to_json(),
            "tone": self.tone.to_json(),
            "small": pack(self.small),
            "moving": None if self.moving is None else pack_mask(self.moving),
            "notes": list(self.notes),
            "landmarks": self.landmarks.to_json(),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Analysis":
        """The analysis that `to_json` wrote; another version is refused (analyse again)."""
        if data.get("version") != ANALYSIS_VERSION:
            raise ProcessingError(
                f"analysis: version {ANALYSIS_VERSION} is understood, got {data.get('version')!r}"
            )
        return cls(
            kind=data["kind"],
            reference=int(data["reference"]),
            facts=tuple(Facts.from_json(f) for f in data["facts"]),
            frames=tuple(FrameUse.from_json(use) for use in data["frames"]),
            sighting=Sighting.from_json(data["sighting"]),
            light=LightAnalysis.from_json(data["light"]),
            tone=ToneAnalysis.from_json(data["tone"]),
            small=unpack(data["small"]),
            moving=None if data["moving"] is None else unpack_mask(data["moving"]),
            notes=tuple(data["notes"]),
            landmarks=Landmarks.from_json(data["landmarks"]),
        )


def shows_sky(rgb_linear: np.ndarray) -> bool:
    """Whether a bright, smooth part that is bluer than the rest reaches down from the upper edge.

    Parameters
    ----------
    rgb_linear : (h, w, 3) linear sRGB after the camera's white balance, small
    """
    rgb = np.maximum(np.asarray(rgb_linear, np.float32), 1e-4)
    blueness = np.log(rgb[..., 2] / rgb[..., 0])
    level = arrays.luminance(rgb)
    bluer = blueness > max(SKY_BLUENESS, float(np.median(blueness)) + SKY_BLUENESS)
    if float(np.mean(bluer)) > 0.5:  # most of the picture: compare with the other half
        bluer = blueness > max(SKY_BLUENESS, float(np.quantile(blueness, 0.2)) + SKY_BLUENESS)
    may = bluer & (level > 0.3 * np.quantile(level, 0.9))  # a wall in the sun may be brighter than the sky
    _, labels = cv2.connectedComponents(may.astype(np.uint8), connectivity=4)
    tops = np.unique(labels[0][labels[0] > 0])
    return float(np.isin(labels, tops).mean()) >= SKY_SHARE if len(tops) else False


def analyse(
    paths: Sequence[Path | str],
    *,
    reference: int = 0,
    kind: str = "single",
    evs: Sequence[float] | None = None,
    flash: Sequence[int] = (),
    looks: Sequence[Look] | None = None,
) -> Analysis:
    """Analyse one picture.

    Parameters
    ----------
    paths : files of its frames
    reference : position of the frame whose geometry is kept
    kind : "single", "bracket", "ambient+flash" or "bracket+flash"
    evs : stops by which each frame is brighter than the reference; None takes them from the files
    flash : positions of the frames with flash
    looks : the frames as `look` read them, when they are at hand

    Raises
    ------
    UnreadableFile
        If a frame cannot be read; name and reason.
    """
    seen = list(looks) if looks is not None else [look(path) for path in paths]
    seen = _one_balance(seen, paths, reference)
    seen = [replace(one, rgb_linear=np.asarray(one.rgb_linear, np.float32)) for one in seen]
    told = list(evs) if evs is not None else _told_evs(seen, reference)
    notes = [note for one in seen for note in one.notes]
    frames, placed = _place(seen, reference, told, set(flash), notes, [Path(p).name for p in paths])
    frames = _without_bands(frames, placed, reference, notes, [Path(p).name for p in paths])
    scene, clip_level, moving = _scene(placed, frames, reference)
    lit = [i for i in range(len(seen)) if frames[i].is_flash and frames[i].used]
    light = casts.analyse(
        scene,
        camera=seen[reference].camera,
        flash_linear=placed[lit[0]] if lit else None,
        clip_level=clip_level,
    )
    plan = casts.settle([light])[0]
    work = arrays.shrink(scene, arrays.fit_size((scene.shape[1], scene.shape[0]), max_edge=600))
    facts = seen[reference].facts
    height, width = scene.shape[:2]
    return Analysis(
        kind=kind,
        reference=reference,
        facts=tuple(one.facts for one in seen),
        frames=tuple(frames),
        sighting=_as_kept(
            straightening.look(
                grey_from_linear(seen[reference].rgb_linear), facts, rgb_linear=seen[reference].rgb_linear
            )
        ),
        light=light,
        tone=tone.analyse(work * casts.gains(plan, work)),
        small=arrays.shrink(
            np.clip(scene, -60000, 60000), arrays.fit_size((width, height), max_edge=POINTS_EDGE_PX)
        ).astype(np.float16),
        moving=moving,
        notes=tuple(dict.fromkeys(notes)),
        landmarks=_as_kept(find_landmarks(scene)),
    )


def _as_kept(found: Any) -> Any:
    """A record as its JSON brings it back: what is decided at once and what is decided later agree."""
    return type(found).from_json(found.to_json())


def _one_balance(seen: list[Look], paths: Sequence[Path | str], reference: int) -> list[Look]:
    """Raw frames whose automatic white balance differs from the reference's are read again with its."""
    wanted = seen[reference].multipliers
    return [
        one
        if one.facts.kind != "raw" or np.allclose(one.multipliers, wanted, rtol=0.01)
        else look(path, multipliers=wanted)
        for one, path in zip(seen, paths, strict=True)
    ]


def _told_evs(seen: Sequence[Look], reference: int) -> list[float]:
    evs = [one.facts.relative_ev for one in seen]
    if all(ev is not None for ev in evs):
        return [float(ev) - float(evs[reference]) for ev in evs]  # type: ignore[arg-type]
    base = seen[reference].thumbnail()
    return [
        0.0 if i == reference else brackets.exposure_difference(base, one.thumbnail())
        for i, one in enumerate(seen)
    ]


def _place(
    seen: Sequence[Look],
    reference: int,
    evs: Sequence[float],
    flash: set[int],
    notes: list[str],
    names: Sequence[str],
) -> tuple[list[FrameUse], list[np.ndarray]]:
    """How each frame lies over the reference, and its small picture brought there."""
    base = seen[reference].rgb_linear
    full = seen[reference].facts.size
    frames: list[FrameUse] = []
    placed: list[np.ndarray] = []
    for i, one in enumerate(seen):
        if i == reference:
            frames.append(FrameUse(0.0, i in flash, STILL, True))
            placed.append(base)
            continue
        found = brackets.align(base, one.rgb_linear, ev_difference=evs[i], full_width=full[0])
        picture = one.rgb_linear
        if found.refused:
            notes.append(f"{names[i]} was left out: {found.refused}")
        elif found.moved_px:
            small = rescale(found.matrix, base.shape[1] / full[0])
            size = (base.shape[1], base.shape[0])
            picture = cv2.warpPerspective(
                picture, small, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
        ev = evs[i] if found.refused or i in flash else refine_difference(base, picture, told_ev=evs[i])
        frames.append(FrameUse(round(float(ev), 3), i in flash, found, found.refused is None))
        placed.append(picture)
    return frames, placed


def _without_bands(
    frames: list[FrameUse],
    placed: Sequence[np.ndarray],
    reference: int,
    notes: list[str],
    names: Sequence[str],
) -> list[FrameUse]:
    """Leave out frames with bands of lamp flicker; one that alone holds what the others clip stays."""
    others = [i for i, use in enumerate(frames) if use.used and not use.is_flash and i != reference]
    banded = {
        i
        for i in others
        if flicker.band_depth(placed[reference], placed[i], ev=frames[i].ev) > flicker.BAND_LEAST
    }
    if not banded:
        return frames
    # bands against every other frame are the reference's own; of two frames the shorter one has them
    if banded == set(others) and (len(others) > 1 or frames[others[0]].ev > 0):
        banded = {reference}
    darkest = min([reference, *others], key=lambda i: frames[i].ev)
    clean = [i for i in (reference, *others) if i not in banded]
    least_clean = min(clean, key=lambda i: frames[i].ev)
    blown = float((placed[least_clean].max(-1) > BLOWN_LEVEL).mean())
    kept = list(frames)
    for i in sorted(banded):
        if i == reference or (i == darkest and blown > BLOWN_SHARE):
            kept[i] = replace(frames[i], is_banded=True)
            notes.append(f"{names[i]}: {BANDED}; it was needed all the same")
        else:
            aside = Alignment(STILL.frame_to_reference, 0.0, 0.0, BANDED)
            kept[i] = replace(frames[i], alignment=aside, used=False)
            notes.append(f"{names[i]} was left out: {BANDED}")
    return kept


def _scene(
    placed: Sequence[np.ndarray], frames: Sequence[FrameUse], reference: int
) -> tuple[np.ndarray, float, np.ndarray | None]:
    """The small linear scene of all ambient frames, where it clips, and what moved."""
    base = placed[reference]
    others = [i for i, use in enumerate(frames) if use.used and not use.is_flash and i != reference]
    if not others:
        return base, 1.0, None
    moving = brackets.find_moving(base, [placed[i] for i in others], [frames[i].ev for i in others])
    scene, clip_level = merge_small(placed, frames, reference, moving)
    height, width = moving.shape
    size = arrays.fit_size((width, height), max_edge=MASK_EDGE_PX)
    packed = cv2.resize(moving.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    return scene, clip_level, packed


def merge_small(
    placed: Sequence[np.ndarray], frames: Sequence[FrameUse], reference: int, moving: np.ndarray | None
) -> tuple[np.ndarray, float]:
    """Merge small aligned frames; returns the scene in the reference's exposure and where it clips."""
    used = [i for i, use in enumerate(frames) if use.used and not use.is_flash]
    darkest = min(used, key=lambda i: frames[i].ev)
    height, width = placed[reference].shape[:2]
    merger = Merger((width, height), clip_level=2.0 ** -min(frames[darkest].ev, 0.0))
    held = None if moving is None else held_mask(moving, (width, height))
    for i in [reference, *(i for i in used if i != reference)]:
        merger.add(
            0,
            placed[i],
            ev=frames[i].ev,
            is_darkest=i == darkest,
            held=held,
            is_holder=i == reference,
        )
    return merger.rows(0, height), merger.clip_level


def view_mask(scene: np.ndarray) -> np.ndarray:
    """Mask of the view through windows in a small linear scene; all False where there is none."""
    found = find_view(scene)
    return np.zeros(scene.shape[:2], bool) if isinstance(found, NotFound) else found
