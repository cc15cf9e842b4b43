"""What the pages on site show: the rooms as stops along the line, and what is missing in them."""

from __future__ import annotations

from dataclasses import dataclass, field

from django.db.models import Prefetch

from listings import shotlists
from listings.models import PreparationTick, Room, Shot, VisitNote
from listings.room_kinds import ROOM_KINDS
from studio.models import Booking


@dataclass
class Stop:
    """One room of the visit with its counts."""

    room: Room
    shots: list[Shot] = field(default_factory=list)
    ticks: list[PreparationTick] = field(default_factory=list)
    notes: list[VisitNote] = field(default_factory=list)

    @property
    def missing(self) -> list[Shot]:
        return [shot for shot in self.shots if shot.is_required and shot.is_open]

    @property
    def open_ticks(self) -> list[PreparationTick]:
        return [tick for tick in self.ticks if tick.done_at is None]

    @property
    def is_untouched(self) -> bool:
        return len(self.open_ticks) == len(self.ticks)

    @property
    def optional(self) -> list[Shot]:
        return [shot for shot in self.shots if not shot.is_required and shot.is_open]

    @property
    def waived(self) -> list[Shot]:
        return [shot for shot in self.shots if shot.taken_at is None and shot.waived_reason]

    @property
    def reasons(self) -> list[str]:
        """Why views were left out, each reason once."""
        return list(dict.fromkeys(shot.waived_reason for shot in self.waived))

    @property
    def taken_count(self) -> int:
        return sum(shot.taken_at is not None for shot in self.shots)

    @property
    def cautions(self) -> tuple[str, ...]:
        return ROOM_KINDS[self.room.kind].cautions if self.room.kind in ROOM_KINDS else ()

    @property
    def words(self) -> str:
        """The room's state, short enough for the strip."""
        if self.missing:
            return f"{len(self.missing)} to take"
        if self.taken_count:
            return "taken"
        return "waived" if self.waived else "if you like"


def stops(booking: Booking) -> list[Stop]:
    """Return the visit's rooms in the order of the walk; a fixed number of queries."""
    shotlists.ensure(booking)
    rooms = Room.objects.filter(booking=booking).prefetch_related(
        Prefetch("shots", Shot.objects.order_by("position", "pk")),
        "preparation",
        Prefetch("notes", VisitNote.objects.select_related("written_by")),
    )
    return [
        Stop(room, list(room.shots.all()), list(room.preparation.all()), list(room.notes.all()))
        for room in rooms
    ]


@dataclass(frozen=True)
class Progress:
    """How far a visit has come, in numbers."""

    rooms: int
    wanted: int
    done: int
    missing: int
    ticks_open: int

    @property
    def is_complete(self) -> bool:
        return self.missing == 0 and self.rooms > 0


def progress(rows: list[Stop]) -> Progress:
    """Count required views (taken or waived count as done) and open ticks."""
    required = [shot for row in rows for shot in row.shots if shot.is_required]
    missing = sum(shot.is_open for shot in required)
    return Progress(
        rooms=len(rows),
        wanted=len(required),
        done=len(required) - missing,
        missing=missing,
        ticks_open=sum(len(row.open_ticks) for row in rows),
    )
