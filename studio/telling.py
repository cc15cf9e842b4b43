"""Words from the road, "on my way" and "running late": a mail to the client and to whoever opens the door."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django.db import transaction

from studio import letters, records
from studio.errors import StudioError
from studio.models import Booking, Business, Event, User

ON_MY_WAY, LATE = "on-my-way", "late"
# More is another time, and moving the visit is the way to say it.
MOST_LATE_MINUTES = 240


class NotTold(StudioError):
    """Nobody was told; the message says why."""


def on_my_way(booking: Booking, *, by: User, said_at: dt.datetime, now: dt.datetime) -> bool:
    """Tell them that the photographer has set out; False: they were told just now.

    Raises NotTold when it is not the visit's day, the visit has begun or ended, or the word comes too late.
    """
    with transaction.atomic():
        row, business = _lock(booking), Business.current()
        starts_at = _check(row, business, said_at=said_at, now=now)
        if _was_told(row, business, ON_MY_WAY, 0, now=now):
            return False
        time = _clock(starts_at, business)
        text = f"{letters.who_comes(row, business)} is on the way. The visit is agreed for {time}."
        _tell(row, ON_MY_WAY, 0, "On the way", text, "said: on my way", by=by, now=now)
    return True


def running_late(booking: Booking, minutes: int, *, by: User, said_at: dt.datetime, now: dt.datetime) -> bool:
    """Tell them how late it gets and the new time; False: they were told the same just now.

    The minutes count from the agreed time, and from the moment they were said where that has passed.
    Raises NotTold as `on_my_way` does, and when the new time is over before the word arrives.
    """
    if not 1 <= minutes <= MOST_LATE_MINUTES:
        raise NotTold(
            f"Late by how much? From 1 to {MOST_LATE_MINUTES} minutes can be said. Nobody was told; for "
            "more, move the visit."
        )
    with transaction.atomic():
        row, business = _lock(booking), Business.current()
        starts_at = _check(row, business, said_at=said_at, now=now)
        if _was_told(row, business, LATE, minutes, now=now):
            return False
        late = dt.timedelta(minutes=minutes)
        expected_at = starts_at + late if starts_at + late > said_at else said_at + late
        time = _clock(expected_at, business)
        if expected_at <= now:
            raise NotTold(f"{minutes} min late was to be at {time}, and that is over. Nobody was told.")
        text = (
            f"{letters.who_comes(row, business)} is running about {minutes} minutes late and expects to be "
            f"there at about {time} instead of {_clock(starts_at, business)}. We are sorry."
        )
        verb = f"said: {minutes} min late, at about {time}"
        _tell(row, LATE, minutes, "Running late", text, verb, by=by, now=now)
    return True


def last_words(bookings: Iterable[Booking]) -> dict[int, Event]:
    """Return what was last told of each booking, by the booking's id; one query."""
    told = Event.objects.filter(booking__in=list(bookings), detail__has_key="told")
    return {event.booking_id: event for event in told.order_by("at", "pk") if event.booking_id}


def can_tell(booking: Booking, business: Business, *, now: dt.datetime) -> bool:
    """Say whether there is something to tell: an agreed visit, on its day."""
    if booking.state != Booking.State.AGREED or booking.starts_at is None:
        return False
    zone = business.zone
    return booking.starts_at.astimezone(zone).date() == now.astimezone(zone).date()


def _lock(booking: Booking) -> Booking:
    """Return the row as it is now; who tells the same at this very moment waits."""
    rows = Booking.objects.select_for_update(of=("self",)).select_related("home", "client", "photographer")
    return rows.get(pk=booking.pk)


def _check(booking: Booking, business: Business, *, said_at: dt.datetime, now: dt.datetime) -> dt.datetime:
    if booking.starts_at is None or not can_tell(booking, business, now=now):
        when = letters.when(booking.starts_at, business)
        raise NotTold(
            f"Booking {booking.number} is {booking.get_state_display().lower()}, {when}. "
            "Such words are for the day of an agreed visit. Nobody was told."
        )
    if now - said_at > dt.timedelta(minutes=business.told_fresh_minutes):
        raise NotTold(
            f"What was said at {_clock(said_at, business)} reached us only at {_clock(now, business)}, too "
            "late to be of use. Nobody was told; a call is quicker now."
        )
    return booking.starts_at


def _was_told(booking: Booking, business: Business, kind: str, minutes: int, *, now: dt.datetime) -> bool:
    since = now - dt.timedelta(minutes=business.told_again_minutes)
    return booking.events.filter(at__gt=since, detail__told=kind, detail__minutes=minutes).exists()


def _tell(
    booking: Booking,
    kind: str,
    minutes: int,
    subject: str,
    text: str,
    verb: str,
    *,
    by: User,
    now: dt.datetime,
) -> None:
    letters.to_client(booking, kind, subject, text, now=now)
    contact = letters.to_contact(booking, kind, subject, text, now=now)
    records.note(verb, booking=booking, user=by, now=now, told=kind, minutes=minutes, contact=contact)


def _clock(moment: dt.datetime, business: Business) -> str:
    local = moment.astimezone(business.zone)
    return f"{local.hour}:{local:%M}"
