"""What a client sees of a sent set: the walk through the home, the files, and what may be had already."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from django.db.models import Prefetch
from django.utils.text import slugify

from listings import files, manifests, originals
from listings.models import (
    Alteration,
    Delivery,
    DeliveryItem,
    Download,
    GalleryLink,
    PassphraseTry,
    PictureCopy,
    Purpose,
)
from listings.purposes import SCREEN
from listings.zips import Archive, Entry, entry_of
from studio import invoicing, records
from studio.models import Booking, Client

TRIES = 5
TRIES_OF_ALL = 40
TRIES_WITHIN = dt.timedelta(minutes=15)
OPENED_AGAIN_AFTER = dt.timedelta(hours=1)
THUMBNAIL_WIDTH, PREVIEW_WIDTH = 640, 2048
# Long records that no page of the gallery shows.
HEAVY = ("correction__report", "correction__plan", "picture__analysis", "picture__plan")


@dataclass(frozen=True)
class Release:
    """Whether the files may be had now, and if not, why."""

    is_open: bool
    why: str = ""


@dataclass(frozen=True)
class Source:
    """One size of a picture, for `srcset`."""

    size: str
    width: int


@dataclass
class Shown:
    """A picture as the gallery shows it."""

    item: DeliveryItem
    screen: PictureCopy | None
    copies: dict[str, PictureCopy]
    alterations: list[Alteration]
    sources: list[Source]
    is_wide: bool = False

    @property
    def width(self) -> int:
        return self.item.correction.width if self.item.correction else 3

    @property
    def height(self) -> int:
        return self.item.correction.height if self.item.correction else 2

    @property
    def best(self) -> Source:
        return self.sources[-1]


@dataclass
class RoomShown:
    """Pictures of one room that stand together."""

    name: str
    pictures: list[Shown]


# --- who may ------------------------------------------------------------------------------------------------
def release_of(delivery: Delivery) -> Release:
    """Say whether the client's files are free: at once, or when the invoice is paid."""
    booking = delivery.booking
    if booking.client.release == Client.Release.AT_ONCE:
        return Release(True)
    invoice = invoicing.standing_invoice(booking)
    if invoice is None:
        return Release(False, "The files come with the payment. The invoice is on its way to you.")
    if invoicing.balance_minor(invoice) <= 0:
        return Release(True)
    return Release(False, f"The files come with the payment of invoice {invoice.number}.")


def open_link_of(booking: Booking, *, now: dt.datetime) -> GalleryLink | None:
    """Return the newest address of the booking's galleries that is open now."""
    links = GalleryLink.objects.filter(
        delivery__booking=booking, delivery__state=Delivery.State.SENT, revoked_at=None
    )
    return next((link for link in links.order_by("-created_at", "-pk") if link.is_open(now)), None)


def begin_try(link: GalleryLink, address: str, *, now: dt.datetime) -> PassphraseTry | None:
    """Count a try of the passphrase before it is looked at, so that many at once gain nothing.

    None: too many lately. The row of a right answer is deleted by the caller.
    """
    one = PassphraseTry.objects.create(link=link, address=address, at=now)
    tries = PassphraseTry.objects.filter(link=link)
    tries.filter(at__lt=now - dt.timedelta(days=1)).delete()
    lately = tries.filter(at__gt=now - TRIES_WITHIN)
    if lately.filter(address=address).count() > TRIES or lately.count() > TRIES_OF_ALL:
        one.delete()
        return None
    return one


def note_opened(link: GalleryLink, *, now: dt.datetime) -> None:
    """Remember that the gallery was looked at; once an hour is enough."""
    last = link.last_opened_at
    if last is not None and now - last < OPENED_AGAIN_AFTER:
        return
    if GalleryLink.objects.filter(pk=link.pk, last_opened_at=last).update(last_opened_at=now):
        booking = link.delivery.booking
        records.note("opened the gallery", booking=booking, client=booking.client, now=now, link=str(link))


def note_download(link: GalleryLink, what: str, purpose: Purpose, *, now: dt.datetime) -> None:
    Download.objects.create(link=link, delivery=link.delivery, what=what[:200], purpose=purpose.name, at=now)


# --- what is shown --------------------------------------------------------------------------------------
def pictures(delivery: Delivery, *, is_released: bool) -> list[Shown]:
    """Return the set's pictures in order; a fixed number of queries."""
    items = delivery.items.filter(correction__isnull=False).select_related(
        "picture__room", "picture__shot", "correction"
    )
    made = PictureCopy.objects.filter(state=PictureCopy.State.MADE).select_related("purpose")
    rows = items.prefetch_related(
        Prefetch("copies", made, to_attr="made_copies"),
        "picture__alterations",
    )
    return [_shown(item, is_released=is_released) for item in rows.defer(*HEAVY)]


def _shown(item: DeliveryItem, *, is_released: bool) -> Shown:
    copies = {copy.purpose.slug: copy for copy in item.made_copies}  # type: ignore[attr-defined]
    screen = copies.pop(SCREEN, None)
    return Shown(
        item=item,
        screen=screen,
        copies=copies,
        alterations=originals.in_version(item.picture.alterations.all(), item.correction),
        sources=list(_sources(item, screen, is_released=is_released)),
    )


def _sources(item: DeliveryItem, screen: PictureCopy | None, *, is_released: bool) -> Iterator[Source]:
    """Yield the sizes at hand, the largest last; until release nothing larger than the screen's."""
    made = item.correction
    assert made is not None
    share = made.width / max(made.width, made.height)
    yield Source("small", round(min(THUMBNAIL_WIDTH, max(made.width, made.height)) * share))
    if screen is not None:
        yield Source("screen", screen.width)
    if is_released and made.preview:
        yield Source("large", round(min(PREVIEW_WIDTH, max(made.width, made.height)) * share))


def walk(shown: list[Shown]) -> list[RoomShown]:
    """Group pictures that follow one another in a room."""
    groups = itertools.groupby(shown, key=lambda one: one.item.picture.room)
    rooms = [RoomShown(room.name if room else "", list(rows)) for room, rows in groups]
    for room in rooms:
        # Two stand side by side where there is space; one that is left over has the line for itself.
        room.pictures[-1].is_wide = len(room.pictures) % 2 == 1
    return rooms


def offered() -> list[Purpose]:
    return list(Purpose.objects.filter(is_offered=True))


# --- files --------------------------------------------------------------------------------------------------
def named_files(shown: list[Shown], purpose: Purpose) -> list[tuple[DeliveryItem, PictureCopy, str]]:
    """Return the files of a purpose that are made, with the names they get; no two alike."""
    named: list[tuple[DeliveryItem, PictureCopy, str]] = []
    taken: set[str] = set()
    for order, one in enumerate(shown, start=1):
        if (copy := one.copies.get(purpose.slug)) is not None:
            name = _free(file_name(purpose, order, one.item), taken)
            taken.add(name.lower())
            named.append((one.item, copy, name))
    return named


def file_name(purpose: Purpose, order: int, item: DeliveryItem) -> str:
    """Return a file's name without its ending, by the purpose's pattern."""
    booking, room = item.delivery.booking, item.picture.room
    words = {
        "order": order,
        "room": slugify(room.name) if room else "picture",
        "street": slugify(booking.home.street),
        "booking": booking.number,
    }
    try:
        name = purpose.name_pattern.format(**words)
    except (KeyError, IndexError, ValueError, AttributeError):
        name = f"{order:02d}-{words['room']}"
    return "".join(c for c in name if c.isalnum() or c in " ._-").strip(" .") or f"{order:02d}"


def _free(name: str, taken: set[str]) -> str:
    names = itertools.chain([name], (f"{name}-{number}" for number in itertools.count(2)))
    return next(f"{free}.jpg" for free in names if f"{free}.jpg".lower() not in taken)


def archive(delivery: Delivery, shown: list[Shown], purpose: Purpose) -> Archive:
    """Lay out the ZIP of a purpose: pictures, manifest, licence and what was altered."""
    named = named_files(shown, purpose)
    rows = manifests.rows(delivery, named, is_largest=purpose.long_edge_px is None)
    entries = [
        Entry(name, copy.size, copy.crc32, partial(files.blocks, copy.file), copy.sha256)
        for _, copy, name in named
    ]
    texts = {
        "manifest.json": manifests.as_json(rows),
        "manifest.csv": manifests.as_csv(rows),
        "licence.txt": licence_text(delivery).encode(),
        "alterations.txt": alterations_text(shown).encode(),
    }
    return Archive(entries + [entry_of(name, content) for name, content in texts.items() if content])


def licence_text(delivery: Delivery) -> str:
    until = f"\n\nUntil {_day(delivery.licence_until)}." if delivery.licence_until else ""
    return f"{delivery.booking.home.address_line}\n\n{delivery.licence_text}{until}\n"


def alterations_text(shown: list[Shown]) -> str:
    """Return what was altered, with the addresses of the originals; empty when nothing was."""
    parts = []
    for order, one in enumerate(shown, start=1):
        if one.alterations:
            what = "; ".join(f"{row.get_kind_display()}: {row.what}" for row in one.alterations)
            address = manifests.originals_address(one.item)
            parts.append(
                f"Picture {order} ({one.item.caption or 'no caption'})\n{what}\n{statement(address or '')}"
            )
    return "\n\n".join(parts) + "\n" if parts else ""


def statement(address: str) -> str:
    """Return the sentence that stands beside an altered picture wherever it is published."""
    return f"This image has been altered. The original, unaltered image: {address}"


def _day(on: dt.date) -> str:
    return f"{on.day} {on:%B %Y}"


def archive_name(delivery: Delivery, purpose: Purpose) -> str:
    return f"{slugify(delivery.booking.home.street) or delivery.booking.number}-{purpose.slug}.zip"
