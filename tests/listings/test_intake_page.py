"""The intake page in a browser: a folder over a thin line, paused, reloaded, cut off, whole in the end."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect, sync_playwright

from tests import programs
from tests.conftest import chromium_path
from tests.listings import servers
from tests.listings.factories import write_jpeg
from tests.listings.servers import House

pytestmark = [pytest.mark.browser, pytest.mark.slow]
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
FILES = 8


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with servers.pages(servers.prepare(tmp_path_factory.mktemp("house") / "data")) as running:
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_playwright() as player:
        started = player.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        yield started
        started.close()


@pytest.fixture
def page(house: House, browser: Any) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.add_cookies([{"name": "sessionid", "value": house.session, "url": house.base}])
    opened = context.new_page()
    opened.goto(f"{house.base}/bookings/{house.visit}/intake/")
    yield opened
    context.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("drop")
    for n in range(FILES):
        write_jpeg(root / f"IMG_{n:04d}.JPG", n + 70, (1000, 750))
    (root / "notes.txt").write_text("not a picture")
    return root


class Line:
    """The line between browser and server, made thin or cut."""

    def __init__(self, page: Page) -> None:
        self.session = page.context.new_cdp_session(page)
        self.session.send("Network.enable")

    def __call__(self, *, bytes_a_second: int = -1, is_cut: bool = False) -> None:
        conditions = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": bytes_a_second}
        self.session.send("Network.emulateNetworkConditions", {"offline": is_cut, **conditions})


def choose(page: Page, folder: Path) -> None:
    page.set_input_files("#choose-files", [str(path) for path in sorted(folder.iterdir())])


def test_a_folder_arrives_whole_over_a_thin_line_with_a_pause_a_reload_and_a_cut(
    page: Page, house: House, folder: Path
) -> None:
    line, count = Line(page), page.locator("[data-part=count]")
    page.on("dialog", lambda dialog: dialog.accept())
    page.set_input_files("#choose-files", [str(path) for path in sorted(folder.iterdir())[:2]])
    expect(page.locator("[data-part=count]")).to_have_text(
        "All 2 files are stored and verified.", timeout=60_000
    )
    line(bytes_a_second=100_000)
    choose(page, folder)
    programs.wait_until(lambda: arrived(house), within_s=60, what="some bytes of a third file")
    page.locator("[data-part=pause]").click()
    expect(page.locator("[data-words]", has_text="Paused").first).to_be_visible()
    half = set(arrived(house))
    page.reload()
    line(bytes_a_second=100_000)
    choose(page, folder)
    expect(page.locator("[data-words]", has_text="Already stored").first).to_be_visible(timeout=30_000)
    expect(page.locator("[data-words]", has_text="Sending").first).to_be_visible(timeout=30_000)
    line(is_cut=True)
    expect(page.locator("[data-words]", has_text="No connection").first).to_be_visible(timeout=30_000)
    line()
    done = f"All {FILES} files are stored and verified. 1 file is no picture and stayed where it was."
    expect(count).to_have_text(done, timeout=60_000)
    stored = house.ask(
        "from listings.models import Upload\n"
        "print(json.dumps([str(u.public_id) for u in Upload.objects.filter(state='stored')]))"
    )
    assert len(stored) == FILES
    assert half <= set(stored)  # gone on with, not begun anew


def arrived(house: House) -> list[str]:
    """Return the identifiers of the uploads of which some bytes are on the disk."""
    return [path.stem for path in (house.data / "partial").glob("*.part") if path.stat().st_size > 50_000]


def test_the_way_in_works_by_keyboard(page: Page) -> None:
    page.on("filechooser", lambda _: None)  # switched on well before the key, else the browser's own opens
    page.locator("[data-choose=choose-folder]").focus()
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    with page.expect_file_chooser() as chooser:  # keys pressed before the first painted frame are dropped
        page.keyboard.press("Enter")
    assert chooser.value.is_multiple()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.dataset.choose") == "choose-files"


@pytest.mark.parametrize("width_px", [360, 768, 1440])
def test_nothing_runs_out_of_the_page(page: Page, width_px: int, folder: Path) -> None:
    page.set_viewport_size({"width": width_px, "height": 900})
    choose(page, folder)
    expect(page.locator("[data-part=transfer]")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= width_px
