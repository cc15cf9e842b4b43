"""Lists and the diary: what they show, and that their queries don't grow with the rows."""

import datetime as dt

import pytest
import time_machine
from django.template.loader import render_to_string
from django.test import Client as Browser
from django.urls import reverse

from studio import access_notes, defaults, invoicing
from studio.models import Booking, Event
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def owner(client):
    factories.make_business()
    defaults.ensure(now=NOW)
    user = factories.make_owner()
    client.force_login(user)
    return user


def fill(rows):
    piet, agency = factories.make_photographer(), factories.make_agency()
    for n in range(rows):
        factories.make_booking(
            photographer=piet,
            client=factories.make_client(agency=agency),
            starts_at=NOW + dt.timedelta(days=n % 5, hours=2 + n // 5),
            state=("agreed", "asked", "visited", "sent")[n % 4],
        )


@pytest.mark.parametrize(
    ("route", "most"),
    [("studio:start", 13), ("studio:bookings", 7), ("studio:diary", 11), ("studio:clients", 7)],
)
def test_the_queries_of_a_list_stay_the_same_however_long_it_is(
    client, owner, django_assert_max_num_queries, route, most
):
    fill(3)
    with django_assert_max_num_queries(most):
        client.get(reverse(route))
    fill(12)
    with django_assert_max_num_queries(most):
        assert client.get(reverse(route)).status_code == 200


@pytest.mark.parametrize(
    ("query", "streets"),
    [
        ("which=open", {"2a Weir", "3a Weir"}),
        ("which=coming", {"1a Weir"}),
        ("which=all", {"1a Weir", "2a Weir", "3a Weir", "4a Weir"}),
        ("which=called_off", {"4a Weir"}),
        ("q=fen", {"3a Weir"}),
        # "2" alone would also be the number of whichever booking has it.
        ("q=2a+weir", {"2a Weir"}),
        ("when=month", {"1a Weir", "3a Weir", "4a Weir"}),
        ("which=nonsense&when=never", {"1a Weir", "2a Weir", "3a Weir", "4a Weir"}),
    ],
)
def test_the_sentence_finds_bookings(client, owner, query, streets):
    for number, (state, days, name) in enumerate(
        [
            ("agreed", 1, "Cleo"),
            ("asked", 40, "Cleo"),
            ("visited", -1, "Maud Fen"),
            ("called_off", 2, "Cleo"),
        ],
        1,
    ):
        factories.make_booking(
            state=state,
            starts_at=NOW + dt.timedelta(days=days),
            home=factories.make_home(street=f"{number}a Weir", city="Harrowmere", postcode="HM"),
            client=factories.make_client(name=name, email=f"a{number}@tansy-rook.example"),
        )
    page = client.get(reverse("studio:bookings") + "?" + query)
    assert {booking.home.street for booking in page.context["page"]} == streets


def test_a_booking_is_found_by_its_number(client, owner):
    booking = factories.make_booking()
    factories.make_booking()
    page = client.get(reverse("studio:bookings"), {"q": booking.number})
    assert [found.pk for found in page.context["page"]] == [booking.pk]


def test_the_diary_shows_the_way_between_two_homes_and_when_it_is_tight(client, owner):
    piet = factories.make_photographer()
    first = factories.make_booking(photographer=piet)  # Thursday 11:00 to 12:30
    factories.make_booking(photographer=piet, starts_at=first.ends_at + dt.timedelta(minutes=20))
    page = client.get(reverse("studio:diary")).content.decode()
    assert "20 min on the road" in page
    assert "tight: 10 min too little" in page  # and ten to set up


def test_the_day_sheet_never_shows_how_to_get_in(client, owner):
    booking = factories.make_booking(photographer=owner)
    access_notes.write(booking, "Key safe 4711", by=owner, now=NOW)
    page = client.get(reverse("studio:diary-day", args=["2027-06-03"])).content.decode()
    assert booking.home.street in page
    assert "4711" not in page


@pytest.mark.parametrize(("who", "is_shown"), [("owner", True), ("assigned", True), ("other", False)])
def test_the_access_note_opens_for_the_owner_and_the_assigned_and_each_look_is_recorded(
    client, owner, who, is_shown
):
    booking = factories.make_booking()
    access_notes.write(booking, "Key safe 4711", by=owner, now=NOW)
    client.force_login(
        {"owner": owner, "assigned": booking.photographer, "other": factories.make_photographer()}[who]
    )
    response = client.post(reverse("studio:access-note-read", args=[booking.public_id]))
    assert ("4711" in response.content.decode()) is is_shown
    assert Event.objects.filter(booking=booking, verb="read the access note").exists() is is_shown
    assert "no-store" in response["Cache-Control"]


def test_staff_propose_set_and_move_a_time_from_the_page(client, owner):
    factories.make_photographer()
    booking = factories.make_booking(state="asked", starts_at=None, photographer=None)
    path = reverse("studio:booking-time", args=[booking.public_id])
    when = {"when-on": "2027-06-03", "when-time": "14:00", "when-photographer": ""}
    for act, state, hour in (("propose", "held", 13), ("set", "agreed", 13), ("set", "agreed", 14)):
        client.post(path, when | {"act": act, "when-time": f"{hour + 1}:00"})
        booking.refresh_from_db()
        assert (booking.state, booking.starts_at.hour) == (state, hour)


def test_a_taken_time_is_refused_with_what_is_in_the_way(client, owner):
    piet = factories.make_photographer()
    factories.make_booking(photographer=piet)  # 11:00 to 12:30 in London
    booking = factories.make_booking(state="asked", starts_at=None, photographer=None)
    page = client.post(
        reverse("studio:booking-time", args=[booking.public_id]),
        {"when-on": "2027-06-03", "when-time": "12:00", "when-photographer": piet.pk, "act": "set"},
        follow=True,
    ).content.decode()
    assert "Piet has another visit from 11:00 to 12:30" in page
    booking.refresh_from_db()
    assert (booking.state, booking.starts_at) == ("asked", None)


def test_an_agent_sees_only_own_bookings(client):
    factories.make_business()
    mine, other = factories.make_booking(), factories.make_booking()
    factories.sign_in_client(client, mine.client)
    page = client.get("/").content.decode()
    assert mine.home.street in page
    assert other.home.street not in page
    assert client.get(reverse("studio:bookings")).status_code == 404


def test_an_agent_accepts_the_terms_of_a_booking_that_staff_wrote_down(client):
    factories.make_business()
    terms = factories.make_terms()
    booking = factories.make_booking()
    factories.sign_in_client(client, booking.client)
    path = reverse("studio:booking-accept-terms", args=[booking.public_id])
    client.post(path, {"version": terms.version - 1})
    booking.refresh_from_db()
    assert booking.terms is None
    client.post(path, {"version": terms.version})
    booking = Booking.objects.get(pk=booking.pk)
    assert (booking.terms, booking.terms_accepted_at) == (terms, NOW)


def test_what_is_owed_past_its_day_stands_on_the_owners_first_page_and_nobody_elses(client, owner):
    invoice = invoicing.issue(factories.make_booking(), by=owner, now=NOW - dt.timedelta(days=40))
    invoicing.issue(factories.make_booking(), by=owner, now=NOW)
    assert [late.number for late in client.get(reverse("studio:start")).context["overdue"]] == [
        invoice.number
    ]
    client.force_login(factories.make_photographer())
    assert "overdue" not in client.get(reverse("studio:start")).context


@pytest.mark.parametrize(
    ("path", "data", "status", "words"),
    [
        ("/nothing/of/this/", None, 404, "Nothing is here for you"),
        ("/sign-in/link/", {"link-email": "a@b.example"}, 403, "too old"),  # sent without the form's token
    ],
)
def test_an_address_or_form_that_leads_nowhere_says_so_in_our_words(owner, path, data, status, words):
    browser = Browser(enforce_csrf_checks=True)
    response = browser.get(path) if data is None else browser.post(path, data)
    assert response.status_code == status
    assert words in response.content.decode()
    assert f'href="{reverse("studio:start")}"' in response.content.decode()


def test_a_fault_says_what_is_safe(owner):
    page = render_to_string("500.html")  # rendered without a request, as when a page breaks
    assert "stored before is safe" in page
