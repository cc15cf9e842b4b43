"""A day's sun as a drawing: where the shapes of the strip lie; the template writes them as SVG."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from processing.fieldcraft import sun

SKY_TOP, SKY_BOTTOM = 8, 128  # the sun's height, from its lowest or -12 degrees to its highest
LIGHT_TOP, FRONT_TOP, BAND = 140, 176, 28
HEIGHT = 236
NIGHT_DEG, CLEAR_DEG = -12.0, 10.0


@dataclass(frozen=True)
class Bar:
    """A stretch of a band, in the drawing's units."""

    kind: str
    x: float
    width: float


@dataclass(frozen=True)
class Tick:
    """An hour of the axis."""

    x: float
    label: str
    anchor: str


@dataclass(frozen=True)
class Strip:
    """One drawing, `width` units wide."""

    size: str
    width: int
    light: tuple[Bar, ...]
    front: tuple[Bar, ...] | None
    visit: Bar | None
    curve: str
    horizon_y: float
    ticks: tuple[Tick, ...]


def strips(day: sun.Day, visit: tuple[dt.datetime, dt.datetime] | None = None) -> tuple[Strip, Strip]:
    """Draw a day twice: wide, and narrow with fewer hours for small pages."""
    return _strip(day, visit, "wide", 960, 2), _strip(day, visit, "narrow", 480, 4)


def _strip(
    day: sun.Day, visit: tuple[dt.datetime, dt.datetime] | None, size: str, width: int, hours: int
) -> Strip:
    length_s = day.end.timestamp() - day.begin.timestamp()

    def x(moment: dt.datetime) -> float:
        return round((moment.timestamp() - day.begin.timestamp()) / length_s * width, 1)

    def bars(kind: str, spans: Iterable[sun.Span]) -> list[Bar]:
        return [Bar(kind, x(span.begin), round(x(span.end) - x(span.begin), 1)) for span in spans]

    top_deg, low_deg = max(day.highest_deg, CLEAR_DEG), min(day.lowest_deg, NIGHT_DEG)
    low_deg = max(low_deg, -top_deg)  # a deep night needs no more room than the day

    def y(height_deg: float) -> float:
        share = (max(height_deg, low_deg) - low_deg) / (top_deg - low_deg)
        return round(SKY_BOTTOM - share * (SKY_BOTTOM - SKY_TOP), 1)

    night = [Bar("night", 0, width)]
    kinds = (("twilight", day.civil), ("blue", day.blue), ("day", day.up), ("golden", day.golden))
    return Strip(
        size=size,
        width=width,
        light=(*night, *(bar for kind, spans in kinds for bar in bars(kind, spans))),
        front=None if day.front is None else tuple(bars("front", day.front)),
        visit=next(iter(bars("visit", [sun.Span(*visit)])), None) if visit else None,
        curve=" ".join(f"{x(moment)},{y(height)}" for moment, height in day.curve),
        horizon_y=y(0),
        ticks=tuple(_ticks(day, x, hours)),
    )


def _ticks(day: sun.Day, x: Callable[[dt.datetime], float], hours: int) -> Iterable[Tick]:
    on, zone = day.begin.date(), day.begin.tzinfo
    for hour in range(0, 24, hours):
        moment = dt.datetime.combine(on, dt.time(hour), zone)
        yield Tick(x(moment), f"{hour}", "middle" if hour else "start")
    yield Tick(x(day.end), "24", "end")
