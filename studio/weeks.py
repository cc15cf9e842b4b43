"""Free times as people say them: a week of days, each with its times."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from studio import diary, sunlight
from studio.models import Booking, Business, Client, Property

DAYS = 7


@dataclass(frozen=True)
class TimeWord:
    """One free time: the value that a form carries and the words that a person reads."""

    value: str
    words: str
    hour: int
    marks: tuple[str, ...] = ()


@dataclass(frozen=True)
class DayWords:
    """One day and its free times, which may be none."""

    on: dt.date
    times: tuple[TimeWord, ...]
    light: sunlight.Light | None = None

    def has(self, moment: dt.datetime | None) -> bool:
        return any(moment is not None and time.value == moment.isoformat() for time in self.times)

    @property
    def parts(self) -> str:
        """Return which part of the day is free."""
        if not self.times:
            return "nothing free"
        hours = [time.hour for time in self.times]
        words = [*(["morning"] if hours[0] < 12 else []), *(["afternoon"] if hours[-1] >= 12 else [])]
        return " and ".join(words)


@dataclass(frozen=True)
class Week:
    """Seven days from the first that is asked for; the one before and the one after, if they can be shown."""

    days: tuple[DayWords, ...]
    earlier_on: dt.date | None
    later_on: dt.date | None
    minutes: int
    # Where pictures of the outside are wanted: what the sun was reckoned for, None when no point is known.
    marks_light: bool = False
    where: sunlight.Where | None = None
    knows_front: bool = False

    @property
    def is_empty(self) -> bool:
        return not any(day.times for day in self.days)

    def day_of(self, moment: dt.datetime, zone: ZoneInfo) -> DayWords | None:
        """Return the shown day on which this moment lies."""
        on = moment.astimezone(zone).date()
        return next((day for day in self.days if day.on == on), None)

    @property
    def first_with_times(self) -> dt.date | None:
        return next((day.on for day in self.days if day.times), None)


def week(
    *,
    home: Property | None,
    minutes: int,
    now: dt.datetime,
    business: Business,
    first_on: dt.date | None = None,
    leaving_out: Booking | None = None,
    marks_light: bool = False,
    holder: Client | None = None,
) -> Week:
    """Return the week of free times from `first_on`; from the first free day when none is asked for.

    With `marks_light` each time says what light it has for pictures of the outside.
    """
    zone = business.zone
    today = now.astimezone(zone).date()
    last_on = today + dt.timedelta(days=business.book_days_ahead)
    found = diary.free_times(
        home=home, minutes=minutes, now=now, days=business.book_days_ahead + 1, leaving_out=leaving_out,
        holder=holder,
    )  # fmt: skip
    by_day: dict[dt.date, list[TimeWord]] = {}
    for free in found:
        local = free.starts_at.astimezone(zone)
        word = TimeWord(free.starts_at.isoformat(), f"{local.hour}:{local:%M}", local.hour)
        by_day.setdefault(local.date(), []).append(word)
    first_free = min(by_day, default=today)
    begin = min(max(first_on, today), last_on) if first_on else first_free
    lit = home if marks_light else None
    spot = None
    if marks_light:
        postcode = home.postcode if home else ""
        spot = sunlight.where(home.point if home else None, business, postcode=postcode)
    days = tuple(_with_light(day, lit, spot, minutes, business) for day in _days(by_day, begin, last_on))
    after = begin + dt.timedelta(days=DAYS)
    return Week(
        days=days,
        earlier_on=max(begin - dt.timedelta(days=DAYS), min(first_free, begin))
        if begin > first_free
        else None,
        later_on=after if after <= last_on and any(on >= after for on in by_day) else None,
        minutes=minutes,
        marks_light=marks_light,
        where=spot,
        knows_front=home is not None and home.front_bearing_deg is not None,
    )


def _with_light(
    day: DayWords, home: Property | None, spot: sunlight.Where | None, minutes: int, business: Business
) -> DayWords:
    if home is None or spot is None or not day.times:
        return day
    light = sunlight.light(spot, day.on, bearing_deg=home.front_bearing_deg, business=business)
    length = dt.timedelta(minutes=minutes)
    times = []
    for time in day.times:
        begin = dt.datetime.fromisoformat(time.value)
        times.append(replace(time, marks=light.marks(begin, begin + length)))
    return replace(day, times=tuple(times), light=light)


def day_in(text: str | None) -> dt.date | None:
    """Return the day that an address names, or None when it names none that a visit could be on."""
    try:
        on = dt.date.fromisoformat(text or "")
    except ValueError:
        return None
    return on if 1970 <= on.year <= 2999 else None


def _days(by_day: dict[dt.date, list[TimeWord]], begin: dt.date, last_on: dt.date) -> Iterable[DayWords]:
    for offset in range(DAYS):
        on = begin + dt.timedelta(days=offset)
        if on <= last_on:
            yield DayWords(on, tuple(by_day.get(on, ())))
