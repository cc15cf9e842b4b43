"""What a picture shows of its own geometry (analysed once, kept as JSON) and what a visit settles from it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from . import lens, verticals
from .edges import Edges, find_edges
from .lens_curve import Curve
from .lens_database import LensFacts, find_in_database
from .results import NotFound
from .segments import Segments, find_segments
from .verticals import Level


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
    return Sighting(
        edges=find_edges(grey_u8),
        segments=find_segments(grey_u8),
        database=find_in_database(facts),
        lens=" ".join(str(v) for v in names if v) if facts.lens else "",
        focal_mm=float(facts.focal_mm or 0.0),
        focal_px=focal,
        focal_source=source,
        size=(facts.width, facts.height),
    )


def settle(sightings: Sequence[Sighting], *, by_hand: Mapping[int, Level] | None = None) -> list[Straight]:
    """Decide curve and level of every picture of a visit.

    Parameters
    ----------
    sightings : one for each picture
    by_hand : levels that a person gave, by index; they are kept as they are
    """
    by_hand = by_hand or {}
    curves = lens.settle(sightings)
    found = [
        verticals.estimate_level(s.segments, c, s.focal_px, s.size)
        for s, c in zip(sightings, curves, strict=True)
    ]
    levels = verticals.settle(found)
    return [
        Straight(c, by_hand.get(i, v), s.focal_px)
        for i, (s, c, v) in enumerate(zip(sightings, curves, levels, strict=True))
    ]
