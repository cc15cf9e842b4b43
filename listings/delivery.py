"""Deliveries: built from the chosen pictures in the order of the walk, checked, sent once, then frozen.

While a set is being built its items follow the pictures that are chosen; sending freezes each item's
correction, has the copies made, opens a gallery and tells the client, all in one transaction.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Count, F, Max, Q, QuerySet

from listings import captions, copies, links, originals, purposes
from listings.delivery_checks import stops
from listings.models import Correction, Delivery, DeliveryItem, GalleryLink, Picture, PictureCopy
from studio import booking_states, consents, mailing, records
from studio.errors import StaleState, StudioError
from studio.models import Booking, Business, User

State = Delivery.State
SOMEONE_ELSE = (
    "Someone else changed this set at the same moment. Theirs is kept; look at it, then do yours again."
)
DEFAULT_LICENCE = (
    "The agent may use these pictures to market this property while it is listed. They may not be "
    "passed on to another agent, builder, furnisher or seller. The photographer keeps the copyright."
)


class NotReady(StudioError):
    """The set can't be sent yet; the message says why."""


# --- building -------------------------------------------------------------------------------------------
def current(booking: Booking) -> Delivery | None:
    """Return the set that is being built, else the last one."""
    rows = Delivery.objects.filter(booking=booking)
    return rows.filter(state=State.BEING_BUILT).first() or rows.order_by("-created_at", "-pk").first()


def build(booking: Booking, *, now: dt.datetime) -> Delivery:
    """Return the set being built, begun if there is none, its items those pictures that are chosen."""
    with transaction.atomic():
        Booking.objects.select_for_update().get(pk=booking.pk)
        delivery = Delivery.objects.filter(booking=booking, state=State.BEING_BUILT).first()
        if delivery is None:
            delivery = Delivery.objects.create(
                booking=booking, created_at=now, consent=_last_consent(booking)
            )
        _follow_choice(delivery)
    return delivery


def _follow_choice(delivery: Delivery) -> None:
    """Add chosen pictures that are not in the set, take out those no longer chosen."""
    chosen = list(
        Picture.objects.filter(booking=delivery.booking, is_chosen=True).select_related("room", "shot")
    )
    gone, _ = delivery.items.exclude(picture__in=chosen).delete()
    known = {item.picture_id: item for item in delivery.items.all()}
    _propose_words([known[picture.pk] for picture in chosen if picture.pk in known], chosen)
    missing = [picture for picture in chosen if picture.pk not in known]
    if gone or (known and missing):  # whoever looks at the set as it was must look again before sending
        Delivery.objects.filter(pk=delivery.pk).update(version=F("version") + 1)
        delivery.refresh_from_db(fields=["version"])
    if not missing:
        return
    before = _items_of_last(delivery)
    order = [item.picture for item in delivery.items.select_related("picture__room", "picture__shot")]
    for picture in sorted(missing, key=lambda picture: _walk_key(picture, before)):
        order.insert(_place(order, picture), picture)
        old = before.get(picture.pk)
        known[picture.pk] = DeliveryItem(
            delivery=delivery,
            picture=picture,
            caption=old.caption if old else captions.caption(picture),
            alt_text=old.alt_text if old else captions.alt_text(picture),
        )
    for position, picture in enumerate(order):
        item = known[picture.pk]
        if item.pk is None or item.position != position:
            item.position = position
            item.save()


def _propose_words(items: Sequence[DeliveryItem], chosen: Sequence[Picture]) -> None:
    """Give items without any words those of their room, once their pictures have been placed."""
    pictures = {picture.pk: picture for picture in chosen}
    for item in items:
        picture = pictures[item.picture_id]
        if not item.caption and not item.alt_text and picture.room is not None:
            item.caption, item.alt_text = captions.caption(picture), captions.alt_text(picture)
            item.save(update_fields=["caption", "alt_text"])


def _items_of_last(delivery: Delivery) -> dict[int, DeliveryItem]:
    last = Delivery.objects.filter(booking=delivery.booking).exclude(pk=delivery.pk).first()
    return {item.picture_id: item for item in last.items.all()} if last else {}


def _walk_key(picture: Picture, before: dict[int, DeliveryItem]) -> tuple[Any, ...]:
    """Order as it was sent last time, else by room, wanted view and time."""
    if old := before.get(picture.pk):
        return (0, old.position, 0, 0, 0)
    room, shot = picture.room, picture.shot
    return (
        1,
        room.position if room else 32_767,
        shot.position if shot else 32_767,
        picture.taken_at.timestamp() if picture.taken_at else 0,
        picture.pk,
    )


def _place(order: Sequence[Picture], picture: Picture) -> int:
    """Return where a new picture goes: after the last of its room, else at the end."""
    same = [at for at, other in enumerate(order) if picture.room_id and other.room_id == picture.room_id]
    return same[-1] + 1 if same else len(order)


def _last_consent(booking: Booking) -> str:
    last = Delivery.objects.filter(booking=booking).exclude(consent="").first()
    return last.consent if last else ""


def _consent_words(booking: Booking) -> str:
    """Return the tenant's answer as the set keeps it, empty when none is needed."""
    answer = consents.latest(booking) if consents.is_needed(booking) else None
    return answer.words[:300] if answer else ""


def reorder(delivery: Delivery, wanted: Iterable[UUID], *, version: int) -> None:
    """Put the items into this order; those not named keep their order behind them."""
    with transaction.atomic():
        _claim_version(delivery, version)
        items = {item.public_id: item for item in delivery.items.all()}
        order = [items.pop(public_id) for public_id in wanted if public_id in items]
        for position, item in enumerate([*order, *items.values()]):
            if item.position != position:
                DeliveryItem.objects.filter(pk=item.pk).update(position=position)


def move(delivery: Delivery, item: DeliveryItem, *, to: str, version: int) -> None:
    """Move an item: "up", "down" or "first"."""
    order = list(delivery.items.values_list("public_id", flat=True))
    at = order.index(item.public_id)
    order.insert({"up": max(at - 1, 0), "down": at + 1, "first": 0}[to], order.pop(at))
    reorder(delivery, order, version=version)


def by_walk(delivery: Delivery, *, version: int) -> None:
    """Put the items back into the order of the walk."""
    items = list(delivery.items.select_related("picture__room", "picture__shot"))
    items.sort(key=lambda item: _walk_key(item.picture, {}))
    reorder(delivery, [item.public_id for item in items], version=version)


def describe(item: DeliveryItem, *, caption: str, alt_text: str) -> None:
    """Change the words of a picture, as long as the set is being built."""
    changed = DeliveryItem.objects.filter(pk=item.pk, delivery__state=State.BEING_BUILT).update(
        caption=caption.strip()[:240], alt_text=alt_text.strip()[:400]
    )
    if not changed:
        raise StaleState("The set has been sent meanwhile; its words stay as they were sent.")


def choose(booking: Booking, picture: Picture, *, is_chosen: bool, now: dt.datetime) -> None:
    """Take a picture into the set or out of it."""
    Picture.objects.filter(pk=picture.pk, booking=booking).update(is_chosen=is_chosen)
    build(booking, now=now)


def _claim_version(delivery: Delivery, version: int) -> None:
    changed = Delivery.objects.filter(pk=delivery.pk, state=State.BEING_BUILT, version=version).update(
        version=F("version") + 1
    )
    if not changed:
        raise StaleState(SOMEONE_ELSE)
    delivery.version = version + 1


# --- sending --------------------------------------------------------------------------------------------
def send(
    delivery: Delivery,
    *,
    to: str,
    message: str = "",
    passphrase: str = "",
    by: User,
    now: dt.datetime,
) -> GalleryLink:
    """Send the set: freeze it, have its copies made, open its gallery, tell the client.

    Raises NotReady with the reasons when a check stops it, StaleState when someone was first.
    """
    business, booking = Business.current(), delivery.booking
    with transaction.atomic():
        Booking.objects.select_for_update().get(pk=booking.pk)  # nobody takes a picture in or out meanwhile
        if reasons := stops(delivery):
            raise NotReady(" ".join(check.words for check in reasons))
        values = {
            "state": State.SENT,
            "sent_at": now,
            "sent_by": by,
            "message": message,
            "consent": delivery.consent or _consent_words(booking),
            "licence_text": business.licence_text or DEFAULT_LICENCE,
            "licence_until": _months_on(now.astimezone(business.zone).date(), business.licence_months),
        }
        changed = Delivery.objects.filter(
            pk=delivery.pk, state=State.BEING_BUILT, version=delivery.version
        ).update(**values)
        if not changed:
            raise StaleState(SOMEONE_ELSE)
        delivery.refresh_from_db()
        _freeze(delivery)
        request_copies(delivery)
        link = open_link(delivery, email=to, label=booking.client.name, passphrase=passphrase, now=now)
        if booking_states.may_move(booking, Booking.State.SENT, by=by):
            booking_states.move(booking, Booking.State.SENT, by=by, now=now)
        else:
            records.note("sent a further set", booking=booking, user=by, now=now, to=to)
        _tell(delivery, link, business, now=now)
    return link


def open_link(
    delivery: Delivery, *, email: str, label: str, passphrase: str = "", now: dt.datetime
) -> GalleryLink:
    """Make an address of a sent set's gallery, good for as long as the business keeps galleries."""
    months = Business.current().gallery_months
    expires_on = _months_on(now.date(), months)
    return GalleryLink.objects.create(
        delivery=delivery,
        email=email,
        label=label,
        passphrase=links.hash_passphrase(passphrase) if passphrase else "",
        expires_at=dt.datetime.combine(expires_on, dt.time(23, 59), dt.UTC) if months else None,
        created_at=now,
    )


def withdraw(delivery: Delivery, *, by: User, now: dt.datetime) -> None:
    """Close a sent set's galleries for good; nothing is deleted."""
    with transaction.atomic():
        if not Delivery.objects.filter(pk=delivery.pk, state=State.SENT).update(state=State.WITHDRAWN):
            raise StaleState("This set is not out: it was never sent, or was withdrawn before.")
        for link in GalleryLink.objects.filter(delivery=delivery, revoked_at=None):
            links.revoke(link, now=now)
        records.note("withdrew the set", booking=delivery.booking, user=by, now=now, delivery=delivery.pk)
    delivery.refresh_from_db()


def _freeze(delivery: Delivery) -> None:
    for item in delivery.items.select_related("picture"):
        DeliveryItem.objects.filter(pk=item.pk).update(correction=item.picture.correction_id)


def _tell(delivery: Delivery, link: GalleryLink, business: Business, *, now: dt.datetime) -> None:
    count = delivery.items.count()
    parts = [
        f"Dear {delivery.booking.client.name},",
        f"the {count} pictures of {delivery.booking.home.address_line} are ready:\n{links.address(link)}",
        delivery.message.strip(),
        "Whoever has this address can see the pictures: pass it on with care." + _until_words(link),
        "It asks for a passphrase that you get from us another way." if link.passphrase else "",
        business.name,
    ]
    mailing.send(
        "gallery",
        to=link.email,
        subject=f"Pictures of {delivery.booking.home.street}",
        body="\n\n".join(part for part in parts if part),
        booking=delivery.booking,
        now=now,
    )


def _until_words(link: GalleryLink) -> str:
    return f" It works until {link.expires_at.day} {link.expires_at:%B %Y}." if link.expires_at else ""


def _months_on(on: dt.date, months: int) -> dt.date:
    """Return the same day some months later, or the last day of a shorter month."""
    month = on.month - 1 + months
    year, month = on.year + month // 12, month % 12 + 1
    last = (dt.date(year + month // 12, month % 12 + 1, 1) - dt.timedelta(days=1)).day
    return dt.date(year, month, min(on.day, last))


# --- copies ---------------------------------------------------------------------------------------------
def request_copies(delivery: Delivery) -> None:
    """Have every file of a sent set made that isn't there yet."""
    wanted = purposes.ensure()
    for item in delivery.items.select_related("picture__room", "picture__shot", "correction"):
        if item.correction is not None:
            metadata = copy_metadata(item)
            item.copies.set([copies.request(item.correction, purpose, metadata) for purpose in wanted])


def files(delivery: Delivery) -> QuerySet[PictureCopy]:
    """Return the files of a sent set."""
    return PictureCopy.objects.filter(items__delivery=delivery)


def files_state(delivery: Delivery) -> dict[str, Any]:
    """Count a set's files: wanted, made, failed, and the words of the failures."""
    state = PictureCopy.State
    rows = files(delivery)
    counts = rows.aggregate(
        wanted=Count("pk", distinct=True),
        made=Count("pk", filter=Q(state=state.MADE), distinct=True),
        failed=Count("pk", filter=Q(state=state.FAILED), distinct=True),
        last=Max("made_at"),
    )
    reasons = rows.filter(state=state.FAILED).values_list("reason", flat=True).distinct()
    return counts | {"reasons": list(reasons[:5]), "is_done": counts["made"] == counts["wanted"]}


def try_files_again(delivery: Delivery) -> int:
    """Put the failed files of a set back into the work."""
    failed = list(files(delivery).filter(state=PictureCopy.State.FAILED).distinct())
    for copy in failed:
        copies.try_again(copy)
    return len(failed)


def copy_metadata(item: DeliveryItem) -> dict[str, Any]:
    """Return what the file says of itself: keys of `processing.encode.Metadata`."""
    delivery, picture = item.delivery, item.picture
    booking, business = delivery.booking, Business.current()
    creator = booking.photographer.name if booking.photographer else business.name
    year = (picture.taken_at or delivery.sent_at or delivery.created_at).year
    until = f" Until {delivery.licence_until:%Y-%m-%d}." if delivery.licence_until else ""
    return {
        "creator": creator,
        "copyright": f"© {year} {business.name or creator}",
        "credit": business.name,
        "usage_terms": f"{delivery.licence_text}{until}".strip(),
        "rights_url": business.website,
        "caption": item.caption,
        "alt_text": item.alt_text,
        "headline": booking.home.street,
        "city": booking.home.city,
        "country_code": booking.home.country_code,
        "job": booking.number,
        "source_type": source_type(picture, item.correction),
    }


def source_type(picture: Picture, made: Correction | None) -> str:
    """Return the IPTC digital source type of what was done: who or what changed the picture last."""
    if originals.in_version(picture.alterations.all(), made):
        return "humanEdits"
    return "algorithmicallyEnhanced" if picture.kind == "single" else "computationalCapture"
