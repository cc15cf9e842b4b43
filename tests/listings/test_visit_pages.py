"""Today, on site and the booking page: what they show, to whom, with and without scripts."""

import datetime as dt
import json
import re
from uuid import uuid4

import pytest
import time_machine
from django.test import Client as Browser
from django.urls import reverse

from listings import days, shotlists
from listings.models import Operation, PreparationTick, Room, Shot, VisitNote
from studio import access_notes
from studio.models import Booking, Business, Event, User
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
MORNING = NOW + dt.timedelta(days=1)  # the day of make_booking's visit, eight o'clock UTC


@pytest.fixture(autouse=True)
def _clock():  # type: ignore[no-untyped-def]
    with time_machine.travel(MORNING, tick=False):
        yield


@pytest.fixture
def booking() -> Booking:
    factories.make_business()
    row = factories.make_booking()
    shotlists.ensure(row)
    return row


def browser_of(user: User) -> Browser:
    browser = Browser()
    browser.force_login(user, backend="django.contrib.auth.backends.ModelBackend")
    return browser


@pytest.fixture
def phone(booking: Booking) -> Browser:
    return browser_of(booking.photographer)  # type: ignore[arg-type]


def acts(booking: Booking) -> str:
    return reverse("listings:on-site-acts", args=[booking.public_id])


# --- on site ---------------------------------------------------------------------------------------------
def test_a_room_shows_its_views_with_numbers_ticks_and_cautions(phone: Browser, booking: Booking) -> None:
    kitchen = booking.rooms.get(kind="kitchen")
    text = phone.get(
        reverse("listings:on-site-room", args=[booking.public_id, kitchen.public_id])
    ).content.decode()
    assert "24 mm · 1.40 m high · f/6.3 · 5 frames, 2 stops apart" in text
    assert "Every light on" in text
    assert "local codes and licensed practice come first" in text
    assert text.count('aria-pressed="false"') == kitchen.shots.count() + kitchen.preparation.count()
    assert "Next: Dining room" in text


def test_ticking_works_as_a_plain_form_and_a_second_press_of_the_same_form_changes_nothing(
    phone: Browser, booking: Booking
) -> None:
    shot = Shot.objects.filter(room__booking=booking).first()
    form = {"kind": "take", "item": shot.public_id, "room": shot.room.public_id, "uuid": uuid4()}
    response = phone.post(acts(booking), form)
    assert response.status_code == 302
    assert response["Location"].endswith(f"#i{shot.public_id}")
    phone.post(acts(booking), form)
    shot.refresh_from_db()
    assert (shot.taken_at, shot.taken_by) == (MORNING, booking.photographer)
    assert Operation.objects.count() == 1


def test_a_batch_that_arrives_twice_answers_for_each_act(phone: Browser, booking: Booking) -> None:
    tick = PreparationTick.objects.filter(room__booking=booking).first()
    now_ms = int(MORNING.timestamp() * 1000) + 3_600_000  # a phone one hour fast
    batch = {
        "sent_ms": now_ms,
        "acts": [
            {"uuid": str(uuid4()), "kind": "tick", "item": str(tick.public_id), "room": None, "device": "d",
             "sequence": 1, "happened_ms": now_ms - 120_000, "text": ""},
            {"uuid": str(uuid4()), "kind": "leave", "device": "d", "sequence": 2, "happened_ms": now_ms},
        ],
    }  # fmt: skip
    answers = [
        phone.post(acts(booking), json.dumps(batch), content_type="application/json").json() for _ in "12"
    ]
    first, second = (list(answer["results"].values()) for answer in answers)
    assert first[0] == "done"
    assert first[1].startswith("refused: ")
    assert second[0] == "known"
    tick.refresh_from_db()
    assert tick.done_at == MORNING - dt.timedelta(minutes=2)


def test_an_act_that_cannot_be_read_does_not_keep_those_after_it_waiting(
    phone: Browser, booking: Booking
) -> None:
    tick = PreparationTick.objects.filter(room__booking=booking).first()
    now_ms = int(MORNING.timestamp() * 1000)
    bad, long, good = (str(uuid4()) for _ in "123")
    rows = [
        {"uuid": bad, "kind": "of a later version"},
        {"uuid": long, "kind": "note", "text": "n" * 10_000},
        {"uuid": good, "kind": "tick", "item": str(tick.public_id)},
    ]
    body = json.dumps({"sent_ms": now_ms, "acts": rows})
    results = phone.post(acts(booking), body, content_type="application/json").json()["results"]
    assert results[bad].startswith("refused: ")
    assert (results[long], results[good]) == ("done", "done")
    tick.refresh_from_db()
    assert tick.done_at is not None


@pytest.mark.parametrize(
    "body",
    [
        "[]",
        "{",
        '{"acts": [{"kind": "boom"}], "sent_ms": 1}',
        '{"acts": ["x"], "sent_ms": 1}',
        '{"acts": [], "sent_ms": Infinity}',
    ],
)
def test_an_unreadable_batch_is_refused_with_words(phone: Browser, booking: Booking, body: str) -> None:
    response = phone.post(acts(booking), body, content_type="application/json")
    assert response.status_code == 400
    assert "not readable" in response.json()["error"]


def test_before_you_leave_lists_what_is_missing_by_room(phone: Browser, booking: Booking) -> None:
    page = reverse("listings:on-site-leaving", args=[booking.public_id])
    text = phone.get(page).content.decode()
    assert "Leave anyway" in text
    assert re.search(
        r"Kitchen</b></a>\s*<p class=\"stop-text\">To take: from the doorway; along the worktop", text
    )
    refused = phone.post(acts(booking), {"kind": "leave"}, follow=True).content.decode()
    assert "neither taken nor waived" in refused
    phone.post(acts(booking), {"kind": "leave", "text": "Power cut"})
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.VISITED
    assert "Power cut" in phone.get(page).content.decode()


def test_a_room_can_be_added_and_noted_on_site(phone: Browser, booking: Booking) -> None:
    page = reverse("listings:on-site-new-room", args=[booking.public_id])
    response = phone.post(page, {"kind": "study", "name": "Reading room", "uuid": uuid4()})
    room = Room.objects.get(booking=booking, name="Reading room")
    assert response["Location"].endswith(f"/on-site/{room.public_id}/")
    phone.post(acts(booking), {"kind": "note", "room": room.public_id, "text": "Shelf is fixed."})
    assert "Shelf is fixed." in phone.get(response["Location"]).content.decode()
    assert VisitNote.objects.get().written_by == booking.photographer


def test_how_to_get_in_is_for_the_assigned_and_the_owner_and_every_look_is_noted(booking: Booking) -> None:
    access_notes.write(booking, "Key safe, 4711", by=None, now=NOW)
    way_in = reverse("listings:on-site", args=[booking.public_id])
    read = reverse("studio:access-note-read", args=[booking.public_id])
    for user in (booking.photographer, factories.make_owner()):
        browser = browser_of(user)  # type: ignore[arg-type]
        page = browser.get(way_in).content.decode()
        assert read in page
        assert "4711" not in page
        assert "4711" in browser.post(read).content.decode()
    other = browser_of(factories.make_photographer())
    assert read not in other.get(way_in).content.decode()
    assert "4711" not in other.post(read).content.decode()
    assert Event.objects.filter(verb="read the access note").count() == 2


# --- today ------------------------------------------------------------------------------------------------
def test_the_day_shows_homes_in_order_with_the_way_between(booking: Booking) -> None:
    booking.home.latitude_deg, booking.home.longitude_deg = 51.5, -0.5
    booking.home.save()
    home = factories.make_home(latitude_deg=51.5, longitude_deg=-0.4, street="Later Road")
    later = booking.starts_at + dt.timedelta(hours=3)  # type: ignore[operator]
    factories.make_booking(home=home, photographer=booking.photographer, starts_at=later)
    first, second = days.visits(MORNING.date(), booking.photographer, Business.current())  # type: ignore[arg-type]
    assert first.booking == booking
    assert first.leg is None
    # 0.1 degree of longitude at 51.5 degrees north is 6.92 km (great circle), times the road factor 1.3.
    assert second.leg.road_km == pytest.approx(9.0, abs=0.1)  # type: ignore[union-attr]
    assert second.leg.minutes == 15  # type: ignore[union-attr]
    text = browser_of(booking.photographer).get(reverse("listings:today")).content.decode()  # type: ignore[arg-type]
    in_the_list = text[text.index("<main") :]
    words = (booking.home.street, "15 min on the road", "Later Road")
    places = [in_the_list.index(part) for part in words]
    assert places == sorted(places)
    assert ">11:00<" in text  # ten o'clock UTC in British summer time


def test_a_photographer_sees_the_own_day_and_the_owner_everyones(booking: Booking) -> None:
    page = reverse("listings:today")
    assert booking.home.street in browser_of(factories.make_owner()).get(page).content.decode()
    assert booking.home.street not in browser_of(factories.make_photographer()).get(page).content.decode()


@pytest.mark.parametrize(
    ("state", "days_ago", "words"),
    [
        (Booking.State.AGREED, 1, "The visit was not begun."),
        (Booking.State.UNDER_WAY, 1, "The visit is not closed."),
        (Booking.State.VISITED, 3, "The set was due. Put the files in."),
        (Booking.State.VISITED, 0.3, None),
        (Booking.State.SENT, 9, None),
    ],
)
def test_what_is_late_is_said(booking: Booking, state: str, days_ago: float, words: str | None) -> None:
    starts_at = MORNING - dt.timedelta(days=days_ago)
    Booking.objects.filter(pk=booking.pk).update(
        state=state, starts_at=starts_at, ends_at=starts_at + dt.timedelta(hours=1)
    )
    found = days.late(MORNING, booking.photographer, Business.current())  # type: ignore[arg-type]
    assert [entry.words for entry in found] == ([words] if words else [])


def test_a_set_is_due_at_the_end_of_the_next_business_day() -> None:
    # Common practice, no standard: next business day; Friday's visit is due on Monday.
    business = factories.make_business()
    friday = dt.datetime(2027, 6, 4, 15, tzinfo=dt.UTC)
    assert days.due_at(friday, business) == dt.datetime(2027, 6, 8, 0, tzinfo=business.zone)


def test_a_day_that_does_not_exist_is_not_found(phone: Browser) -> None:
    assert phone.get("/today/2027-2-31/").status_code == 404


def test_the_day_costs_the_same_queries_for_one_home_and_for_many(
    phone: Browser, booking: Booking, django_assert_max_num_queries: object
) -> None:
    for hour in range(1, 6):
        starts_at = booking.starts_at + dt.timedelta(hours=hour * 2)  # type: ignore[operator]
        shotlists.ensure(factories.make_booking(photographer=booking.photographer, starts_at=starts_at))
    with django_assert_max_num_queries(9):  # type: ignore[operator]
        phone.get(reverse("listings:today"))


# --- the booking -----------------------------------------------------------------------------------------
def test_staff_find_everything_about_a_booking_on_one_page(phone: Browser, booking: Booking) -> None:
    text = phone.get(reverse("listings:booking", args=[booking.public_id])).content.decode()
    for words in (
        booking.home.street,
        booking.client.name,
        "Kitchen",
        "2 to take",
        "€252.00",
        "Bring in frames",
    ):
        assert words in text


def test_a_client_sees_the_own_booking_without_the_studios_side(booking: Booking) -> None:
    browser = Browser()
    factories.sign_in_client(browser, booking.client)
    text = browser.get(reverse("listings:booking", args=[booking.public_id])).content.decode()
    assert booking.home.street in text
    assert "Shot list" not in text
    assert "Bring in" not in text
    other = Browser()
    factories.sign_in_client(other, factories.make_client())
    assert other.get(reverse("listings:booking", args=[booking.public_id])).status_code == 404
