"""Which curve bends a picture: from the lens database, from the picture's own lines, from its visit, or
none.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from .edges import Edges, find_edges
from .lens_curve import NO_CURVE, Curve
from .lens_database import FULL_FRAME_HALF_MM, LensFacts, find_in_database
from .lens_lines import Check, check, estimate
from .results import NotFound

__all__ = [
    "Check",
    "Curve",
    "Edges",
    "NO_CURVE",
    "Sighting",
    "check",
    "estimate",
    "find_edges",
    "find_in_database",
    "focal_px",
    "settle",
    "sight",
]

FALLBACK_35MM = 24.0  # common practice for rooms, no source; a wrong focal length only touches proportions
SAME_FOCAL = 0.02


@dataclass(frozen=True)
class Sighting:
    """What one picture can say about its lens: its edges, the database's answer, and what it may be pooled
    by.
    """

    edges: Edges
    database: Curve | NotFound
    lens: str = ""
    focal_mm: float = 0.0
    size: tuple[int, int] = (0, 0)

    def to_json(self) -> dict[str, Any]:
        found = self.database
        return {
            "edges": self.edges.to_json(),
            "database": found.to_json() if isinstance(found, Curve) else {"reason": found.reason},
            "lens": self.lens,
            "focal_mm": self.focal_mm,
            "size": list(self.size),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Sighting":
        base = data["database"]
        return cls(
            Edges.from_json(data["edges"]),
            NotFound(base["reason"]) if "reason" in base else Curve.from_json(base),
            data["lens"],
            float(data["focal_mm"]),
            (int(data["size"][0]), int(data["size"][1])),
        )


def sight(grey_u8: Any, facts: LensFacts) -> Sighting:
    """Look at one picture: edges from its grey, the curve its file names."""
    return Sighting(
        find_edges(grey_u8),
        find_in_database(facts),
        lens=" ".join(str(v) for v in (facts.maker, facts.model, facts.lens) if v) if facts.lens else "",
        focal_mm=float(facts.focal_mm or 0.0),
        size=(facts.width, facts.height),
    )


def settle(sightings: Sequence[Sighting]) -> list[Curve]:
    """Decide the curve of every picture of a visit; pictures of one lens and focal length (2 %) decide
    together.
    """
    curves: list[Curve] = [NO_CURVE] * len(sightings)
    for group in _groups(sightings):
        members = [sightings[i] for i in group]
        pooled: Curve | NotFound | None = None
        for i in group:
            own = sightings[i]
            found = own.database
            reason = ""
            if isinstance(found, Curve):
                verdict = check(found, own.edges)
                if verdict:
                    curves[i] = replace(found, why=f"{found.why}; {verdict.why}")
                    continue
                reason = f"{found.name} does not straighten this picture's lines ({verdict.why}); "
            if pooled is None:
                pooled = estimate([m.edges for m in members])
            if isinstance(pooled, Curve) and check(pooled, own.edges):
                curves[i] = replace(pooled, why=reason + pooled.why)
            else:
                why = (
                    pooled.reason
                    if isinstance(pooled, NotFound)
                    else "the visit's curve does not fit this picture"
                )
                curves[i] = replace(NO_CURVE, why=reason + why)
    return curves


def _groups(sightings: Sequence[Sighting]) -> list[list[int]]:
    groups: list[list[int]] = []
    for i, s in enumerate(sightings):
        for group in groups:
            first = sightings[group[0]]
            same = s.lens and s.lens == first.lens and s.size in (first.size, first.size[::-1])
            if same and s.focal_mm and abs(s.focal_mm / first.focal_mm - 1) <= SAME_FOCAL:
                group.append(i)
                break
        else:
            groups.append([i])
    return groups


def focal_px(facts: LensFacts) -> tuple[float, str]:
    """Focal length in pixels of the frame, and where it is from: "equivalent", "crop", "guess"."""
    half = float((facts.width**2 + facts.height**2) ** 0.5 / 2)
    if facts.focal_35mm and 5 <= facts.focal_35mm <= 2000:
        return float(facts.focal_35mm) / FULL_FRAME_HALF_MM * half, "equivalent"
    if facts.focal_mm and facts.crop_factor:
        return float(facts.focal_mm * facts.crop_factor) / FULL_FRAME_HALF_MM * half, "crop"
    return FALLBACK_35MM / FULL_FRAME_HALF_MM * half, "guess"
