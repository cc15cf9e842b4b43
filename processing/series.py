"""Phase two: what the pictures of one visit tell each other. Seconds, no full-size pixels.

Lens, level, lights and tone are decided over the set and written into each picture's plan; a person's wishes
come last and win.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from . import casts, crop, lightmap, likeness, straightening, tone, verticals
from .analysis import Analysis
from .casts import LightPlan
from .crop import Crop
from .lens_curve import Curve
from .light_records import MAP_STEP
from .packing import pack_mask
from .plan import Plan
from .removal import Removal
from .results import NotFound
from .straightening import Straight
from .tone import ToneAnalysis
from .verticals import Level
from .warp import Geometry
from .wishes import Wishes

DEFAULT_RATIO = "source"
LEVELS = ("bright_ev", "middle_ev", "dark_ev", "window_ev", "white_ev")
LEAST_SHOWN_BY_SET = 0.6  # the same for a level that only the other pictures say
CHANGED_BY_MARKS = 0.35  # ln units, mean over a picture: more is asked about
LEAST_SHOWN = 0.15  # of the frame: a level by hand that keeps less is a slip
LEAST_CROP_PX = 16
MOST_SHIFT_EV = 1.5  # from a picture's own levels towards its group's
NEGLIGIBLE = 0.002  # ln units of colour: below, nothing is moved


def settle(
    analyses: Sequence[Analysis],
    wishes: Sequence[Wishes | dict[str, Any] | None] | None = None,
    fixed: Sequence[bool] | None = None,
    names: Sequence[Sequence[str]] | None = None,
) -> list[Plan]:
    """Decide what is done to each picture of a visit.

    Parameters
    ----------
    analyses : one per picture
    wishes : what a person asked for, per picture (objects, or the plan file's keys), optional
    fixed : pictures that inform the others but keep the plan they have; theirs is settled too and may be
        thrown away by the caller
    names : file names of each picture's frames, so that neutral points find their frame, optional

    Returns
    -------
    list of Plan, same order

    Raises
    ------
    PlanError
        If a wish is not understood.
    """
    if not analyses:
        return []
    wanted = [_as_wishes(w) for w in (wishes or [None] * len(analyses))]
    straight, refused = _straighten(analyses, wanted)
    pairs = likeness.match([a.landmarks for a in analyses], [a.size for a in analyses])
    marks = [
        _points(one, wish, names[i] if names else None)
        for i, (one, wish) in enumerate(zip(analyses, wanted, strict=True))
    ]
    lights = _light(analyses, wanted, [found for found, _ in marks], pairs)
    levels = _levels_together(analyses, pairs)
    tones = tone.settle(levels)
    plans = []
    for i, one in enumerate(analyses):
        plans.append(
            Plan(
                kind=one.kind,
                reference=one.reference,
                frames=one.frames,
                size=one.size,
                curve=straight[i].curve,
                level=straight[i].level,
                focal_px=straight[i].focal_px,
                crop=_crop(straight[i], one, wanted[i]),
                light=lights[i],
                tone=_tone(levels[i], tones[i], wanted[i]),
                moving=None if one.moving is None else pack_mask(one.moving),
                moving_share=0.0 if one.moving is None else round(float(one.moving.mean()), 4),
                removals=_removals(one, wanted[i], names[i] if names else None),
                notes=(*one.notes, *refused[i], *marks[i][1], *_doubts(one, lights[i], marks[i][0])),
            )
        )
    return plans


def _as_wishes(wish: Wishes | dict[str, Any] | None) -> Wishes:
    if wish is None:
        return Wishes()
    return wish if isinstance(wish, Wishes) else Wishes.from_json(wish)


def _straighten(
    analyses: Sequence[Analysis], wanted: Sequence[Wishes]
) -> tuple[list[Straight], list[tuple[str, ...]]]:
    """Curve and level of each picture, and what could not be done of what a person asked for."""
    settled = straightening.settle([a.sighting for a in analyses])
    refused: list[tuple[str, ...]] = [()] * len(analyses)
    for i, one in enumerate(settled):
        if one.level.source == "set" and _shown(one, analyses[i].size) < LEAST_SHOWN_BY_SET:
            why = "the other pictures' level would leave too little of this one"
            settled[i] = replace(one, level=Level(why=why, source="none"))
    for i, wish in enumerate(wanted):
        level = _level_by_hand(wish, settled[i], analyses[i].size)
        if level is None:
            continue
        if isinstance(level, Level):
            one = Straight(settled[i].curve, level, settled[i].focal_px)
            if _shown(one, analyses[i].size) >= LEAST_SHOWN:
                settled[i] = one
                continue
            level = NotFound("it leaves next to nothing of the picture")
        refused[i] = (f"The level asked for was not used: {level.reason}.",)
    return settled, refused


def _level_by_hand(wish: Wishes, settled: Straight, size: tuple[int, int]) -> Level | NotFound | None:
    """What a person says of the level; drawn lines are bent by the lens and need the settled curve."""
    if wish.plumb:
        return verticals.level_from_plumb(wish.plumb, settled.curve, settled.focal_px, size)
    if wish.roll_deg is None and wish.pitch_deg is None:
        return None
    return verticals.level_by_hand(wish.roll_deg or 0.0, wish.pitch_deg or 0.0)


def _shown(straight: Straight, size: tuple[int, int]) -> float:
    return crop.largest(size, straight.curve, straight.level, straight.focal_px, "free").kept_share


def _light(
    analyses: Sequence[Analysis],
    wanted: Sequence[Wishes],
    points: Sequence[Sequence[lightmap.Point]],
    pairs: Sequence[likeness.Pair],
) -> list[LightPlan]:
    plans = []
    for one, wish, marks in zip(analyses, wanted, points, strict=True):
        plan = casts.settle(
            [one.light], warmth_kept=wish.warmth_kept, neutral_points=[marks], pictures=[one.small]
        )[0]
        if not marks and (one.is_outside if wish.outside is None else wish.outside):
            plan = casts.under_open_sky(plan)
        plans.append(plan)
    able = [
        plan.strength > 0 and likeness.has_colour(one.landmarks)
        for one, plan in zip(analyses, plans, strict=True)
    ]
    offsets = likeness.colour_offsets(
        [p for p in pairs if able[p.first] and able[p.second]],
        [a.landmarks for a in analyses],
        [casts.correction_uv(plan) for plan in plans],
        [bool(p) for p in points],
    )
    return [_shifted(plan, offset) for plan, offset in zip(plans, offsets, strict=True)]


def _shifted(plan: LightPlan, offset: np.ndarray) -> LightPlan:
    """The plan with a little more light taken away; one that takes none stays as it is."""
    if plan.strength == 0 or not np.abs(offset).max() > NEGLIGIBLE:
        return plan
    size = plan.map_uv.shape[1::-1]
    moved: np.ndarray = plan.map_uv + likeness.field(offset, size) / np.float32(plan.strength)
    moved = np.round(moved / MAP_STEP).astype(np.float32) * np.float32(MAP_STEP)
    why = f"{plan.why}; matched to the other pictures"
    changed = replace(plan, map_uv=moved, why=why)
    return replace(changed, areas=casts.find_areas(changed))


def _levels_together(analyses: Sequence[Analysis], pairs: Sequence[likeness.Pair]) -> list[ToneAnalysis]:
    """Each picture's levels, replaced by their group's where pictures see the same surfaces.

    Brought to one exposure, joined pictures get the same curve, so that what they share comes out alike.
    """
    plain = [tone.is_ordinary(a.tone) and a.light.trust > 0 for a in analyses]
    pairs = [p for p in pairs if plain[p.first] and plain[p.second]]
    stops, groups = likeness.exposures(pairs, [likeness.log2_levels(a.landmarks) for a in analyses])
    own = [a.tone for a in analyses]
    out = list(own)
    for group in np.unique(groups):
        members = np.flatnonzero(groups == group)
        if len(members) < 2:
            continue
        level = {name: float(np.mean([getattr(own[k], name) - stops[k] for k in members])) for name in LEVELS}
        for i in members:
            asked = level["bright_ev"] + stops[i] - own[i].bright_ev
            beyond = asked - np.clip(asked, -MOST_SHIFT_EV, MOST_SHIFT_EV)
            common = {name: float(value + stops[i] - beyond) for name, value in level.items()}
            common["white_ev"] = max(common["white_ev"], own[i].white_ev)  # its own lights must not clip
            out[i] = replace(own[i], **common)
    return out


def _frame_of(name: str, names: Sequence[str] | None, reference: int) -> int | None:
    """Which frame of a picture a wish names: by its whole path, or by a bare file name; None: another's."""
    if names is None:
        return reference
    for i, known in enumerate(names):
        if name == known or (Path(name).name == name and Path(known).name == name):
            return i
    return None


def _points(
    one: Analysis, wish: Wishes, names: Sequence[str] | None
) -> tuple[list[lightmap.Point], tuple[str, ...]]:
    """Neutral points of this picture's frames, read from its small picture, and what was not used of them."""
    small = one.small.astype(np.float32)
    width, height = one.size
    found, refused = [], []
    for name, x, y in wish.neutral_points:
        if (frame := _frame_of(name, names, one.reference)) is None:
            continue
        mark = f"The neutral point at ({x:.0f}, {y:.0f}) was not used"
        if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
            refused.append(f"{mark}: it lies outside the picture.")
            continue
        matrix = one.frames[frame].alignment.matrix
        px, py = cv2.perspectiveTransform(np.array([[(x, y)]], float), matrix)[0, 0]
        point = casts.read_point(small, (px + 0.5) / width, (py + 0.5) / height)
        if point is None:
            refused.append(f"{mark}: the place is burnt out or too dark to have a colour.")
        else:
            found.append(point)
    return found, tuple(refused)


def _doubts(one: Analysis, light: LightPlan, marks: Sequence[lightmap.Point]) -> tuple[str, ...]:
    """Marks that turn the light of the whole picture far from what it shows are asked about."""
    if not marks or light.map_uv.shape != one.light.map_uv.shape:
        return ()
    turned = float(np.linalg.norm(light.map_uv - one.light.map_uv, axis=-1).mean())
    if turned < CHANGED_BY_MARKS:
        return ()
    return (
        "The neutral points turn the light of the whole picture far from what it shows; "
        "look whether the marked places are really white or grey.",
    )


def _removals(one: Analysis, wish: Wishes, names: Sequence[str] | None) -> tuple[Removal, ...]:
    """What is to be taken out of this picture, in pixels of its reference frame."""
    found = []
    for name, area in wish.removals:
        if (frame := _frame_of(name, names, one.reference)) is None:
            continue
        matrix = one.frames[frame].alignment.matrix
        corners = cv2.perspectiveTransform(np.array([area]), matrix)[0]
        found.append(Removal(tuple((round(float(x), 2), round(float(y), 2)) for x, y in corners)))
    return tuple(found)


def _tone(one: ToneAnalysis, settled: tone.TonePlan, wish: Wishes) -> tone.TonePlan:
    """The set's tone, with what the person asked for laid over it."""
    given = {
        key: getattr(wish, key)
        for key in ("brightness_ev", "lift", "window_hold", "contrast")
        if getattr(wish, key) is not None
    }
    return tone.settle([one], **given)[0] if given else settled


def _crop(straight: Straight, one: Analysis, wish: Wishes) -> Crop:
    size = one.size
    ratio = wish.crop_ratio or DEFAULT_RATIO
    curve, level, focal_px = straight.curve, straight.level, straight.focal_px
    if wish.crop_rect is None:
        return crop.largest(size, curve, level, focal_px, ratio, segments=one.sighting.segments)
    return crop_by_hand(size, curve, level, focal_px, wish.crop_rect)


def crop_by_hand(
    size: tuple[int, int],
    curve: Curve,
    level: Level,
    focal_px: float,
    rect: tuple[float, float, float, float],
) -> Crop:
    """A rectangle that a person drew in levelled coordinates, drawn in where it leaves the picture.

    One that shows nothing of it is not used: the largest is.
    """
    geometry = Geometry(size, curve, level, focal_px)
    whole = crop.outline(geometry)
    left, top = np.maximum(rect[:2], whole[:2])
    right, bottom = np.minimum(rect[2:], whole[2:])
    centre = np.array([(left + right) / 2, (top + bottom) / 2])
    half = np.array([(right - left) / 2, (bottom - top) / 2])
    low, high = 0.0, 1.0
    if (half <= 0).any() or not _is_clean(geometry, centre, half):
        for _ in range(12):
            middle = (low + high) / 2
            low, high = (middle, high) if _is_clean(geometry, centre, half * middle) else (low, middle)
        half = half * low
    if (2 * half < LEAST_CROP_PX).any():
        largest = crop.largest(size, curve, level, focal_px, DEFAULT_RATIO)
        return replace(largest, why="the part asked for shows nothing of the picture; the largest was taken")
    drawn_in = high < 1.0 or tuple(rect) != (left, top, right, bottom)
    why = "set by hand, drawn in to show only real picture" if drawn_in else "set by hand"
    out = (max(1, int(2 * half[0])), max(1, int(2 * half[1])))
    kept = (
        float(centre[0] - out[0] / 2),
        float(centre[1] - out[1] / 2),
        float(centre[0] + out[0] / 2),
        float(centre[1] + out[1] / 2),
    )
    return Crop(kept, out, crop.kept_share(geometry, kept), "by hand", why)


def _is_clean(geometry: Geometry, centre: np.ndarray, half: np.ndarray) -> bool:
    t = np.linspace(-1, 1, 65)
    sides = [np.stack([t, np.full_like(t, s)], 1) for s in (-1, 1)]
    sides += [np.stack([np.full_like(t, s), t], 1) for s in (-1, 1)]
    source = geometry.source_from_levelled(centre + np.concatenate(sides) * half)
    width, height = geometry.size
    inside = (source >= -0.5) & (source <= np.array([width - 0.5, height - 0.5]))
    return bool(np.isfinite(source).all() and inside.all())
