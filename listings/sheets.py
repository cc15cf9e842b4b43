"""The sheet: a visit's pictures in the order of its rooms, a page at a time, whatever their number."""

from __future__ import annotations

import dataclasses
from typing import Any

from django.db.models import Count, F, Q, QuerySet

from listings.models import Picture, Room, Shot
from studio.models import Booking

PAGE = 48

# filter -> words, condition
FILTERS: dict[str, tuple[str, Q]] = {
    "all": ("all pictures", Q()),
    "look": ("pictures that need a look", Q(correction__isnull=False) & ~Q(correction__needs_look=[])),
    "failed": ("pictures that could not be made", Q(state=Picture.State.FAILED)),
    "unmade": ("pictures still to be made", Q(state__in=[Picture.State.WAITING, Picture.State.BEING_MADE])),
    "unplaced": ("pictures not placed yet", Q(room__isnull=True)),
    "touched": ("pictures changed by hand", Q(is_touched=True)),
}


@dataclasses.dataclass
class Stop:
    """A room on the line: how many of its pictures are shown, and the page where they begin."""

    room: Room | None
    count: int
    page: int

    @property
    def name(self) -> str:
        return self.room.name if self.room else "Not placed yet"

    @property
    def anchor(self) -> str:
        return f"room-{self.room.pk if self.room else 0}"


@dataclasses.dataclass
class Section:
    """A room's pictures on this page."""

    stop: Stop
    pictures: list[Picture]
    is_continued: bool


@dataclasses.dataclass
class Sheet:
    """One page of the sheet."""

    shows: str
    room: str
    page: int
    pages: int
    total: int
    stops: list[Stop]
    sections: list[Section]
    places: list[tuple[Room, list[Shot]]]

    @property
    def filters(self) -> list[tuple[str, str]]:
        return [(key, words) for key, (words, _) in FILTERS.items()]


def ordered(pictures: QuerySet[Picture]) -> QuerySet[Picture]:
    """Put pictures in the order of the walk; those not placed yet come last."""
    return pictures.order_by(
        F("room__position").asc(nulls_last=True), F("room").asc(nulls_last=True), "position", "pk"
    )


def light_rows(pictures: QuerySet[Picture]) -> QuerySet[Picture]:
    """Leave the large columns in the database."""
    return pictures.select_related("correction", "room", "shot__room").defer(
        "analysis", "plan", "correction__plan", "correction__report"
    )


def build(booking: Booking, *, shows: str, room: str, page: int) -> Sheet:
    """Read one page: a handful of queries, whatever the number of pictures."""
    shows = shows if shows in FILTERS else "all"
    rooms = list(Room.objects.filter(booking=booking).order_by("position", "pk"))
    wanted = Picture.objects.filter(FILTERS[shows][1], booking=booking)
    if chosen := next((one for one in rooms if str(one.public_id) == room), None):
        wanted = wanted.filter(room=chosen)
    counts = dict(wanted.order_by().values_list("room").annotate(count=Count("pk")))
    stops = _stops(rooms, counts)
    total = sum(counts.values())
    pages = max(1, -(-total // PAGE))
    page = min(max(1, page), pages)
    pks = list(ordered(wanted).values_list("pk", flat=True)[(page - 1) * PAGE : page * PAGE])
    found = light_rows(Picture.objects.all()).in_bulk(pks)
    rows = [found[pk] for pk in pks if pk in found]
    return Sheet(
        shows=shows,
        room=str(chosen.public_id) if chosen else "",
        page=page,
        pages=pages,
        total=total,
        stops=stops,
        sections=_sections(rows, stops, page),
        places=_places(rooms, booking),
    )


def _stops(rooms: list[Room], counts: dict[Any, int]) -> list[Stop]:
    stops, before = [], 0
    for room in [*rooms, None]:
        if count := counts.get(room.pk if room else None, 0):
            stops.append(Stop(room, count, before // PAGE + 1))
            before += count
    return stops


def _sections(rows: list[Picture], stops: list[Stop], page: int) -> list[Section]:
    by_room = {stop.room.pk if stop.room else None: stop for stop in stops}
    sections: list[Section] = []
    for picture in rows:
        stop = by_room[picture.room_id]
        if not sections or sections[-1].stop is not stop:
            sections.append(Section(stop, [], is_continued=not sections and stop.page < page))
        sections[-1].pictures.append(picture)
    return sections


def _places(rooms: list[Room], booking: Booking) -> list[tuple[Room, list[Shot]]]:
    shots: dict[int, list[Shot]] = {}
    for shot in Shot.objects.filter(room__booking=booking).order_by("position", "pk"):
        shots.setdefault(shot.room_id, []).append(shot)
    return [(room, shots.get(room.pk, [])) for room in rooms]


def neighbours(picture: Picture) -> tuple[Picture | None, Picture | None]:
    """Return the pictures before and after this one in the order of the walk."""
    rows = list(ordered(Picture.objects.filter(booking=picture.booking_id)).values_list("pk", "public_id"))
    place = next(index for index, (pk, _) in enumerate(rows) if pk == picture.pk)
    before = rows[place - 1] if place else None
    after = rows[place + 1] if place + 1 < len(rows) else None
    return tuple(Picture(pk=one[0], public_id=one[1]) if one else None for one in (before, after))  # type: ignore[return-value]
