"""Frames that belong together: raw + JPEG pairs, exposure brackets, ambient + flash.

Grouping looks at time, exposure and content; alignment is in `alignment.py`, merging in `merging.py`.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import PurePath
from typing import Any, Protocol

import cv2
import numpy as np

from .alignment import Alignment, align
from .arrays import luminance
from .merging import Merger, exposure_difference, find_moving, merge
from .panes import find_panes, log2_luminance

__all__ = [
    "Alignment",
    "Group",
    "Merger",
    "align",
    "exposure_difference",
    "find_moving",
    "group",
    "merge",
]

THUMB_WIDTH = 96  # px; enough to tell views apart, small enough for shifts to stay below a few px
SAME_VIEW = 0.55  # correlation of local structure; other rooms stay below .35, knocked frames above .6
STEP_EV = 0.3  # smaller differences of exposure are the same exposure
SHADOW_EV = -6.5  # log2 level below which 8-bit files hold too few steps to compare
FLASH_LEAST_EV = 1.4  # something in the view gains less than this from a flash
FLASH_UNEVEN_EV = 0.12  # how unevenly a flash lights equal levels; longer exposures stay below .03


OTHER_LIGHT_EV = 0.4  # gained in one place and lost in another: no exposure and no flash does both
DAYLIGHT_EV = 0.5  # by which a window gains more than the room: a flash adds nothing to the view outside
PANE_SHARE = 0.01  # of the frame: smaller bright parts may be a flash's reflections


class ShotFacts(Protocol):
    """The facts that grouping needs (see `facts.Facts`)."""

    @property
    def kind(self) -> str: ...
    @property
    def taken_at(self) -> str | None: ...
    @property
    def exposure_s(self) -> float | None: ...
    @property
    def relative_ev(self) -> float | None: ...
    @property
    def model(self) -> str | None: ...
    @property
    def camera_serial(self) -> str | None: ...
    @property
    def flash_fired(self) -> bool | None: ...


@dataclass(frozen=True)
class Group:
    """One picture's frames.

    Attributes
    ----------
    kind : "single", "bracket", "ambient+flash" or "bracket+flash"
    members : indices into the given frames, darkest first, flash frames last
    reference : position in `members` of the frame whose geometry is kept
    evs : exposure of each member in stops, relative to the reference
    flash : positions in `members` of frames with flash
    companions : indices of frames left aside because a raw of the same moment is used
    """

    kind: str
    members: tuple[int, ...]
    reference: int
    evs: tuple[float, ...]
    flash: tuple[int, ...] = ()
    companions: tuple[int, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Group":
        listed = {k: tuple(data[k]) for k in ("members", "evs", "flash", "companions")}
        return cls(**(data | listed))


def group(
    facts: Sequence[ShotFacts],
    thumbnails: Callable[[int], np.ndarray],
    *,
    names: Sequence[str] | None = None,
    gap_s: float = 8.0,
) -> list[Group]:
    """Put the frames of one visit into pictures.

    Parameters
    ----------
    facts : one per frame
    thumbnails : callable
        index -> small linear sRGB float32 picture (any size from 96 px wide), after orientation.
    names : file names, optional
        In the order of `facts`; equal stems help to pair raw and JPEG and order frames without times.
    gap_s : float
        Longest pause between two frames of one bracket, beside their exposure times.

    Returns
    -------
    list of Group, in the order in which they were taken; every frame is in exactly one of them.
    """
    names = [f"{i:06d}" for i in range(len(facts))] if names is None else list(names)
    looks = [_Look(facts[i], names[i], _thumbnail(thumbnails(i)), i) for i in range(len(facts))]
    looks.sort(key=lambda k: (k.body, k.moment is None, k.moment or 0.0, k.name))
    kept, companions = _pair_formats(looks)
    groups: list[Group] = []
    for run in _runs(kept, gap_s):
        for members in _split_views(run):
            groups.extend(_build(members, companions))
    place = {look.index: n for n, look in enumerate(looks)}
    return sorted(groups, key=lambda g: min(place[i] for i in g.members))


class _Look:
    """One frame as grouping sees it."""

    def __init__(self, facts: ShotFacts, name: str, thumb: np.ndarray, index: int) -> None:
        self.facts, self.name, self.index, self.thumb = facts, name, index, thumb
        self.body = f"{facts.model or ''} {facts.camera_serial or ''}"
        self.moment = _seconds(facts.taken_at)
        self.ev = facts.relative_ev
        self.structure = _structure(thumb)

    @property
    def level(self) -> np.ndarray:
        return np.log2(np.maximum(luminance(self.thumb), 2.0**-10))


def _thumbnail(rgb_linear: np.ndarray) -> np.ndarray:
    height = max(8, round(THUMB_WIDTH * rgb_linear.shape[0] / rgb_linear.shape[1]))
    small = cv2.resize(rgb_linear, (THUMB_WIDTH, height), interpolation=cv2.INTER_AREA)
    return np.clip(np.nan_to_num(small), 0, None).astype(np.float32)


def _seconds(taken_at: str | None) -> float | None:
    """Seconds of the camera's own clock; None where the file gives no usable time."""
    if not taken_at:
        return None
    try:
        return datetime.fromisoformat(taken_at).replace(tzinfo=None).timestamp()
    except ValueError:
        return None


def _structure(thumb: np.ndarray) -> np.ndarray:
    """Local structure that hardly depends on exposure: log level against its surroundings, bounded."""
    level = np.log2(np.maximum(luminance(thumb), 2.0**-9)).astype(np.float32)
    local = level - cv2.GaussianBlur(level, (0, 0), 6)
    spread = np.sqrt(cv2.GaussianBlur(local * local, (0, 0), 6)) + 0.15
    return np.clip(local / spread, -2.5, 2.5)


def similarity(one: np.ndarray, other: np.ndarray) -> float:
    """Correlation of two thumbnails' structure at the best shift of up to 8 % of the width.

    Where either frame is clipped or black it has no say.
    """
    return _best_shift(one, other)[0]


def _best_shift(one: np.ndarray, other: np.ndarray) -> tuple[float, int, int]:
    """(correlation, dx, dy): `other` moved by dx, dy px fits `one` best."""
    if one.shape != other.shape:
        return 0.0, 0, 0
    a, b = _structure(one), _structure(other)
    fa, fb = (((x.max(-1) < 0.97) & (luminance(x) > 2.0**-8)).astype(np.float32) for x in (one, other))
    reach = max(2, round(0.08 * a.shape[1]))
    best = (-1.0, 0, 0)
    for dy in range(-reach, reach + 1, 2):
        for dx in range(-reach, reach + 1, 2):
            best = max(best, (_correlation_at(a, b, fa, fb, dx, dy), dx, dy))
    return best


def _overlap(shape: tuple[int, ...], dx: int, dy: int) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """What both frames show when the second is moved by dx, dy."""
    height, width = shape[:2]
    first = (slice(max(0, dy), height + min(0, dy)), slice(max(0, dx), width + min(0, dx)))
    second = (slice(max(0, -dy), height + min(0, -dy)), slice(max(0, -dx), width + min(0, -dx)))
    return first, second


def _correlation_at(a: np.ndarray, b: np.ndarray, fa: np.ndarray, fb: np.ndarray, dx: int, dy: int) -> float:
    first, second = _overlap(a.shape, dx, dy)
    weight = fa[first] * fb[second]
    total = float(weight.sum())
    if total < 0.12 * a.size:
        return -1.0
    p, q = a[first], b[second]
    p = p - float((weight * p).sum()) / total
    q = q - float((weight * q).sum()) / total
    power = float((weight * p * p).sum() * (weight * q * q).sum())
    return float((weight * p * q).sum()) / np.sqrt(max(power, 1e-9))


def _pair_formats(looks: list[_Look]) -> tuple[list[_Look], dict[int, list[int]]]:
    """Collapse raw + JPEG of one moment onto the raw."""
    kept: list[_Look] = []
    companions: dict[int, list[int]] = {}
    raws = [k for k in looks if k.facts.kind == "raw"]
    for look in looks:
        partner = None if look.facts.kind == "raw" else _raw_of(look, raws)
        if partner is None:
            kept.append(look)
        else:
            companions.setdefault(partner.index, []).append(look.index)
    return kept, companions


def _raw_of(look: _Look, raws: list[_Look]) -> _Look | None:
    for raw in raws:
        same_name = PurePath(raw.name).with_suffix("").name.lower() == PurePath(look.name).stem.lower()
        same_folder = PurePath(raw.name).parent == PurePath(look.name).parent
        timed = raw.moment is not None and look.moment is not None
        same_moment = timed and abs(raw.moment - look.moment) < 0.5  # type: ignore[operator]
        same_ev = raw.ev is None or look.ev is None or abs(raw.ev - look.ev) < 0.05
        if not same_ev or (timed and not same_moment) or not (same_moment or (same_name and same_folder)):
            continue
        if similarity(raw.thumb, look.thumb) > 0.8:
            return raw
    return None


def _runs(looks: list[_Look], gap_s: float) -> list[list[_Look]]:
    """Cut at pauses and changes of camera; frames without times stay together in the given order."""
    runs: list[list[_Look]] = []
    for look in looks:
        last = runs[-1][-1] if runs else None
        if last is not None and last.body == look.body and _close_in_time(last, look, gap_s):
            runs[-1].append(look)
        else:
            runs.append([look])
    return runs


def _close_in_time(one: _Look, other: _Look, gap_s: float) -> bool:
    if one.moment is None or other.moment is None:
        return one.moment is None and other.moment is None
    exposures = (one.facts.exposure_s or 0.0) + (other.facts.exposure_s or 0.0)
    return other.moment - one.moment <= gap_s + exposures


def _split_views(run: list[_Look]) -> list[list[_Look]]:
    """Cut a run wherever the view changes; a frame too dark or bright to tell follows its neighbours."""
    views: list[list[_Look]] = []
    for look in run:
        if views and any(_same_view(known, look) for known in views[-1]):
            views[-1].append(look)
        else:
            views.append([look])
    return views


def _same_view(one: _Look, other: _Look) -> bool:
    if one.thumb.shape != other.thumb.shape:
        return False
    return similarity(one.thumb, other.thumb) > SAME_VIEW


def _build(view: list[_Look], companions: dict[int, list[int]]) -> list[Group]:
    """Turn the frames of one view into a bracket, an ambient + flash set, or several of them."""
    evs = _exposures(view)
    sets: list[list[int]] = [[]]
    flash: set[int] = set()
    for n in range(len(view)):
        ambient = [m for m in sets[-1] if m not in flash]
        alike = [m for m in ambient if abs(evs[m] - evs[n]) < STEP_EV]
        near = alike if _is_told(view) else sorted(ambient, key=lambda m: abs(evs[m] - evs[n]))
        if near and view[n].moment is None and _in_other_light(view[near[0]], view[n]):
            sets.append([n])  # day and evening of one view: two pictures
            continue
        lit = _lit_by_flash(view[near[0]], view[n]) if near else 0
        if lit:
            flash.add(n if lit > 0 else near[0])
            sets[-1].append(n)
        elif alike:  # the same exposure again, nothing added: a new series of the same view
            sets.append([n])
        else:
            sets[-1].append(n)
    return [
        _make_group([view[n] for n in s], [evs[n] for n in s], [n in flash for n in s], companions)
        for s in sets
    ]


def _is_told(view: list[_Look]) -> bool:
    """Whether every frame's file gives its exposure."""
    return all(k.ev is not None for k in view)


def _exposures(view: list[_Look]) -> list[float]:
    """Stops relative to the first frame: from EXIF where every frame has it, else from the pictures."""
    if _is_told(view):
        return [float(k.ev or 0.0) - float(view[0].ev or 0.0) for k in view]
    # from neighbour to neighbour in brightness: far exposures share too little to be compared
    order = sorted(range(len(view)), key=lambda n: float(np.mean(view[n].thumb)))
    evs = [0.0] * len(view)
    for below, n in zip(order, order[1:], strict=False):
        evs[n] = evs[below] + exposure_difference(view[below].thumb, view[n].thumb)
    return [ev - evs[0] for ev in evs]


def _lit_by_flash(one: _Look, other: _Look) -> int:
    """1 if `other` is `one` with light added from one place, -1 the other way round, 0 if they are alike.

    A longer exposure brightens equal levels equally, whatever the file's tone curve; a flash does not: near
    things gain more than far ones, and something always gains little. The EXIF flag is not asked (manual
    triggers leave it unset).
    """
    _, dx, dy = _best_shift(one.thumb, other.thumb)
    first, second = _overlap(one.thumb.shape, dx, dy)
    level, lit = one.level[first], other.level[second]
    usable = np.maximum(one.thumb[first].max(-1), other.thumb[second].max(-1)) < 0.75  # below any shoulder
    usable &= (level > SHADOW_EV) & (lit > SHADOW_EV)
    if usable.mean() < 0.1:
        return 0
    difference = cv2.GaussianBlur((lit - level).astype(np.float32), (0, 0), 1.5)[usable]
    order = np.argsort(level[usable])
    parts = np.array_split(difference[order], 12)
    uneven = float(np.percentile(np.concatenate([abs(p - np.median(p)) for p in parts]), 75))
    gained = np.percentile(abs(difference), 5)  # by what gained least
    if uneven < FLASH_UNEVEN_EV or gained > FLASH_LEAST_EV:
        return 0
    return 1 if float(np.mean(difference)) > 0 else -1


def _in_other_light(one: _Look, other: _Look) -> bool:
    """Whether the light itself changed, as between day and evening. Asked only of frames without times.

    A flash or a longer exposure adds light and takes none away, and neither brightens the view through a
    window more than the room.
    """
    _, dx, dy = _best_shift(one.thumb, other.thumb)
    first, second = _overlap(one.thumb.shape, dx, dy)
    a, b = one.thumb[first], other.thumb[second]
    levels = one.level[first], other.level[second]
    usable = (np.maximum(a.max(-1), b.max(-1)) < 0.75) & (np.minimum(*levels) > SHADOW_EV)
    if usable.mean() < 0.1:
        return False
    inside = usable.astype(np.float32)
    share = cv2.GaussianBlur(inside, (0, 0), 3) + np.float32(1e-3)
    gained = cv2.GaussianBlur((levels[1] - levels[0]).astype(np.float32) * inside, (0, 0), 3) / share
    least, most = np.percentile(gained[usable], (5, 95))
    if least < -OTHER_LIGHT_EV and most > OTHER_LIGHT_EV:
        return True
    if most - least < OTHER_LIGHT_EV:
        return False
    dark, lit = (a, b) if np.mean(gained[usable]) > 0 else (b, a)
    panes = find_panes(log2_luminance(lit))
    if panes.mean() < PANE_SHARE:
        return False
    through = np.median(log2_luminance(lit)[panes] - log2_luminance(dark)[panes])
    return bool(through > np.percentile(abs(gained[usable]), 90) + DAYLIGHT_EV)


def _make_group(
    frames: list[_Look], evs: list[float], lit: list[bool], companions: dict[int, list[int]]
) -> Group:
    order = sorted(range(len(frames)), key=lambda n: (lit[n], evs[n], n))
    ambient = [n for n in order if not lit[n]]
    reference = _choose_reference([frames[n] for n in ambient], [evs[n] for n in ambient])
    chosen = ambient[reference]
    spread = len(ambient) > 1 and max(evs[n] for n in ambient) - min(evs[n] for n in ambient) >= STEP_EV
    flash = tuple(p for p, n in enumerate(order) if lit[n])
    kind = "bracket" if spread else "single"
    if flash:
        kind = "bracket+flash" if spread else "ambient+flash"
    aside = [c for n in order for c in companions.get(frames[n].index, [])]
    return Group(
        kind=kind,
        members=tuple(frames[n].index for n in order),
        reference=order.index(chosen),
        evs=tuple(round(evs[n] - evs[chosen], 3) for n in order),
        flash=flash,
        companions=tuple(aside),
    )


def _choose_reference(frames: list[_Look], evs: list[float]) -> int:
    """The frame nearest the middle of the bracket in which most of the picture is well exposed."""
    middle = (min(evs) + max(evs)) / 2

    def merit(n: int) -> float:
        well = ((frames[n].thumb.max(-1) < 0.95) & (luminance(frames[n].thumb) > 0.02)).mean()
        return float(well) - 0.08 * abs(evs[n] - middle)

    return max(range(len(frames)), key=merit)
