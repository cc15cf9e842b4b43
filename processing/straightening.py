"""What a picture shows of its own geometry (analysed once, kept as JSON) and what a visit settles from it."""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from . import crop, fisheye, fringes, lens, lens_check, lens_lines, lens_search, second_look, verticals
from .edges import NO_EDGES, Edges, find_edges, image_gradient
from .lens_curve import NO_CURVE, Curve, frame
from .lens_database import LensFacts, find_in_database
from .lens_search import AS_TOLD, Start
from .results import NotFound
from .room_fit import FOCAL_SIGMA, RoomFit, View, ViewFit
from .segments import Segments, find_segments
from .vanishing import Axes, Lines, find_axes
from .verticals import Level

SEED = 0
STRONG_BOW, STRONG_EVIDENCE = 2.0, 30.0  # % of the height, log likelihood
KEEP_SHARE = 0.80
AxesOf = Callable[["Sighting", Curve, float], "np.ndarray | None"]


@dataclass(frozen=True)
class Sighting:
    """What one picture can say: its edges and segments, the database's answer, what it may be pooled by."""

    edges: Edges
    segments: Segments
    database: Curve | NotFound
    lens: str
    focal_mm: float
    focal_px: float
    focal_source: str  # "equivalent" | "crop" | "guess"
    size: tuple[int, int]
    developed: bool = False  # not a raw file: the camera may have straightened it
    gain: float | None = None  # of the database's curve, where segments alone were sure of it
    coarse: Segments | None = None  # of a soft picture: its lines as half the size shows them
    is_whole: bool | None = None  # the file shows the whole frame, or (False) that it is cut; None: not told

    def to_json(self) -> dict[str, Any]:
        """Plain dict, some tens of kilobytes."""
        found = self.database
        return {
            "edges": self.edges.to_json(),
            "segments": self.segments.to_json(),
            "database": found.to_json() if isinstance(found, Curve) else asdict(found),
            "lens": self.lens,
            "focal_mm": self.focal_mm,
            "focal_px": self.focal_px,
            "focal_source": self.focal_source,
            "size": list(self.size),
            "developed": self.developed,
            "gain": self.gain,
            "coarse": self.coarse.to_json() if self.coarse else None,
            "is_whole": self.is_whole,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Sighting":
        """The sighting that `to_json` wrote."""
        base = data["database"]
        return cls(
            edges=Edges.from_json(data["edges"]),
            segments=Segments.from_json(data["segments"]),
            database=NotFound(**base) if "reason" in base else Curve.from_json(base),
            lens=data["lens"],
            focal_mm=float(data["focal_mm"]),
            focal_px=float(data["focal_px"]),
            focal_source=data["focal_source"],
            size=(int(data["size"][0]), int(data["size"][1])),
            developed=bool(data.get("developed", False)),
            gain=data.get("gain"),
            coarse=Segments.from_json(data["coarse"]) if data.get("coarse") else None,
            is_whole=data.get("is_whole"),
        )


@dataclass(frozen=True)
class Straight:
    """What straightens one picture."""

    curve: Curve
    level: Level
    focal_px: float


def look(grey_u8: np.ndarray, facts: LensFacts, *, rgb_linear: np.ndarray | None = None) -> Sighting:
    """Analyse one picture: edges and segments of its display-like grey, the curve that its file names.

    Parameters
    ----------
    grey_u8 : (h, w) uint8 array
        About 1500 px, the whole frame after orientation.
    facts : LensFacts
        Width and height are those of the full frame.
    rgb_linear : (h, w, 3) float32 array, optional
        The same picture as linear light: whether a developed file still shows the lens's fringes.
    """
    focal, source = lens.focal_px(facts)
    names = (facts.maker, facts.model, facts.lens)
    gradient = image_gradient(grey_u8)
    sighting = Sighting(
        edges=NO_EDGES,
        segments=find_segments(grey_u8, gradient),
        database=find_in_database(facts),
        lens=" ".join(str(v) for v in names if v) if facts.lens else "",
        focal_mm=float(facts.focal_mm or 0.0),
        focal_px=focal,
        focal_source=source,
        size=(facts.width, facts.height),
        developed=getattr(facts, "kind", "raw") != "raw",
        is_whole=getattr(facts, "is_whole", None),
    )
    circle = fisheye.find_circle(grey_u8)
    if circle is not None:
        words = f"a round picture of {circle:.2f} half diagonals on a dark frame: a fisheye view"
        return replace(sighting, database=NotFound(words, "fisheye"))
    known = sighting.database
    if isinstance(known, NotFound) and known.code == "fisheye":
        return sighting
    coarse = second_look.coarse_segments(grey_u8, sighting.segments, gradient)
    sighting = replace(sighting, coarse=coarse)
    if isinstance(known, Curve) and sighting.developed:
        known = _as_developed(known, rgb_linear)
        sighting = replace(sighting, database=known)
    if isinstance(known, Curve):
        checked = _check(sighting, known)
        if checked.is_sure:  # it straightens the segments: the longer search is not needed
            return replace(sighting, gain=round(checked.gain, 2))
    return replace(sighting, edges=find_edges(grey_u8, gradient))


def _as_developed(curve: Curve, rgb_linear: np.ndarray | None) -> Curve:
    """What of a lens a developed file still needs: fringes only when it shows them; cameras even out the
    fall-off of light on their own, and a picture does not tell.
    """
    why = curve.why
    if curve.has_fringes:
        found = fringes.shown(rgb_linear, curve) if rgb_linear is not None else fringes.UNSEEN
        if not found.keep(developed=True):
            curve = replace(curve, red=(), blue=())
            why += "; fringes left, the camera took them out or they are not to be seen"
    if curve.vignetting:
        why += "; fall-off of light left to the camera"
    return replace(curve, vignetting=(), vignetting_unit=1.0, why=why)


def settle(sightings: Sequence[Sighting]) -> list[Straight]:
    """Decide curve and level of every picture of a visit.

    Parameters
    ----------
    sightings : one for each picture
    """
    drafts: list[Draft | None] = [None] * len(sightings)
    for group in lens.groups(sightings):
        for i, draft in zip(group, settle_group([sightings[i] for i in group]), strict=True):
            drafts[i] = draft
    done = [d for d in drafts if d is not None]
    levels = verticals.settle([d.level for d in done])
    out = []
    for s, d, level in zip(sightings, done, levels, strict=True):
        if d.curve.code:  # what the other views agree on does not straighten bent lines
            level = replace(verticals.LEVEL_AS_IS, why=d.curve.why)
        level = limited(level, s.size, d.curve, d.focal_px)
        out.append(_rounded(d.curve, level, d.focal_px))
    return out


@dataclass(frozen=True)
class Draft:
    """What one picture's group says of it, before the visit and the limits have spoken."""

    curve: Curve
    level: Level | NotFound
    focal_px: float


def settle_group(group: Sequence[Sighting]) -> list[Draft]:
    """Pictures of one lens setting: the database's curve where it holds, else one fitted to all of them."""
    out: list[Draft | None] = [None] * len(group)
    reasons = [""] * len(group)
    for i, s in enumerate(group):
        found = _by_database(s, s.database) if isinstance(s.database, Curve) else s.database
        if isinstance(found, Draft):
            out[i] = found
        elif found.code:
            out[i] = _left_alone(s, found)
        else:
            reasons[i] = found.reason + "; "
    rest = [i for i, d in enumerate(out) if d is None]
    if rest:
        blind = _by_lines([group[i] for i in rest], [reasons[i] for i in rest])
        for i, draft in zip(rest, blind, strict=True):
            out[i] = draft
    return [_looked_again(s, d, len(group)) for s, d in zip(group, out, strict=True) if d is not None]


def _looked_again(s: Sighting, first: Draft, pictures: int) -> Draft:
    """Ask the coarser lines of a soft picture whose level was refused; pictures of a pool keep its curve."""
    if isinstance(first.level, Level) or first.curve.code or s.coarse is None:
        return first
    coarse = replace(s, segments=s.coarse, coarse=None, gain=None)
    if pictures == 1 and not first.curve.coefficients:
        second = settle_group([coarse])[0]
    else:
        prior = lens_lines.load_priors()[-1]
        fit = lens_check.fit_under(_view(coarse, first.curve), first.curve, prior)
        second = _draft(coarse, first.curve, fit.views[0])
    if not isinstance(second.level, Level):
        return first
    why = f"{second.level.why} at half the size, as the picture is soft"
    return replace(second, level=replace(second.level, why=why))


def _left_alone(s: Sighting, found: NotFound) -> Draft:
    """A picture whose lines bend too much to be straightened or levelled."""
    return Draft(replace(NO_CURVE, why=found.reason, code=found.code), NotFound(found.reason), s.focal_px)


def _axes(s: Sighting, curve: Curve, stretch: float) -> np.ndarray | None:
    """Where the picture's lines meet under a curve about its axis, with its focal length times `stretch`."""
    focal = s.focal_px / frame(s.size)[1] * stretch
    ends = s.segments.straight(curve) - np.asarray(curve.offset)
    found = find_axes(Lines(ends, focal), np.random.default_rng(SEED))
    return found.axes if isinstance(found, Axes) else None


def _view(s: Sighting, curve: Curve, start: Start = AS_TOLD, axes_of: AxesOf = _axes) -> View:
    focal = s.focal_px / frame(s.size)[1] * start.stretch
    axes = axes_of(s, curve, start.stretch)
    sigma = start.focal_sigma or FOCAL_SIGMA[s.focal_source]
    return View(s.edges, s.segments, axes, focal, sigma, start.shift_sigma, start.shift)


def _draft(s: Sighting, curve: Curve, fit: ViewFit) -> Draft:
    """What a fit says under a curve, which carries the optical axis; without one the centre has to do."""
    if any(curve.offset):
        fit = replace(fit, axes=fit.true_axes)
    level = verticals.judge(fit, s.segments, s.size)
    half = frame(s.size)[1]
    return Draft(curve, level, fit.focal * half if isinstance(level, Level) else s.focal_px)


def _check(s: Sighting, curve: Curve) -> lens_check.Check:
    return lens_check.check(lambda c: _view(s, c), curve, lens_lines.load_priors()[-1])


def _by_database(s: Sighting, curve: Curve) -> Draft | NotFound:
    """Keep the database's curve unless the picture's own lines are straighter without it or with another."""
    if s.gain is not None:
        gain, fit = s.gain, lens_check.fit_under(_view(s, curve), curve, lens_lines.load_priors()[-1])
    else:
        checked = _check(s, curve)
        was_flattened = curve.model == "brown"  # a fisheye's: cameras that have them may flatten on their own
        objection = checked.objection(curve.name, developed=s.developed or was_flattened)
        if objection is not None:
            return objection
        gain, fit = checked.gain, checked.fit
    return _draft(s, replace(curve, why=f"{curve.why}; evidence {gain:.0f}"), fit.views[0])


def _by_lines(group: Sequence[Sighting], reasons: Sequence[str]) -> list[Draft]:
    """Fit one curve to the group's lines; keep it when it is certain and straightens more than chance
    would.
    """

    known: dict[tuple[int, Curve, float], np.ndarray | None] = {}  # several starts ask for the same

    def axes_of(s: Sighting, curve: Curve, stretch: float) -> np.ndarray | None:
        key = (id(s), curve, stretch)
        if key not in known:
            known[key] = _axes(s, curve, stretch)
        return known[key]

    def views_under(curve: Curve, start: Start) -> list[View]:
        return [_view(s, curve, start, axes_of) for s in group]

    def is_level(fit: RoomFit) -> bool:
        pairs = zip(group, fit.views, strict=True)
        return any(isinstance(verticals.judge(v, s.segments, s.size), Level) for s, v in pairs)

    found = lens_search.search(
        [s.edges for s in group],
        views_under,
        is_level,
        size=group[0].size,
        is_guess=group[0].focal_source == "guess",
        is_whole=_is_whole(group),
    )
    curve = found.curve
    if isinstance(curve, Curve):
        return [
            _draft(s, replace(curve, why=r + curve.why, offset=v.shift), v)
            for s, v, r in zip(group, found.views, reasons, strict=True)
        ]
    if found.bow_percent > STRONG_BOW and found.evidence > STRONG_EVIDENCE:
        words = f"lines bend by {found.bow_percent:.1f} % of the height; {curve.reason}"
        return [
            _left_alone(s, NotFound(r + words, "lens_unknown")) for s, r in zip(group, reasons, strict=True)
        ]
    return [
        _draft(s, replace(NO_CURVE, why=r + curve.reason), v)
        for s, v, r in zip(group, found.views, reasons, strict=True)
    ]


def _is_whole(group: Sequence[Sighting]) -> bool | None:
    said = {s.is_whole for s in group}
    return False if False in said else None if None in said else True


def _rounded(curve: Curve, level: Level, focal_px: float) -> Straight:
    """Round to far below a hundredth of a pixel: a fit's last digits hang on where arrays lie in memory."""
    curve = replace(
        curve,
        coefficients=tuple(round(c, 7) for c in curve.coefficients),
        offset=(round(curve.offset[0], 6), round(curve.offset[1], 6)),
    )
    level = replace(
        level,
        corrected_roll_deg=round(level.corrected_roll_deg, 5),
        corrected_pitch_deg=round(level.corrected_pitch_deg, 5),
    )
    return Straight(curve, level, round(focal_px, 3))


def limited(level: Level, size: tuple[int, int], curve: Curve, focal_px: float) -> Level:
    """Decide how much of a level that was found is taken out."""
    roll, pitch = level.roll_deg, level.pitch_deg
    if level.level != "both":
        return level
    if abs(pitch) > verticals.INTENDED_PITCH_DEG:
        way = "up" if pitch > 0 else "down"
        return _left(level, f"looks {way} by {abs(pitch):.0f} degrees, taken as intended")
    if abs(roll) > verticals.MAX_ROLL_DEG:
        return _left(level, f"turned by {abs(roll):.0f} degrees, taken as intended")
    if abs(pitch) <= verticals.FULL_PITCH_DEG:
        return level
    low, high = verticals.FULL_PITCH_DEG, abs(pitch)
    for _ in range(6):
        middle = (low + high) / 2
        tried = replace(level, corrected_pitch_deg=float(np.copysign(middle, pitch)))
        if crop.largest(size, curve, tried, focal_px, "source").kept_share >= KEEP_SHARE:
            low = middle
        else:
            high = middle
    if abs(pitch) - low < 0.2:
        return level
    part = float(np.copysign(low, pitch))
    why = f"{level.why}; pitch of {abs(pitch):.1f} degrees taken out up to {low:.1f} to keep the frame"
    return replace(level, corrected_pitch_deg=part, why=why)


def _left(level: Level, why: str) -> Level:
    return replace(level, level="none", corrected_roll_deg=0.0, corrected_pitch_deg=0.0, why=why)
