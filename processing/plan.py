"""What is to be done to one picture: frozen, versioned, JSON.

A plan needs no other picture: with the same frames it makes the same pixels again. Points are (x, y) in
pixels of the reference frame after orientation, pixel centres at whole numbers.
"""

import hashlib
import json
from dataclasses import dataclass
from typing import Any

import numpy as np

from .alignment import Alignment
from .casts import LightPlan
from .crop import Crop
from .errors import PlanError
from .lens_curve import Curve
from .removal import Removal
from .tone import TonePlan
from .verticals import Level

PLAN_VERSION = 1
STILL = Alignment(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), 0.0, 1.0)


@dataclass(frozen=True)
class FrameUse:
    """How one frame takes part: its exposure against the reference, its place over it, or why it is left.

    `is_banded`: bands of lamp flicker run across it, but it is needed all the same.
    """

    ev: float = 0.0
    is_flash: bool = False
    alignment: Alignment = STILL
    used: bool = True
    is_banded: bool = False

    def to_json(self) -> dict[str, Any]:
        """Plain dict."""
        return {
            "ev": self.ev,
            "is_flash": self.is_flash,
            "alignment": self.alignment.to_json(),
            "used": self.used,
            "is_banded": self.is_banded,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "FrameUse":
        """The use that `to_json` wrote."""
        return cls(**(data | {"alignment": Alignment.from_json(data["alignment"])}))


@dataclass(frozen=True)
class Plan:
    """Everything that `correct.make` does to one picture's frames.

    Attributes
    ----------
    kind, reference, frames : as grouped; `frames` in the order of the paths
    size : (width, height) of the reference frame after orientation
    curve, level, focal_px, crop : one map
    light, tone : colour and brightness
    moving : packed mask of what moved between the frames, or None
    removals : what a person wants taken out of the finished picture; each is an alteration
    notes : sentences for people on what had to be assumed
    """

    kind: str
    reference: int
    frames: tuple[FrameUse, ...]
    size: tuple[int, int]
    curve: Curve
    level: Level
    focal_px: float
    crop: Crop
    light: LightPlan
    tone: TonePlan
    moving: str | None = None
    moving_share: float = 0.0
    removals: tuple[Removal, ...] = ()
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain dict that `from_json` turns back into a plan of the same pixels."""
        data = {
            "version": PLAN_VERSION,
            "kind": self.kind,
            "reference": self.reference,
            "frames": [use.to_json() for use in self.frames],
            "size": list(self.size),
            "curve": self.curve.to_json(),
            "level": self.level.to_json(),
            "focal_px": self.focal_px,
            "crop": self.crop.to_json(),
            "light": self.light.to_json(),
            "tone": self.tone.to_json(),
            "moving": self.moving,
            "moving_share": self.moving_share,
            "notes": list(self.notes),
        }
        if self.removals:  # a plan without any keeps the digest that it always had
            data["removals"] = [one.to_json() for one in self.removals]
        return data

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Plan":
        """The plan that `to_json` wrote; a later version is refused."""
        if data.get("version") != PLAN_VERSION:
            raise PlanError(f"plan: version {PLAN_VERSION} is understood, got {data.get('version')!r}")
        try:
            return cls(
                kind=data["kind"],
                reference=int(data["reference"]),
                frames=tuple(FrameUse.from_json(use) for use in data["frames"]),
                size=(int(data["size"][0]), int(data["size"][1])),
                curve=Curve.from_json(data["curve"]),
                level=Level.from_json(data["level"]),
                focal_px=float(data["focal_px"]),
                crop=Crop.from_json(data["crop"]),
                light=LightPlan.from_json(data["light"]),
                tone=TonePlan.from_json(data["tone"]),
                moving=data["moving"],
                moving_share=float(data["moving_share"]),
                removals=tuple(Removal.from_json(one) for one in data.get("removals", [])),
                notes=tuple(data["notes"]),
            )
        except (KeyError, TypeError, ValueError, IndexError) as error:
            raise PlanError(f"plan: not complete or damaged ({error})") from error

    def digest(self) -> str:
        """SHA-256 of the canonical JSON without the words: equal digests mean equal pixels."""
        data = self.to_json()
        data.pop("notes")
        text = json.dumps(data, sort_keys=True, separators=(",", ":"), default=float)
        return hashlib.sha256(text.encode()).hexdigest()


def as_plain(value: Any) -> Any:
    """Numbers of numpy's kinds as Python's own, for JSON."""
    if isinstance(value, dict):
        return {str(k): as_plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [as_plain(v) for v in value]
    if isinstance(value, np.generic):
        return value.item()
    return value
