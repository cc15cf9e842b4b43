"""The tenant's consent: asked for early, answered on a page, kept as it was said; the set waits for it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine
from django.test import Client as Browser
from django.urls import reverse

from listings import delivery, delivery_checks
from studio import arranging, consents, reminders, tenants
from studio.errors import Frozen, StaleState
from studio.models import Booking, Business, Consent, Event, Message, Property
from tests import factories
from tests.factories import NOW
from tests.listings.set_factories import make_visited

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _clock() -> Any:
    with time_machine.travel(NOW, tick=False):
        yield


def rented(**changed: Any) -> Booking:
    home = factories.make_home(occupied_by=Property.Occupied.TENANT)
    return factories.make_booking(home=home, **changed)


@pytest.fixture
def booking() -> Booking:
    factories.make_business()
    return rented(access_contact="Jo Reed, jo@reed.example")


def page_of(booking: Booking) -> str:
    return "/" + consents.address(booking).split("/", 3)[3]


def answer(client: Browser, booking: Booking, said: str, **changed: str) -> Any:
    seen = consents.digest(consents.text_of(booking, Business.current()))
    return client.post(page_of(booking), {"name": "Jo Reed", "answer": said, "seen": seen} | changed)


def test_who_when_how_and_the_text_are_kept_and_the_business_is_told(
    client: Browser, booking: Booking
) -> None:
    shown = client.get(page_of(booking))
    assert "I live in this home." in shown.content.decode()
    assert shown["X-Robots-Tag"] == "noindex"
    answer(client, booking, "yes")
    row = Consent.objects.get()
    assert (row.is_given, row.name, row.how, row.answered_on) == (True, "Jo Reed", "link", NOW.date())
    assert row.text == consents.text_of(booking, Business.current())
    assert booking.home.street in row.text
    assert Message.objects.get(kind="consent-here").body.startswith("Jo Reed agreed, on the page")
    assert Event.objects.filter(booking=booking, verb="the tenant agreed").count() == 1
    assert (
        "Jo Reed agreed, on the page behind the link, 2 June 2027"
        in client.get(page_of(booking)).content.decode()
    )


def test_the_last_answer_counts_and_earlier_ones_stay(client: Browser, booking: Booking) -> None:
    answer(client, booking, "yes")
    answer(client, booking, "yes")
    assert Consent.objects.count() == 1
    answer(client, booking, "no")
    assert consents.is_awaited(booking)
    assert [row.is_given for row in Consent.objects.all()] == [False, True]
    with pytest.raises(Frozen):
        Consent.objects.update(is_given=True)


def test_an_answer_to_a_text_that_has_changed_is_not_kept(client: Browser, booking: Booking) -> None:
    seen = consents.digest(consents.text_of(booking, Business.current()))
    Business.objects.update(consent_text="The garden too.")
    with pytest.raises(StaleState, match="read it again"):
        tenants.answer_by_link(booking, "Jo Reed", is_given=True, seen=seen, now=NOW)
    assert answer(client, booking, "yes").status_code == 302
    assert Consent.objects.get().text.endswith("The garden too.")


def test_answers_without_a_name_or_without_end_are_refused(client: Browser, booking: Booking) -> None:
    assert answer(client, booking, "yes", name="").status_code == 422
    assert answer(client, booking, "perhaps").status_code == 422
    for n in range(12):
        answer(client, booking, "yes", name=f"Jo {n}")
    assert Consent.objects.count() == 8  # ten tries an hour, the two above among them


def test_it_is_asked_for_with_the_agreement_and_the_reminder_until_it_is_there(
    client: Browser, booking: Booking
) -> None:
    Booking.objects.update(state=Booking.State.ASKED)
    booking.refresh_from_db()
    assert booking.photographer is not None
    arranging.agree(booking, by=booking.photographer, now=NOW)
    reminders.send_due(now=NOW + dt.timedelta(hours=2))
    for kind in ("agreed", "reminder"):
        assert consents.address(booking) in Message.objects.get(kind=kind).body
    answer(client, booking, "yes")
    second = factories.make_booking(home=booking.home, client=booking.client, follows=booking)
    assert not consents.is_awaited(second)  # what was said for the first visit holds for its second
    other = factories.make_booking(starts_at=booking.starts_at)
    reminders.send_due(now=NOW + dt.timedelta(hours=3))
    assert "tenant" not in Message.objects.get(kind="reminder", booking=other).body


def test_staff_ask_by_mail_and_write_down_what_came_otherwise(client: Browser, booking: Booking) -> None:
    client.force_login(booking.photographer, backend="django.contrib.auth.backends.ModelBackend")
    page = reverse("listings:booking", args=[booking.public_id])
    assert "Not answered yet." in client.get(page).content.decode()
    ask = reverse("studio:consent-ask", args=[booking.public_id])
    client.post(ask, {"tenant-email": "no address"})
    assert not Message.objects.exists()
    client.post(ask, {"tenant-email": "jo@reed.example"})
    letter = Message.objects.get(kind="consent")
    assert letter.to == "jo@reed.example"
    assert consents.address(booking) in letter.body
    assert page not in letter.body
    write = reverse("studio:consent-write", args=[booking.public_id])
    said = {"answer-name": "Jo Reed", "answer-answer": "yes", "answer-how": "paper", "answer-note": "File 3"}
    for wrong in ({"answer-on": "2027-06-03"}, {"answer-on": "2027-06-01", "answer-how": "link"}, {}):
        client.post(write, said | wrong)
    assert not Consent.objects.exists()
    client.post(write, said | {"answer-on": "2027-06-01"})
    row = Consent.objects.get()
    assert (row.recorded_by, row.answered_on, row.note) == (
        booking.photographer,
        dt.date(2027, 6, 1),
        "File 3",
    )
    assert "Jo Reed agreed, in writing, on paper, 1 June 2027" in client.get(page).content.decode()


def test_the_client_sees_the_answer_and_the_page_to_pass_on(client: Browser, booking: Booking) -> None:
    factories.sign_in_client(client, booking.client)
    text = client.get(reverse("listings:booking", args=[booking.public_id])).content.decode()
    assert consents.address(booking) in text
    assert "Write down an answer" not in text


def test_a_home_without_tenant_asks_for_nothing(client: Browser) -> None:
    factories.make_business()
    row = factories.make_booking()
    client.force_login(row.photographer, backend="django.contrib.auth.backends.ModelBackend")
    assert not consents.is_awaited(row)
    text = client.get(reverse("listings:booking", args=[row.public_id])).content.decode()
    assert "The tenant's" not in text


def test_the_set_waits_for_a_yes_and_stops_at_a_later_no(client: Browser) -> None:
    """New South Wales, Residential Tenancies Act 2010 s. 55A: written consent before publishing."""
    row = make_visited(home=factories.make_home(occupied_by=Property.Occupied.TENANT))
    built = delivery.build(row, now=NOW)

    def stops() -> list[str]:
        built.refresh_from_db()
        return [check.words for check in delivery_checks.stops(built) if check.code == "consent"]

    assert len(stops()) == 1
    answer(client, row, "yes")
    assert stops() == []
    type(built).objects.filter(pk=built.pk).update(consent="J. Reed, in writing, 1 June")
    answer(client, row, "no")
    assert "Jo Reed said no" in stops()[0]
    answer(client, row, "yes")
    type(built).objects.filter(pk=built.pk).update(consent="")
    built.refresh_from_db()
    delivery.send(built, to=row.client.email, by=row.photographer, now=NOW)  # type: ignore[arg-type]
    built.refresh_from_db()
    assert built.consent.startswith("Jo Reed agreed, on the page behind the link")
