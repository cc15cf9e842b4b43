"""What the owner sets, and that each setting does what it says."""

import datetime as dt

import pytest
import time_machine
from django.urls import reverse

from studio import defaults, diary
from studio.models import Business, DayOff, OpeningHours, PriceItem, PriceList, TaxRate, Terms, User
from tests import factories
from tests.factories import NOW

NEW_PASSWORD = "nine windows facing north"

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


def values_of(form):
    """What a browser would send back untouched."""
    sent = {bound.html_name: bound.value() for bound in form if bound.name != "logo"}
    return {name: value for name, value in sent.items() if value is not None and value is not False}


def test_the_business_form_keeps_what_it_shows_and_takes_a_point(client, owner):
    values = values_of(client.get(reverse("studio:settings")).context["form"])
    response = client.post(
        reverse("studio:settings"), values | {"base": "geo:54.12,-2.46", "notice_hours": 48}
    )
    assert response.status_code == 302
    business = Business.current()
    assert (business.base_latitude_deg, business.base_longitude_deg) == (54.12, -2.46)
    assert (business.notice_hours, business.name) == (48, "Plumb & Lantern")


@pytest.mark.parametrize(
    ("typed", "minor"), [("120.00", 12000), ("1,250.50", 125050), ("80", 8000), ("-5.00", -500)]
)
def test_a_price_is_typed_as_people_write_money(client, owner, typed, minor):
    item = PriceItem.objects.filter(kind="base").first()
    path = reverse("studio:price-item", args=[item.price_list_id, item.pk])
    values = values_of(client.get(path).context["form"])
    client.post(path, values | {"price": typed})
    item.refresh_from_db()
    assert item.amount_minor == minor


@pytest.mark.parametrize("typed", ["a lot", "1.2.3", "12.345"])
def test_what_is_no_amount_is_refused_with_an_example(client, owner, typed):
    item = PriceItem.objects.first()
    path = reverse("studio:price-item", args=[item.price_list_id, item.pk])
    response = client.post(path, values_of(client.get(path).context["form"]) | {"price": typed})
    assert response.status_code == 422
    assert "Write it like 120.00" in response.content.decode()


def test_a_new_line_gets_a_code_of_its_own(client, owner):
    prices, rate = PriceList.objects.get(), TaxRate.objects.get()
    values = {"name": "Outside", "kind": "extra", "price": "10", "tax_rate": rate.pk, "minutes": 0,
              "pictures": 0, "position": 50}  # fmt: skip
    client.post(reverse("studio:price-item-new", args=[prices.pk]), values)
    assert prices.items.get(name="Outside").code == "outside-2"


def test_a_copied_list_starts_with_the_same_lines(client, owner):
    prices = PriceList.objects.get()
    client.post(
        reverse("studio:price-list-new") + f"?copy={prices.pk}",
        {"name": "Next year", "valid_from": "2028-01-01"},
    )
    copied = PriceList.objects.get(name="Next year")
    assert list(copied.items.values_list("code", "amount_minor")) == list(
        prices.items.values_list("code", "amount_minor")
    )


def test_a_tax_rate_in_use_can_not_be_removed(client, owner):
    rate = TaxRate.objects.get()
    page = client.post(reverse("studio:tax-rate-remove", args=[rate.pk]), follow=True).content.decode()
    assert "is used in a price list" in page
    assert TaxRate.objects.filter(pk=rate.pk).exists()


def test_new_hours_change_the_free_times(client, owner):
    factories.make_photographer()
    client.post(reverse("studio:hours"), {"opens_3_0": "13:00", "closes_3_0": "15:00"})
    found = diary.free_times(home=None, minutes=60, now=NOW, days=14)
    assert {free.starts_at.weekday() for free in found} == {3}


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"opens_0_0": "09:00"}, "Monday: write both"),
        ({"opens_1_0": "15:00", "closes_1_0": "09:00"}, "Tuesday: it closes before"),
        ({"opens_2_0": "09:00", "closes_2_0": "13:00", "opens_2_1": "12:00", "closes_2_1": "15:00"},
         "Wednesday: the second span"),
    ],
)  # fmt: skip
def test_hours_that_make_no_sense_are_named_and_the_old_ones_stay(client, owner, sent, words):
    before = OpeningHours.objects.count()
    response = client.post(reverse("studio:hours"), sent)
    assert words in response.content.decode()
    assert OpeningHours.objects.count() == before


def test_days_off_warn_of_visits_that_are_agreed_already(client, owner):
    factories.make_booking()
    page = client.post(
        reverse("studio:day-off"), {"off-first_on": "2027-06-03"}, follow=True
    ).content.decode()
    assert "1 agreed visit(s) lie on these days" in page
    assert DayOff.objects.get().last_on == dt.date(2027, 6, 3)


def test_publishing_terms_makes_a_version_and_keeps_the_old_one(client, owner):
    booking = factories.make_booking(terms=Terms.current())
    client.post(reverse("studio:terms"), {"text": "New rules.", "cancel_free_hours": 48})
    assert Terms.current().version == 2
    booking.refresh_from_db()
    assert booking.terms.version == 1


def test_the_last_owner_stays_owner(client, owner):
    path = reverse("studio:person", args=[owner.pk])
    values = values_of(client.get(path).context["form"])
    response = client.post(path, values | {"role": "editor"})
    assert "Somebody has to stay owner" in response.content.decode()
    factories.make_owner()
    assert client.post(path, values | {"role": "editor"}).status_code == 302


def test_an_owner_adds_an_account_that_can_sign_in(client, owner):
    client.post(
        reverse("studio:person-new"),
        {"name": "Ida Wren", "email": "Ida@plumb-lantern.example", "role": "photographer",
         "password": NEW_PASSWORD, "is_active": "on"},
    )  # fmt: skip
    client.logout()
    assert User.objects.get(name="Ida Wren").email == "ida@plumb-lantern.example"
    response = client.post("/sign-in/", {"email": "ida@plumb-lantern.example", "password": NEW_PASSWORD})
    assert response.status_code == 302


def test_the_household_sees_the_guide_by_its_address_and_says_ready_once(client, owner):
    from studio import letters

    booking = factories.make_booking()
    client.logout()
    path = letters.preparation_address(booking).removeprefix("http://127.0.0.1:8000")
    page = client.get(path)
    assert "Make the beds" in page.content.decode()
    assert page["X-Robots-Tag"] == "noindex"
    client.post(path)
    booking.refresh_from_db()
    assert booking.household_ready_at == NOW
    assert client.get(path[:-3] + "aa/").status_code == 404
