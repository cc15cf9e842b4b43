"""One booking that has gone the whole way, with a row of every kind that an address can name."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import uuid
import zlib
from typing import Any

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.utils import timezone

from listings import delivery, links, purposes, shotlists
from listings.models import (
    Alteration,
    ChangeRequest,
    Correction,
    Delivery,
    DeliveryItem,
    FolderIntake,
    Frame,
    GalleryLink,
    Picture,
    PictureCopy,
    PictureFrame,
    Purpose,
    Room,
    Upload,
)
from studio import (
    access_notes,
    asking,
    calendars,
    invoice_letters,
    invoicing,
    mailing,
    quoting,
    set_up,
    sign_in_links,
    tokens,
)
from studio.models import (
    Agency,
    Booking,
    BookingLine,
    BookingRequest,
    Client,
    CreditNote,
    DayOff,
    Invoice,
    Message,
    Payment,
    PriceItem,
    PriceList,
    SignInLink,
    TaxRate,
    User,
)
from tests import factories
from tests.listings import factories as listings_factories


@dataclasses.dataclass
class Scene:
    """Everything, by the names that the table of addresses uses."""

    owner: User
    photographer: User
    editor: User
    client: Client
    other_client: Client
    agency: Agency
    booking: Booking
    line: BookingLine
    building: Booking
    asked: BookingRequest
    prices: PriceList
    item: PriceItem
    unused_rate: TaxRate
    day_off: DayOff
    sign_in: SignInLink
    invoice: Invoice
    payment: Payment
    credit_note: CreditNote
    message: Message
    room: Room
    upload: Upload
    folder_intake: FolderIntake
    frame: Frame
    picture: Picture
    correction: Correction
    delivery: Delivery
    delivery_item: DeliveryItem
    link: GalleryLink
    locked_link: GalleryLink
    change: ChangeRequest
    purpose: Purpose

    @property
    def token(self) -> str:
        return links.token(self.link)

    @property
    def locked_token(self) -> str:
        return links.token(self.locked_link)

    @property
    def sign_in_token(self) -> str:
        return tokens.token("sign-in", self.sign_in.public_id)

    @property
    def request_token(self) -> str:
        return tokens.token("request", self.asked.public_id)

    @property
    def preparation_token(self) -> str:
        return tokens.token("preparation", self.booking.public_id)

    @property
    def consent_token(self) -> str:
        return tokens.token("consent", self.booking.public_id)

    @property
    def set_up_token(self) -> str:
        return set_up.token()

    @property
    def feed_token(self) -> str:
        return calendars.feed_address(self.photographer).rsplit("/", 1)[1].removesuffix(".ics")

    @property
    def invoice_token(self) -> str:
        return _last_part(invoice_letters.link_path(self.invoice))

    @property
    def credit_note_token(self) -> str:
        return _last_part(invoice_letters.link_path(self.credit_note))


def _last_part(path: str) -> str:
    return path.rstrip("/").rsplit("/", 1)[1]


def make_scene() -> Scene:
    """Make the scene around the present moment: pages compare with the clock."""
    now = timezone.now()
    factories.make_business(address="4 Chandler's Row\nHarrowmere")
    people = [factories.make_owner(), factories.make_photographer(), factories.make_editor()]
    agency = factories.make_agency()
    client, other = factories.make_client(agency=agency), factories.make_client(name="Bram Rook")
    booking = factories.make_booking(
        client=client, photographer=people[1], starts_at=now - dt.timedelta(days=2), created_at=now
    )
    access_notes.write(booking, "Key safe 4071", by=people[0], now=now)
    shotlists.ensure(booking)
    prices = factories.make_price_list(valid_from=now.date() - dt.timedelta(days=30))
    return Scene(
        *people,
        client=client,
        other_client=other,
        agency=agency,
        booking=booking,
        line=booking.lines.all()[0],
        building=_being_built(client, people[1], now),
        asked=_asked(prices, now),
        prices=prices,
        item=prices.items.all()[0],
        unused_rate=factories.make_tax_rate(name="Reduced"),
        day_off=DayOff.objects.create(first_on=now.date(), last_on=now.date()),
        sign_in=_sign_in(client, now),
        **_money(booking, people[0], now),
        **_frames(booking, now),
        **_set(booking, people[1], now),
    )


def _being_built(client: Client, photographer: User, now: dt.datetime) -> Booking:
    """A second visit whose set is being built."""
    booking = factories.make_booking(
        client=client,
        photographer=photographer,
        starts_at=now - dt.timedelta(days=1),
        state=Booking.State.VISITED,
    )
    listings_factories.make_picture(booking)
    delivery.build(booking, now=now)
    return booking


def _asked(prices: PriceList, now: dt.datetime) -> BookingRequest:
    home = {"street": "14 Lock Terrace", "city": "Harrowmere", "floor_area_m2": 95}
    quote = quoting.quote(quoting.Wish(price_list=prices, floor_area_m2=95, bedrooms=3, bathrooms=1))
    asked = asking.Asked(
        name="Nuria Vane",
        email="nuria@vane-homes.example",
        phone="555-0188",
        agency="Vane Homes",
        home=home,
        quote=quote,
        wants_outside=False,
        wanted_at=None,
        terms=None,
    )
    return asking.keep(asked, asked_from="192.0.2.44", now=now)


def _sign_in(client: Client, now: dt.datetime) -> SignInLink:
    link = sign_in_links.send(client.email, now=now)
    assert link is not None
    return link


def _money(booking: Booking, owner: User, now: dt.datetime) -> dict[str, Any]:
    invoice = invoicing.issue(booking, by=owner, now=now)
    payment = invoicing.record_payment(invoice, 1000, by=owner, now=now)
    note = invoicing.credit(
        invoice, reason="A view could not be taken.", amounts_minor=[500], by=owner, now=now
    )
    message = mailing.send(
        "note", to=booking.client.email, subject="A word", body="Dear Cleo", booking=booking, now=now
    )
    return {"invoice": invoice, "payment": payment, "credit_note": note, "message": message}


def _frames(booking: Booking, now: dt.datetime) -> dict[str, Any]:
    return {
        "room": Room.objects.filter(booking=booking)[0],
        "upload": Upload.objects.create(booking=booking, name="F9.JPG", size=10, started_at=now),
        "folder_intake": FolderIntake.objects.create(
            booking=booking, folder="/card", state=FolderIntake.State.FAILED
        ),
        "frame": listings_factories.make_frame(booking),
    }


def _set(booking: Booking, by: User, now: dt.datetime) -> dict[str, Any]:
    """A sent set of one altered picture, its gallery, and a change that was asked for."""
    picture = listings_factories.make_picture(booking)
    PictureFrame.objects.create(
        picture=picture, frame=listings_factories.make_frame(booking), is_reference=True
    )
    Alteration.objects.create(
        picture=picture,
        kind=Alteration.Kind.MOVABLE,
        what="a bin",
        area=[[1, 1], [9, 1], [9, 9]],
        done_by=by,
        done_at=now,
    )
    sent = Delivery.objects.create(booking=booking, state=Delivery.State.SENT, sent_at=now, sent_by=by)
    item = DeliveryItem.objects.create(
        delivery=sent, picture=picture, correction=picture.correction, caption="Kitchen"
    )
    for purpose in purposes.ensure():
        item.copies.add(_copy(picture.correction, purpose))
    link = GalleryLink.objects.create(
        delivery=sent, email=booking.client.email, expires_at=now + dt.timedelta(days=30)
    )
    return {
        "picture": picture,
        "correction": picture.correction,
        "delivery": sent,
        "delivery_item": item,
        "link": link,
        "locked_link": GalleryLink.objects.create(
            delivery=sent, passphrase=links.hash_passphrase("two plumb lines")
        ),
        "change": ChangeRequest.objects.create(item=item, link=link, text="The lamp, please."),
        "purpose": Purpose.objects.filter(is_offered=True).first(),
    }


def _copy(correction: Any, purpose: Purpose) -> PictureCopy:
    content = listings_factories.jpeg_bytes(purpose.pk)
    return PictureCopy.objects.create(
        correction=correction,
        purpose=purpose,
        metadata_digest=uuid.uuid4().hex,
        state=PictureCopy.State.MADE,
        file=default_storage.save(f"copies/{uuid.uuid4()}.jpg", ContentFile(content)),
        size=len(content),
        sha256=hashlib.sha256(content).hexdigest(),
        crc32=zlib.crc32(content),
        width=96,
        height=64,
    )
