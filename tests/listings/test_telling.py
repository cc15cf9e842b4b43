"""Words from the road: who is told, once for a tap, and what a phone without signal sends late."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.test import Client as Browser
from django.urls import reverse

from studio import access_notes, telling
from studio.models import Booking, Business, Event, Message
from studio.models.business import validate_minutes
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
# make_booking's visit begins at 10:00 UTC on 3 June, eleven o'clock in London.
START = NOW + dt.timedelta(days=1, hours=2)
ON_THE_ROAD = START - dt.timedelta(minutes=40)


@pytest.fixture(autouse=True)
def _clock() -> Any:
    with time_machine.travel(ON_THE_ROAD, tick=False):
        yield


@pytest.fixture
def booking() -> Booking:
    factories.make_business()
    return factories.make_booking(access_contact="Mrs Fen <fen@millpond.example>")


@pytest.fixture
def phone(booking: Booking, client: Browser) -> Browser:
    assert booking.photographer is not None
    client.force_login(booking.photographer, backend="django.contrib.auth.backends.ModelBackend")
    return client


def tap(phone: Browser, booking: Booking, kind: str, **more: Any) -> Any:
    path = reverse("listings:on-site-acts", args=[booking.public_id])
    return phone.post(path, {"kind": kind, **more}, follow=True)


def late(booking: Booking, minutes: int, *, said_at: dt.datetime, now: dt.datetime | None = None) -> bool:
    assert booking.photographer is not None
    return telling.running_late(
        booking, minutes, by=booking.photographer, said_at=said_at, now=now or said_at
    )


def told() -> list[tuple[str, str]]:
    return list(Message.objects.order_by("pk").values_list("kind", "to"))


def test_one_tap_tells_client_and_contact_and_stands_in_the_history(phone: Browser, booking: Booking) -> None:
    access_notes.write(booking, "Key safe 4711", by=booking.client, now=NOW)
    text = tap(phone, booking, "on-my-way").content.decode()
    assert told() == [("on-my-way", booking.client.email), ("on-my-way-contact", "fen@millpond.example")]
    assert "On my way; told at 10:20: Cleo Tansy and whoever opens the door" in text
    bodies = [message.body for message in Message.objects.all()]
    assert all("is on the way. The visit is agreed for 11:00." in body for body in bodies)
    assert not [body for body in bodies if "4711" in body]
    page = phone.get(reverse("listings:booking", args=[booking.public_id])).content.decode()
    assert "said: on my way" in page


def test_the_same_word_is_not_sent_twice_within_some_minutes(phone: Browser, booking: Booking) -> None:
    for minutes in (0, 9):
        with time_machine.travel(ON_THE_ROAD + dt.timedelta(minutes=minutes), tick=False):
            tap(phone, booking, "on-my-way")
    assert len(told()) == 2
    with time_machine.travel(ON_THE_ROAD + dt.timedelta(minutes=10), tick=False):
        tap(phone, booking, "on-my-way")
    assert len(told()) == 4


def test_running_late_says_the_new_time_and_another_delay_is_news(phone: Browser, booking: Booking) -> None:
    tap(phone, booking, "late", text="20")
    tap(phone, booking, "late", text="20")
    assert len(told()) == 2
    assert "about 20 minutes late" in Message.objects.latest("pk").body
    assert "at about 11:20 instead of 11:00" in Message.objects.latest("pk").body
    tap(phone, booking, "late", text="30")
    assert "at about 11:30 instead of 11:00" in Message.objects.latest("pk").body
    verbs = Event.objects.filter(detail__told="late").order_by("pk").values_list("verb", flat=True)
    assert list(verbs) == ["said: 20 min late, at about 11:20", "said: 30 min late, at about 11:30"]


def test_after_the_agreed_time_the_minutes_count_from_the_tap(booking: Booking) -> None:
    late(booking, 10, said_at=START + dt.timedelta(minutes=15))
    assert "at about 11:25 instead" in Message.objects.latest("pk").body


def test_a_batch_kept_without_signal_is_told_once_and_not_too_late(phone: Browser, booking: Booking) -> None:
    def send(*minutes_ago: int) -> list[str]:
        now_ms = int(ON_THE_ROAD.timestamp() * 1000)
        acts = [
            {"uuid": str(uuid4()), "kind": "on-my-way", "happened_ms": now_ms - ago * 60_000}
            for ago in minutes_ago
        ]
        body = json.dumps({"sent_ms": now_ms, "acts": acts})
        path = reverse("listings:on-site-acts", args=[booking.public_id])
        answer = phone.post(path, body, content_type="application/json")
        return list(answer.json()["results"].values())

    [old] = send(31)
    assert old.startswith("refused: What was said at 9:49 reached us only at 10:20")
    assert told() == []
    assert send(12, 1) == ["done", "done"]
    assert len(told()) == 2


def test_a_delay_that_is_over_when_it_arrives_tells_nobody(booking: Booking) -> None:
    with pytest.raises(telling.NotTold, match="10 min late was to be at 11:10, and that is over"):
        late(
            booking,
            10,
            said_at=START - dt.timedelta(minutes=5),
            now=START + dt.timedelta(minutes=10),
        )


@pytest.mark.parametrize("change", ["state", "day", "time"])
def test_only_the_day_of_an_agreed_visit_has_such_words(
    phone: Browser, booking: Booking, change: str
) -> None:
    changes: dict[str, dict[str, Any]] = {
        "state": {"state": Booking.State.UNDER_WAY},
        "day": {"starts_at": START + dt.timedelta(days=1)},
        "time": {"starts_at": None},
    }
    Booking.objects.filter(pk=booking.pk).update(**changes[change])
    assert "Nobody was told" in tap(phone, booking, "on-my-way").content.decode()
    assert told() == []
    assert not booking.operations.exists()


@pytest.mark.parametrize("minutes", ["0", "241", "-5", "soon", "²", "99999"])
def test_a_delay_that_nobody_can_mean_is_refused(phone: Browser, booking: Booking, minutes: str) -> None:
    assert "Late by how much?" in tap(phone, booking, "late", text=minutes).content.decode()
    assert told() == []


def test_todays_page_has_the_words_for_visits_that_are_to_come(phone: Browser, booking: Booking) -> None:
    Business.objects.update(late_choices="5,25")
    page = phone.get(reverse("listings:today")).content.decode()
    assert page.count('value="on-my-way"') == 1
    assert "Running 5 minutes late" in page
    assert "Running 25 minutes late" in page
    tomorrow = phone.get(reverse("listings:day", args=[2027, 6, 4])).content.decode()
    Booking.objects.filter(pk=booking.pk).update(state=Booking.State.VISITED)
    for text in (tomorrow, phone.get(reverse("listings:today")).content.decode()):
        assert "on-my-way" not in text


@pytest.mark.parametrize("text", ["", "0", "5;10", "5,,10", "1000", "1,2,3,4,5,6", "٥"])
def test_choices_that_are_no_minutes_are_refused(text: str) -> None:
    with pytest.raises(ValidationError):
        validate_minutes(text)
