"""Reminders the day before: to whom, when by the business's clock, and never twice for one time."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.test import Client as Browser
from django.urls import reverse

from studio import access_notes, arranging, letters, reminders, sweep
from studio.forms.house import LettersForm
from studio.models import Booking, Business, Event, Message
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
# make_booking's visit is on 3 June at 10:00 UTC, eleven in London; the reminder's hour is ten, nine UTC.
DUE = dt.datetime(2027, 6, 2, 9, 0, tzinfo=dt.UTC)


@pytest.fixture
def booking() -> Booking:
    factories.make_business()
    return factories.make_booking(access_contact="Mrs Fen, 555-0131, fen@millpond.example")


def reminded(kind: str = "reminder") -> list[Message]:
    return list(Message.objects.filter(kind=kind).order_by("pk"))


def test_client_and_contact_are_reminded_once_at_the_owners_hour(booking: Booking) -> None:
    assert reminders.send_due(now=DUE - dt.timedelta(seconds=1)) == 0
    sweep.run(DUE)
    sweep.run(DUE + dt.timedelta(seconds=30))
    [to_client], [to_contact] = reminded(), reminded("reminder-contact")
    assert (to_client.to, to_contact.to) == (booking.client.email, "fen@millpond.example")
    for message in (to_client, to_contact):
        assert "Thursday 3 June 2027, 11:00" in message.body
        assert booking.photographer.name in message.body  # type: ignore[union-attr]
        assert letters.preparation_address(booking) in message.body
    # The contact has no account: nothing leads to the page of the booking.
    assert reverse("listings:booking", args=[booking.public_id]) not in to_contact.body
    assert Event.objects.get(verb="sent the reminder").detail == {"contact": True}


@pytest.mark.parametrize("contact", ["", "Mrs Fen, 555-0131", "a@b", "<AGENT>"])
def test_without_another_mail_address_only_the_client_is_written_to(booking: Booking, contact: str) -> None:
    booking.access_contact = contact.replace("AGENT", booking.client.email.upper())
    booking.save(update_fields=["access_contact"])
    reminders.send_due(now=DUE)
    assert [message.to for message in Message.objects.all()] == [booking.client.email]


def test_how_to_get_in_stands_in_no_letter(booking: Booking) -> None:
    access_notes.write(booking, "Key safe 4711", by=booking.client, now=NOW)
    reminders.send_due(now=DUE)
    assert not [message for message in Message.objects.all() if "4711" in message.body]


def test_another_time_is_reminded_of_again(booking: Booking) -> None:
    reminders.send_due(now=DUE)
    assert booking.photographer is not None
    booking.refresh_from_db()
    later = DUE + dt.timedelta(days=1, hours=4)
    arranging.set_time(booking, later, booking.photographer, by=booking.photographer, now=DUE)
    for _ in range(2):
        reminders.send_due(now=DUE + dt.timedelta(minutes=1))
    assert [("14:00" in message.body) for message in reminded()] == [False, True]


@pytest.mark.parametrize("state", [state for state in Booking.State if state != Booking.State.AGREED])
def test_only_an_agreed_visit_is_reminded_of(booking: Booking, state: str) -> None:
    Booking.objects.filter(pk=booking.pk).update(state=state)
    assert reminders.send_due(now=DUE) == 0


def test_a_visit_that_has_begun_or_an_empty_hour_sends_nothing(booking: Booking) -> None:
    assert booking.starts_at is not None
    assert reminders.send_due(now=booking.starts_at) == 0
    Business.objects.update(reminder_hour=None)
    assert reminders.send_due(now=DUE) == 0


@pytest.mark.parametrize(
    ("visit", "hour", "due"),
    [
        # Clocks go forward on 28 March 2027 at 1:00 UTC, back on 31 October (IANA zone data, Europe/London).
        ("2027-03-29T09:00:00+00:00", 10, "2027-03-28T09:00:00+00:00"),
        ("2027-03-28T09:00:00+00:00", 10, "2027-03-27T10:00:00+00:00"),
        ("2027-03-29T09:00:00+00:00", 1, "2027-03-28T01:00:00+00:00"),  # an hour that is skipped
        ("2027-11-01T10:00:00+00:00", 10, "2027-10-31T10:00:00+00:00"),
        ("2027-11-01T10:00:00+00:00", 1, "2027-10-31T00:00:00+00:00"),  # an hour that comes twice
        ("2027-11-01T23:30:00+00:00", 0, "2027-10-30T23:00:00+00:00"),  # 48 hours and a half before
    ],
)
def test_the_hour_is_the_clocks_also_when_clocks_change(
    booking: Booking, visit: str, hour: int, due: str
) -> None:
    business = Business.current()
    business.reminder_hour = hour
    business.save()
    at = dt.datetime.fromisoformat(visit)
    moment = dt.datetime.fromisoformat(due)
    assert reminders.due_at(at, business) == moment
    Booking.objects.filter(pk=booking.pk).update(starts_at=at)
    assert reminders.send_due(now=moment - dt.timedelta(seconds=1)) == 0
    assert reminders.send_due(now=moment) == 1


def test_the_household_says_ready_on_the_page_of_the_letter(booking: Booking, client: Browser) -> None:
    with time_machine.travel(DUE, tick=False):
        path = letters.preparation_address(booking).removeprefix("http://localhost")
        path = reverse("studio:preparation", args=path.strip("/").split("/")[-2:])
        assert "The home will be ready" in client.get(path).content.decode()
        client.post(path)
        reminders.send_due(now=DUE)
    assert "has told us that the home will be ready" in reminded()[0].body


def test_what_the_owner_sets_is_in_the_developers_table() -> None:
    root = Path(__file__).resolve().parent.parent.parent
    text = (root / "DEVELOPERS.md").read_text()
    assert not [name for name in LettersForm.base_fields if f"`{name}`" not in text]


def test_the_owner_sets_the_hour(client: Browser) -> None:
    factories.make_business()
    client.force_login(factories.make_owner())
    path = reverse("studio:letters")
    shown: Any = client.get(path).context["form"]
    values = {bound.html_name: bound.value() for bound in shown if bound.value() is not None}
    assert client.post(path, values | {"reminder_hour": "24"}).status_code == 422
    assert client.post(path, values | {"reminder_hour": "16"}).status_code == 302
    assert Business.current().reminder_hour == 16
    assert client.post(path, values | {"reminder_hour": ""}).status_code == 302
    assert Business.current().reminder_hour is None
