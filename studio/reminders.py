"""Reminders the day before a visit: to the client, and to whoever opens the door if we know a mail address.

Nothing that gets someone into the home stands in them: letters are forwarded.
"""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import F

from studio import diary, letters, records
from studio.models import Booking, Business

# A day on which clocks go back has 25 hours, and the reminder may be due at its first.
FURTHEST = dt.timedelta(hours=49)


def due_at(starts_at: dt.datetime, business: Business) -> dt.datetime | None:
    """Return when a visit's reminder is due: the owner's hour of the day before, by the business's clock.

    An hour that clocks skip that day becomes the one after the jump; one that comes twice, its first.
    """
    if business.reminder_hour is None:
        return None
    day_before = starts_at.astimezone(business.zone).date() - dt.timedelta(days=1)
    return diary.at(day_before, dt.time(business.reminder_hour), business.zone)


def send_due(*, now: dt.datetime) -> int:
    """Send the reminders whose hour has come, once for each time that a visit was given. For the sweep."""
    business = Business.current()
    coming = Booking.objects.filter(
        state=Booking.State.AGREED, starts_at__gt=now, starts_at__lt=now + FURTHEST
    ).exclude(reminded_for=F("starts_at"))
    sent = 0
    for booking in coming.with_people():
        assert booking.starts_at is not None
        due = due_at(booking.starts_at, business)
        if due is not None and due <= now:
            sent += _remind(booking, now=now)
    return sent


def _remind(booking: Booking, *, now: dt.datetime) -> bool:
    """Write both letters; False: moved, called off or reminded by someone else at this very moment."""
    with transaction.atomic():
        untouched = Booking.objects.filter(
            pk=booking.pk, state=Booking.State.AGREED, starts_at=booking.starts_at
        ).exclude(reminded_for=booking.starts_at)
        if not untouched.update(reminded_for=booking.starts_at):
            return False
        contact = _write(booking, now=now)
        records.note("sent the reminder", booking=booking, now=now, contact=contact)
    return True


def _write(booking: Booking, *, now: dt.datetime) -> bool:
    business = Business.current()
    day = _day(booking, business, now)
    time, who = letters.when(booking.starts_at, business), letters.who_comes(booking, business)
    page = letters.preparation_address(booking)
    ready = (
        "The household has told us that the home will be ready. What there is to do:"
        if booking.household_ready_at
        else "What to make ready, with a button for the household that says it will be:"
    )
    letters.to_client(
        booking,
        "reminder",
        f"The visit is {day.lower()}",
        f"A reminder: {who} comes to take the pictures on {time}.\n\n{ready}\n{page}\n\n"
        f"Please pass it on to the people who live there.\n\n{letters.consent_wanted(booking)}",
        now=now,
    )
    return letters.to_contact(
        booking,
        "reminder",
        f"Pictures {day.lower()}",
        f"a reminder: {who} of {business.name} comes to take pictures of the home on {time}. "
        f"We were told that you open the door.\n\n{ready}\n{page}",
        now=now,
    )


def _day(booking: Booking, business: Business, now: dt.datetime) -> str:
    """Name the day of the visit: a time that was set this late is reminded of on the day itself."""
    assert booking.starts_at is not None
    today = now.astimezone(business.zone).date()
    return "Today" if booking.starts_at.astimezone(business.zone).date() == today else "Tomorrow"
