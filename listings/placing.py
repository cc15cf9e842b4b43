"""Which view of the shot list a picture shows: told by the order and time of the ticks, changed by hand.

Pictures and ticks are both in the order of the walk, so they are aligned without crossing: a picture goes to
the tick that is close in time, each tick takes one picture, and what lies further away than a tick could be
forgotten stays open. Further pictures between two of the same room go to that room. Nothing else is guessed.
"""

from __future__ import annotations

from collections.abc import Sequence

from django.db import transaction

from listings.models import Picture, Room, Shot
from studio.models import Booking

# A tick is given within ten minutes of its frames, or it was not given for them (our own judgement).
FURTHEST_S = 600.0
# Leaving one picture or one tick without a partner costs as much as half of that.
ALONE_S = FURTHEST_S / 2


def place(booking: Booking) -> int:
    """Give pictures that nobody placed by hand their room and shot; return how many found one."""
    pictures = list(
        Picture.objects.filter(booking=booking, is_placed_by_hand=False, taken_at__isnull=False)
        .order_by("taken_at", "position", "pk")
        .only("pk", "taken_at", "room", "shot")
    )
    taken = Picture.objects.filter(booking=booking, is_placed_by_hand=True, shot__isnull=False)
    shots = list(
        Shot.objects.filter(room__booking=booking, taken_at__isnull=False)
        .exclude(pk__in=taken.values("shot"))
        .order_by("taken_at", "room__position", "position", "pk")
    )
    pairs = align([moment(p) for p in pictures], [moment(s) for s in shots])
    changed = []
    for index, picture in enumerate(pictures):
        shot = shots[pairs[index]] if index in pairs else None
        room_id = shot.room_id if shot else _room_between(index, pairs, shots)
        if (picture.room_id, picture.shot_id) != (room_id, shot.pk if shot else None):
            picture.room_id, picture.shot = room_id, shot
            changed.append(picture)
    Picture.objects.bulk_update(changed, ["room", "shot"], batch_size=200)
    return len(pairs)


def moment(row: Picture | Shot) -> float:
    assert row.taken_at is not None
    return row.taken_at.timestamp()


def align(pictures_s: Sequence[float], ticks_s: Sequence[float]) -> dict[int, int]:
    """Pair pictures with ticks in order, as close in time as possible; both sides may stay alone.

    The usual alignment of two sequences by least total cost (Needleman and Wunsch 1970).
    """
    columns = len(ticks_s) + 1
    costs = [[ALONE_S * column for column in range(columns)]]
    for row, picture_s in enumerate(pictures_s, start=1):
        line = [ALONE_S * row]
        for column, tick_s in enumerate(ticks_s, start=1):
            alone = min(costs[row - 1][column], line[column - 1]) + ALONE_S
            line.append(min(alone, costs[row - 1][column - 1] + _distance(picture_s, tick_s)))
        costs.append(line)
    pairs: dict[int, int] = {}
    row, column = len(pictures_s), len(ticks_s)
    while row and column:
        together = costs[row - 1][column - 1] + _distance(pictures_s[row - 1], ticks_s[column - 1])
        if costs[row][column] == together:
            pairs[row - 1] = column - 1
            row, column = row - 1, column - 1
        elif costs[row][column] == costs[row - 1][column] + ALONE_S:
            row -= 1
        else:
            column -= 1
    return pairs


def _distance(picture_s: float, tick_s: float) -> float:
    """Seconds between the two; beyond the furthest, more than leaving both alone."""
    distance_s = abs(picture_s - tick_s)
    return distance_s if distance_s < FURTHEST_S else 4 * ALONE_S


def _room_between(index: int, pairs: dict[int, int], shots: Sequence[Shot]) -> int | None:
    """Return the room of the placed neighbours if both sides agree."""
    before = max((other for other in pairs if other < index), default=None)
    after = min((other for other in pairs if other > index), default=None)
    rooms = {shots[pairs[other]].room_id for other in (before, after) if other is not None}
    return rooms.pop() if len(rooms) == 1 and before is not None and after is not None else None


def put(pictures: Sequence[Picture], *, room: Room | None, shot: Shot | None) -> None:
    """Place pictures by hand: into a room, on a view of it, or back to 'not placed yet'."""
    if shot is not None:
        room = shot.room
    with transaction.atomic():
        Picture.objects.filter(pk__in=[picture.pk for picture in pictures]).update(
            room=room, shot=shot, is_placed_by_hand=True
        )
