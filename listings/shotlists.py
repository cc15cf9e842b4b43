"""The shot list of a visit: made on demand from what is known of the home.

`ensure` may be called by any page and by the sweep, by several at once, again and again. It proposes each
room once: what a person changed, added or took off the list stays as they left it.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction

from listings.models import PreparationTick, Room, Shot, ShotList
from listings.room_kinds import ROOM_KINDS, WALK
from studio.models import Booking, Property

__all__ = ["ROOM_KINDS", "WALK", "Wanted", "add_room", "ensure", "wanted_rooms"]

# A home of this size usually has a second room to sit in or a separate place to eat (common practice).
DINING_FROM_M2 = 85
FAMILY_FROM_M2 = 170
POSITION_STEP = 10


@dataclass(frozen=True)
class Wanted:
    """A room that the home is believed to have."""

    key: str
    kind: str
    name: str


def ensure(booking: Booking) -> ShotList:
    """Return the visit's shot list; propose the rooms that were not proposed before."""
    wanted = wanted_rooms(booking.home, wants_outside=booking.wants_outside)
    if booking.follows_id is not None:  # a second visit is for the outside alone
        wanted = [room for room in wanted if ROOM_KINDS[room.kind].is_outside]
    keys = {room.key for room in wanted}
    known = ShotList.objects.filter(booking=booking).first()
    if known and keys <= set(known.made_keys):
        return known
    with transaction.atomic():
        ShotList.objects.get_or_create(booking=booking)
        shot_list = ShotList.objects.select_for_update().get(booking=booking)
        made = set(shot_list.made_keys)
        for position, room in enumerate(wanted):
            if room.key not in made:
                _make(
                    booking, room.kind, name=room.name, made_from=room.key, position=position * POSITION_STEP
                )
        shot_list.made_keys = sorted(made | keys)
        shot_list.save(update_fields=["made_keys"])
    return shot_list


def add_room(booking: Booking, kind: str, *, name: str = "", public_id: uuid.UUID | None = None) -> Room:
    """Put a room on the list that nobody had foreseen, with the views and ticks of its kind."""
    kind = kind if kind in ROOM_KINDS else "other"
    with transaction.atomic():
        last = Room.objects.filter(booking=booking).order_by("position").last()
        position = last.position + POSITION_STEP if last else 0
        name = name.strip() or _free_name(booking, ROOM_KINDS[kind].label)
        return _make(
            booking,
            kind,
            name=name[:80],
            made_from="",
            position=position,
            public_id=public_id or uuid.uuid4(),
        )


def wanted_rooms(home: Property, *, wants_outside: bool) -> list[Wanted]:
    """Return the rooms in the order of the walk, from the size and kind of the home."""
    return sorted(_wanted(home, wants_outside), key=lambda room: WALK.index(room.kind))


def _wanted(home: Property, wants_outside: bool) -> Iterator[Wanted]:
    kinds = Property.Kind
    area_m2 = home.floor_area_m2 or 0
    has_own_ground = home.kind not in (kinds.FLAT, kinds.STUDIO)
    if wants_outside:
        yield from _plain("front")
        yield from _plain(*(("back", "garden") if has_own_ground else ("balcony",)))
    yield from _plain("hall", "kitchen")
    if home.kind == kinds.STUDIO or home.bedrooms == 0:
        yield from _plain("one_room")
    else:
        yield from _plain("living")
        if area_m2 >= DINING_FROM_M2 or (not area_m2 and home.bedrooms >= 3):
            yield from _plain("dining")
        if area_m2 >= FAMILY_FROM_M2:
            yield from _plain("family")
        yield from _plain("main_bedroom")
        yield from _numbered("bedroom", home.bedrooms - 1, first=2)
    if home.floors > 1:
        yield from _plain("stairs", "landing")
    if home.bathrooms == 1:
        yield Wanted("bathroom-1", "bathroom", "Bathroom")
    elif home.bathrooms > 1:
        yield from _plain("main_bathroom")
        yield from _numbered("bathroom", home.bathrooms - 1, first=2)


def _plain(*kinds: str) -> Iterator[Wanted]:
    for kind in kinds:
        yield Wanted(f"{kind}-1", kind, ROOM_KINDS[kind].label)


def _numbered(kind: str, count: int, *, first: int) -> Iterator[Wanted]:
    for number in range(first, first + count):
        yield Wanted(f"{kind}-{number}", kind, f"{ROOM_KINDS[kind].label} {number}")


def _free_name(booking: Booking, label: str) -> str:
    taken = set(Room.objects.filter(booking=booking).values_list("name", flat=True))
    names = [label, *(f"{label} {number}" for number in range(2, len(taken) + 3))]
    return next(name for name in names if name not in taken)


def _make(
    booking: Booking,
    kind: str,
    *,
    name: str,
    made_from: str,
    position: int,
    public_id: uuid.UUID | None = None,
) -> Room:
    """Make a room with its views and ticks; the caller holds the transaction.

    The identifiers of views and ticks follow from the room's, so a phone that added the room without signal
    knows them before the server does.
    """
    room = Room.objects.create(
        public_id=public_id or uuid.uuid4(), booking=booking, kind=kind, name=name, made_from=made_from,
        position=position,
    )  # fmt: skip
    template = ROOM_KINDS[kind]
    Shot.objects.bulk_create(
        Shot(
            public_id=uuid.uuid5(room.public_id, f"view {at}"),
            room=room,
            view=view.text,
            is_required=view.is_required,
            focal_mm=view.focal_mm,
            height_m=Decimal(view.height_m),
            f_number=Decimal(view.f_number),
            bracket=view.bracket,
            hint=view.hint,
            caution=view.caution,
            position=at,
        )
        for at, view in enumerate(template.views)
    )
    PreparationTick.objects.bulk_create(
        PreparationTick(public_id=uuid.uuid5(room.public_id, f"tick {at}"), room=room, text=text, position=at)
        for at, text in enumerate(template.ticks)
    )
    return room
