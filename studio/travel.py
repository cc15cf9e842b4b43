"""How far and how long between two homes: by their points when both are known, else the owner's default."""

from __future__ import annotations

import math
from dataclasses import dataclass

from studio.models import Business

# Mean Earth radius R1 of the IUGG, km.
EARTH_RADIUS_KM = 6371.0088
STEP_MINUTES = 5

Point = tuple[float, float]


@dataclass(frozen=True)
class Roads:
    """The owner's figures for getting about."""

    speed_kmh: float
    road_factor: float
    minutes_default: int

    @classmethod
    def of(cls, business: Business) -> Roads:
        return cls(
            speed_kmh=max(business.travel_speed_kmh, 1),
            road_factor=float(business.road_factor),
            minutes_default=business.travel_minutes_default,
        )

    def road_km(self, here: Point | None, there: Point | None) -> float | None:
        """Return the way by road, or None when a point is not known."""
        if here is None or there is None:
            return None
        return straight_km(here, there) * self.road_factor

    def minutes(self, here: Point | None, there: Point | None) -> int:
        """Return the minutes of the way, rounded up to five; the default when a point is not known."""
        if (road_km := self.road_km(here, there)) is None:
            return self.minutes_default
        return math.ceil(road_km / self.speed_kmh * 60 / STEP_MINUTES - 1e-9) * STEP_MINUTES


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
