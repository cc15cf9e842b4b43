"""A day on the road and what is late: the homes in order, the way between them, what each needs now."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from django.db.models import Count, Q, QuerySet

from listings.models import ChangeRequest, Picture
from studio.models import Booking, Business, User
from studio.travel import Place, Roads

State = Booking.State
ON_THE_ROAD = (State.AGREED, State.UNDER_WAY, State.VISITED, State.SENT, State.CLOSED)
# A visit that nobody has closed by then was forgotten.
CLOSED_BY = dt.timedelta(hours=3)


@dataclass(frozen=True)
class Leg:
    """The way to a home from the one before."""

    minutes: int
    road_km: float | None
    minutes_from: str = ""


@dataclass(frozen=True)
class Visit:
    """A home of the day, the way to it and what it needs."""

    booking: Booking
    leg: Leg | None
    needs: str
    route: str


@dataclass(frozen=True)
class Late:
    """Something that should have been done by now."""

    booking: Booking
    words: str
    since: dt.datetime
    route: str


def bounds(on: dt.date, business: Business) -> tuple[dt.datetime, dt.datetime]:
    """Return when a day begins and ends where the business is."""
    begin = dt.datetime.combine(on, dt.time.min, business.zone)
    return begin, dt.datetime.combine(on + dt.timedelta(days=1), dt.time.min, business.zone)


def visits(on: dt.date, user: User, business: Business) -> list[Visit]:
    """Return the day's homes of this person (owners and editors: of everyone), in order of time."""
    begin, end = bounds(on, business)
    rows = _counted(Booking.objects.filter(starts_at__gte=begin, starts_at__lt=end, state__in=ON_THE_ROAD))
    if user.role == User.Role.PHOTOGRAPHER:
        rows = rows.filter(photographer=user)
    return list(_with_ways(list(rows.order_by("starts_at", "pk")), Roads.of(business)))


def late(now: dt.datetime, user: User, business: Business) -> list[Late]:
    """Return what should have been done by now, the oldest first."""
    rows = _counted(Booking.objects.filter(state__in=(State.AGREED, State.UNDER_WAY, State.VISITED)))
    requests = ChangeRequest.objects.filter(answered_at=None).select_related(
        "item__delivery__booking__home", "item__delivery__booking__client"
    )
    if user.role == User.Role.PHOTOGRAPHER:
        rows = rows.filter(photographer=user)
        requests = requests.filter(item__delivery__booking__photographer=user)
    found = [entry for booking in rows.filter(ends_at__lt=now) if (entry := _late(booking, now, business))]
    seen: set[int] = set()
    for request in requests:
        booking = request.item.delivery.booking
        if booking.pk not in seen:
            seen.add(booking.pk)
            found.append(Late(booking, "A change is asked for.", request.asked_at, "listings:delivery"))
    return sorted(found, key=lambda entry: entry.since)


def due_at(ends_at: dt.datetime, business: Business) -> dt.datetime:
    """Return when a set is due: the end of the next business day (Monday to Friday) after the visit."""
    on = ends_at.astimezone(business.zone).date() + dt.timedelta(days=1)
    while on.weekday() > 4:
        on += dt.timedelta(days=1)
    return bounds(on, business)[1]


def _counted(rows: QuerySet[Booking]) -> QuerySet[Booking]:
    """Fetch with the counts that the words need, in one query."""
    required = Q(rooms__shots__is_required=True)
    is_open = Q(rooms__shots__taken_at=None, rooms__shots__waived_reason="")
    return rows.select_related("home", "client__agency", "photographer").annotate(
        wanted_count=Count("rooms__shots", filter=required, distinct=True),
        open_count=Count("rooms__shots", filter=required & is_open, distinct=True),
        picture_count=Count("pictures", distinct=True),
        made_count=Count("pictures", filter=Q(pictures__state=Picture.State.MADE), distinct=True),
        failed_count=Count("pictures", filter=Q(pictures__state=Picture.State.FAILED), distinct=True),
    )


def _with_ways(rows: list[Booking], roads: Roads) -> Iterator[Visit]:
    before: dict[int | None, Booking] = {}
    for booking in rows:
        leg = None
        if last := before.get(booking.photographer_id):
            here, there = Place.of(last.home), Place.of(booking.home)
            leg = Leg(roads.minutes(here, there), roads.road_km(here, there), roads.minutes_from(here, there))
        before[booking.photographer_id] = booking
        yield Visit(booking, leg, *needs(booking))


def needs(booking: Booking) -> tuple[str, str]:
    """Say what a booking (with its counts) needs now, and the page where it is done."""
    counts = vars(booking)
    wanted, missing = counts["wanted_count"], counts["open_count"]
    if booking.state == State.AGREED:
        return ("Shot list is ready" if wanted else "Look at the shot list"), "listings:on-site"
    if booking.state == State.UNDER_WAY:
        return f"{wanted - missing} of {wanted} views", "listings:on-site"
    if booking.state == State.VISITED:
        return _desk_words(counts), "listings:delivery" if _is_made(counts) else "listings:booking"
    return "", "listings:booking"


def _is_made(counts: dict[str, int]) -> bool:
    return 0 < counts["picture_count"] == counts["made_count"]


def _desk_words(counts: dict[str, int]) -> str:
    pictures, made, failed = counts["picture_count"], counts["made_count"], counts["failed_count"]
    if not pictures:
        return "Put the files in"
    if failed:
        return f"{failed} of {pictures} pictures could not be made"
    return "Build and send the set" if made == pictures else f"{made} of {pictures} pictures made"


def _late(booking: Booking, now: dt.datetime, business: Business) -> Late | None:
    ended = booking.ends_at
    if ended is None:
        return None
    if booking.state in (State.AGREED, State.UNDER_WAY):
        if now < ended + CLOSED_BY:
            return None
        words = "The visit was not begun." if booking.state == State.AGREED else "The visit is not closed."
        return Late(booking, words, ended, "listings:on-site-leaving")
    due = due_at(ended, business)
    if now < due:
        return None
    words, route = needs(booking)
    return Late(booking, f"The set was due. {words}.", due, route)
