"""What a person asked for, read from the plan file: every key optional, every mistake named."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .errors import PlanError

WISH_VERSION = 1
WISH_KEYS = (
    "version",
    "neutral_points",
    "outside",
    "level",
    "crop",
    "brightness_ev",
    "lift",
    "window_hold",
    "contrast",
    "warmth_kept",
    "removals",
    "groups",
)
RANGES = {  # least and most of each number a person may set
    "brightness_ev": (-4.0, 4.0),
    "lift": (0.0, 1.0),
    "window_hold": (0.0, 1.0),
    "contrast": (-1.0, 1.0),
    "warmth_kept": (0.0, 1.0),
}


@dataclass(frozen=True)
class Wishes:
    """What a person asked for; None means: as the pictures themselves suggest.

    `outside`: taken under the open sky, whose blue is no cast.
    `neutral_points` hold (input, x, y): "this is white or grey here" in that file's frame;
    `removals` (input, corners): take away what lies inside this polygon of that frame.
    """

    neutral_points: tuple[tuple[str, float, float], ...] = ()
    roll_deg: float | None = None
    pitch_deg: float | None = None
    plumb: tuple[tuple[float, float, float, float], ...] = ()
    crop_ratio: str | None = None
    crop_rect: tuple[float, float, float, float] | None = None
    brightness_ev: float | None = None
    lift: float | None = None
    window_hold: float | None = None
    contrast: float | None = None
    warmth_kept: float | None = None
    removals: tuple[tuple[str, tuple[tuple[float, float], ...]], ...] = ()
    groups: tuple[tuple[str, ...], ...] = ()
    outside: bool | None = None

    @classmethod
    def from_json(cls, data: Any) -> "Wishes":
        """Wishes from the plan file's keys, every one optional.

        Raises
        ------
        PlanError
            Naming the key that is unknown, of a wrong kind or out of range.

        Examples
        --------
        >>> Wishes.from_json({"brightness_ev": 0.3}).brightness_ev
        0.3
        """
        if not isinstance(data, Mapping):
            raise PlanError("plan: need a JSON object")
        _no_unknown(data, WISH_KEYS, "")
        if data.get("version", WISH_VERSION) != WISH_VERSION:
            raise PlanError(f"version: this program understands {WISH_VERSION}, got {data['version']!r}")
        numbers: dict[str, Any] = {
            key: _number(data[key], key, *RANGES[key])
            for key in RANGES
            if key in data and data[key] is not None
        }
        return cls(
            neutral_points=tuple(_point(p) for p in _list(data, "neutral_points")),
            removals=tuple(_removal(r) for r in _list(data, "removals")),
            groups=tuple(_group(g) for g in _list(data, "groups")),
            outside=_flag(data.get("outside"), "outside"),
            **_level(data.get("level")),
            **_crop(data.get("crop")),
            **numbers,
        )


def _no_unknown(data: Mapping[str, Any], known: Sequence[str], where: str) -> None:
    for key in data:
        if key not in known:
            raise PlanError(f"unknown key {where + str(key)!r}; known are {', '.join(known)}")


def _number(value: Any, key: str, least: float = -math.inf, most: float = math.inf) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise PlanError(f"{key}: need a number, got {value!r}")
    if not least <= value <= most:
        raise PlanError(f"{key}: need {least:g} to {most:g}, got {value:g}")
    return float(value)


def _flag(value: Any, key: str) -> bool | None:
    if value is not None and not isinstance(value, bool):
        raise PlanError(f"{key}: need true or false, got {value!r}")
    return value


def _list(data: Mapping[str, Any], key: str) -> list[Any]:
    value = data.get(key) or []
    if not isinstance(value, list):
        raise PlanError(f"{key}: need a list, got {value!r}")
    return value


def _point(value: Any) -> tuple[str, float, float]:
    if not isinstance(value, Mapping):
        raise PlanError("neutral_points: need objects with input, x and y")
    _no_unknown(value, ("input", "x", "y"), "neutral_points.")
    if not isinstance(value.get("input"), str):
        raise PlanError("neutral_points.input: need the file's name")
    return (
        value["input"],
        _number(value.get("x"), "neutral_points.x"),
        _number(value.get("y"), "neutral_points.y"),
    )


def _removal(value: Any) -> tuple[str, tuple[tuple[float, float], ...]]:
    if not isinstance(value, Mapping):
        raise PlanError("removals: need objects with input and area")
    _no_unknown(value, ("input", "area"), "removals.")
    if not isinstance(value.get("input"), str):
        raise PlanError("removals.input: need the file's name")
    area = value.get("area")
    if (
        not isinstance(area, list)
        or len(area) < 3
        or not all(isinstance(corner, list) and len(corner) == 2 for corner in area)
    ):
        raise PlanError("removals.area: need a polygon, three or more [x, y]")
    return value["input"], tuple((_number(x, "removals.area"), _number(y, "removals.area")) for x, y in area)


def _group(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(name, str) for name in value):
        raise PlanError("groups: need lists of file names")
    return tuple(value)


def _level(value: Any) -> dict[str, Any]:
    if value is None:
        return {}
    if not isinstance(value, Mapping):
        raise PlanError("level: need an object")
    _no_unknown(value, ("roll_deg", "pitch_deg", "plumb"), "level.")
    if "plumb" not in value:
        return {
            "roll_deg": _number(value.get("roll_deg", 0.0), "level.roll_deg", -45, 45),
            "pitch_deg": _number(value.get("pitch_deg", 0.0), "level.pitch_deg", -45, 45),
        }
    lines = value["plumb"]
    if len(value) > 1:
        raise PlanError("level: either plumb lines or degrees, not both")
    if (
        not isinstance(lines, list)
        or not lines
        or not all(isinstance(v, list) and len(v) == 4 for v in lines)
    ):
        raise PlanError("level.plumb: need a list of [x, y, x, y]")
    plumb = tuple(tuple(_number(v, "level.plumb") for v in line) for line in lines)
    for x0, y0, x1, y1 in plumb:
        if math.hypot(x1 - x0, y1 - y0) < 8:
            raise PlanError("level.plumb: a line is shorter than 8 pixels")
    return {"plumb": plumb}


def _crop(value: Any) -> dict[str, Any]:
    if value is None:
        return {}
    if not isinstance(value, Mapping):
        raise PlanError("crop: need an object")
    _no_unknown(value, ("ratio", "rect"), "crop.")
    out: dict[str, Any] = {}
    if value.get("ratio") is not None:
        out["crop_ratio"] = _ratio(value["ratio"])
    if value.get("rect") is not None:
        rect = value["rect"]
        if not isinstance(rect, list) or len(rect) != 4:
            raise PlanError("crop.rect: need [left, top, right, bottom]")
        left, top, right, bottom = (_number(v, "crop.rect") for v in rect)
        if right - left < 16 or bottom - top < 16:
            raise PlanError("crop.rect: right and bottom must lie 16 pixels or more beyond left and top")
        out["crop_rect"] = (left, top, right, bottom)
    return out


def _ratio(value: Any) -> str:
    if value in ("source", "free"):
        return str(value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = f"{value:g}:1"
    width, _, height = str(value).partition(":")
    try:
        if not 0.2 <= float(width) / float(height) <= 5:
            raise ValueError
    except (ValueError, ZeroDivisionError) as error:
        raise PlanError(
            f'crop.ratio: need "source", "free" or "w:h" from 1:5 to 5:1, got {value!r}'
        ) from error
    return str(value)
