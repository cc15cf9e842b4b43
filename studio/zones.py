"""Which zone a postcode lies in, and the way between two zones; read in one query, looked up in memory."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from django.db.models import F

from studio.models import Zone


@dataclass(frozen=True)
class ZoneLeg:
    """The way between two zones: minutes (None: not known) and what it costs in minor units."""

    start: Zone
    goal: Zone
    minutes: int | None
    fee_minor: int


@dataclass(frozen=True)
class Zones:
    """All zones by the beginnings of their postcodes, and the ways between them."""

    by_prefix: dict[str, Zone] = field(default_factory=dict)
    # minutes and fee by the two zones' keys
    ways: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)

    @classmethod
    def read(cls) -> Zones:
        found = cls()
        rows = Zone.objects.annotate(
            goal_pk=F("ways_out__goal"), way_minutes=F("ways_out__minutes"), way_fee=F("ways_out__fee_minor")
        )
        for zone in rows:  # a zone comes once for each of its ways
            found.by_prefix.update(dict.fromkeys(zone.prefixes, zone))
            if zone.goal_pk is not None:
                found.ways[zone.pk, zone.goal_pk] = (zone.way_minutes, zone.way_fee)
        return found

    def of(self, postcode: str) -> Zone | None:
        """Return the zone whose prefix fits most of the postcode; None when none does."""
        text = plain(postcode)
        return next(
            (self.by_prefix[text[:n]] for n in range(len(text), 0, -1) if text[:n] in self.by_prefix), None
        )

    def leg(self, here: str, there: str) -> ZoneLeg | None:
        """Return the way between two postcodes; None when a zone or the way between them isn't known."""
        start, goal = self.of(here), self.of(there)
        if start is None or goal is None:
            return None
        if start.pk == goal.pk:
            return ZoneLeg(start, goal, start.minutes, start.fee_minor)
        if (way := self.ways.get((start.pk, goal.pk))) is None:
            return None
        return ZoneLeg(start, goal, *way)


def plain(postcode: str) -> str:
    """Return a postcode as it is compared: capitals, without blanks and hyphens.

    Examples
    --------
    >>> plain(" hm4-2ab ")
    'HM42AB'
    """
    return re.sub(r"[\s-]+", "", postcode).upper()
