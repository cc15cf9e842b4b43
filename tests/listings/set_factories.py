"""Rows of sets and galleries for tests: pictures with real JPEG files of a rendered room's size, small."""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import io
import itertools
import zlib
from typing import Any

import numpy as np
from django.core.files.base import ContentFile
from PIL import Image

from listings import copies, delivery, shotlists
from listings.models import Correction, Delivery, GalleryLink, Picture, PictureCopy
from studio.models import Booking
from tests import factories

_count = itertools.count(1)
SIZE = (1200, 800)


@functools.cache
def jpeg(size: tuple[int, int] = SIZE, *, seed: int = 0) -> bytes:
    """A smooth picture, each seed another."""
    width, height = size
    x, y = np.linspace(0, 1, width), np.linspace(0, 1, height)[:, None]
    base = np.stack([x + 0 * y, y + 0 * x, (x + y) / 2], -1) * 200 + 20 + seed
    out = io.BytesIO()
    Image.fromarray(base.clip(0, 255).astype(np.uint8)).save(out, "JPEG", quality=90)
    return out.getvalue()


def grid(size: tuple[int, int] = SIZE, *, zoom: float = 1.0, right_px: float = 0.0) -> list[list[float]]:
    """The report's 33 x 33 points for a picture that is the frame, zoomed and shifted."""
    width, height = size
    xs, ys = np.linspace(0, width - 1, 33), np.linspace(0, height - 1, 33)
    return [[float(x), float(y), float(x * zoom + right_px), float(y * zoom)] for y in ys for x in xs]


def make_correction(picture: Picture, **changed: Any) -> Correction:
    n = next(_count)
    size = changed.pop("size", SIZE)
    content = jpeg(size, seed=n % 4)
    correction = Correction(
        **{
            "picture": picture,
            "frames_digest": "f",
            "plan_digest": f"plan{n}",
            "method_version": "t",
            "plan": {},
            "report": {"geometry": {"grid": grid(size)}},
            "width": size[0],
            "height": size[1],
            "sha256": hashlib.sha256(content).hexdigest(),
        }
        | changed
    )
    stem = f"{picture.public_id}-{n}"
    for name in ("file", "preview", "thumbnail", "before"):
        smaller = content if name != "thumbnail" else jpeg((640, 427), seed=n % 4)
        getattr(correction, name).save(f"{stem}-{name}.jpg", ContentFile(smaller), save=False)
    correction.save()
    Picture.objects.filter(pk=picture.pk).update(correction=correction, state=Picture.State.MADE)
    picture.refresh_from_db()
    return correction


def make_picture(booking: Booking, kind: str = "living", view: int = 0, **changed: Any) -> Picture:
    """A made picture of a wanted view of the first room of that kind."""
    shotlists.ensure(booking)
    room = booking.rooms.filter(kind=kind).first()
    shot = list(room.shots.all())[view] if room else None
    n = next(_count)
    values: dict[str, Any] = {
        "booking": booking,
        "room": room,
        "shot": shot,
        "taken_at": factories.NOW + dt.timedelta(seconds=n),
        "position": n,
        "analysis": {},
        "plan_digest": "p",
    }
    size = changed.pop("size", SIZE)
    picture = Picture.objects.create(**(values | changed))
    make_correction(picture, size=size)
    return picture


def make_visited(**changed: Any) -> Booking:
    """A visited home with four pictures, not in the order of the walk."""
    factories.make_business()
    booking = factories.make_booking(**({"state": Booking.State.VISITED} | changed))
    for kind, view in (("kitchen", 0), ("living", 1), ("living", 0), ("bedroom", 0)):
        make_picture(booking, kind, view)
    return booking


def make_sent(*, by_worker: bool = False, **changed: Any) -> tuple[Delivery, GalleryLink]:
    """A set that was sent and whose files are there: made by the real worker function, or plain stand-ins."""
    words = {key: changed.pop(key) for key in ("message", "passphrase") if key in changed}
    booking = changed.pop("booking", None) or make_visited(**changed)
    row = delivery.build(booking, now=factories.NOW)
    by = factories.make_owner()
    link = delivery.send(row, to=booking.client.email, by=by, now=factories.NOW, **words)
    (make_files if by_worker else put_files)(row)
    return row, link


def put_files(row: Delivery) -> None:
    """Give the copies plain files of the right size, which is quicker than having them made."""
    for copy in delivery.files(row).filter(state=PictureCopy.State.WAITING).select_related("purpose"):
        edge = min(copy.purpose.long_edge_px or SIZE[0], SIZE[0])
        content = jpeg((edge, edge * 2 // 3), seed=copy.pk % 4)
        copy.file.save(f"{copy.pk}.jpg", ContentFile(content), save=False)
        copy.state, copy.made_at = PictureCopy.State.MADE, factories.NOW
        copy.width, copy.height, copy.size = edge, edge * 2 // 3, len(content)
        copy.sha256, copy.crc32 = hashlib.sha256(content).hexdigest(), zlib.crc32(content)
        copy.save()


def make_files(row: Delivery) -> None:
    for pk in delivery.files(row).filter(state=PictureCopy.State.WAITING).values_list("pk", flat=True):
        copies.make_copy(pk)
