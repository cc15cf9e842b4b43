"""The diary as people read it: days, each with its visits, the ways between them, and who is off."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field

from studio import diary
from studio.models import Booking, Business, DayOff, OpeningHours, User
from studio.travel import Place, Roads


@dataclass(frozen=True)
class Stop:
    """One visit, and the way to it from the one before of the same person that day."""

    booking: Booking
    leg_minutes: int | None = None
    leg_km: float | None = None
    leg_from: str = ""
    spare_minutes: int | None = None

    @property
    def is_tight(self) -> bool:
        return self.spare_minutes is not None and self.spare_minutes < 0

    @property
    def short_by(self) -> int:
        return -(self.spare_minutes or 0)


@dataclass
class PersonDay:
    """What one person has on one day."""

    person: User | None
    stops: list[Stop] = field(default_factory=list)

    @property
    def minutes(self) -> int:
        lengths = (stop.booking.length for stop in self.stops)
        return round(sum(length.total_seconds() for length in lengths if length) / 60)


@dataclass
class DiaryDay:
    """One day: the people who have something, and the reasons why somebody is off."""

    on: dt.date
    is_today: bool
    is_past: bool
    is_open: bool
    people: list[PersonDay] = field(default_factory=list)
    off: list[DayOff] = field(default_factory=list)


def days(
    first_on: dt.date, count: int, *, now: dt.datetime, business: Business, person: User | None = None
) -> list[DiaryDay]:
    """Return `count` days from the first, for everyone or one person; four queries."""
    zone = business.zone
    last_on = first_on + dt.timedelta(days=count - 1)
    begin = diary.at(first_on, dt.time(0), zone)
    end = diary.at(last_on + dt.timedelta(days=1), dt.time(0), zone)
    rows = Booking.objects.with_people().in_the_diary(now).between(begin, end)
    off = DayOff.objects.filter(first_on__lte=last_on, last_on__gte=first_on).select_related("photographer")
    if person is not None:
        rows = rows.of(person)
    by_day: dict[dt.date, dict[int | None, PersonDay]] = defaultdict(dict)
    roads = Roads.of(business)
    for booking in rows:
        assert booking.starts_at is not None
        mine = by_day[booking.starts_at.astimezone(zone).date()].setdefault(
            booking.photographer_id, PersonDay(booking.photographer)
        )
        before = mine.stops[-1].booking if mine.stops else None
        mine.stops.append(_stop(before, booking, roads, business))
    today = now.astimezone(zone).date()
    all_off = list(off)
    weekdays = set(OpeningHours.objects.values_list("weekday", flat=True))
    return [
        DiaryDay(
            on,
            on == today,
            on < today,
            on.weekday() in weekdays,
            list(by_day.get(on, {}).values()),
            [row for row in all_off if row.first_on <= on <= row.last_on],
        )
        for on in (first_on + dt.timedelta(days=offset) for offset in range(count))
    ]


def _stop(before: Booking | None, booking: Booking, roads: Roads, business: Business) -> Stop:
    if before is None or before.ends_at is None or booking.starts_at is None:
        return Stop(booking)
    here, there = Place.of(before.home), Place.of(booking.home)
    is_same_home = before.home_id == booking.home_id
    minutes = 0 if is_same_home else roads.minutes(here, there)
    gap = (booking.starts_at - before.ends_at).total_seconds() / 60
    return Stop(
        booking,
        leg_minutes=minutes,
        leg_km=roads.road_km(here, there),
        leg_from=roads.minutes_from(here, there),
        spare_minutes=round(gap - minutes - business.setup_minutes),
    )
