"""Calendar files against RFC 5545 and 5546, read back by the icalendar library's own parser.
Section numbers from memory, as in the RFCs' tables of contents."""

import datetime as dt

import pytest
from django.urls import reverse
from icalendar import Calendar

from studio import access_notes, arranging, calendars, diary
from studio.models import User
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def booking():
    factories.make_business()
    factories.make_opening_hours()
    made = factories.make_booking(
        home=factories.make_home(street="4 Millpond Lane, Œuvre Ürümqi " + "x" * 60)
    )
    access_notes.write(made, "Key safe 4711", by=None, now=NOW)
    return made


def read(content):
    calendar = Calendar.from_ical(content)
    (event,) = calendar.walk("VEVENT")
    return calendar, event


def test_an_invitation_has_what_the_standard_asks_for(booking):
    content = calendars.invitation(booking, now=NOW)
    calendar, event = read(content)
    assert (calendar["VERSION"], calendar["METHOD"]) == ("2.0", "REQUEST")
    assert calendar["PRODID"]
    assert event["UID"] == f"{booking.public_id}@bookings.mullion"
    assert event.decoded("DTSTAMP") == NOW
    assert event.decoded("DTSTART") == booking.starts_at
    assert event["DTSTART"].params["TZID"] == "Europe/London"
    assert event["STATUS"] == "CONFIRMED"
    assert "ORGANIZER" in event
    assert "ATTENDEE" in event
    # RFC 5545 section 3.1: lines end in CRLF and are at most 75 octets
    assert all(len(line) <= 75 for line in content.split(b"\r\n"))
    assert b"\n" not in content.replace(b"\r\n", b"")


def test_the_zone_is_described_with_both_of_its_offsets(booking):
    calendar, _ = read(calendars.invitation(booking, now=NOW))
    (zone,) = calendar.walk("VTIMEZONE")
    offsets = {part.decoded("TZOFFSETTO") for part in zone.subcomponents}
    assert offsets == {dt.timedelta(0), dt.timedelta(hours=1)}
    assert len(zone.subcomponents) < 12  # the years at hand, not all of them


def test_a_move_keeps_the_identifier_and_raises_the_sequence(booking):
    _, before = read(calendars.invitation(booking, now=NOW))
    diary.take(booking, booking.starts_at + dt.timedelta(hours=2), booking.photographer, now=NOW)
    _, after = read(calendars.invitation(booking, now=NOW))
    assert after["UID"] == before["UID"]
    assert after["SEQUENCE"] == before["SEQUENCE"] + 1


def test_calling_off_cancels_the_event(booking):
    arranging.call_off(booking, "Sold", by=factories.make_owner(), now=NOW)
    calendar, event = read(calendars.invitation(booking, now=NOW))
    assert (calendar["METHOD"], event["STATUS"], event["SEQUENCE"]) == ("CANCEL", "CANCELLED", 1)


def test_no_way_in_is_ever_written_into_a_calendar(booking):
    feed = calendars.feed(booking.photographer, [booking], now=NOW)
    for content in (calendars.invitation(booking, now=NOW), feed):
        assert b"4711" not in content


def test_the_feed_opens_by_its_secret_address_until_it_is_renewed(client, booking):
    person = booking.photographer
    path = calendars.feed_address(person).split("8000", 1)[-1].replace("http://127.0.0.1", "")
    content = client.get(path).content
    assert f"UID:{booking.public_id}" in content.decode()
    client.force_login(person)
    client.post(reverse("studio:calendar-renew"))
    client.logout()
    assert client.get(path).status_code == 404
    renewed = calendars.feed_address(User.objects.get(pk=person.pk))
    assert client.get(renewed.replace("http://127.0.0.1:8000", "")).status_code == 200
