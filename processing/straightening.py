"""What a picture shows of its own geometry (analysed once, kept as JSON) and what a visit settles from it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from . import crop, lens, lens_lines, verticals
from .edges import NO_EDGES, Edges, find_edges
from .lens_curve import NO_CURVE, TERMS, Curve, fitted_curve, frame
from .lens_database import LensFacts, find_in_database
from .results import NotFound
from .room_fit import FOCAL_SIGMA, View, ViewFit, fit_rooms
from .segments import Segments, find_segments
from .vanishing import Axes, Lines, find_axes
from .verticals import Level

SEED = 0
REJECT_COST = 6.0  # log likelihood
KEEP_SHARE = 0.80


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

    def to_json(self) -> dict[str, Any]:
        """Plain dict, some tens of kilobytes."""
        found = self.database
        return {
            "edges": self.edges.to_json(),
            "segments": self.segments.to_json(),
            "database": found.to_json() if isinstance(found, Curve) else {"reason": found.reason},
            "lens": self.lens,
            "focal_mm": self.focal_mm,
            "focal_px": self.focal_px,
            "focal_source": self.focal_source,
            "size": list(self.size),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Sighting":
        """The sighting that `to_json` wrote."""
        base = data["database"]
        return cls(
            edges=Edges.from_json(data["edges"]),
            segments=Segments.from_json(data["segments"]),
            database=NotFound(base["reason"]) if "reason" in base else Curve.from_json(base),
            lens=data["lens"],
            focal_mm=float(data["focal_mm"]),
            focal_px=float(data["focal_px"]),
            focal_source=data["focal_source"],
            size=(int(data["size"][0]), int(data["size"][1])),
        )


@dataclass(frozen=True)
class Straight:
    """What straightens one picture."""

    curve: Curve
    level: Level
    focal_px: float


def look(grey_u8: np.ndarray, facts: LensFacts) -> Sighting:
    """Analyse one picture: edges and segments of its display-like grey, the curve that its file names.

    Parameters
    ----------
    grey_u8 : (h, w) uint8 array
        About 1500 px, the whole frame after orientation.
    facts : LensFacts
        Width and height are those of the full frame.
    """
    focal, source = lens.focal_px(facts)
    names = (facts.maker, facts.model, facts.lens)
    sighting = Sighting(
        edges=NO_EDGES,
        segments=find_segments(grey_u8),
        database=find_in_database(facts),
        lens=" ".join(str(v) for v in names if v) if facts.lens else "",
        focal_mm=float(facts.focal_mm or 0.0),
        focal_px=focal,
        focal_source=source,
        size=(facts.width, facts.height),
    )
    known = sighting.database
    if isinstance(known, Curve) and isinstance(_by_database(sighting, known), Draft):
        return sighting  # the lens is known and straightens the segments: the longer search is not needed
    return replace(sighting, edges=find_edges(grey_u8))


def settle(sightings: Sequence[Sighting], *, by_hand: Mapping[int, Level] | None = None) -> list[Straight]:
    """Decide curve and level of every picture of a visit.

    Parameters
    ----------
    sightings : one for each picture
    by_hand : levels that a person gave, by index; they are kept as they are
    """
    by_hand = by_hand or {}
    drafts: list[Draft | None] = [None] * len(sightings)
    for group in lens.groups(sightings):
        for i, draft in zip(group, settle_group([sightings[i] for i in group]), strict=True):
            drafts[i] = draft
    done = [d for d in drafts if d is not None]
    levels = verticals.settle([d.level for d in done])
    out = []
    for i, (s, d, level) in enumerate(zip(sightings, done, levels, strict=True)):
        level = by_hand[i] if i in by_hand else limited(level, s.size, d.curve, d.focal_px)
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
        if isinstance(s.database, Curve):
            draft = _by_database(s, s.database)
            if isinstance(draft, Draft):
                out[i] = draft
            else:
                reasons[i] = draft.reason + "; "
        else:
            reasons[i] = s.database.reason + "; "
    if any(d is None for d in out):
        blind = _by_lines(group, reasons)
        out = [d or b for d, b in zip(out, blind, strict=True)]
    return [d for d in out if d is not None]


def _view(s: Sighting, curve: Curve) -> View:
    half = frame(s.size)[1]
    focal = s.focal_px / half
    found = find_axes(Lines(s.segments.straight(curve), focal), np.random.default_rng(SEED))
    axes = found.axes if isinstance(found, Axes) else None
    return View(s.edges, s.segments, axes, focal, FOCAL_SIGMA[s.focal_source])


def _draft(s: Sighting, curve: Curve, fit: ViewFit) -> Draft:
    level = verticals.judge(fit, s.segments, s.size)
    half = frame(s.size)[1]
    return Draft(curve, level, fit.focal * half if isinstance(level, Level) else s.focal_px)


def _by_database(s: Sighting, curve: Curve) -> Draft | NotFound:
    """Keep the database's curve unless the picture's own lines are straighter without it."""
    prior = lens_lines.load_priors()[-1]
    with_curve = fit_rooms([_view(s, curve)], np.zeros(TERMS), prior, fixed=curve)
    without = fit_rooms([_view(s, NO_CURVE)], np.zeros(TERMS), prior, fixed=NO_CURVE, reference=with_curve)
    gain = without.cost - with_curve.cost
    if gain < -REJECT_COST:
        return NotFound(f"{curve.name} bends this picture's lines (evidence {gain:.0f})")
    return _draft(s, replace(curve, why=f"{curve.why}; evidence {gain:.0f}"), with_curve.views[0])


def _by_lines(group: Sequence[Sighting], reasons: Sequence[str]) -> list[Draft]:
    """Fit one curve to the group's lines; keep it when it is certain and straightens more than chance
    would.
    """
    prior = lens_lines.load_priors()[-1]
    edges = [s.edges for s in group]
    first = lens_lines.first_guess(edges, prior)
    start = fitted_curve(first, source="lines")
    views = [_view(s, start) for s in group]
    even, ptlens = lens_lines.load_priors()
    free = fit_rooms(views, first, ptlens)
    plain = fit_rooms(views, first, even, reference=free)
    none = fit_rooms(
        [_view(s, NO_CURVE) for s in group], np.zeros(TERMS), prior, fixed=NO_CURVE, reference=free
    )
    margins = [
        f.cost + lens_lines.complexity(f.coefficients, f.covariance, p)
        for f, p in zip((plain, free), lens_lines.load_priors(), strict=True)
    ]
    fit = free if margins[0] - margins[1] > lens_lines.FORM_MARGIN else plain
    if not any(
        isinstance(verticals.judge(v, s.segments, s.size), Level)
        for s, v in zip(group, fit.views, strict=True)
    ):
        curve: Curve | NotFound = NotFound("no picture has upright and level lines to judge a curve by")
    else:
        curve = lens_lines.decide(
            fit.coefficients, fit.covariance, none.cost - fit.cost, fit.chains, len(group), group[0].size
        )
    if isinstance(curve, Curve):
        return [
            _draft(s, replace(curve, why=r + curve.why), v)
            for s, v, r in zip(group, fit.views, reasons, strict=True)
        ]
    return [
        _draft(s, replace(NO_CURVE, why=r + curve.reason), v)
        for s, v, r in zip(group, none.views, reasons, strict=True)
    ]


def _rounded(curve: Curve, level: Level, focal_px: float) -> Straight:
    """Round to far below a hundredth of a pixel: a fit's last digits hang on where arrays lie in memory."""
    curve = replace(curve, coefficients=tuple(round(c, 7) for c in curve.coefficients))
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
