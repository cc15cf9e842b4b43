"""Pages with private data, and caches between here and the browser."""

import pytest
from django.test import Client as Browser
from django.urls import reverse

from tests import factories
from tests.listings.factories import sign_in

pytestmark = pytest.mark.django_db


def test_every_page_of_a_visitor_is_kept_by_the_own_browser_alone() -> None:
    factories.make_business()
    booking = factories.make_booking()
    staff, agent = Browser(), Browser()
    sign_in(staff, factories.make_owner())
    factories.sign_in_client(agent, booking.client)
    own = [
        reverse("studio:start"),
        reverse("listings:booking", args=[booking.public_id]),
        reverse("studio:booking-calendar", args=[booking.public_id]),
    ]
    shared = [
        reverse(name) for name in ("studio:clients", "studio:bookings", "studio:invoices", "listings:today")
    ]
    for browser, paths in ((staff, own + shared), (agent, own)):
        for path in paths:
            response = browser.get(path)
            assert response.status_code == 200, path
            assert "private" in response["Cache-Control"], path


def test_signing_out_clears_what_the_browser_has_kept() -> None:
    browser = Browser()
    sign_in(browser, factories.make_owner())
    response = browser.post(reverse("studio:sign-out"))
    assert response["Clear-Site-Data"] == '"cache"'
