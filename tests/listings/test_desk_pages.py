"""The desk in a browser: keys, the plumb line, nothing out of the page, no accident by double work."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect, sync_playwright

from tests.conftest import chromium_path
from tests.listings import servers
from tests.listings.servers import House
from tests.listings.test_intake_page import FLAGS

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PICTURES = """
from listings.models import Picture
from studio.models import Booking
from tests.listings.factories import make_picture, make_room, make_shot
booking = Booking.objects.get()
room = make_room(booking, name="Kitchen")
make_shot(room, view="from the doorway")
pictures = [make_picture(booking) for _ in range(5)]
pictures.append(make_picture(booking, is_made=False, state="failed", reason="It was too large."))
print(json.dumps([str(picture.public_id) for picture in pictures]))
"""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with servers.pages(servers.prepare(tmp_path_factory.mktemp("house") / "data")) as running:
        yield running


@pytest.fixture(scope="module")
def pictures(house: House) -> list[str]:
    found: list[str] = house.ask(PICTURES)
    return found


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_playwright() as player:
        started = player.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        yield started
        started.close()


@pytest.fixture
def page(house: House, browser: Any) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    context.add_cookies([{"name": "sessionid", "value": house.session, "url": house.base}])
    opened = context.new_page()
    troubles: list[str] = []
    opened.on("pageerror", lambda error: troubles.append(str(error)))
    yield opened
    context.close()
    assert not troubles


def test_pictures_are_marked_and_placed_by_keys_alone(page: Page, house: House, pictures: list[str]) -> None:
    page.goto(f"{house.base}/bookings/{house.visit}/sheet/")
    page.locator("[data-picture] a").first.focus()
    for key in ("m", "ArrowRight", "ArrowRight", "m"):
        page.keyboard.press(key)
    expect(page.locator("[data-marked]")).to_have_text("2 marked")
    page.keyboard.press("p")
    page.keyboard.type("Kitchen: from")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("[role=status]", has_text="2 pictures")).to_be_visible()
    expect(page.locator("section", has_text="Kitchen").first.locator("[data-picture]")).to_have_count(2)


def test_a_failed_picture_says_why_and_is_tried_again_from_the_sheet(
    page: Page, house: House, pictures: list[str]
) -> None:
    page.goto(f"{house.base}/bookings/{house.visit}/sheet/?shows=failed")
    failed = page.locator("[data-picture]", has_text="It was too large.")
    failed.get_by_role("button", name="Try again").click()
    expect(page.locator("[data-picture]")).to_have_count(0)
    page.goto(f"{house.base}/bookings/{house.visit}/sheet/?shows=unmade")
    expect(page.locator("[data-picture]")).to_have_count(1)


def test_the_plumb_line_moves_by_keys_and_by_pointer(page: Page, house: House, pictures: list[str]) -> None:
    page.goto(f"{house.base}/pictures/{pictures[0]}/")
    line = page.get_by_label("Plumb line")
    line.focus()
    page.keyboard.press("End")
    assert page.locator(".pair-of-pictures").evaluate("e => e.style.getPropertyValue('--at')") == "100%"
    box = line.bounding_box()
    assert box
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert 45 <= int(line.input_value()) <= 55


def test_a_wish_is_confirmed_in_words_and_the_old_version_stays_in_view(
    page: Page, house: House, pictures: list[str]
) -> None:
    page.goto(f"{house.base}/pictures/{pictures[1]}/")
    page.get_by_label("Brightness").focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    page.get_by_role("button", name="Make again").click()
    expect(page.get_by_text("Being made again: brighter by 0.5 EV.")).to_be_visible()
    expect(page.get_by_text("the earlier version is shown until then")).to_be_visible()
    expect(page.locator(".compare .after")).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width_px", [360, 768, 1440])
def test_nothing_runs_out_of_the_page(
    browser: Any, house: House, pictures: list[str], width_px: int, scheme: str
) -> None:
    context = browser.new_context(viewport={"width": width_px, "height": 900}, color_scheme=scheme)
    context.add_cookies([{"name": "sessionid", "value": house.session, "url": house.base}])
    page = context.new_page()
    for path in (f"/bookings/{house.visit}/sheet/", f"/pictures/{pictures[0]}/", "/intake/"):
        page.goto(house.base + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width_px
    context.close()
