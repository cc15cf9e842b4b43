"""Where the sun stands, and what that means for pictures of the outside of a home.

The position is that of the solar position algorithm, good to .0003 degrees from the year -2000 to 6000; a
day is then looked through minute by minute, so that high latitudes (no sunrise, two sunsets) and days of 23
or 25 hours need no rules of their own. Hills, trees and neighbours are not known here.

Source
------
I. Reda, A. Andreas, "Solar position algorithm for solar radiation applications", Solar Energy 76 (2004),
577-589, and NREL/TP-560-34302 (revised 2008); its tables are in sun_terms.py.
"""

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from .sun_terms import LATITUDE, LONGITUDE, NUTATION, RADIUS

# Terrestrial less universal time; it was 69.2 s at the start of 2024 (IERS). A minute more moves the sun by
# less than .001 degrees.
DELTA_T_S = 69.2
# The sun's centre at rise and set: half its disc and the refraction at the horizon, as almanacs take them.
HORIZON_DEG = -0.8333
# and as the Earth's centre would see it: the surface sees it lower by 8.794 arc seconds
PARALLAX_DEG = 8.794 / 3600
CIVIL_DEG = -6.0
STEP_S = 60.0  # straight lines between minutes are off by less than .0002 degrees
NODE_S = 3600.0  # the sun's path among the stars is straight enough within an hour


@dataclass(frozen=True)
class Place:
    """A point on the Earth (degrees north and east) and its air."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    pressure_hpa: float = 1013.25
    temperature_c: float = 12.0

    def __post_init__(self) -> None:
        if not (abs(self.latitude_deg) <= 90 and abs(self.longitude_deg) <= 180):
            raise ValueError(
                "place: need a latitude of -90 to 90 and a longitude of -180 to 180 degrees, "
                f"got {self.latitude_deg}, {self.longitude_deg}"
            )


@dataclass(frozen=True)
class Position:
    """The sun's place in the sky, degrees; `azimuth` runs from north over east, 0 to 360."""

    elevation_deg: np.ndarray  # as it is seen, refraction included
    true_elevation_deg: np.ndarray  # without the air
    azimuth_deg: np.ndarray
    hour_angle_deg: np.ndarray  # from the meridian, -180 to 180, positive after noon

    @property
    def zenith_deg(self) -> np.ndarray:
        return 90 - self.elevation_deg


@dataclass(frozen=True)
class Phases:
    """Sun heights (without the air) between which light has a name; common practice of photographers."""

    golden_from_deg: float = 6.0
    golden_to_deg: float = -4.0  # here the blue begins
    blue_to_deg: float = -6.0


@dataclass(frozen=True)
class Front:
    """A wall: where it faces, how far aside the sun may stand, and how high it has to be, as it is seen."""

    bearing_deg: float
    angle_deg: float = 90.0
    above_deg: float = 0.0


@dataclass(frozen=True)
class Span:
    """From one moment to another, on the local clock."""

    begin: dt.datetime
    end: dt.datetime

    def shared_s(self, begin: dt.datetime, end: dt.datetime) -> float:
        """Seconds that the span has in common with another."""
        # moments, not clocks: those of one zone would be compared as they read
        first = max(self.begin.timestamp(), begin.timestamp())
        return max(min(self.end.timestamp(), end.timestamp()) - first, 0.0)

    @property
    def length_s(self) -> float:
        return self.shared_s(self.begin, self.end)


Spans = tuple[Span, ...]


@dataclass(frozen=True)
class Day:
    """One local day's sun: spans are cut at the day's ends, and empty where there is no such light."""

    begin: dt.datetime
    end: dt.datetime
    rises: tuple[dt.datetime, ...]
    sets: tuple[dt.datetime, ...]
    noon: dt.datetime | None
    highest_deg: float
    lowest_deg: float
    up: Spans
    civil: Spans  # the twilight alone, without the day
    golden: Spans
    blue: Spans
    front: Spans | None  # None: it is not known where the front faces
    curve: tuple[tuple[dt.datetime, float], ...]  # true height, every quarter of an hour

    @property
    def is_always_up(self) -> bool:
        return not self.rises and not self.sets and bool(self.up)

    @property
    def is_never_up(self) -> bool:
        return not self.up


def position(
    moments: dt.datetime | Sequence[float], place: Place, *, delta_t_s: float = DELTA_T_S
) -> Position:
    """Compute where the sun stands.

    Parameters
    ----------
    moments : an aware datetime, or (n,) seconds since 1970-01-01 UTC
    place : Place
    delta_t_s : terrestrial time less universal time, seconds

    Returns
    -------
    Position of arrays of the same shape (no axis for a single moment)

    Raises
    ------
    ValueError
        If a datetime has no time zone.

    Examples
    --------
    >>> when = dt.datetime(2003, 10, 17, 19, 30, 30, tzinfo=dt.UTC)  # the paper's own example
    >>> at = position(when, Place(39.742476, -105.1786, 1830.14, 820, 11), delta_t_s=67)
    >>> round(float(at.zenith_deg), 5), round(float(at.azimuth_deg), 5)
    (50.11162, 194.34024)
    """
    unix_s = np.asarray(_unix_s(moments) if isinstance(moments, dt.datetime) else moments, float)
    return _seen_from(place, unix_s, *_among_the_stars(unix_s, delta_t_s))


def day(
    on: dt.date,
    zone: dt.tzinfo,
    place: Place,
    *,
    front: Front | None = None,
    phases: Phases = Phases(),  # noqa: B008 (frozen)
    delta_t_s: float = DELTA_T_S,
) -> Day:
    """Look through one day of a local calendar.

    Parameters
    ----------
    on, zone : the day, from its first to its last moment by the clocks of the zone
    place : Place
    front : the wall to be lit, or None where its bearing is not known
    phases : what counts as golden and blue
    delta_t_s : terrestrial time less universal time, seconds

    Returns
    -------
    Day; its moments are in the zone
    """
    begin_s, end_s = (
        _unix_s(dt.datetime.combine(d, dt.time(), zone)) for d in (on, on + dt.timedelta(days=1))
    )
    scan = _Scan.of(begin_s, end_s, zone, place, delta_t_s)
    high, seen = scan.at.true_elevation_deg, scan.at.elevation_deg
    over = high + PARALLAX_DEG - HORIZON_DEG
    rises, sets = scan.crossings(over)
    # the meridian: the hour angle passes zero upwards, and jumps at midnight
    near = np.where(np.abs(scan.at.hour_angle_deg) < 90, scan.at.hour_angle_deg, np.nan)
    noons = scan.crossings(near)[0]
    lit = None
    if front is not None:
        aside = np.cos(np.radians(scan.at.azimuth_deg - front.bearing_deg)) - math.cos(
            math.radians(front.angle_deg)
        )
        lit = scan.spans(seen - front.above_deg, aside)
    quarter = slice(None, None, round(900 / STEP_S))
    return Day(
        begin=scan.moment(begin_s),
        end=scan.moment(end_s),
        rises=tuple(map(scan.moment, rises)),
        sets=tuple(map(scan.moment, sets)),
        noon=scan.moment(noons[0]) if len(noons) else None,
        highest_deg=float(seen.max()),
        lowest_deg=float(seen.min()),
        up=scan.spans(over),
        civil=scan.spans(high - CIVIL_DEG, -over),
        golden=scan.spans(high - phases.golden_to_deg, phases.golden_from_deg - high),
        blue=scan.spans(high - phases.blue_to_deg, phases.golden_to_deg - high),
        front=lit,
        curve=tuple(
            (scan.moment(t), float(e)) for t, e in zip(scan.unix_s[quarter], high[quarter], strict=True)
        ),
    )


@dataclass(frozen=True)
class _Scan:
    """A day's minutes and the sun in each."""

    unix_s: np.ndarray
    zone: dt.tzinfo
    at: Position

    @classmethod
    def of(cls, begin_s: float, end_s: float, zone: dt.tzinfo, place: Place, delta_t_s: float) -> "_Scan":
        nodes = np.arange(begin_s, end_s + NODE_S, NODE_S)
        unix_s = np.append(np.arange(begin_s, end_s, STEP_S), end_s)
        ascension, *others = _among_the_stars(nodes, delta_t_s)
        path = [np.unwrap(ascension, period=360), *others]
        return cls(unix_s, zone, _seen_from(place, unix_s, *(np.interp(unix_s, nodes, p) for p in path)))

    def moment(self, unix_s: float) -> dt.datetime:
        return dt.datetime.fromtimestamp(float(unix_s), self.zone)

    def crossings(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """When a quantity passes zero upwards and downwards; NaN is passed by nothing."""
        before, after = values[:-1], values[1:]
        found = []
        for passes in ((before <= 0) & (after > 0), (before > 0) & (after <= 0)):
            i = np.flatnonzero(passes)
            share = before[i] / (before[i] - after[i])
            found.append(self.unix_s[i] + share * (self.unix_s[i + 1] - self.unix_s[i]))
        return found[0], found[1]

    def spans(self, *conditions: np.ndarray) -> Spans:
        """The spans in which all quantities are positive, however short."""
        edges = [self.unix_s[[0, -1]], *(t for values in conditions for t in self.crossings(values))]
        return tuple(self._joined(np.unique(np.concatenate(edges)), conditions))

    def _joined(self, edges: np.ndarray, conditions: Sequence[np.ndarray]) -> Iterator[Span]:
        middles = (edges[:-1] + edges[1:]) / 2
        good = np.all([np.interp(middles, self.unix_s, values) > 0 for values in conditions], 0)
        begin = None
        for i, is_good in enumerate([*good, False]):
            if is_good and begin is None:
                begin = edges[i]
            elif not is_good and begin is not None:
                yield Span(self.moment(begin), self.moment(edges[i]))
                begin = None


def _unix_s(moment: dt.datetime) -> float:
    if moment.tzinfo is None:
        raise ValueError(f"moments: need an aware datetime, got {moment} without a time zone")
    return moment.timestamp()


def _among_the_stars(unix_s: np.ndarray, delta_t_s: float) -> tuple[np.ndarray, ...]:
    """The sun as the Earth's centre sees it.

    Right ascension, declination, distance (astronomical units), equation of the equinoxes; degrees.
    """
    century = (unix_s + delta_t_s) / 86400 / 36525 + (2440587.5 - 2451545) / 36525
    millennium = century / 10
    longitude = np.degrees(_series(LONGITUDE, millennium)) + 180
    latitude = -np.radians(np.degrees(_series(LATITUDE, millennium)))
    distance = _series(RADIUS, millennium)
    turned, tilted = _nutation(century)
    u = millennium / 10
    # 84381.448" less its change over ten thousand years, highest power first
    mean_tilt = np.polyval(
        (2.45, 5.79, 27.87, 7.12, -39.05, -249.67, -51.38, 1999.25, -1.55, -4680.93, 84381.448), u
    )
    tilt = np.radians(mean_tilt / 3600 + tilted)
    apparent = np.radians(longitude + turned - 20.4898 / (3600 * distance))  # aberration
    ascension = np.degrees(
        np.arctan2(np.sin(apparent) * np.cos(tilt) - np.tan(latitude) * np.sin(tilt), np.cos(apparent))
    )
    declination = np.degrees(
        np.arcsin(np.sin(latitude) * np.cos(tilt) + np.cos(latitude) * np.sin(tilt) * np.sin(apparent))
    )
    return ascension, declination, distance, turned * np.cos(tilt)


def _series(tables: Sequence[np.ndarray], millennium: np.ndarray) -> np.ndarray:
    powers = [
        (rows[:, 0] * np.cos(rows[:, 1] + rows[:, 2] * millennium[..., None])).sum(-1) for rows in tables
    ]
    return np.sum([power * millennium**n for n, power in enumerate(powers)], 0) / 1e8


def _nutation(century: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Nutation in longitude and obliquity, degrees."""
    angles = np.stack(
        [  # highest power first: the Moon's elongation, anomalies of Sun and Moon, argument, ascending node
            np.polyval((1 / 189474, -0.0019142, 445267.111480, 297.85036), century),
            np.polyval((-1 / 300000, -0.0001603, 35999.050340, 357.52772), century),
            np.polyval((1 / 56250, 0.0086972, 477198.867398, 134.96298), century),
            np.polyval((1 / 327270, -0.0036825, 483202.017538, 93.27191), century),
            np.polyval((1 / 450000, 0.0020708, -1934.136261, 125.04452), century),
        ],
        -1,
    )
    argument = np.radians(angles @ NUTATION[:, :5].T)
    a, b, c, d = NUTATION[:, 5:].T
    t = century[..., None]
    return (
        ((a + b * t) * np.sin(argument)).sum(-1) / 36e6,
        ((c + d * t) * np.cos(argument)).sum(-1) / 36e6,
    )


def _seen_from(
    place: Place,
    unix_s: np.ndarray,
    ascension_deg: np.ndarray,
    declination_deg: np.ndarray,
    distance_au: np.ndarray,
    equinoxes_deg: np.ndarray,
) -> Position:
    """Turn the Earth under the sun, move from its centre to the place, and add the air."""
    days = unix_s / 86400 + (2440587.5 - 2451545)
    century = days / 36525
    sidereal = (
        280.46061837 + 360.98564736629 * days + 0.000387933 * century**2 - century**3 / 38710000
    ) % 360 + equinoxes_deg
    hour = np.radians(sidereal + place.longitude_deg - ascension_deg)
    latitude, declination = math.radians(place.latitude_deg), np.radians(declination_deg)
    # parallax, from the flattened Earth's surface
    parallax = np.sin(np.radians(PARALLAX_DEG / distance_au))
    flat = math.atan(0.99664719 * math.tan(latitude))
    out = math.cos(flat) + place.height_m / 6378140 * math.cos(latitude)
    up = 0.99664719 * math.sin(flat) + place.height_m / 6378140 * math.sin(latitude)
    nearer = np.cos(declination) - out * parallax * np.cos(hour)
    shift = np.arctan2(-out * parallax * np.sin(hour), nearer)
    declination = np.arctan2((np.sin(declination) - up * parallax) * np.cos(shift), nearer)
    hour = hour - shift
    true = np.degrees(
        np.arcsin(
            math.sin(latitude) * np.sin(declination) + math.cos(latitude) * np.cos(declination) * np.cos(hour)
        )
    )
    azimuth = np.degrees(
        np.arctan2(np.sin(hour), np.cos(hour) * math.sin(latitude) - np.tan(declination) * math.cos(latitude))
    )
    return Position(
        elevation_deg=true + _refraction_deg(true, place),
        true_elevation_deg=true,
        azimuth_deg=(azimuth + 180) % 360,
        hour_angle_deg=(np.degrees(hour) + 180) % 360 - 180,
    )


def _refraction_deg(true_deg: np.ndarray, place: Place) -> np.ndarray:
    """How much the air lifts the sun; nothing once its whole disc is under the horizon."""
    shown = np.maximum(true_deg, HORIZON_DEG - 0.001)
    lift = 1.02 / 60 / np.tan(np.radians(shown + 10.3 / (shown + 5.11)))
    air = place.pressure_hpa / 1010 * 283 / (273 + place.temperature_c)
    return np.where(true_deg >= HORIZON_DEG, lift * air, 0.0)
