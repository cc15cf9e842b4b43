"""Which curve bends a picture: its parts under one name, and what pictures may be pooled by."""

from collections.abc import Sequence
from typing import Protocol

from .edges import Edges, find_edges
from .lens_curve import NO_CURVE, Curve
from .lens_database import FULL_FRAME_HALF_MM, LensFacts, find_in_database

__all__ = ["NO_CURVE", "Curve", "Edges", "find_edges", "find_in_database", "focal_px", "groups"]

FALLBACK_35MM = 24.0  # common practice for rooms, no source; a wrong focal length only touches proportions
SAME_FOCAL = 0.02


class Setting(Protocol):
    """What tells one lens setting from another."""

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


def groups(sightings: Sequence[Setting]) -> list[list[int]]:
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
