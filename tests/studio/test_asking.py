"""From a stranger's request to a booking, and what an agent can do with it afterwards."""

import datetime as dt
import re

import pytest
import time_machine
from django.urls import reverse

from studio import access_notes, arranging, asking, defaults, diary, letters, quoting
from studio.errors import NotFree, StaleState
from studio.models import Booking, BookingRequest, Client, Event, Message, Terms
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
UTC = dt.UTC
TEN = NOW + dt.timedelta(days=1, hours=1)  # Thursday, ten o'clock in London


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def piet():
    factories.make_business()
    factories.make_price_list()
    defaults.ensure(now=NOW)
    return factories.make_photographer()


def answers(**changed):
    """What a browser sends from the request page."""
    return {
        "street": "4 Millpond Lane", "city": "Harrowmere", "postcode": "HM4 2", "kind": "house",
        "floor_area_m2": "95", "bedrooms": "3", "bathrooms": "2", "floors": "2", "occupied_by": "owner",
        "extras": ["outside"], "wishes": "The garden door.", "access_contact": "Mrs Fen, 555-0131",
        "access_note": "Key safe, 4711", "name": "Cleo Tansy", "email": "Cleo@tansy-rook.example",
        "phone": "555-0118", "agency": "Tansy & Rook", "starts_at": TEN.isoformat(), "accepts": "on",
        "terms_version": "1", "homepage": "", "send": "1",
    } | changed  # fmt: skip


def link_in(message):
    return re.search(r"http://\S+?(/request/\S+)", message.body)[1]


def send_and_confirm(browser, **changed):
    assert browser.post(reverse("studio:request"), answers(**changed)).status_code == 200
    path = link_in(Message.objects.get(kind="confirm-request"))
    return browser.post(path)


def test_a_strangers_request_takes_no_time_until_the_mail_is_confirmed(client, piet):
    client.post(reverse("studio:request"), answers())
    assert not Booking.objects.exists()
    assert not Client.objects.exists()
    assert TEN in [free.starts_at for free in diary.free_times(home=None, minutes=60, now=NOW)]
    request = BookingRequest.objects.get()
    assert "4711" not in str(request.answers)  # sealed
    assert (request.terms, request.terms_accepted_at) == (Terms.current(), NOW)


def test_the_button_behind_the_link_makes_the_booking_and_signs_the_agent_in(client, piet):
    response = send_and_confirm(client)
    booking = Booking.objects.get()
    assert response.url == reverse("listings:booking", args=[booking.public_id])
    assert (booking.state, booking.starts_at, booking.photographer) == ("asked", TEN, piet)
    assert (booking.client.email, booking.client.agency.name) == ("cleo@tansy-rook.example", "Tansy & Rook")
    assert [line.code for line in booking.lines.all()] == ["base-140", "outside"]
    assert (booking.terms.version, booking.terms_accepted_at) == (1, NOW)
    assert access_notes.read(booking, by=piet, now=NOW) == "Key safe, 4711"
    assert BookingRequest.objects.get().answers["access_note"] == ""
    assert client.get(reverse("studio:start")).context["client"] == booking.client


def test_looking_at_the_link_does_nothing_and_pressing_twice_books_once(client, piet):
    client.post(reverse("studio:request"), answers())
    path = link_in(Message.objects.get(kind="confirm-request"))
    page = client.get(path)
    assert page.status_code == 200
    assert page.context["totals"].total_minor == page.context["totals"].net_minor * 120 // 100  # 20 % VAT
    assert f"€{page.context['totals'].total_minor / 100:.2f}" in page.content.decode()
    assert not Booking.objects.exists()
    client.post(path)
    assert client.post(path).status_code == 410
    assert Booking.objects.count() == 1


def test_a_wrong_token_finds_nothing(client, piet):
    client.post(reverse("studio:request"), answers())
    path = link_in(Message.objects.get(kind="confirm-request"))
    changed = path[:-2] + ("a" if path[-2] != "a" else "b") + "/"
    assert client.post(changed).status_code == 404


def test_a_link_that_ran_out_books_nothing(client, piet):
    client.post(reverse("studio:request"), answers())
    path = link_in(Message.objects.get(kind="confirm-request"))
    with time_machine.travel(NOW + dt.timedelta(hours=24), tick=False):
        assert client.get(path).status_code == 410
        assert client.post(path).url == reverse("studio:request")
    assert not Booking.objects.exists()


def test_staff_can_take_a_request_whose_sender_they_know(client, piet):
    client.post(reverse("studio:request"), answers())
    client.force_login(factories.make_owner())
    request = BookingRequest.objects.get()
    client.post(reverse("studio:request-take", args=[request.public_id]))
    assert Booking.objects.get().state == "agreed"


def test_a_time_that_went_meanwhile_leaves_a_booking_without_time(client, piet):
    client.post(reverse("studio:request"), answers())
    factories.make_booking(photographer=piet, starts_at=TEN)
    response = client.post(link_in(Message.objects.get(kind="confirm-request")))
    booking = Booking.objects.get(client__email="cleo@tansy-rook.example")
    assert (booking.state, booking.starts_at) == ("asked", None)
    assert Event.objects.filter(booking=booking, verb="the wanted time was gone").exists()
    page = client.get(response.url)
    assert page.status_code == 200
    assert "14:00" in page.content.decode()  # the next free times stand there


@pytest.mark.parametrize(("is_known", "state"), [(True, "agreed"), (False, "asked")])
def test_a_signed_in_agent_asks_without_a_mail_and_a_known_one_is_agreed_at_once(
    client, piet, is_known, state
):
    agent = factories.make_client(is_known=is_known)
    factories.sign_in_client(client, agent)
    response = client.post(reverse("studio:request"), answers())
    booking = Booking.objects.get()
    assert response.url == reverse("listings:booking", args=[booking.public_id])
    assert (booking.client, booking.state) == (agent, state)
    assert not Message.objects.filter(kind="confirm-request").exists()


def test_prices_are_those_that_stood_on_the_page(client, piet):
    client.post(reverse("studio:request"), answers())
    factories.make_price_list(valid_from=NOW.date()).items.update(amount_minor=1)
    client.post(link_in(Message.objects.get(kind="confirm-request")))
    assert quoting.totals_of(Booking.objects.get()).net_minor == 21000 + 4500


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"accepts": ""}, "read and accept the terms"),
        ({"email": "nobody"}, "valid email"),
        ({"floor_area_m2": "6"}, "Between 10 and 5000"),
        ({"point": "over there"}, "not a map point"),
        ({"starts_at": "tomorrow"}, "one of the free times"),
        ({"terms_version": "0"}, "terms have changed"),
        ({"homepage": "http://spam.example"}, "leave this empty"),
    ],
)
def test_an_answer_that_can_not_be_used_says_so_and_sends_nothing(client, piet, changed, words):
    response = client.post(reverse("studio:request"), answers(**changed))
    assert response.status_code == 422
    assert not BookingRequest.objects.exists()
    page = response.content.decode()
    assert words in page or "homepage" in changed
    assert "4 Millpond Lane" in page  # nothing written is lost


def test_the_price_builds_up_without_sending(client, piet):
    response = client.post(reverse("studio:request-look"), answers(extras=["outside", "details"], email=""))
    page = response.content.decode()
    assert "Detail pictures" in page
    assert "€363.60" in page  # (210.00 + 45.00 + 6 x 8.00) and 20 % tax
    assert not BookingRequest.objects.exists()


def test_without_scripts_a_button_looks_up_price_and_times(client, piet):
    values = answers()
    del values["send"]
    response = client.post(reverse("studio:request"), values | {"look": "1"})
    assert response.status_code == 200
    assert response.context["quote"].net_minor == 25500
    assert not BookingRequest.objects.exists()


def test_many_requests_from_one_place_within_a_day_are_stopped(client, piet):
    for n in range(asking.PER_DAY_FROM_AN_ADDRESS):
        assert client.post(reverse("studio:request"), answers(email=f"a{n}@mill.example")).status_code == 200
    assert client.post(reverse("studio:request"), answers(email="one@more.example")).status_code == 429
    with time_machine.travel(NOW + dt.timedelta(days=1, seconds=1), tick=False):
        late = answers(email="one@more.example", starts_at="")
        assert client.post(reverse("studio:request"), late).status_code == 200


def test_a_proposal_is_kept_for_the_answer_and_accepted_by_the_client(client, piet):
    booking = factories.make_booking(state="asked", starts_at=None, photographer=None)
    owner = factories.make_owner()
    arranging.propose(booking, TEN, None, by=owner, now=NOW)
    assert (booking.state, booking.held_until) == ("held", NOW + dt.timedelta(hours=48))
    factories.sign_in_client(client, booking.client)
    client.post(reverse("studio:booking-accept", args=[booking.public_id]))
    booking.refresh_from_db()
    assert (booking.state, booking.starts_at) == ("agreed", TEN)


def test_nobody_agrees_to_a_time_that_was_not_on_the_button(client, piet):
    booking = factories.make_booking(state="asked", starts_at=None, photographer=None)
    owner = factories.make_owner()
    arranging.propose(booking, TEN, None, by=owner, now=NOW)
    factories.sign_in_client(client, booking.client)
    page = client.get(reverse("listings:booking", args=[booking.public_id])).content.decode()
    seen = re.search(r'name="seen" value="([^"]+)"', page)[1]
    arranging.propose(booking, TEN + dt.timedelta(hours=3), None, by=owner, now=NOW)
    accept = reverse("studio:booking-accept", args=[booking.public_id])
    assert "has changed meanwhile" in client.post(accept, {"seen": seen}, follow=True).content.decode()
    booking.refresh_from_db()
    assert booking.state == "held"
    client.post(accept, {"seen": (TEN + dt.timedelta(hours=3)).isoformat()})
    booking.refresh_from_db()
    assert booking.state == "agreed"


def test_staff_do_not_agree_to_a_time_that_is_kept_no_longer(piet):
    booking = factories.make_booking(state="asked", starts_at=None, photographer=None)
    owner = factories.make_owner()
    arranging.propose(booking, TEN, None, by=owner, now=NOW)
    with pytest.raises(NotFree, match="free for others"):
        arranging.agree(booking, by=owner, now=NOW + dt.timedelta(hours=48))


@pytest.mark.parametrize("moment", ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2027-06-03"])
def test_a_time_that_no_calendar_has_is_refused_with_words(client, piet, moment):
    page = client.post(reverse("studio:request"), answers(starts_at=moment))
    assert page.status_code == 422
    assert client.post(reverse("studio:request-look"), answers(starts_at=moment)).status_code == 200


def test_a_proposal_that_ran_out_can_not_be_accepted(piet):
    booking = factories.make_booking(state="asked", starts_at=None, photographer=None)
    arranging.propose(booking, TEN, None, by=factories.make_owner(), now=NOW)
    with pytest.raises(NotFree, match="free for others"):
        arranging.accept(booking, by=booking.client, now=NOW + dt.timedelta(hours=48))


@pytest.mark.parametrize(("hours_before", "is_allowed"), [(25, True), (24, True), (23, False)])
def test_an_agent_moves_and_calls_off_within_the_terms_only(client, piet, hours_before, is_allowed):
    booking = factories.make_booking(
        photographer=piet, starts_at=TEN + dt.timedelta(days=4), terms=Terms.current()
    )
    factories.sign_in_client(client, booking.client)
    with time_machine.travel(booking.starts_at - dt.timedelta(hours=hours_before), tick=False):
        client.post(
            reverse("studio:booking-call-off", args=[booking.public_id]), {"off-reason": "Sold already"}
        )
    booking.refresh_from_db()
    assert booking.state == ("called_off" if is_allowed else "agreed")


def test_staff_write_down_a_booking_with_client_address_and_day(client, piet):
    agent = factories.make_client()
    client.force_login(factories.make_owner())
    response = client.post(
        reverse("studio:booking-enter"),
        {"client": agent.pk, "street": "9 Weir Street", "city": "Harrowmere", "on": "2027-06-03",
         "kind": "house", "occupied_by": "owner", "bedrooms": "2", "bathrooms": "1", "floors": "1"},
    )  # fmt: skip
    booking = Booking.objects.get()
    assert response.url == reverse("listings:booking", args=[booking.public_id])
    assert (booking.state, booking.photographer, booking.client) == ("agreed", piet, agent)
    assert booking.starts_at == NOW + dt.timedelta(days=1)  # nine o'clock, the first free time that day
    assert Message.objects.filter(kind="agreed", to=agent.email).exists()


def test_a_day_without_a_free_time_keeps_what_was_written(client, piet):
    client.force_login(factories.make_owner())
    response = client.post(
        reverse("studio:booking-enter"),
        {"client": factories.make_client().pk, "street": "9 Weir Street", "city": "Harrowmere",
         "on": "2027-06-06", "kind": "house", "occupied_by": "owner", "bedrooms": "2", "bathrooms": "1",
         "floors": "1"},
    )  # fmt: skip
    assert response.status_code == 422
    assert "Nothing is free on Sunday 6 June" in response.content.decode()
    assert not Booking.objects.exists()


def test_a_visit_that_is_over_can_not_be_moved(piet):
    booking = factories.make_booking(photographer=piet, state="visited")
    with pytest.raises(StaleState, match="its time stays"):
        arranging.choose(booking, TEN, by=factories.make_owner(), now=NOW)


def test_letters_say_the_time_as_the_town_s_clocks_do(piet):
    assert letters.when(TEN, factories.make_business()) == "Thursday 3 June 2027, 10:00"


def test_a_chosen_time_stays_chosen_when_an_answer_needs_another_look(client, piet):
    later = TEN + dt.timedelta(days=14)
    page = client.post(
        reverse("studio:request"),
        answers(accepts="", starts_at=later.isoformat(), shown=later.date().isoformat()),
    ).content.decode()
    assert re.search(rf'value="{re.escape(later.isoformat())}" checked', page)


def test_a_chosen_time_is_carried_along_while_other_days_are_shown(client, piet):
    page = client.post(
        reverse("studio:request-look") + "?week", answers(week="2027-06-10", shown="2027-06-02")
    ).content.decode()
    assert "Thursday 3 June, 10:00, as you chose" in page


def test_a_time_that_is_too_short_for_a_longer_visit_is_named_and_nothing_is_sent(client, piet):
    half_past_three = TEN + dt.timedelta(hours=5, minutes=30)
    sent = answers(starts_at=half_past_three.isoformat(), shown="2027-06-03")  # 110 minutes until 17:20
    response = client.post(reverse("studio:request"), sent)
    assert response.status_code == 422
    assert "not free for a visit of this length" in response.content.decode()
    assert not BookingRequest.objects.exists()


def test_an_agent_pages_through_the_free_days_of_a_booking_and_takes_one(client, piet):
    booking = factories.make_booking(photographer=piet, starts_at=TEN + dt.timedelta(days=4))
    factories.sign_in_client(client, booking.client)
    path = reverse("listings:booking", args=[booking.public_id])
    page = client.get(path, {"from": "2027-06-14"}).content.decode()
    wanted = TEN + dt.timedelta(days=11)  # Monday in a week
    assert wanted.isoformat() in page
    assert (TEN + dt.timedelta(days=4)).isoformat() not in page
    client.post(reverse("studio:booking-choose", args=[booking.public_id]), {"starts_at": wanted.isoformat()})
    booking.refresh_from_db()
    assert (booking.state, booking.starts_at) == ("agreed", wanted)
    assert Message.objects.filter(kind="moved", to=booking.client.email).exists()
    assert Message.objects.filter(kind="moved-here").exists()
