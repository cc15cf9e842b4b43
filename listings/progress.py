"""How far the work of a visit is: counts, what is being done, and how long it will take."""

from __future__ import annotations

import dataclasses
import datetime as dt

from django.db.models import Avg, Count, Max, Q

from listings.models import Correction, Frame, Picture
from studio.models import Booking

# Before anything was measured here: reading and making one picture on a plain machine (our own measurement).
MAKE_S = 8.0
READ_S = 1.5
RECENT = 30


@dataclasses.dataclass(frozen=True)
class Progress:
    """Counts of one visit at one moment."""

    frames: int
    frames_unread: int
    frames_unreadable: int
    pictures: int
    unseen: int
    waiting: int
    being_made: int
    made: int
    failed: int
    seconds_left: float
    settles_in_s: float | None
    reason: str

    @property
    def is_working(self) -> bool:
        waits = self.settles_in_s is not None and self.frames > self.frames_unreadable
        return bool(self.frames_unread or self.waiting or self.being_made or waits)

    @property
    def sentence(self) -> str:
        """Say what is being done now."""
        if not self.frames:
            return "No frames yet."
        if self.frames_unread:
            done = self.frames - self.frames_unread
            return f"Reading frames: {done} of {self.frames}."
        if self.unseen:
            done = self.pictures - self.unseen
            return f"Finding lines, lens and light: {done} of {self.pictures} pictures."
        if self.waiting or self.being_made:
            return f"Making pictures: {self.made} of {self.pictures} are made."
        if self.settles_in_s is not None and self.settles_in_s > 0:
            return "Waiting a minute for further frames, then they are put together."
        if self.settles_in_s is not None:
            return "Putting frames together and settling the set."
        if self.failed:
            return f"{self.made} of {self.pictures} pictures are made, {self.failed} could not be made."
        if self.pictures == 1:
            return "The one picture is made."
        return f"All {self.pictures} pictures are made." if self.pictures else "No picture could be made."

    @property
    def time_left(self) -> str:
        """Say how long it will take, as people say it."""
        if not self.is_working or not self.seconds_left:
            return ""
        if self.seconds_left < 50:
            return "less than a minute left"
        minutes = round(self.seconds_left / 60)
        if minutes < 90:
            return f"about {max(1, minutes)} minute{'s' if minutes > 1 else ''} left"
        return f"about {minutes / 60:.1f} hours left"

    @property
    def share(self) -> int:
        """Percent of the work that is done, reading and making taken by their usual times."""
        expected = self.pictures or self.frames
        whole = self.frames * READ_S + expected * MAKE_S
        unmade = self.waiting + self.being_made if self.pictures else expected
        left = self.frames_unread * READ_S + unmade * MAKE_S
        return round(100 * (1 - left / whole)) if whole else 0


def of(booking: Booking, *, now: dt.datetime) -> Progress:
    """Count the visit's work: three queries, whatever its size."""
    frame, picture = Frame.State, Picture.State
    frames = Frame.objects.filter(booking=booking).aggregate(
        all=Count("pk"),
        unread=Count("pk", filter=Q(state=frame.STORED)),
        unreadable=Count("pk", filter=Q(state=frame.UNREADABLE)),
        due_at=Max("booking__visit_work__due_at"),
        reason=Max("booking__visit_work__reason"),
    )
    pictures = Picture.objects.filter(booking=booking).aggregate(
        all=Count("pk"),
        unseen=Count("pk", filter=Q(state=picture.WAITING, analysis__isnull=True)),
        waiting=Count("pk", filter=Q(state=picture.WAITING)),
        being_made=Count("pk", filter=Q(state=picture.BEING_MADE)),
        made=Count("pk", filter=Q(state=picture.MADE)),
        failed=Count("pk", filter=Q(state=picture.FAILED)),
        held=Count("pk", filter=Q(claimed_until__gte=now)),
    )
    unmade = pictures["waiting"] + pictures["being_made"] if pictures["all"] else frames["all"]
    left_s = frames["unread"] * READ_S + (unmade * make_seconds() if unmade else 0)
    return Progress(
        frames=frames["all"],
        frames_unread=frames["unread"],
        frames_unreadable=frames["unreadable"],
        pictures=pictures["all"],
        unseen=pictures["unseen"],
        waiting=pictures["waiting"],
        being_made=pictures["being_made"],
        made=pictures["made"],
        failed=pictures["failed"],
        seconds_left=left_s / max(1, pictures["held"]),
        settles_in_s=(frames["due_at"] - now).total_seconds() if frames["due_at"] else None,
        reason=frames["reason"] or "",
    )


def make_seconds() -> float:
    """Return how long a picture takes, from the last ones that were made here."""
    recent = Correction.objects.order_by("-made_at").values("pk")[:RECENT]
    measured = Correction.objects.filter(pk__in=recent)
    return measured.aggregate(mean=Avg("seconds"))["mean"] or MAKE_S
