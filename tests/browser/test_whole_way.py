"""One booking from request to paid invoice, by hand: four people, real files, real workers, both set-ups.

The owner and the client sit at a desk, the photographer has a telephone 390 px wide. Nothing is prepared in
the database: the first page opened is the one-time set-up page that `serve` prints.
"""

from __future__ import annotations

import io
import json
import re
import uuid
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.conftest import POSTGRES_URL, REDIS_URL
from tests.programs import Running, free_port, running, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PASSWORD = "sandbag-and-gaffer-tape"
# A raw, a bracket of five JPEGs, and a raw with its JPEG: eight files, three pictures.
FILES = [
    *["PL_0401.DNG", "PL_0404.JPG", "PL_0405.JPG", "PL_0406.JPG", "PL_0407.JPG", "PL_0408.JPG"],
    *["PL_0409.DNG", "PL_0409.JPG"],
]
WORK_S = 240


@pytest.fixture(
    params=[
        "sqlite and folder",
        pytest.param("postgres and redis", marks=[pytest.mark.postgres, pytest.mark.redis]),
    ]
)
def services(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[dict[str, str]]:
    """The environment of a set-up, with a database and a queue of its own."""
    if request.param == "sqlite and folder":
        yield {}
        return
    import psycopg
    import redis

    name = f"test_whole_way_{uuid.uuid4().hex[:8]}"
    queue = redis.Redis.from_url(REDIS_URL)
    queue.flushdb()
    with psycopg.connect(POSTGRES_URL, autocommit=True) as server:
        server.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        server.execute(f"CREATE DATABASE {name}")
        try:
            yield {"DATABASE_URL": f"{POSTGRES_URL.rsplit('/', 1)[0]}/{name}", "REDIS_URL": REDIS_URL}
        finally:
            server.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
            queue.flushdb()


@pytest.fixture
def server(services: dict[str, str], tmp_path: Path) -> Iterator[Running]:
    port = str(free_port())
    with running("serve", "--port", port, "--workers", "1", data=tmp_path / "my data", **services) as found:
        found.wait_for("Ctrl-C stops everything.")
        yield found


class Person:
    """Someone with a browser of their own. What the page complains about on its console is kept."""

    def __init__(self, chromium: Any, base: str, **looks: Any) -> None:
        self.context = chromium.new_context(accept_downloads=True, **looks)
        self.context.set_default_timeout(30_000)
        self.page = self.context.new_page()
        self.base = base
        self.complaints: list[str] = []
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _hear(self, message: Any) -> None:
        if message.type == "error":
            self.complaints.append(message.text)

    def go(self, path: str) -> None:
        self.page.goto(path if path.startswith("http") else self.base + path)

    def fill(self, **answers: str) -> None:
        for label, text in answers.items():
            self.page.get_by_label(label.replace("_", " "), exact=False).first.fill(text)

    def press(self, name: str | re.Pattern[str]) -> None:
        self.page.get_by_role("button", name=name).first.click()
        self.page.wait_for_load_state()

    def follow(self, name: str | re.Pattern[str]) -> None:
        self.page.get_by_role("link", name=name).first.click()
        self.page.wait_for_load_state()

    def reads(self) -> str:
        return str(self.page.locator("main").inner_text())

    def fits(self) -> None:
        """Nothing is wider than the screen."""
        assert self.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), self.page.url


def test_from_request_to_paid_invoice(
    chromium: Any, server: Running, tmp_path: Path, demo_files: Path
) -> None:
    base = re.search(r"open at (http://\S+)/", server.said())[1]  # type: ignore[index]
    owner = Person(chromium, base)
    agent = Person(chromium, base)
    photographer = Person(
        chromium, base, viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True
    )
    set_up(owner, server)
    booking = ask(agent, owner)
    agree(owner, agent, booking)
    go_there(photographer, booking)
    bring_in(owner, booking, demo_files)
    see_pictures(owner, booking)
    gallery = send(owner, booking)
    take(agent, gallery, tmp_path)
    bill(owner, agent, booking)
    for person in (owner, agent, photographer):
        assert person.complaints == []


def set_up(owner: Person, server: Running) -> None:
    """The first owner, a photographer, the business's address."""
    owner.go(re.search(r"http://\S+/set-up/\S+", server.said())[0])  # type: ignore[index]
    owner.fill(What_is_the_business_called="Plumb & Lantern", Your_name="Odile Marsh")
    owner.fill(Your_mail_address="odile@plumb-lantern.example", Password=PASSWORD)
    owner.page.get_by_label("Time zone").select_option("Europe/London")
    owner.press("Begin")
    owner.go("/settings/")
    owner.page.locator("[name=address]").fill("4 Chandler's Row\nHarrowmere")
    owner.press("Keep it")
    owner.go("/settings/people/new/")
    owner.page.locator("[name=name]").fill("Piet Larch")
    owner.page.locator("[name=email]").fill("piet@plumb-lantern.example")
    owner.fill(Password=PASSWORD)
    owner.press("Keep it")
    assert "Piet Larch" in owner.reads()


def ask(agent: Person, owner: Person) -> str:
    """Fill in the request page; press the button behind the mailed link, read where mail is kept."""
    agent.go("/")
    agent.fill(Street_and_number="7 Weir Cottages", Town="Harrowmere", Floor_area="64", Bedrooms="1")
    agent.page.get_by_label("What kind of home is it?").select_option("flat")
    agent.page.get_by_label("Details of each room").check()
    day = agent.page.locator("details").filter(has=agent.page.get_by_label("10:00")).first
    agent.page.get_by_text(re.compile("164|204|Total")).first.wait_for()
    if not day.evaluate("it => it.open"):
        day.locator("summary").click()
    day.get_by_label("10:00").check()
    agent.fill(Who_opens_the_door="Mrs Weir", How_to_get_in="Key safe 4071", Your_name="Cleo Tansy")
    agent.fill(Agency="Tansy & Rook", Telephone="020 7946 0118")
    agent.page.locator("[name=email]").fill("cleo@tansy-rook.example")
    agent.page.get_by_label("I accept these terms").check()
    agent.press("Ask for the visit")
    assert "cleo@tansy-rook.example" in agent.reads()
    owner.go("/mails/")
    owner.follow(re.compile("One press"))
    agent.go(re.search(r"http://\S+/request/\S+", owner.reads())[0])  # type: ignore[index]
    agent.press("Send my request")
    assert "Your request is with us" in agent.reads()
    return str(agent.page.url)


def agree(owner: Person, agent: Person, booking: str) -> None:
    owner.go("/")
    owner.press("Agree")
    assert "Agreed" in owner.reads()
    agent.go(booking)
    assert "Agreed" in agent.reads()
    assert "4071" not in owner.reads() + agent.reads()  # the way in is shown on asking only


def go_there(photographer: Person, booking: str) -> None:
    """On the telephone: sign in, tick off, leave out what could not be taken, leave."""
    photographer.go("/sign-in/")
    photographer.page.locator("#id_email").fill("piet@plumb-lantern.example")
    photographer.fill(Password=PASSWORD)
    photographer.press("Sign in")
    photographer.go(f"{booking}on-site/")
    photographer.fits()
    photographer.press("Show the note")
    photographer.page.get_by_text("Key safe 4071").wait_for()
    photographer.go(f"{booking}on-site/")
    photographer.follow(re.compile("^Kitchen"))
    photographer.fits()
    photographer.press("All of it is ready")
    for view in ("From the doorway", "Along the worktop"):
        photographer.press(view)
        photographer.page.get_by_role("button", name=f"{view} taken").wait_for()
    photographer.follow(re.compile("^Before you leave"))
    photographer.fits()
    assert "missing" in photographer.reads()
    photographer.page.get_by_label("One reason for all").fill("The other rooms are being painted.")
    photographer.press("Leave anyway")
    assert "Visited" in photographer.reads()


def bring_in(owner: Person, booking: str, demo_files: Path) -> None:
    """Choose eight files; all of them are stored and verified."""
    owner.go(f"{booking}intake/")
    owner.page.locator("#choose-files").set_input_files([demo_files / name for name in FILES])
    owner.page.get_by_text(f"All {len(FILES)} files are stored and verified.").wait_for(timeout=60_000)


def see_pictures(owner: Person, booking: str) -> None:
    """Wait for the workers; put the pictures into their room; look at one, before and after."""
    wait_until(
        lambda: "All 3 pictures are made" in text_of(owner, booking), within_s=WORK_S, what="3 pictures"
    )
    owner.go(f"{booking}sheet/")
    boxes = owner.page.get_by_role("checkbox", name=re.compile("^Mark"))
    assert boxes.count() == 3
    for box in boxes.all():
        box.check()
    room = owner.page.get_by_label("Put the marked pictures under")
    room.select_option(label="Kitchen, any view")
    owner.press("Put them there")
    assert "3 pictures: Kitchen." in owner.reads()
    owner.page.locator("main a[href*='/pictures/']").first.click()
    owner.page.get_by_role("heading", name="Versions").wait_for()
    for picture in owner.page.locator("main img").all():
        assert picture.evaluate("it => it.decode().then(() => it.naturalWidth)") > 100


def text_of(person: Person, path: str) -> str:
    person.go(path)
    return person.reads()


def send(owner: Person, booking: str) -> str:
    """Build the set, send it, wait for its files; return the gallery's address."""
    owner.go(f"{booking}set/")
    if owner.page.get_by_role("button", name=re.compile("Begin")).count():
        owner.press(re.compile("Begin"))
    owner.page.locator("[name=caption]").first.fill("The kitchen, fitted last year")
    owner.press("Keep the words")
    owner.page.wait_for_load_state("networkidle")
    owner.press("Send the set")
    assert "The set is sent to cleo@tansy-rook.example" in owner.reads()
    wait_until(lambda: "All 15 files are made" in text_of(owner, booking), within_s=WORK_S, what="15 files")
    owner.go(f"{booking}set/")
    return str(re.search(r"http://\S+/g/\S+", owner.reads())[0])  # type: ignore[index]


def take(agent: Person, gallery: str, tmp_path: Path) -> None:
    """The client opens the gallery, takes the whole set, and asks for a change."""
    agent.go(gallery)
    assert "The kitchen, fitted last year" in agent.reads()
    shown = agent.page.locator("main img")
    assert shown.count() == 3
    for picture in shown.all():
        picture.scroll_into_view_if_needed()
        assert picture.evaluate("it => it.decode().then(() => it.naturalWidth)") > 100
        assert picture.get_attribute("alt")
    agent.page.get_by_label(re.compile("Take all 3 pictures")).select_option("web")
    with agent.page.expect_download() as waiting:
        agent.page.get_by_role("button", name="Download").click()
    path = tmp_path / "set.zip"
    waiting.value.save_as(path)
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        names = [name for name in archive.namelist() if name.endswith(".jpg")]
        assert len(names) == 3
        for name in names:
            with Image.open(io.BytesIO(archive.read(name))) as picture:
                picture.load()
                assert picture.info.get("icc_profile")
                assert 0x8825 not in picture.getexif()  # no place is told (EXIF 2.32, GPS IFD)
    answer = agent.context.request.get(f"{gallery}manifest.json")
    assert json.loads(answer.text())
    agent.follow(re.compile("^Ask for a change"))
    agent.page.locator("textarea").first.fill("A little brighter, please.")
    agent.press(re.compile("Ask|Send"))
    assert "Thank you" in agent.reads()


def bill(owner: Person, agent: Person, booking: str) -> None:
    """Issue, mail, pay: the booking is closed, and the client sees it paid."""
    owner.go(f"{booking}invoice/")
    owner.press("Issue the invoice")
    assert "I-" in owner.page.get_by_role("heading", level=1).inner_text()
    invoice = str(owner.page.url)
    wait_until(
        lambda: owner.context.request.get(f"{invoice}pdf/").headers["content-type"] == "application/pdf",
        within_s=60,
        what="the invoice's PDF",
    )
    assert owner.context.request.get(f"{invoice}pdf/").body().startswith(b"%PDF-")
    owner.go(invoice)
    owner.press("Mark as paid")
    assert "Paid" in owner.reads()
    owner.go(booking)
    assert "Closed" in owner.reads()
    agent.go(invoice)
    assert "Paid" in agent.reads()
