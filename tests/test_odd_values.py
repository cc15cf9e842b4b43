"""Values that no page sends: answered with words or a 404, never with a failure of ours."""

import pytest
import time_machine
from django.test import Client as Browser
from django.urls import reverse

from listings import links
from studio import defaults
from studio.models import BookingLine, TaxRate
from tests import factories
from tests.factories import NOW
from tests.listings.factories import sign_in
from tests.listings.set_factories import make_sent
from tests.studio.test_asking import answers

pytestmark = pytest.mark.django_db
MANY_DIGITS = "9" * 5000
TUS = {"Tus-Resumable": "1.0.0", "Upload-Metadata": "filename YS5qcGc="}


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def owner(client: Browser) -> Browser:
    defaults.ensure(now=NOW)
    factories.make_business()
    sign_in(client, factories.make_owner())
    return client


@pytest.mark.parametrize(
    "wanted", [f"bytes=0-{MANY_DIGITS}", f"bytes={MANY_DIGITS}-", f"bytes=-{MANY_DIGITS}"]
)
def test_a_range_of_endless_numbers_gives_the_whole_file(client: Browser, wanted: str) -> None:
    row, link = make_sent()
    path = reverse("listings:gallery-image", args=[links.token(link), row.items.first().public_id, "small"])
    assert client.get(path, headers={"Range": wanted}).status_code == 200


@pytest.mark.parametrize("length", [MANY_DIGITS, "9" * 20, "²", "-1"])
def test_an_upload_of_no_possible_length_is_refused(owner: Browser, length: str) -> None:
    path = reverse("listings:uploads", args=[factories.make_booking().public_id])
    assert owner.post(path, headers=TUS | {"Upload-Length": length}).status_code == 400


def test_sums_of_files_without_end_are_refused(owner: Browser) -> None:
    path = reverse("listings:intake-known", args=[factories.make_booking().public_id])
    assert owner.post(path, {"listed": '[{"name": "a", "size": 1e999, "sha256": "x"}]'}).status_code == 400


@pytest.mark.parametrize("seen", ["²", MANY_DIGITS, ""])
def test_a_version_that_is_no_number_is_not_found(owner: Browser, seen: str) -> None:
    row, _ = make_sent()
    path = reverse("listings:version-use", args=[row.items.first().correction.public_id])
    assert owner.post(path, {"plan_version": seen}).status_code == 404


@pytest.mark.parametrize(
    "path",
    ["/diary/9999-12-31/", "/diary/0001-01-01/", "/diary/?from=9999-12-31", "/settings/prices/new/?copy=²"],
)
def test_addresses_that_name_nothing_open_the_plain_page(owner: Browser, path: str) -> None:
    assert owner.get(path).status_code == 200


@pytest.mark.parametrize("name", ["week", "shown"])
@pytest.mark.parametrize("on", ["0001-01-01", "9999-12-31"])
def test_times_are_shown_from_the_first_possible_day_when_another_is_none(
    client: Browser, name: str, on: str
) -> None:
    factories.make_business()
    factories.make_price_list()
    defaults.ensure(now=NOW)
    factories.make_photographer()
    assert client.post(reverse("studio:request-look"), answers(**{name: on})).status_code == 200


@pytest.mark.parametrize("on", ["0001-01-01", "9999-12-31"])
def test_a_visit_at_the_end_of_the_calendar_is_refused_with_words(owner: Browser, on: str) -> None:
    booking = factories.make_booking(state="asked")
    before = booking.starts_at
    page = owner.post(
        reverse("studio:booking-time", args=[booking.public_id]),
        {"when-on": on, "when-time": "10:00", "act": "set"},
        follow=True,
    )
    assert "too far off" in page.content.decode()
    booking.refresh_from_db()
    assert booking.starts_at == before


@pytest.mark.parametrize("price", ["99999999999999999999", "20000000.01"])
def test_a_price_beyond_the_largest_column_is_refused_with_words(owner: Browser, price: str) -> None:
    booking = factories.make_booking(state="agreed")
    values = {
        "line-description": "Roof", "line-quantity": "1", "line-price": price,
        "line-tax_rate": TaxRate.objects.first().pk,
    }  # fmt: skip
    count = BookingLine.objects.count()
    page = owner.post(reverse("studio:booking-line-add", args=[booking.public_id]), values, follow=True)
    assert "not added" in page.content.decode()
    assert BookingLine.objects.count() == count
