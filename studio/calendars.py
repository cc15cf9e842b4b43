"""Calendar files (RFC 5545) and messages about them (RFC 5546): invitation, update, cancellation, feed.

What gets someone into a home never stands in them: invitations are forwarded.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from zoneinfo import ZoneInfo

from django.conf import settings
from django.urls import reverse
from icalendar import Calendar, Event, Timezone, vCalAddress, vText

from studio import tokens
from studio.models import Booking, Business, Client, User

PRODUCT = "-//Mullion//Bookings//EN"
State = Booking.State

# STATUS of a component, RFC 5545 section 3.8.1.11
STATUS: dict[str, str] = {State.ASKED: "TENTATIVE", State.HELD: "TENTATIVE", State.CALLED_OFF: "CANCELLED"}


def invitation(booking: Booking, *, now: dt.datetime) -> bytes:
    """Return the file for the client: a request, or a cancellation when the booking is called off."""
    is_off = booking.state == State.CALLED_OFF
    business = Business.current()
    calendar = _calendar(method="CANCEL" if is_off else "REQUEST")
    event = _event(booking, business, now=now)
    organizer = business.email or settings.DEFAULT_FROM_EMAIL
    event.add("organizer", _person(business.name, organizer))
    event.add("attendee", _client(booking.client))
    calendar.add_component(event)
    _add_zone(calendar, business.zone, [booking])
    return bytes(calendar.to_ical())


def feed(photographer: User, bookings: Iterable[Booking], *, now: dt.datetime) -> bytes:
    """Return a photographer's calendar to subscribe to."""
    business = Business.current()
    calendar = _calendar(method="PUBLISH")
    calendar.add("x-wr-calname", f"{business.name}: {photographer.name}")
    calendar.add("refresh-interval", dt.timedelta(minutes=30), parameters={"VALUE": "DURATION"})
    shown = [booking for booking in bookings if booking.starts_at]
    for booking in shown:
        calendar.add_component(_event(booking, business, now=now))
    _add_zone(calendar, business.zone, shown)
    return bytes(calendar.to_ical())


def feed_address(photographer: User) -> str:
    """Return the secret address of the feed; raising the generation makes it useless."""
    secret = tokens.token("calendar", str(photographer.pk), photographer.calendar_generation)
    return settings.PUBLIC_URL + reverse("studio:calendar-feed", args=[photographer.pk, secret])


def uid(booking: Booking) -> str:
    """Return the identifier that stays with the booking for life."""
    return f"{booking.public_id}@bookings.mullion"


def _calendar(*, method: str) -> Calendar:
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", method)
    return calendar


def _event(booking: Booking, business: Business, *, now: dt.datetime) -> Event:
    assert booking.starts_at is not None
    assert booking.ends_at is not None
    event = Event()
    event.add("uid", uid(booking))
    event.add("dtstamp", now.astimezone(dt.UTC))
    event.add("sequence", booking.calendar_sequence)
    event.add("dtstart", booking.starts_at.astimezone(business.zone))
    event.add("dtend", booking.ends_at.astimezone(business.zone))
    event.add("summary", f"Pictures of {booking.home.street}, {booking.home.city}")
    event.add("location", booking.home.address_line)
    event.add("status", STATUS.get(booking.state, "CONFIRMED"))
    event.add("description", _description(booking))
    event.add("url", settings.PUBLIC_URL + reverse("listings:booking", args=[booking.public_id]))
    if (point := booking.home.point) is not None:
        event.add("geo", point)
    return event


def _description(booking: Booking) -> str:
    who = f"Booking {booking.number}, {booking.client}."
    if booking.photographer:
        who += f" Photographer: {booking.photographer.name}."
    return who


def _client(client: Client) -> vCalAddress:
    person = _person(client.name, client.email)
    person.params["ROLE"] = vText("REQ-PARTICIPANT")
    person.params["PARTSTAT"] = vText("NEEDS-ACTION")
    person.params["RSVP"] = vText("TRUE")
    return person


def _person(name: str, email: str) -> vCalAddress:
    person = vCalAddress(f"mailto:{email}")
    if name:
        person.params["CN"] = vText(name)
    return person


def _add_zone(calendar: Calendar, zone: ZoneInfo, bookings: Iterable[Booking]) -> None:
    """Add the zone's rules for the years at hand only: all of them would be pages long."""
    years = [booking.starts_at.year for booking in bookings if booking.starts_at]
    if not years or zone.key == "UTC":
        return
    rules = Timezone.from_tzinfo(
        zone, first_date=dt.date(min(years) - 1, 1, 1), last_date=dt.date(max(years) + 2, 1, 1)
    )
    calendar.subcomponents.insert(0, rules)
