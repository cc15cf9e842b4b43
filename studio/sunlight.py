"""The sun at a home, in words: what free times, a booking and the page of the sun say about it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo

from processing.fieldcraft import sun
from studio.models import Booking, Business, Property
from studio.travel import Point
from studio.zones import Zones

SIXTEENTHS = (
    "north", "north-north-east", "north-east", "east-north-east", "east", "east-south-east", "south-east",
    "south-south-east", "south", "south-south-west", "south-west", "west-south-west", "west",
    "west-north-west", "north-west", "north-north-west",
)  # fmt: skip
# The prices that ask for light outside, as a new business gets them.
OUTSIDE_CODES = frozenset({"outside", "twilight"})


@dataclass(frozen=True)
class Where:
    """The point that the sun is reckoned for, and whose it is."""

    point: Point
    whose: str

    @property
    def words(self) -> str:
        """Say whose point it is; not the point itself, as the business may well be somebody's home."""
        return f"The sun is reckoned for {self.whose}; hills, trees and neighbours are not known."

    @property
    def exact(self) -> str:
        return point_words(self.point)


@dataclass(frozen=True)
class Light:
    """One day's sun at one front."""

    day: sun.Day
    bearing_deg: float | None
    needed_s: float

    def marks(self, begin: dt.datetime, end: dt.datetime) -> tuple[str, ...]:
        """Say what light a visit has for long enough: all of a short window counts as enough."""
        kinds = (("sun", self.day.front or ()), ("golden", self.day.golden), ("blue", self.day.blue))
        return tuple(
            word
            for word, spans in kinds
            if any(span.shared_s(begin, end) >= min(self.needed_s, span.length_s) for span in spans)
        )

    @property
    def front_words(self) -> str:
        """Say when the front is in the sun, and why: 'Front faces south-west: in the sun 13:40–19:10'."""
        if self.bearing_deg is None:
            return "It is not known which way the front faces"
        lit = f"in the sun {spans_words(self.day.front)}" if self.day.front else "not in the sun that day"
        return f"Front faces {bearing_words(self.bearing_deg)}: {lit}"

    @property
    def sentence(self) -> str:
        """Say the day's light in a line."""
        parts = [self.front_words] if self.bearing_deg is not None else []
        if self.day.is_never_up:
            parts.append("the sun does not rise")
        elif self.day.is_always_up:
            parts.append("the sun does not set")
        for word, spans in (("golden light", self.day.golden), ("blue light", self.day.blue)):
            parts.append(f"{word} {spans_words(spans)}" if spans else f"no {word}")
        text = "; ".join(parts)
        return f"{text[0].upper()}{text[1:]}."


def where(point: Point | None, business: Business, *, postcode: str = "") -> Where | None:
    """Return the home's own point, else its postcode's zone's, else the business's; None without any."""
    if point is not None:
        return Where(point, "the home's own map point")
    zone = Zones.read().of(postcode) if postcode else None
    if zone is not None and zone.point is not None:
        return Where(zone.point, f"the middle of our zone {zone}, as the home's map point is not known")
    if business.point is not None:
        return Where(business.point, "our own place, as the home's map point is not known")
    return None


def light(
    spot: Where, on: dt.date, *, bearing_deg: float | None, business: Business, zone: ZoneInfo | None = None
) -> Light:
    """Return the light of a day there, by the business's clock unless another is named."""
    front = None
    if bearing_deg is not None:
        front = sun.Front(bearing_deg, business.sun_angle_deg, business.sun_above_deg)
    phases = sun.Phases(business.golden_from_deg, business.golden_to_deg, business.blue_to_deg)
    day = _day(on, zone or business.zone, spot.point, front, phases)
    return Light(day, bearing_deg, business.outside_minutes * 60.0)


def of_home(home: Property, on: dt.date, business: Business) -> Light | None:
    """Return the light at a home, or None when no point is known for it."""
    spot = where(home.point, business, postcode=home.postcode)
    return light(spot, on, bearing_deg=home.front_bearing_deg, business=business) if spot else None


def of_booking(booking: Booking, business: Business) -> Light | None:
    """Return the light of the visit's day where pictures of the outside are wanted."""
    if booking.starts_at is None or not wants_light(booking):
        return None
    return of_home(booking.home, booking.starts_at.astimezone(business.zone).date(), business)


def wants_light(booking: Booking) -> bool:
    """Say whether the outside is to be pictured, by day or at twilight."""
    return booking.wants_outside or any(line.code in OUTSIDE_CODES for line in booking.lines.all())


@lru_cache(maxsize=512)
def _day(on: dt.date, zone: ZoneInfo, point: Point, front: sun.Front | None, phases: sun.Phases) -> sun.Day:
    return sun.day(on, zone, sun.Place(*point), front=front, phases=phases)


def clock(moment: dt.datetime) -> str:
    """Return the nearest minute as the pages write it.

    Examples
    --------
    >>> clock(dt.datetime(2027, 6, 1, 5, 59, 40))
    '6:00'
    """
    near = moment + dt.timedelta(seconds=30)
    return f"{near.hour}:{near.minute:02}"


def spans_words(spans: sun.Spans | None) -> str:
    """Return spans as times; an end at midnight is the day's end."""
    return " and ".join(f"{clock(span.begin)}–{_end_clock(span)}" for span in spans or ())


def _end_clock(span: sun.Span) -> str:
    words = clock(span.end)
    return "24:00" if words == "0:00" else words


def bearing_words(bearing_deg: float) -> str:
    """Return a direction by its name, with its degrees where the name is not exact.

    Examples
    --------
    >>> bearing_words(225.0), bearing_words(231.0)
    ('south-west', 'south-west (231°)')
    """
    bearing_deg %= 360
    eighth = SIXTEENTHS[round(bearing_deg / 45) % 8 * 2]
    if bearing_deg % 22.5 == 0:
        return SIXTEENTHS[round(bearing_deg / 22.5)]
    return f"{eighth} ({bearing_deg:g}°)"


def bearing_in(text: str) -> float | None:
    """Return the degrees that a direction names; None when it says that it is not known.

    Raises
    ------
    ValueError
        If it is neither a direction nor degrees of 0 to 360.

    Examples
    --------
    >>> bearing_in("SW"), bearing_in("south west"), bearing_in("231°"), bearing_in("unknown")
    (225.0, 225.0, 231.0, None)
    """
    plain = text.strip().lower().removesuffix("°").replace("-", "").replace(" ", "")
    if plain in ("", "unknown", "notknown", "?"):
        return None
    for n, name in enumerate(SIXTEENTHS):
        if plain in (name.replace("-", ""), "".join(part[0] for part in name.split("-"))):
            return n * 22.5
    degrees = float(text.strip().removesuffix("°").replace(",", "."))
    if not 0 <= degrees <= 360:
        raise ValueError(f"{text!r} is not between 0 and 360 degrees")
    return degrees % 360


def point_words(point: Point) -> str:
    """Return a point as people write it.

    Examples
    --------
    >>> point_words((54.12, -2.4567))
    '54.120° N 2.457° W'
    """
    latitude, longitude = point
    return (
        f"{abs(latitude):.3f}° {'N' if latitude >= 0 else 'S'} "
        f"{abs(longitude):.3f}° {'E' if longitude >= 0 else 'W'}"
    )
