"""Frames become pictures: which frames belong together, changed only where something really changed."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
from collections.abc import Callable, Iterable
from typing import Any

from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet

from listings import making
from listings.models import Delivery, DeliveryItem, Frame, Picture, PictureFrame
from studio.models import Booking


@dataclasses.dataclass(frozen=True)
class View:
    """The frames of one picture: used ones in their order, flash frames, and JPEGs beside their raw."""

    kind: str
    frames: tuple[int, ...]
    reference: int
    flash: frozenset[int]
    twins: tuple[int, ...]

    @property
    def all_frames(self) -> frozenset[int]:
        return frozenset(self.frames + self.twins)


def kept() -> Q:
    """Pictures that later frames leave alone: a person touched them, or they were sent."""
    sent = DeliveryItem.objects.filter(picture=OuterRef("pk")).exclude(
        delivery__state=Delivery.State.BEING_BUILT
    )
    return Q(is_touched=True) | Q(Exists(sent))


def frames_digest(frames: Iterable[Frame]) -> str:
    """Name a picture's frames by their bytes and their order; the first is the reference."""
    return hashlib.sha256(" ".join(frame.sha256 for frame in frames).encode()).hexdigest()


def regroup(booking: Booking, *, renew: Callable[[], bool]) -> None:
    """Group the frames that have been read; pictures whose frames stay the same keep everything."""
    fixed = Picture.objects.filter(kept(), booking=booking)
    frames = list(
        Frame.objects.filter(booking=booking, state=Frame.State.READ)
        .exclude(picture_frame__picture__in=fixed)
        .order_by("taken_at", "name", "pk")
    )
    views = find_views(frames, renew=renew) if frames else []
    with transaction.atomic():
        _apply(booking, views, fixed)
        _number(booking)


def find_views(frames: list[Frame], *, renew: Callable[[], bool]) -> list[View]:
    answer = making.run(
        "group",
        renew=renew,
        facts=[frame.facts for frame in frames],
        names=[frame.name for frame in frames],
        thumbnails=[base64.b64encode(frame.thumbnail or b"").decode() for frame in frames],
    )
    return [_view(group, frames) for group in answer["groups"]]


def _view(group: dict[str, Any], frames: list[Frame]) -> View:
    members = [frames[index].pk for index in group["members"]]
    return View(
        kind=group["kind"],
        frames=tuple(members),
        reference=members[group["reference"]],
        flash=frozenset(members[position] for position in group["flash"]),
        twins=tuple(frames[index].pk for index in group["companions"]),
    )


def _apply(booking: Booking, views: list[View], fixed: QuerySet[Picture]) -> None:
    """Give every view a picture: the one that has exactly its frames, else the one that shares most."""
    open_pictures = Picture.objects.filter(booking=booking).exclude(pk__in=fixed.values("pk"))
    had: dict[int, set[int]] = {picture.pk: set() for picture in open_pictures.only("pk")}
    for picture_id, frame_id in PictureFrame.objects.filter(picture__in=had).values_list("picture", "frame"):
        had[picture_id].add(frame_id)
    same = {frozenset(frame_ids): pk for pk, frame_ids in had.items()}
    changed = [view for view in views if had.pop(same.get(view.all_frames, 0), None) is None]
    PictureFrame.objects.filter(picture__in=had).delete()
    for view in changed:
        picture = _picture_for(booking, view, had)
        _hang_on(picture, view)
    DeliveryItem.objects.filter(picture__in=had).delete()  # of sets still being built: sent ones are kept
    Picture.objects.filter(pk__in=had).delete()


def _picture_for(booking: Booking, view: View, had: dict[int, set[int]]) -> Picture:
    best = max(had, key=lambda pk: len(had[pk] & view.all_frames), default=None)
    if best is None or not had[best] & view.all_frames:
        return Picture.objects.create(booking=booking, kind=view.kind)
    del had[best]
    Picture.objects.filter(pk=best).update(
        kind=view.kind,
        state=Picture.State.WAITING,
        reason="",
        attempts=0,
        claimed_until=None,
        analysis=None,
        plan=None,
        plan_digest="",
        plan_version=F("plan_version") + 1,
    )
    return Picture.objects.get(pk=best)


def _hang_on(picture: Picture, view: View) -> None:
    rows = [
        PictureFrame(
            picture=picture,
            frame_id=pk,
            role="flash" if pk in view.flash else "frame",
            is_reference=pk == view.reference,
            position=position,
        )
        for position, pk in enumerate(view.frames)
    ]
    rows += [
        PictureFrame(picture=picture, frame_id=pk, role="twin", position=len(rows) + extra)
        for extra, pk in enumerate(view.twins)
    ]
    PictureFrame.objects.bulk_create(rows)
    taken_at = Frame.objects.values_list("taken_at", flat=True).get(pk=view.reference)
    Picture.objects.filter(pk=picture.pk).update(taken_at=taken_at)


def _number(booking: Booking) -> None:
    """Put the pictures in the order in which they were taken."""
    pictures = Picture.objects.filter(booking=booking).only("pk", "position")
    ordered = list(pictures.order_by(F("taken_at").asc(nulls_last=True), "position", "pk"))
    for position, picture in enumerate(ordered):
        picture.position = position
    Picture.objects.bulk_update(ordered, ["position"], batch_size=200)


def used_frames(picture: Picture) -> list[PictureFrame]:
    """Return the frames that the picture is made from, the twins left out, in their order."""
    rows = picture.picture_frames.exclude(role="twin").select_related("frame")
    return list(rows.order_by("position", "pk"))
