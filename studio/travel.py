"""How far and how long between two homes: by their points when both are known, else the owner's zones.

Where neither helps, the owner's default stands for the time, and no distance or fee is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from studio.models import Business, Property
from studio.zones import ZoneLeg, Zones

# Mean Earth radius R1 of the IUGG, km.
EARTH_RADIUS_KM = 6371.0088
STEP_MINUTES = 5

Point = tuple[float, float]


@dataclass(frozen=True)
class Place:
    """What is known of where something is: its point (latitude, longitude in degrees), its postcode."""

    point: Point | None = None
    postcode: str = ""

    @classmethod
    def of(cls, home: Property | None) -> Place:
        return cls(home.point, home.postcode) if home is not None else cls()

    @classmethod
    def start_of(cls, business: Business) -> Place:
        return cls(business.point, business.base_postcode)


@dataclass(frozen=True)
class Roads:
    """The owner's figures for getting about."""

    speed_kmh: float
    road_factor: float
    minutes_default: int
    zones: Zones = field(default_factory=Zones)

    @classmethod
    def of(cls, business: Business) -> Roads:
        return cls(
            speed_kmh=max(business.travel_speed_kmh, 1),
            road_factor=float(business.road_factor),
            minutes_default=business.travel_minutes_default,
            zones=Zones.read(),
        )

    def road_km(self, here: Place, there: Place) -> float | None:
        """Return the way by road, or None when a point is not known."""
        if here.point is None or there.point is None:
            return None
        return straight_km(here.point, there.point) * self.road_factor

    def zone_leg(self, here: Place, there: Place) -> ZoneLeg | None:
        """Return the way by the zones, or None when both points are known or the zones don't say."""
        if here.point is not None and there.point is not None:
            return None
        return self.zones.leg(here.postcode, there.postcode)

    def minutes(self, here: Place, there: Place) -> int:
        """Return the minutes of the way: by points (rounded up to five), else by zones, else the default."""
        if (road_km := self.road_km(here, there)) is not None:
            return math.ceil(road_km / self.speed_kmh * 60 / STEP_MINUTES - 1e-9) * STEP_MINUTES
        leg = self.zone_leg(here, there)
        return self.minutes_default if leg is None or leg.minutes is None else leg.minutes

    def minutes_from(self, here: Place, there: Place) -> str:
        """Say in a word or two where the minutes of a way come from; empty for the distance."""
        if here.point is not None and there.point is not None:
            return ""
        leg = self.zone_leg(here, there)
        return "by zones" if leg is not None and leg.minutes is not None else "distance not known"

    def basis(self, here: Place, there: Place) -> str:
        """Say what the way stands on, in words for a page."""
        if here.point is not None and there.point is not None:
            return "Travel is reckoned by the distance to the home's map point."
        if (leg := self.zone_leg(here, there)) is not None:
            return f"Travel is reckoned by our zones, as {_missing(here)} is not known: {leg_words(leg)}."
        return "How far the home lies is not known yet, so no travel is reckoned."


def _missing(here: Place) -> str:
    return "our own map point" if here.point is None else "the home's map point"


def leg_words(leg: ZoneLeg) -> str:
    """Name the zones of a way."""
    return f"inside {leg.goal}" if leg.start.pk == leg.goal.pk else f"{leg.start} to {leg.goal}"


def straight_km(here: Point, there: Point) -> float:
    """Return the great-circle distance of two points (latitude, longitude in degrees), by the haversine.

    Examples
    --------
    >>> round(straight_km((0.0, 0.0), (0.0, 1.0)), 3)  # a degree of the equator: 2 pi R / 360
    111.195
    """
    lat1, lon1, lat2, lon2 = (math.radians(value) for value in (*here, *there))
    a = math.sin((lat2 - lat1) / 2) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin((lon2 - lon1) / 2) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(math.sqrt(min(a, 1.0)))
