"""Change requests: pinned on a place, answered once, told to whoever asked."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import QuerySet

from listings import links, places
from listings.models import ChangeRequest, Delivery, DeliveryItem, GalleryLink
from studio import mailing, records
from studio.errors import StaleState
from studio.models import Business, User

MOST_A_DAY = 100


def may_ask(link: GalleryLink, *, now: dt.datetime) -> bool:
    """Say whether this address may ask for more today."""
    lately = ChangeRequest.objects.filter(link=link, asked_at__gt=now - dt.timedelta(days=1))
    return lately.count() < MOST_A_DAY


def ask(
    item: DeliveryItem,
    link: GalleryLink,
    *,
    text: str,
    place: tuple[float, float] | None,
    now: dt.datetime,
) -> ChangeRequest:
    """Keep what a client wants changed; `place` is in shares of the picture's width and height."""
    in_frame = None
    if place is not None and (made := item.correction) is not None:
        in_frame = places.in_frame(made.report, (place[0] * (made.width - 1), place[1] * (made.height - 1)))
    booking = item.delivery.booking
    with transaction.atomic():
        request = ChangeRequest.objects.create(
            item=item,
            link=link,
            text=text.strip(),
            x_frame=in_frame[0] if in_frame else None,
            y_frame=in_frame[1] if in_frame else None,
            asked_at=now,
        )
        records.note("asked for a change", booking=booking, client=booking.client, now=now, text=text[:200])
        if to := Business.current().email:
            mailing.send(
                "change-asked",
                to=to,
                subject=f"A change is asked for: {booking.home.street}",
                body=f"{item.caption or 'A picture'}\n\n{text.strip()}\n\n{link}",
                booking=booking,
                now=now,
            )
    return request


def answer(request: ChangeRequest, *, text: str, by: User, now: dt.datetime) -> None:
    """Answer once; the one who asked is told by mail and in the gallery."""
    with transaction.atomic():
        changed = ChangeRequest.objects.filter(pk=request.pk, answered_at=None).update(
            answer=text.strip(), answered_at=now, answered_by=by
        )
        if not changed:
            raise StaleState("Someone has answered this already. Their answer is kept.")
        booking, link = request.item.delivery.booking, request.link
        if link is not None and link.email and link.is_open(now):
            mailing.send(
                "change-answered",
                to=link.email,
                subject=f"Your wish for {booking.home.street}",
                body=f"You asked: {request.text}\n\n{text.strip()}\n\n{links.address(link)}",
                booking=booking,
                now=now,
            )
        records.note("answered a change", booking=booking, user=by, now=now)


def of_link(link: GalleryLink) -> QuerySet[ChangeRequest]:
    """Return what was asked for from an address, with its answers."""
    return ChangeRequest.objects.filter(link=link).select_related("item")


def of_delivery(delivery: Delivery) -> QuerySet[ChangeRequest]:
    rows = ChangeRequest.objects.filter(item__delivery__booking=delivery.booking)
    return rows.select_related("item__picture__correction", "item__correction", "item__picture__room", "link")


def pin(request: ChangeRequest) -> tuple[float, float] | None:
    """Return where the place is in the picture as it is now, in pixels; None when there is none."""
    made = request.item.picture.correction or request.item.correction
    if made is None or request.x_frame is None or request.y_frame is None:
        return None
    return places.in_picture(made.report, (request.x_frame, request.y_frame))
