"""One booking from request to paid invoice, by the very functions that the pages call."""

from __future__ import annotations

import datetime as dt
import sys
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from django.utils import timezone

from listings import cards, delivery, operations, placing, progress, shotlists
from listings.demo.scenario import BASE_POINT, VISIT_ON, Cast
from listings.models import Delivery, FolderIntake, GalleryLink, Picture, PictureCopy, Room, Shot
from studio import arranging, asking, diary, invoicing, quoting
from studio.forms.requesting import RequestForm
from studio.models import Booking, Business, Invoice, Property

FILES = Path(__file__).resolve().parent.parent / "demo_files"
Found = TypeVar("Found")

# When each wanted view was ticked: kind of room, number of the view, minutes after ten.
TICKS = (
    ("bathroom", 0, 1.0),
    ("kitchen", 0, 8.5),
    ("kitchen", 1, 12.8),
    ("kitchen", 2, 16.5),
    ("living", 0, 20.5),
    ("living", 1, 24.5),
)
NOT_READY = "The floor is being laid; the owner says so. Not for this set."


class Stopped(Exception):
    """Someone pressed Ctrl-C while the demo was being walked."""


class Walk:
    """The steps in their order; each says what it did."""

    def __init__(self, cast: Cast, *, say: Callable[[str], None], is_stopped: Callable[[], bool]) -> None:
        self.cast = cast
        self.say = say
        self.is_stopped = is_stopped
        self.zone = Business.current().zone
        self.number = 0

    def all(self) -> tuple[Booking, GalleryLink, Invoice]:
        booking = self.agree(self.request())
        self.visit(booking)
        self.take_in(booking)
        self.choose(booking)
        link = self.send(booking)
        return booking, link, self.bill(booking)

    def at(self, days: int, hour: int, minute: int = 0) -> dt.datetime:
        """Return a moment of the story: days from the visit, by the town's clock."""
        moment = dt.datetime.combine(VISIT_ON + dt.timedelta(days=days), dt.time(hour, minute))
        return moment.replace(tzinfo=self.zone)

    def step(self, words: str) -> None:
        if self.is_stopped():
            raise Stopped
        self.number += 1
        self.say(f"{self.number:2}. {words}")

    # --- before the visit ------------------------------------------------------------------------------

    def request(self) -> Booking:
        """The agent fills in the request page, signed in; price and free times as the page shows them."""
        now = self.at(-4, 9, 12)
        business = Business.current()
        prices = quoting.price_list_for(self.cast.agent.agency, on=now.date())
        answers = {
            "street": "7 Weir Cottages",
            "city": "Harrowmere",
            "postcode": "HM3 1",
            "kind": Property.Kind.FLAT,
            "floor_area_m2": "64",
            "bedrooms": "1",
            "bathrooms": "1",
            "floors": "1",
            "occupied_by": Property.Occupied.OWNER,
            "point": f"{BASE_POINT[0] + 0.021:.4f}, {BASE_POINT[1] - 0.034:.4f}",
            "extras": [],
            "wishes": "The kitchen was fitted last year; please show how far it goes.",
            "access_contact": "Mrs Weir, 020 7946 0155",
            "access_note": "Key safe left of the door, code 4071. The alarm is off.",
            "accepts": "on",
        }
        form = RequestForm(answers, prices=prices, client=self.cast.agent, business=business)
        quote = form.quote()
        free = diary.free_times(home=form.home, minutes=quote.minutes, now=now, first_on=VISIT_ON, days=1)
        wanted = min(free, key=lambda one: abs(one.starts_at - self.at(0, 9, 30)))
        form = RequestForm(
            answers | {"starts_at": wanted.starts_at.isoformat()},
            prices=prices,
            client=self.cast.agent,
            business=business,
        )
        if not form.is_valid():
            raise ValueError(f"the demo's own request was refused: {form.errors.as_text()}")
        booking = asking.ask_as(self.cast.agent, form.asked(form.quote()), now=now)
        self.step(
            f"{self.cast.agent} asks for pictures of {booking.home.street}: {len(free)} free times were "
            f"offered on {VISIT_ON:%A}, the price stood beside them."
        )
        return booking

    def agree(self, booking: Booking) -> Booking:
        booking = arranging.agree(booking, by=self.cast.owner, now=self.at(-4, 10, 3))
        shotlists.ensure(booking)
        rooms, shots = Room.objects.filter(booking=booking), Shot.objects.filter(room__booking=booking)
        self.step(
            f"The owner agrees; a calendar entry goes out; the shot list has {rooms.count()} rooms, "
            f"{shots.count()} views."
        )
        return booking

    # --- the visit -------------------------------------------------------------------------------------

    def visit(self, booking: Booking) -> None:
        """Tick off what was made ready and taken, as the phone page does."""
        taken = 0
        for kind, view, minutes in TICKS:
            shots = list(Shot.objects.filter(room__booking=booking, room__kind=kind).order_by("position"))
            if view < len(shots):
                moment = self.at(0, 10) + dt.timedelta(minutes=minutes)
                if view == 0:
                    self._act(
                        booking, "ready", moment - dt.timedelta(minutes=1), room=shots[view].room.public_id
                    )
                self._act(booking, "take", moment, item=shots[view].public_id)
                taken += 1
        waived = operations.missing_shots(booking)
        for shot in waived:
            self._act(booking, "waive", self.at(0, 10, 26), item=shot.public_id, text=NOT_READY)
        self._act(booking, "note", self.at(0, 10, 27), text="Lamp by the sofa flickers at short times.")
        self._act(booking, "leave", self.at(0, 10, 30))
        booking.refresh_from_db()
        self.step(f"On site: {taken} views ticked, {len(waived)} waived with a reason, the home is left.")

    def _act(
        self,
        booking: Booking,
        kind: str,
        at: dt.datetime,
        *,
        item: uuid.UUID | None = None,
        room: uuid.UUID | None = None,
        text: str = "",
    ) -> None:
        act = operations.Act(uuid.uuid4(), kind, at, device="demo", item=item, room=room, text=text)
        operations.apply(booking, act, by=self.cast.photographer, now=at)

    # --- the desk --------------------------------------------------------------------------------------

    def take_in(self, booking: Booking) -> None:
        """The card is copied in and read back; then the workers make the pictures."""
        row = cards.begin(booking, FILES, by=self.cast.photographer, now=timezone.now())
        state = FolderIntake.State
        self._wait(
            lambda: FolderIntake.objects.filter(pk=row.pk, state__in=[state.DONE, state.FAILED]).first(),
            words=lambda: "Copying the card",
        )
        row.refresh_from_db()
        self.step(f"Intake: {cards.summary(row).sentence}")
        began = time.monotonic()

        def now_of() -> progress.Progress:
            return progress.of(booking, now=timezone.now())

        def is_done() -> bool:
            seen = now_of()
            return not seen.is_working and seen.pictures > 0

        self._wait(is_done, words=lambda: " ".join(filter(None, (now_of().sentence, now_of().time_left))))
        seen = now_of()
        self.step(
            f"The workers made {seen.made} of {seen.pictures} pictures from {seen.frames} frames in "
            f"{time.monotonic() - began:.0f} s."
        )

    def choose(self, booking: Booking) -> None:
        """A picture that no tick claimed is put into its room; of two alike, one is left out."""
        rooms = {room.kind: room for room in Room.objects.filter(booking=booking)}
        pictures = list(Picture.objects.filter(booking=booking).order_by("taken_at", "pk"))
        lost = [picture for picture in pictures if picture.room_id is None]
        for picture in lost:
            placing.put([picture], room=self._room_before(picture, pictures) or rooms["living"], shot=None)
        doubtful = [
            picture
            for picture in Picture.objects.filter(booking=booking).select_related("correction")
            if picture.correction and picture.correction.needs_look
        ]
        alike = Picture.objects.filter(booking=booking, room=rooms["living"], shot=None).first()
        now = self.at(0, 14, 40)
        if alike is not None and len(pictures) > 1:
            delivery.choose(booking, alike, is_chosen=False, now=now)
        self.step(
            f"At the desk: {len(doubtful)} pictures asked for a look, {len(lost)} put into a room by hand, "
            f"{1 if alike else 0} of two alike left out."
        )

    def _room_before(self, picture: Picture, pictures: list[Picture]) -> Room | None:
        earlier = pictures[: pictures.index(picture)]
        return next((other.room for other in reversed(earlier) if other.room_id), None)

    def send(self, booking: Booking) -> GalleryLink:
        """Build the set, first the living room, and send it; the copies are made by the workers."""
        booking.refresh_from_db()
        now = self.at(0, 15, 10)
        built = delivery.build(booking, now=now)
        first = built.items.filter(picture__room__kind="living").first()
        if first is not None:
            delivery.move(built, first, to="first", version=built.version)
        link = delivery.send(
            built,
            to=self.cast.agent.email,
            message="The kitchen first thing after the living room, as you wished.",
            by=self.cast.photographer,
            now=now,
        )
        files = PictureCopy.objects.filter(items__delivery=built).distinct()
        waits = files.filter(state=PictureCopy.State.WAITING)
        self._wait(
            lambda: not waits.exists(),
            words=lambda: (
                f"Making files for each purpose: {files.count() - waits.count()} of {files.count()}"
            ),
        )
        sent = Delivery.objects.get(pk=built.pk)
        self.step(
            f"The set is sent: {sent.items.count()} pictures, {files.count()} files for "
            f"{files.values('purpose').distinct().count()} purposes, a gallery for {self.cast.agent.name}."
        )
        return link

    def bill(self, booking: Booking) -> Invoice:
        invoice = invoicing.issue(booking, by=self.cast.owner, now=self.at(0, 15, 12))
        self._wait(
            lambda: Invoice.objects.filter(pk=invoice.pk).exclude(pdf="").exists(),
            words=lambda: "Making the invoice's PDF",
        )
        self.step(f"Invoice {invoice.number} is issued and its PDF made.")
        invoicing.record_payment(
            invoice, received_on=self.at(4, 11).date(), by=self.cast.owner, now=self.at(4, 11)
        )
        booking.refresh_from_db()
        self.step(f"The payment came; booking {booking.number} is {booking.get_state_display().lower()}.")
        return invoice

    # --- waiting ---------------------------------------------------------------------------------------

    def _wait(self, ready: Callable[[], Found], *, words: Callable[[], str]) -> Found:
        """Wait for the workers and show what they do: one changing line, or a line for each kind of work."""
        shown = ""
        is_terminal = sys.stdout.isatty()
        while not (found := ready()):
            if self.is_stopped():
                raise Stopped
            now = words()
            if is_terminal:
                print(f"\r    {now:<76}", end="", flush=True)
            elif now.partition(":")[0] != shown.partition(":")[0]:
                self.say(f"    {now}")
            shown = now
            time.sleep(0.5)
        if is_terminal and shown:
            print(f"\r{'':<80}\r", end="", flush=True)
        return found
