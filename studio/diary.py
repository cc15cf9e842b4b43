"""The diary: which times are free, and taking one so that nobody else gets it.

A time is free for a photographer when the visit fits into the opening hours of that day (in the business's
zone), on no day off, after the notice and within the horizon, and when the way from the visit before and to
the visit after, with the time to set up, still fits. Reckoning is done on moments, so the days on which
clocks change have their true length.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import F, Q

from studio import records
from studio.errors import NotFree, StaleState
from studio.models import Booking, Business, Client, Day, DayOff, Hold, OpeningHours, Property, User
from studio.travel import Place, Roads

State = Booking.State
STEP = dt.timedelta(minutes=30)
# The longest way between two visits that is reckoned with.
REACH = dt.timedelta(hours=6)


@dataclass(frozen=True, order=True)
class FreeTime:
    """A time that can be taken, and the photographers who could."""

    starts_at: dt.datetime
    ends_at: dt.datetime
    photographer_ids: tuple[int, ...]


@dataclass(frozen=True)
class Busy:
    """A time that is taken, and where it leaves the photographer."""

    starts_at: dt.datetime
    ends_at: dt.datetime
    place: Place
    home_id: int | None = None
    booking_id: int | None = None
    held_until: dt.datetime | None = None


def photographers() -> list[User]:
    """Return who takes pictures: photographers, and owners who opened hours for themselves or work alone."""
    able = list(User.objects.filter(is_active=True, role__in=(User.Role.PHOTOGRAPHER, User.Role.OWNER)))
    hired = [user for user in able if user.role == User.Role.PHOTOGRAPHER]
    if not hired:
        return able
    with_hours = set(
        OpeningHours.objects.exclude(photographer=None).values_list("photographer_id", flat=True)
    )
    return hired + [user for user in able if user.is_owner and user.pk in with_hours]


def visit_minutes(booking: Booking, business: Business) -> int:
    """Return how long this visit takes: the minutes of its lines, at least the shortest visit.

    A second visit for outside pictures is shorter than that: its lines alone say how long.
    """
    minutes = sum(line.minutes for line in booking.lines.all())
    if booking.follows_id is not None:
        return minutes or business.second_visit_minutes
    return max(minutes, business.shortest_visit_minutes)


def free_times(
    *,
    home: Property | None,
    minutes: int,
    now: dt.datetime,
    first_on: dt.date | None = None,
    days: int = 7,
    people: Sequence[User] | None = None,
    leaving_out: Booking | None = None,
    holder: Client | None = None,
) -> list[FreeTime]:
    """Return the free starting times of a visit of this length, earliest first.

    `leaving_out` is a booking that is being moved: its own time counts as free; so do the times
    that are kept for `holder`. Eight queries, however many days and bookings there are.
    """
    business = Business.current()
    people = photographers() if people is None else list(people)
    earliest = now + dt.timedelta(hours=business.notice_hours)
    today = now.astimezone(business.zone).date()
    first_on = max(first_on or today, today)
    last_on = min(first_on + dt.timedelta(days=days - 1), today + dt.timedelta(days=business.book_days_ahead))
    if last_on < first_on or not people:
        return []
    hours = OpenHours.read(people, first_on, last_on, business.zone)
    busy = busy_times(people, hours.begin, hours.end, now=now, leaving_out=leaving_out, holder=holder)
    gaps = Gaps(Roads.of(business), dt.timedelta(minutes=business.setup_minutes), home)
    length = dt.timedelta(minutes=max(minutes, 1))
    free: dict[dt.datetime, list[int]] = defaultdict(list)
    for person in people:
        closed = sorted(gaps.closed(busy[person.pk]))
        # Latest end so far, so that a day looks only at what can still reach into it.
        reaches = list(accumulate((end for _, end in closed), max))
        for opens_at, closes_at in hours.spans(person):
            near = closed[bisect_right(reaches, opens_at) : bisect_left(closed, (closes_at,))]
            for starts_at in _steps(max(opens_at, _round_up(earliest, opens_at)), closes_at - length):
                if not any(begin < starts_at + length and starts_at < end for begin, end in near):
                    free[starts_at].append(person.pk)
    return [FreeTime(at, at + length, tuple(ids)) for at, ids in sorted(free.items())]


def take(
    booking: Booking,
    starts_at: dt.datetime,
    photographer: User,
    *,
    now: dt.datetime,
    minutes: int | None = None,
    by: User | Client | None = None,
    outside_hours: bool = False,
) -> Booking:
    """Give this time to this booking, or raise NotFree; at most one of any number of takers gets it.

    One code path on both databases: in one transaction the photographer's day rows are updated (which makes
    the second taker wait), the time is looked at again, and the booking is written. Staff may go outside
    the hours, notice and horizon (`outside_hours`), never over another visit or the way to it.
    """
    business = Business.current()
    length = dt.timedelta(minutes=minutes or visit_minutes(booking, business))
    ends_at = starts_at + length
    with transaction.atomic():
        _lock_days(photographer, starts_at - REACH, ends_at + REACH, business.zone)
        in_the_way = conflict(
            booking, starts_at, ends_at, photographer, business=business, now=now,
            holder=by if isinstance(by, Client) else None,
        )  # fmt: skip
        if in_the_way is not None:
            raise NotFree(_in_words(in_the_way, photographer, business.zone))
        if not outside_hours:
            _check_hours(starts_at, ends_at, photographer, business=business, now=now)
        before = booking.starts_at
        values = {
            "starts_at": starts_at,
            "ends_at": ends_at,
            "photographer": photographer,
            "calendar_sequence": booking.calendar_sequence + 1,
            "changed_at": now,
        }
        changed = Booking.objects.filter(
            pk=booking.pk, state=booking.state, calendar_sequence=booking.calendar_sequence
        ).update(**values)
        if not changed:
            raise StaleState(f"Booking {booking.number} has just been changed by someone else.")
        for name, value in values.items():
            setattr(booking, name, value)
        verb = "moved the visit" if before else "took a time"
        records.note_by(
            verb, by, booking=booking, now=now,
            starts_at=starts_at.isoformat(), before=before.isoformat() if before else None,
        )  # fmt: skip
    return booking


def take_any(
    booking: Booking,
    starts_at: dt.datetime,
    *,
    now: dt.datetime,
    by: User | Client | None = None,
    outside_hours: bool = False,
) -> Booking:
    """Give this time to the booking with whichever photographer is free then, the least busy first."""
    why = NotFree("Nobody takes pictures here yet: the owner adds a photographer under People.")
    zone = Business.current().zone
    for person in _least_busy_first(starts_at, booking.photographer_id, zone):
        try:
            return take(booking, starts_at, person, now=now, by=by, outside_hours=outside_hours)
        except NotFree as error:
            why = error
    raise why


def _least_busy_first(starts_at: dt.datetime, own: int | None, zone: ZoneInfo) -> list[User]:
    """Return who could come that day: whoever has it already, then by how often the day was taken."""
    people = photographers()
    that_day = dict(
        Day.objects.filter(photographer__in=people, on=starts_at.astimezone(zone).date()).values_list(
            "photographer_id", "takings"
        )
    )
    return sorted(people, key=lambda user: (user.pk != own, that_day.get(user.pk, 0), user.pk))


def keep(hold: Hold, home: Property, *, now: dt.datetime) -> None:
    """Give a hold its time with whoever is free then, or raise NotFree; in the caller's transaction.

    The same lock as a taking: of takers and holders at one moment only the first gets the time.
    """
    business = Business.current()
    why = NotFree("Nobody takes pictures here yet.")
    for person in _least_busy_first(hold.starts_at, hold.photographer_id, business.zone):
        try:
            with transaction.atomic():  # whoever isn't free is let go of at once
                _lock_days(person, hold.starts_at - REACH, hold.ends_at + REACH, business.zone)
                other = _in_the_way(
                    home, hold.starts_at, hold.ends_at, person,
                    business=business, now=now, holder=hold.client,
                )  # fmt: skip
                if other is not None:
                    raise NotFree(_in_words(other, person, business.zone))
                _check_hours(hold.starts_at, hold.ends_at, person, business=business, now=now)
                hold.photographer = person
                hold.save()
                return
        except NotFree as error:
            why = error
    raise why


def conflict(
    booking: Booking,
    starts_at: dt.datetime,
    ends_at: dt.datetime,
    photographer: User,
    *,
    business: Business,
    now: dt.datetime,
    holder: Client | None = None,
) -> Busy | None:
    """Return the visit that stands in the way of this time, its ways counted in."""
    return _in_the_way(
        booking.home, starts_at, ends_at, photographer,
        business=business, now=now, leaving_out=booking, holder=holder,
    )  # fmt: skip


def _in_the_way(
    home: Property,
    starts_at: dt.datetime,
    ends_at: dt.datetime,
    photographer: User,
    *,
    business: Business,
    now: dt.datetime,
    leaving_out: Booking | None = None,
    holder: Client | None = None,
) -> Busy | None:
    busy = busy_times(
        [photographer], starts_at - REACH, ends_at + REACH, now=now, leaving_out=leaving_out, holder=holder
    )
    gaps = Gaps(Roads.of(business), dt.timedelta(minutes=business.setup_minutes), home)
    for other in busy[photographer.pk]:
        begin, end = gaps.closed_by(other)
        if begin < ends_at and starts_at < end:
            return other
    return None


def busy_times(
    people: Iterable[User],
    begin: dt.datetime,
    end: dt.datetime,
    *,
    now: dt.datetime,
    leaving_out: Booking | None = None,
    holder: Client | None = None,
) -> dict[int, list[Busy]]:
    """Return what each photographer already has between two moments (with the reach of a way around them).

    Times that are kept for someone count, but not those kept for `holder`.
    """
    people = list(people)
    rows = (
        Booking.objects.filter(photographer__in=people, starts_at__lt=end + REACH, ends_at__gt=begin - REACH)
        .exclude(state=State.CALLED_OFF)
        .exclude(Q(state=State.HELD) & Q(held_until__lte=now))
        .order_by("starts_at")
    )
    if leaving_out is not None and leaving_out.pk:
        rows = rows.exclude(pk=leaving_out.pk)
    busy: dict[int, list[Busy]] = defaultdict(list)
    columns = ("photographer_id", "starts_at", "ends_at", "home_id", "pk", "home__postcode")
    for person_pk, starts_at, ends_at, home_pk, pk, postcode, latitude_deg, longitude_deg in rows.values_list(
        *columns, "home__latitude_deg", "home__longitude_deg"
    ):
        point = None if latitude_deg is None or longitude_deg is None else (latitude_deg, longitude_deg)
        busy[person_pk].append(Busy(starts_at, ends_at, Place(point, postcode), home_pk, pk))
    kept = Hold.objects.filter(
        photographer__in=people, starts_at__lt=end + REACH, ends_at__gt=begin - REACH, held_until__gt=now
    )
    for hold in kept if holder is None else kept.exclude(client=holder):
        point = None
        if hold.latitude_deg is not None and hold.longitude_deg is not None:
            point = (hold.latitude_deg, hold.longitude_deg)
        busy[hold.photographer_id].append(
            Busy(hold.starts_at, hold.ends_at, Place(point, hold.postcode), held_until=hold.held_until)
        )
    return busy


@dataclass(frozen=True)
class Gaps:
    """What must stay free around the visits that are there, for a visit to this home."""

    roads: Roads
    setup: dt.timedelta
    home: Property | None

    def closed_by(self, other: Busy) -> tuple[dt.datetime, dt.datetime]:
        """Return the span that a visit to the home may not touch because of this one."""
        if self.home is not None and self.home.pk == other.home_id and self.home.pk is not None:
            return other.starts_at - self.setup, other.ends_at + self.setup
        here = Place.of(self.home)
        there = self.roads.minutes(here, other.place)
        # A distance is the same both ways; zones may have a way back of its own.
        is_distance = here.point is not None and other.place.point is not None
        back = there if is_distance else self.roads.minutes(other.place, here)
        return (
            other.starts_at - dt.timedelta(minutes=there) - self.setup,
            other.ends_at + dt.timedelta(minutes=back) + self.setup,
        )

    def closed(self, others: Iterable[Busy]) -> list[tuple[dt.datetime, dt.datetime]]:
        return [self.closed_by(other) for other in others]


@dataclass(frozen=True)
class OpenHours:
    """Opening hours and days off of some people over some days."""

    first_on: dt.date
    last_on: dt.date
    zone: ZoneInfo
    hours: dict[int | None, list[OpeningHours]]
    off: dict[int | None, list[DayOff]]

    @classmethod
    def read(cls, people: Sequence[User], first_on: dt.date, last_on: dt.date, zone: ZoneInfo) -> OpenHours:
        mine_or_all = Q(photographer=None) | Q(photographer__in=people)
        hours: dict[int | None, list[OpeningHours]] = defaultdict(list)
        for row in OpeningHours.objects.filter(mine_or_all):
            hours[row.photographer_id].append(row)
        off: dict[int | None, list[DayOff]] = defaultdict(list)
        for day in DayOff.objects.filter(mine_or_all, first_on__lte=last_on, last_on__gte=first_on):
            off[day.photographer_id].append(day)
        return cls(first_on, last_on, zone, hours, off)

    @property
    def begin(self) -> dt.datetime:
        return at(self.first_on, dt.time(0), self.zone)

    @property
    def end(self) -> dt.datetime:
        return at(self.last_on + dt.timedelta(days=1), dt.time(0), self.zone)

    def is_off(self, person: User, on: dt.date) -> bool:
        rows = [*self.off.get(None, []), *self.off.get(person.pk, [])]
        return any(row.first_on <= on <= row.last_on for row in rows)

    def spans(self, person: User) -> Iterator[tuple[dt.datetime, dt.datetime]]:
        """Yield the open spans of a person; own hours, where there are any, stand instead of everyone's."""
        rows = self.hours.get(person.pk) or self.hours.get(None, [])
        on = self.first_on
        while on <= self.last_on:
            if not self.is_off(person, on):
                for row in rows:
                    if row.weekday == on.weekday() and row.opens < row.closes:
                        yield at(on, row.opens, self.zone), at(on, row.closes, self.zone)
            on += dt.timedelta(days=1)


def at(on: dt.date, time: dt.time, zone: ZoneInfo) -> dt.datetime:
    """Return the moment at which clocks show this; a time that clocks skip becomes the one after the jump.

    Examples
    --------
    >>> at(dt.date(2027, 3, 28), dt.time(1, 30), ZoneInfo("Europe/London")).isoformat()
    '2027-03-28T01:30:00+00:00'
    """
    return dt.datetime.combine(on, time, tzinfo=zone).astimezone(dt.UTC)


def _steps(first: dt.datetime, last: dt.datetime) -> Iterator[dt.datetime]:
    while first <= last:
        yield first
        first += STEP


def _round_up(moment: dt.datetime, opens_at: dt.datetime) -> dt.datetime:
    """Return the first step of a day's grid that is not before the moment."""
    if moment <= opens_at:
        return opens_at
    return opens_at + -((opens_at - moment) // STEP) * STEP


def _lock_days(photographer: User, begin: dt.datetime, end: dt.datetime, zone: ZoneInfo) -> None:
    """Update the day rows that a visit between these moments touches, in order: the second taker waits."""
    on, last_on = begin.astimezone(zone).date(), end.astimezone(zone).date()
    while on <= last_on:
        Day.objects.get_or_create(photographer=photographer, on=on)
        Day.objects.filter(photographer=photographer, on=on).update(takings=F("takings") + 1)
        on += dt.timedelta(days=1)


def _check_hours(
    starts_at: dt.datetime, ends_at: dt.datetime, photographer: User, *, business: Business, now: dt.datetime
) -> None:
    if starts_at < now + dt.timedelta(hours=business.notice_hours):
        raise NotFree(f"That is too soon: visits need {business.notice_hours} hours of notice.")
    on = starts_at.astimezone(business.zone).date()
    if on > now.astimezone(business.zone).date() + dt.timedelta(days=business.book_days_ahead):
        raise NotFree(f"That is too far ahead: visits are booked at most {business.book_days_ahead} days on.")
    spans = OpenHours.read([photographer], on, on, business.zone).spans(photographer)
    if not any(opens_at <= starts_at and ends_at <= closes_at for opens_at, closes_at in spans):
        raise NotFree("That time lies outside the opening hours or on a day off.")


def _in_words(other: Busy, photographer: User, zone: ZoneInfo) -> str:
    begin, end = other.starts_at.astimezone(zone), other.ends_at.astimezone(zone)
    if other.held_until is not None:
        return (
            f"{begin:%H:%M} to {end:%H:%M} with {photographer.get_short_name()} is kept until "
            f"{other.held_until.astimezone(zone):%H:%M} for somebody who is asking for it just now."
        )
    return (
        f"{photographer.get_short_name()} has another visit from {begin:%H:%M} to {end:%H:%M}, "
        "and the way between the two must fit as well."
    )
