"""The originals of altered pictures, open to everyone who reads the listing, for good.

Beside the picture that was sent stand the unaltered version of the same frame, corrected alike, and the
frame as the camera made it.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

import segno
from django.conf import settings
from django.http import Http404
from django.urls import reverse

from listings.models import Alteration, Correction, Delivery, DeliveryItem, Picture

SENT = (Delivery.State.SENT, Delivery.State.WITHDRAWN)
# Keys of a plan under which things are taken out of a picture or blurred.
ALTERING_KEYS = ("removals", "blurs")


@dataclass(frozen=True)
class Original:
    """An altered picture that was sent, and its unaltered counterpart where it is made already."""

    picture: Picture
    item: DeliveryItem
    sent: Correction
    unaltered: Correction | None
    alterations: list[Alteration]

    @property
    def address(self) -> str:
        return settings.PUBLIC_URL + reverse("listings:original-page", args=[self.picture.public_id])


def find(public_id: UUID) -> Original:
    """Return the altered picture; 404 for one that was never altered or never sent."""
    picture = Picture.objects.filter(public_id=public_id).select_related("booking__home", "room").first()
    if picture is None:
        raise Http404
    items = DeliveryItem.objects.filter(picture=picture, correction__isnull=False, delivery__state__in=SENT)
    rows = list(picture.alterations.all())
    for item in items.select_related("correction", "delivery").order_by("-delivery__sent_at"):
        sent = item.correction
        if sent is not None and (alterations := in_version(rows, sent)):
            return Original(picture, item, sent, unaltered_of(picture, sent), alterations)
    raise Http404


def in_version(alterations: Iterable[Alteration], made: Correction | None) -> list[Alteration]:
    """Return the alterations that a version shows; what was undone after it was made is still in it.

    When in doubt an alteration is said: one that was written down later counts too.
    """
    return [
        row
        for row in alterations
        if row.undone_at is None or (made is not None and row.undone_at > made.made_at)
    ]


def unaltered_of(picture: Picture, sent: Correction) -> Correction | None:
    """Return the version of the same frames in which nothing was taken out."""
    same = Correction.objects.filter(picture=picture, frames_digest=sent.frames_digest)
    return next((row for row in same if not any(row.plan.get(key) for key in ALTERING_KEYS)), None)


def qr_svg(address: str) -> bytes:
    """Return the address as a QR code, to be printed beside the picture."""
    out = io.BytesIO()
    segno.make(address, error="m").save(out, kind="svg", scale=4, border=4, xmldecl=True, svgns=True)
    return out.getvalue()
