"""In a real browser: ticking without signal, ordering a set, looking at a gallery by keys."""

import os
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

import pytest
from django.test import Client as Browser
from django.urls import reverse

from listings import delivery, links, shotlists
from listings.models import ChangeRequest, DeliveryItem, Operation, Shot
from studio.models import Booking, User
from tests import factories
from tests.conftest import chromium_path
from tests.factories import NOW
from tests.listings.set_factories import make_sent, make_visited

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync"]  # fmt: skip
TALL = {"width": 1440, "height": 2400}  # a drag needs both ends in sight
PHONE = {"viewport": {"width": 390, "height": 780}, "has_touch": True, "is_mobile": True}


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = (
        "true"  # Playwright's loop runs in this thread; the rows are ours
    )
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=ARGUMENTS)
        yield browser
        browser.close()
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture
def open_page(chromium: Any, live_server: Any) -> Iterator[Any]:
    """Open pages as a member of staff or as nobody; what the browser complains of fails the test."""
    contexts, complaints = [], []

    def open_as(user: User | None, path: str, **options: Any) -> Any:
        context = chromium.new_context(base_url=live_server.url, **options)
        contexts.append(context)
        if user is not None:
            signed_in = Browser()
            signed_in.force_login(user, backend="django.contrib.auth.backends.ModelBackend")
            host = urlsplit(live_server.url).hostname
            key = signed_in.cookies["sessionid"].value
            context.add_cookies([{"name": "sessionid", "value": key, "domain": host, "path": "/"}])
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "console", lambda m: complaints.append(m.text) if "Content Security Policy" in m.text else None
        )
        page.goto(path)
        return page

    yield open_as
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture
def booking() -> Booking:
    factories.make_business()
    row = factories.make_booking()
    shotlists.ensure(row)
    return row


def room_page(booking: Booking, kind: str) -> str:
    room = booking.rooms.get(kind=kind)
    return reverse("listings:on-site-room", args=[booking.public_id, room.public_id])


def test_ticks_made_without_signal_are_kept_and_sent_once_when_it_is_back(
    open_page: Any, booking: Booking
) -> None:
    page = open_page(booking.photographer, room_page(booking, "kitchen"), **PHONE)
    page.context.set_offline(True)
    for row in page.locator("[data-required] .tick").all():
        row.tap()
    page.get_by_label("A note about this room").fill("Hob light is broken")
    page.get_by_role("button", name="Keep the note").tap()
    page.wait_for_selector("text=3 not sent yet")
    assert page.locator("[data-counts]").inner_text() == "taken"
    assert page.locator('[data-required] .tick[aria-pressed="true"]').count() == 2
    assert not Operation.objects.exists()
    page.context.set_offline(False)
    page.wait_for_selector("[data-unsent]", state="hidden")
    assert Operation.objects.count() == 3
    room = booking.rooms.get(kind="kitchen")
    assert room.shots.filter(is_required=True, taken_at=None).count() == 0
    assert room.notes.get().text == "Hob light is broken"
    page.reload()
    assert Operation.objects.count() == 3
    assert page.locator('[data-required] .tick[aria-pressed="true"]').count() == 2


def test_leaving_waits_for_ticks_that_were_made_without_signal(open_page: Any, booking: Booking) -> None:
    required = Shot.objects.filter(room__booking=booking, is_required=True)
    first = required.first()
    required.exclude(pk=first.pk).update(waived_reason="not wanted")  # type: ignore[union-attr]
    page = open_page(booking.photographer, room_page(booking, first.room.kind), **PHONE)  # type: ignore[union-attr]
    page.context.set_offline(True)
    page.locator(f'[data-item="{first.public_id}"] .tick').tap()  # type: ignore[union-attr]
    page.wait_for_selector("text=1 not sent yet")
    page.route(
        "**/acts/",
        lambda route: route.abort() if "json" in route.request.headers["content-type"] else route.continue_(),
    )
    page.context.set_offline(False)
    page.goto(reverse("listings:on-site-leaving", args=[booking.public_id]))
    page.get_by_label("One reason for all that is missing").fill("none")
    page.get_by_role("button", name="Leave anyway").tap()
    page.wait_for_selector("text=1 not sent yet")
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.AGREED
    page.unroute("**/acts/")
    page.get_by_role("button", name="Leave anyway").tap()
    page.wait_for_url("**/bookings/*/")
    first.refresh_from_db()  # type: ignore[union-attr]
    assert first.taken_at is not None  # type: ignore[union-attr]
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.VISITED


def test_a_tick_can_be_taken_back_and_a_view_left_out_with_a_reason(open_page: Any, booking: Booking) -> None:
    page = open_page(booking.photographer, room_page(booking, "living"), **PHONE)
    first, second = page.locator("[data-required]").all()
    with page.expect_response("**/acts/"):
        first.locator(".tick").tap()
    with page.expect_response("**/acts/"):
        first.locator(".tick").tap()
    second.get_by_text("Leave it out").tap()
    second.get_by_label("No access").check()
    with page.expect_response("**/acts/"):
        second.get_by_role("button", name="Leave this view out").tap()
    page.wait_for_selector("[data-unsent]", state="hidden")
    shots = {shot.public_id: shot for shot in Shot.objects.filter(room__kind="living")}
    one = shots[UUID(first.get_attribute("data-item"))]
    other = shots[UUID(second.get_attribute("data-item"))]
    assert (one.taken_at, other.waived_reason) == (None, "No access")


def test_everything_to_tap_on_site_is_large_enough_for_a_thumb(open_page: Any, booking: Booking) -> None:
    for kind in ("kitchen", "main_bathroom"):
        page = open_page(booking.photographer, room_page(booking, kind), **PHONE)
        for target in page.locator("main button, main a, main summary, .line a, .masthead a").all():
            box = target.bounding_box()
            if box:
                assert box["height"] >= 44, target.inner_text()  # WCAG 2.5.5 (AAA): 44 CSS pixels
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_on_site_works_without_scripts(open_page: Any, booking: Booking) -> None:
    page = open_page(booking.photographer, room_page(booking, "hall"), java_script_enabled=False, **PHONE)
    page.locator("[data-required] .tick").first.click()
    assert page.locator('[data-required] .tick[aria-pressed="true"]').count() == 1
    assert Shot.objects.filter(room__kind="hall", is_required=True, taken_at__isnull=False).count() == 1


def order(row: Any) -> list[UUID]:
    return list(DeliveryItem.objects.filter(delivery=row).values_list("public_id", flat=True))


def test_a_set_is_ordered_by_dragging_and_by_keys(open_page: Any) -> None:
    booking = make_visited()
    row = delivery.build(booking, now=NOW)
    first, second, third, fourth = order(row)
    page = open_page(
        factories.make_owner(), reverse("listings:delivery", args=[booking.public_id]), viewport=TALL
    )
    with page.expect_response("**/set/order/"):
        page.locator(f"#i{fourth} figure").drag_to(
            page.locator(f"#i{second} figure"), target_position={"x": 20, "y": 10}
        )
    assert order(row) == [first, fourth, second, third]
    page.wait_for_selector('#items[data-version="1"]')
    button = page.locator(f"#down-{first}")
    button.focus()
    with page.expect_response("**/set/order/"):
        page.keyboard.press("Enter")
    page.wait_for_selector('#items[data-version="2"]')
    assert order(row) == [fourth, first, second, third]
    page.wait_for_function(f"document.activeElement.id === 'down-{first}'")
    caption = page.locator(f"#i{first}").get_by_label("Caption")
    caption.fill("The window seat")
    with page.expect_response("**/words/"):
        caption.blur()
    assert DeliveryItem.objects.get(public_id=first).caption == "The window seat"


def test_a_gallery_is_walked_by_keys_and_left_where_one_was(open_page: Any) -> None:
    _, link = make_sent()
    page = open_page(None, reverse("listings:gallery", args=[links.token(link)]))
    page.locator("[data-look]").nth(1).focus()
    page.keyboard.press("Enter")
    words = page.locator("dialog.full [role=status]")
    assert words.inner_text().startswith("2 of 4, Living room")
    page.keyboard.press("ArrowRight")
    assert words.inner_text().startswith("3 of 4, Kitchen")
    page.keyboard.press("End")
    page.keyboard.press("ArrowRight")
    assert words.inner_text().startswith("1 of 4")
    page.keyboard.press("Escape")
    assert page.locator("dialog.full").is_hidden()
    page.wait_for_function("document.activeElement === document.querySelector('[data-look]')")


def test_a_gallery_shows_and_gives_its_pictures_without_scripts(open_page: Any) -> None:
    _, link = make_sent()
    page = open_page(None, reverse("listings:gallery", args=[links.token(link)]), java_script_enabled=False)
    assert page.locator("figure img").count() == 4
    page.get_by_label("Take all 4 pictures for").select_option("web")
    with page.expect_download() as download:
        page.get_by_role("button", name="Download").click()
    assert download.value.suggested_filename.endswith("-web.zip")


def test_a_change_is_pinned_by_a_tap(open_page: Any) -> None:
    row, link = make_sent()
    item = row.items.first()
    page = open_page(
        None, reverse("listings:gallery-change", args=[links.token(link), item.public_id]), **PHONE
    )
    box = page.locator(".place img").bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] * 0.25, box["y"] + box["height"] * 0.75)
    assert page.locator(".place svg").is_visible()
    page.get_by_label("What should be changed?").fill("A little warmer here")
    page.get_by_role("button", name="Ask for it").tap()
    page.wait_for_selector("text=Thank you")
    asked = ChangeRequest.objects.get()
    assert asked.x_frame == pytest.approx(0.25 * 1199, abs=6)
    assert asked.y_frame == pytest.approx(0.75 * 799, abs=6)
