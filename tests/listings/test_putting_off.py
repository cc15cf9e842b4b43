"""Outside pictures put off for the weather: one tap, one short visit, no second price."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine
from django.test import Client as Browser
from django.urls import reverse

from listings import operations, putting_off, shotlists
from listings.models import Room, Shot
from studio import arranging, diary, second_visits
from studio.models import Booking, Business, Event, Message
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
LINES = [
    {"description": "Pictures of a home up to 140 m²", "unit_minor": 21000, "minutes": 90, "code": "base"},
    {
        "description": "Outside pictures", "unit_minor": 4500, "minutes": 20, "code": "outside",
        "tax_name": "Reduced", "tax_percent": "7",
    },
]  # fmt: skip


@pytest.fixture(autouse=True)
def _clock() -> Any:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def booking() -> Booking:
    factories.make_business()
    factories.make_opening_hours()
    row = factories.make_booking(
        wants_outside=True, lines=LINES, access_contact="Mrs Fen, 555-0131", state=Booking.State.UNDER_WAY
    )
    shotlists.ensure(row)
    return row


@pytest.fixture
def browser(booking: Booking, client: Browser) -> Browser:
    assert booking.photographer is not None
    client.force_login(booking.photographer, backend="django.contrib.auth.backends.ModelBackend")
    return client


def tap(browser: Browser, booking: Booking) -> Any:
    return browser.post(reverse("listings:booking-put-off", args=[booking.public_id]), follow=True)


def kinds(booking: Booking) -> list[str]:
    return list(Room.objects.filter(booking=booking).values_list("kind", flat=True))


def test_one_tap_makes_a_short_visit_for_the_outside_alone(browser: Browser, booking: Booking) -> None:
    front = Shot.objects.filter(room__booking=booking, room__kind="front")
    taken = front[0]
    front.filter(pk=taken.pk).update(taken_at=NOW)
    before = list(front.exclude(pk=taken.pk).values_list("view", flat=True))
    tap(browser, booking)
    tap(browser, booking)  # a second tap finds the first one's
    second = booking.second_visits.get()
    assert second.state == Booking.State.ASKED
    assert (second.client, second.home, second.access_contact) == (
        booking.client, booking.home, booking.access_contact,
    )  # fmt: skip
    shotlists.ensure(second)
    assert set(kinds(second)) <= set(putting_off.OUTSIDE)
    assert "garden" in kinds(second)
    # What was taken stays taken and isn't wanted again; the rest is wanted there and no longer here.
    assert (
        list(Shot.objects.filter(room__booking=second, room__kind="front").values_list("view", flat=True))
        == before
    )
    assert {shot.room.kind for shot in operations.missing_shots(booking)}.isdisjoint(putting_off.OUTSIDE)
    assert Shot.objects.get(pk=taken.pk).taken_at == NOW
    reasons = Shot.objects.filter(room__booking=booking, room__kind="garden")
    assert {shot.waived_reason for shot in reasons} == {f"Put off for the weather, see {second.number}"}


def test_the_price_is_not_asked_for_twice(browser: Browser, booking: Booking) -> None:
    tap(browser, booking)
    second = booking.second_visits.get()
    [line] = second.lines.all()
    assert (line.unit_minor, line.tax_name, line.minutes) == (0, "Reduced", 30)
    assert [line.unit_minor for line in booking.lines.all()] == [21000, 4500]
    assert "It costs nothing more." in Message.objects.get(kind="put-off").body


def test_the_owners_fee_and_length_stand_in_the_line_and_the_letter(
    browser: Browser, booking: Booking
) -> None:
    Business.objects.update(second_visit_fee_minor=2500, second_visit_minutes=25)
    tap(browser, booking)
    second = booking.second_visits.get()
    assert [line.unit_minor for line in second.lines.all()] == [2500]
    [letter] = Message.objects.filter(kind="put-off")
    assert letter.to == booking.client.email
    assert "about 25 minutes" in letter.body
    assert "25.00 before tax." in letter.body
    assert reverse("listings:booking", args=[second.public_id]) in letter.body
    # Shorter than any first visit, and taken as long as it is.
    assert Business.current().shortest_visit_minutes > 25
    assert diary.visit_minutes(second, Business.current()) == 25
    assert second.photographer is not None
    arranging.set_time(
        second, NOW + dt.timedelta(days=2, hours=2), second.photographer, by=second.photographer, now=NOW
    )
    assert second.length == dt.timedelta(minutes=25)


def test_both_pages_lead_to_each_other_for_staff_and_client(browser: Browser, booking: Booking) -> None:
    page = reverse("listings:booking", args=[booking.public_id])
    assert "Put the outside off" in browser.get(page).content.decode()
    tap(browser, booking)
    second = booking.second_visits.get()
    there = reverse("listings:booking", args=[second.public_id])
    agent = Browser()
    factories.sign_in_client(agent, booking.client)
    for visitor in (browser, agent):
        assert f'href="{there}"' in visitor.get(page).content.decode()
        assert f'href="{page}"' in visitor.get(there).content.decode()
        assert "Put the outside off" not in visitor.get(page).content.decode()
    verbs = set(Event.objects.values_list("verb", flat=True))
    assert verbs >= {
        f"put the outside off for the weather: {second.number}", f"made for the outside of {booking.number}"
    }  # fmt: skip


def test_after_a_second_visit_was_called_off_it_can_be_put_off_again(
    browser: Browser, booking: Booking
) -> None:
    tap(browser, booking)
    second = booking.second_visits.get()
    arranging.call_off(second, "Sunny after all", by=booking.client, now=NOW)
    tap(browser, booking)
    again = second_visits.of(booking)
    assert again is not None
    assert again != second
    assert kinds(again) == kinds(second)


@pytest.mark.parametrize("state", ["asked", "held", "sent", "closed", "called_off"])
def test_nothing_is_put_off_before_a_visit_is_agreed_or_after_the_set_is_sent(
    browser: Browser, booking: Booking, state: str
) -> None:
    Booking.objects.filter(pk=booking.pk).update(state=state)
    assert "nothing can be put off" in tap(browser, booking).content.decode()
    assert not booking.second_visits.exists()


def test_a_second_visit_is_moved_and_not_put_off(browser: Browser, booking: Booking) -> None:
    tap(browser, booking)
    second = booking.second_visits.get()
    Booking.objects.filter(pk=second.pk).update(state=Booking.State.AGREED)
    assert "moved to another time instead" in tap(browser, second).content.decode()


def test_without_outside_views_there_is_nothing_to_put_off(browser: Browser) -> None:
    inside = factories.make_booking()
    assert "nothing to put off" in tap(browser, inside).content.decode()
    assert not inside.second_visits.exists()


def test_more_rooms_of_the_home_do_not_come_onto_the_second_list(browser: Browser, booking: Booking) -> None:
    tap(browser, booking)
    second = booking.second_visits.get()
    second.home.bedrooms = 6
    second.home.save()
    shotlists.ensure(second)
    assert set(kinds(second)) <= set(putting_off.OUTSIDE)


def test_the_fee_is_kept_as_it_is_written_and_never_less_than_nothing(client: Browser) -> None:
    factories.make_business()
    client.force_login(factories.make_owner())
    path = reverse("studio:letters")
    shown: Any = client.get(path).context["form"]
    values = {bound.html_name: bound.value() for bound in shown if bound.value() is not None}
    assert client.post(path, values | {"second_visit_fee": "-1"}).status_code == 422
    assert client.post(path, values | {"second_visit_fee": "25.50"}).status_code == 302
    assert Business.current().second_visit_fee_minor == 2550
