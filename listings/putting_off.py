"""Outside views put off for the weather: they leave the visit's shot list and stand on the second visit's."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import Q, QuerySet

from listings import shotlists
from listings.models import PreparationTick, Room, Shot, ShotList
from listings.room_kinds import ROOM_KINDS
from studio import second_visits
from studio.errors import StudioError
from studio.models import Booking, User

REASON = "Put off for the weather"
OUTSIDE = tuple(key for key, kind in ROOM_KINDS.items() if kind.is_outside)


class NothingOutside(StudioError):
    """No outside view is wanted that isn't taken."""


def views(booking: Booking) -> QuerySet[Shot]:
    """Return the outside views that are still to take, or were put off before."""
    is_open = Q(waived_reason="") | Q(waived_reason__startswith=REASON)
    return Shot.objects.filter(is_open, room__booking=booking, room__kind__in=OUTSIDE, taken_at=None)


def can_put_off(booking: Booking) -> bool:
    return (
        booking.state in second_visits.FROM
        and booking.follows_id is None
        and views(booking).exists()
        and second_visits.of(booking) is None
    )


def put_off(booking: Booking, *, by: User, now: dt.datetime) -> Booking:
    """Return the second visit for the outside views, made now or by an earlier tap.

    Raises NothingOutside, or StaleState where nothing can be put off any more.
    """
    shotlists.ensure(booking)
    with transaction.atomic():
        first = Booking.objects.select_for_update(of=("self",)).select_related("home").get(pk=booking.pk)
        if (known := second_visits.of(first)) is not None:
            return known
        # What is done on site waits for the same row.
        ShotList.objects.select_for_update().get(booking=first)
        wanted = list(views(first).select_related("room"))
        if not wanted:
            raise NothingOutside("No outside view is left to take, so there is nothing to put off.")
        second = second_visits.open_for(first, by=by, now=now)
        _carry_over(wanted, second)
        views(first).update(waived_reason=f"{REASON}, see {second.number}", changed_at=now)
    return second


def _carry_over(wanted: list[Shot], second: Booking) -> None:
    """Put the views with their rooms on the second visit's list, as they stand on the first's."""
    made: dict[int, Room] = {}
    for shot in wanted:
        room = made.get(shot.room_id) or _same_room(shot.room, second)
        made[shot.room_id] = room
        shot.pk, shot.room, shot.waived_reason = None, room, ""
        shot.public_id = Shot._meta.get_field("public_id").get_default()
        shot._state.adding = True
    Shot.objects.bulk_create(wanted)
    keys = {room.key for room in shotlists.wanted_rooms(second.home, wants_outside=True)}
    ShotList.objects.create(booking=second, made_keys=sorted(keys))


def _same_room(room: Room, second: Booking) -> Room:
    same = Room.objects.create(
        booking=second, name=room.name, kind=room.kind, position=room.position, made_from=room.made_from
    )
    PreparationTick.objects.bulk_create(
        PreparationTick(room=same, text=tick.text, position=tick.position) for tick in room.preparation.all()
    )
    return same
