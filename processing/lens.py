"""Which curve bends a picture: from the lens database, from lines of the picture or its visit, or none."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

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
    "check",
    "estimate",
    "find_edges",
    "find_in_database",
    "focal_px",
    "settle",
]

FALLBACK_35MM = 24.0  # common practice for rooms, no source; a wrong focal length only touches proportions
SAME_FOCAL = 0.02


class LensEvidence(Protocol):
    """What one picture can say about its lens, and what it may be pooled by."""

    @property
    def edges(self) -> Edges: ...
    @property
    def database(self) -> Curve | NotFound: ...
    @property
    def lens(self) -> str: ...
    @property
    def focal_mm(self) -> float: ...
    @property
    def size(self) -> tuple[int, int]: ...


def focal_px(facts: LensFacts) -> tuple[float, str]:
    """Focal length in pixels of the frame, and where it is from: "equivalent", "crop", "guess"."""
    half = float((facts.width**2 + facts.height**2) ** 0.5 / 2)
    if facts.focal_35mm and 5 <= facts.focal_35mm <= 2000:
        return float(facts.focal_35mm) / FULL_FRAME_HALF_MM * half, "equivalent"
    if facts.focal_mm and facts.crop_factor:
        return float(facts.focal_mm * facts.crop_factor) / FULL_FRAME_HALF_MM * half, "crop"
    return FALLBACK_35MM / FULL_FRAME_HALF_MM * half, "guess"


def settle(sightings: Sequence[LensEvidence]) -> list[Curve]:
    """Decide the curve of every picture of a visit; pictures of one lens and focal length (2 %) decide
    together.
    """
    curves: list[Curve] = [NO_CURVE] * len(sightings)
    for group in groups(sightings):
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


def groups(sightings: Sequence[LensEvidence]) -> list[list[int]]:
    """Indices of pictures that share lens, focal length (2 %) and size; a lens without a name stays alone."""
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
