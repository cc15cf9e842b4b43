"""Every address, visited as everyone: what is not in the table fails, so no page comes unguarded.

The six visitors: the owner, the photographer of the booking, another member of staff (an editor), the client
whose booking it is, another client, and nobody known.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import transaction
from django.test import Client as Browser
from django.test import override_settings
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from tests.factories import sign_in_client
from tests.scene import Scene, make_scene

# Each test's own transaction lies within the one that holds the scene.
pytestmark = pytest.mark.django_db

VISITORS = ("owner", "photographer", "editor", "client", "other_client", "nobody")
IN, AWAY, ASKED, GONE = "in", "404", "sign in", "410"

OPEN = dict.fromkeys(VISITORS, IN)
STAFF = dict(zip(VISITORS, (IN, IN, IN, AWAY, AWAY, ASKED), strict=True))
OWNER = dict(zip(VISITORS, (IN, AWAY, AWAY, AWAY, AWAY, ASKED), strict=True))
THEIRS = dict(zip(VISITORS, (IN, IN, IN, IN, AWAY, ASKED), strict=True))
SIGNED_IN = dict(zip(VISITORS, (IN, IN, IN, IN, IN, ASKED), strict=True))
# Who gets in: the owner and the photographer of this visit.
ASSIGNED = STAFF | {"editor": AWAY}


@dataclasses.dataclass(frozen=True)
class Address:
    """One address: how to build it from the scene, how to visit it, who gets what."""

    route: str
    who: dict[str, str]
    method: str = "get"
    parts: tuple[Any, ...] = ()
    query: str = ""
    data: dict[str, str] = dataclasses.field(default_factory=dict)

    def path(self, scene: Scene) -> str:
        values = [_value(scene, part) for part in self.parts]
        return reverse(self.route, args=values) + self.query


def _value(scene: Scene, part: Any) -> Any:
    """'booking' is its public identifier, 'item.pk' an attribute, '=text' the text itself."""
    if not isinstance(part, str) or part.startswith("="):
        return part[1:] if isinstance(part, str) else part
    value: Any = scene
    for name in part.split("."):
        value = getattr(value, name)
    return getattr(value, "public_id", value)


def get(route: str, who: dict[str, str], *parts: Any, query: str = "") -> Address:
    return Address(route, who, "get", parts, query)


def post(route: str, who: dict[str, str], *parts: Any, **data: str) -> Address:
    return Address(route, who, "post", parts, "", data)


def listed_routes() -> Iterator[str]:
    """Yield every named route of our own pages; the admin site has its test below."""

    def walk(patterns: list[Any], prefix: str) -> Iterator[str]:
        for pattern in patterns:
            if isinstance(pattern, URLResolver):
                if pattern.namespace != "admin":
                    inner = f"{pattern.namespace}:" if pattern.namespace else prefix
                    yield from walk(pattern.url_patterns, inner)
            elif isinstance(pattern, URLPattern):
                yield f"{prefix}{pattern.name}"

    yield from walk(get_resolver().url_patterns, "")


TABLE = [
    # --- anyone ---
    get("studio:health", OPEN),
    get("studio:start", OPEN),
    get("studio:sign-in", OPEN),
    post("studio:sign-in-link", OPEN),
    get("studio:sign-in-open", OPEN, "sign_in", "sign_in_token"),
    post("studio:sign-out", OPEN),
    get("studio:request", OPEN),
    post("studio:request-look", OPEN),
    get("studio:request-confirm", OPEN, "asked", "request_token"),
    get("studio:preparation", OPEN, "booking", "preparation_token"),
    get("studio:consent", OPEN, "booking", "consent_token"),
    get("studio:calendar-feed", OPEN, "photographer.pk", "feed_token"),
    # The first owner is there already.
    get("studio:set-up", OPEN),
    get("studio:set-up-by-address", OPEN, "set_up_token"),
    # --- whoever holds the address ---
    get("listings:gallery", OPEN, "token"),
    get("listings:gallery-passphrase", OPEN, "locked_token"),
    post("listings:gallery-forget", OPEN, "token"),
    get("listings:gallery-set", OPEN, "token", query="?purpose=web"),
    get("listings:gallery-manifest", OPEN, "token", "=json"),
    get("listings:gallery-change", OPEN, "token", "delivery_item"),
    get("listings:gallery-file", OPEN, "token", "delivery_item", "purpose.slug"),
    get("listings:gallery-image", OPEN, "token", "delivery_item", "=small"),
    get("listings:original-page", OPEN, "picture"),
    get("listings:original-code", OPEN, "picture"),
    get("listings:original-image", OPEN, "picture", "=sent"),
    get("studio:invoice-by-link", OPEN, "invoice", "invoice_token"),
    get("studio:invoice-by-link-pdf", OPEN, "invoice", "invoice_token"),
    get("studio:creditnote-by-link", OPEN, "credit_note", "credit_note_token"),
    get("studio:creditnote-by-link-pdf", OPEN, "credit_note", "credit_note_token"),
    # --- staff, and the client whose it is ---
    get("listings:booking", THEIRS, "booking"),
    get("listings:booking-gallery", THEIRS, "booking"),
    get("studio:booking-calendar", THEIRS, "booking"),
    post("studio:booking-accept", THEIRS, "booking"),
    post(
        "studio:booking-accept-terms",
        dict.fromkeys(VISITORS, AWAY) | {"client": IN, "nobody": ASKED},
        "booking",
    ),
    post("studio:booking-choose", THEIRS, "booking"),
    post("studio:booking-call-off", THEIRS, "booking"),
    post("studio:access-note-write", THEIRS, "booking"),
    # --- money ---
    get("studio:invoice", THEIRS, "invoice"),
    get("studio:invoice-pdf", THEIRS, "invoice"),
    get("studio:credit-note", THEIRS, "credit_note"),
    get("studio:credit-note-pdf", THEIRS, "credit_note"),
    get("studio:invoices", OWNER),
    get("studio:invoice-issue", OWNER, "booking"),
    post("studio:invoice-paid", OWNER, "invoice"),
    get("studio:invoice-payment", OWNER, "invoice"),
    post("studio:payment-take-back", OWNER, "invoice", "payment.pk"),
    get("studio:invoice-credit", OWNER, "invoice"),
    post("studio:invoice-send", OWNER, "invoice"),
    post("studio:credit-note-send", OWNER, "credit_note"),
    get("studio:mails", STAFF),
    get("studio:mail", STAFF, "message"),
    post("studio:mail-send-again", STAFF, "message"),
    # --- the studio ---
    post("studio:request-take", STAFF, "asked"),
    post("studio:request-put-aside", STAFF, "asked"),
    get("studio:bookings", STAFF),
    get("studio:booking-enter", STAFF),
    post("studio:booking-agree", STAFF, "booking"),
    post("studio:consent-ask", STAFF, "booking"),
    post("studio:consent-write", STAFF, "booking"),
    post("listings:booking-put-off", STAFF, "booking"),
    post("studio:booking-time", STAFF, "booking"),
    get("studio:booking-home", STAFF, "booking"),
    post("studio:booking-line-add", STAFF, "booking"),
    post("studio:booking-line-remove", STAFF, "booking", "line.pk"),
    post("studio:access-note-read", STAFF | {"editor": "403"}, "booking"),
    get("studio:diary", STAFF),
    get("studio:diary-day", STAFF, "=2027-06-03"),
    get("studio:sun", STAFF),
    get("studio:booking-sun", STAFF, "booking"),
    get("studio:calendar-address", STAFF),
    post("studio:calendar-renew", STAFF),
    get("studio:clients", STAFF),
    get("studio:client-new", STAFF),
    get("studio:client", STAFF, "client"),
    get("studio:client-edit", STAFF, "client"),
    get("studio:agency-new", STAFF),
    get("studio:agency", STAFF, "agency.pk"),
    get("studio:settings", OWNER),
    get("studio:prices", OWNER),
    get("studio:price-list-new", OWNER),
    get("studio:price-list", OWNER, "prices.pk"),
    get("studio:price-item-new", OWNER, "prices.pk"),
    get("studio:price-item", OWNER, "prices.pk", "item.pk"),
    post("studio:price-item-remove", OWNER, "prices.pk", "item.pk"),
    get("studio:tax-rate-new", OWNER),
    get("studio:tax-rate", OWNER, "unused_rate.pk"),
    post("studio:tax-rate-remove", OWNER, "unused_rate.pk"),
    get("studio:hours", OWNER),
    post("studio:day-off", OWNER),
    post("studio:day-off-remove", OWNER, "day_off.pk"),
    get("studio:zones", OWNER),
    get("studio:zones-table", OWNER),
    get("studio:terms", OWNER),
    get("studio:guide", OWNER),
    get("studio:letters", OWNER),
    get("studio:people", OWNER),
    get("studio:person-new", OWNER),
    get("studio:person", OWNER, "editor.pk"),
    # --- the visit ---
    get("listings:today", STAFF),
    get("listings:day", STAFF, 2027, 6, 3),
    get("listings:on-site", STAFF, "booking"),
    get("listings:on-site-leaving", STAFF, "booking"),
    get("listings:on-site-new-room", STAFF, "booking"),
    post("listings:on-site-acts", STAFF, "booking"),
    get("listings:on-site-room", STAFF, "booking", "room"),
    # --- intake and the desk ---
    get("listings:intake", STAFF),
    post("listings:intake-go-on", STAFF, "folder_intake"),
    get("listings:visit-intake", STAFF, "booking"),
    post("listings:intake-known", STAFF, "booking"),
    post("listings:intake-close", STAFF, "booking"),
    post("listings:intake-try-again", STAFF, "booking"),
    get("listings:progress", STAFF, "booking"),
    post("listings:uploads", STAFF, "booking"),
    get("listings:upload", STAFF, "upload"),
    get("listings:sheet", STAFF, "booking"),
    post("listings:sheet-place", STAFF, "booking"),
    get("listings:picture", STAFF, "picture"),
    get("listings:picture-state", STAFF, "picture"),
    post("listings:picture-try-again", STAFF, "picture"),
    post("listings:version-use", STAFF, "correction", plan_version="0"),
    get("listings:version-file", STAFF, "correction", "=preview"),
    get("listings:original", STAFF, "frame"),
    # --- the set ---
    get("listings:delivery", STAFF, "booking"),
    post("listings:delivery-begin", STAFF, "building"),
    post("listings:delivery-order", STAFF, "building"),
    post("listings:delivery-consent", STAFF, "building"),
    post("listings:delivery-send", STAFF, "building"),
    post("listings:delivery-words", STAFF, "delivery_item"),
    post("listings:delivery-withdraw", STAFF, "delivery"),
    post("listings:delivery-link", STAFF, "delivery"),
    get("listings:delivery-files", STAFF, "delivery"),
    post("listings:delivery-try-again", STAFF, "delivery"),
    post("listings:link-revoke", STAFF, "link"),
    post("listings:change-answer", STAFF, "change"),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("visitors")


@pytest.fixture(autouse=True)
def _own_folders(settings: Any, folder: Path) -> None:
    """The scene is made once for all addresses, so its files stay where they are."""
    settings.MEDIA_ROOT = folder


@pytest.fixture(scope="module")
def scene(folder: Path, django_db_setup: None, django_db_blocker: Any) -> Iterator[Scene]:
    with django_db_blocker.unblock(), transaction.atomic(), override_settings(MEDIA_ROOT=folder):
        yield make_scene()
        transaction.set_rollback(True)


def browser_of(scene: Scene, visitor: str) -> Browser:
    browser = Browser(raise_request_exception=True)
    if visitor in ("owner", "photographer", "editor"):
        browser.force_login(getattr(scene, visitor), backend="django.contrib.auth.backends.ModelBackend")
    elif visitor != "nobody":
        sign_in_client(browser, getattr(scene, visitor))
    return browser


def verdict(response: Any) -> str:
    """Say in a word what a visitor got; 405 counts as nothing, so the table must name the right method."""
    if response.status_code in (301, 302, 303) and response.headers["Location"].startswith(
        reverse("studio:sign-in") + "?"
    ):
        return ASKED
    if response.status_code in (403, 404, 405, 500):
        return str(response.status_code)
    return IN


def test_every_address_is_in_the_table_once() -> None:
    in_table = [address.route for address in TABLE]
    assert len(in_table) == len(set(in_table)), "twice in the table"
    assert set(listed_routes()) == set(in_table)


@pytest.mark.parametrize("address", TABLE, ids=lambda address: address.route)
def test_each_visitor_gets_what_the_table_says(scene: Scene, address: Address) -> None:
    path = address.path(scene)
    got = {}
    for visitor in VISITORS:
        browser = browser_of(scene, visitor)
        with transaction.atomic():  # what one visitor's POST does is undone before the next one comes
            response = getattr(browser, address.method)(path, address.data)
            b"".join(response.streaming_content) if response.streaming else response.content  # noqa: B018
            transaction.set_rollback(True)
        got[visitor] = verdict(response)
    assert got == address.who


@pytest.mark.parametrize(
    "route",
    [address for address in TABLE if any("token" in str(part) for part in address.parts)],
    ids=lambda address: address.route,
)
def test_a_token_that_is_off_by_one_letter_opens_nothing(scene: Scene, route: Address) -> None:
    """The set-up page is not needed any more and says so; everything else is a 404, also for the owner."""
    if route.route == "studio:set-up-by-address":
        route = dataclasses.replace(route)
    token = next(part for part in route.parts if "token" in str(part))
    good = _value(scene, token)
    bad = ("A" if good[0] != "A" else "B") + good[1:]
    path = route.path(scene).replace(good, bad)
    for visitor in ("owner", "nobody"):
        with transaction.atomic():
            response = getattr(browser_of(scene, visitor), route.method)(path, route.data)
            transaction.set_rollback(True)
        if route.route in ("studio:set-up-by-address", "listings:gallery-passphrase"):
            assert response.status_code in (302, 403, 404)
        else:
            assert response.status_code == 404


@pytest.mark.parametrize(("visitor", "status"), [("owner", 200), ("photographer", 302), ("nobody", 302)])
def test_the_admin_site_is_the_owners(scene: Scene, visitor: str, status: int) -> None:
    assert browser_of(scene, visitor).get(reverse("admin:index")).status_code == status


def test_clients_never_reach_the_admin_site(scene: Scene) -> None:
    assert browser_of(scene, "client").get(reverse("admin:index")).status_code == 302
