"""Acts on site: each carries its own identifier and is applied once, however often it arrives.

Several phones may act on one visit and send late. What a shot or a tick is, follows from the last act on it
by the time it happened (device and sequence decide between equal times), so the order of arrival is without
meaning. Notes are only ever added.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from uuid import UUID, uuid5

from django.db import transaction
from django.db.models import F

from listings import shotlists
from listings.models import Operation, PreparationTick, Room, Shot, ShotList, VisitNote
from studio import booking_states, records, telling
from studio.errors import StaleState, StudioError
from studio.models import Booking, User

SHOT_ACTS = ("take", "reopen", "waive")
TICK_ACTS = ("tick", "untick")
TELLING_ACTS = (telling.ON_MY_WAY, telling.LATE)
KINDS = (*SHOT_ACTS, *TICK_ACTS, *TELLING_ACTS, "ready", "note", "add-room", "leave")
# A phone's clock may be wrong, but nothing happens later than now, nor was it kept longer than this.
OLDEST = dt.timedelta(days=30)


class CannotLeave(StudioError):
    """Something is missing and nobody said why it may stay so."""


class UnknownAct(StudioError):
    """The act names no known kind, or another visit's."""


@dataclass(frozen=True)
class Act:
    """One act as the phone page tells it; times are the server's."""

    uuid: UUID
    kind: str
    happened_at: dt.datetime
    device: str = "page"
    sequence: int = 0
    item: UUID | None = None
    room: UUID | None = None
    text: str = ""

    def payload(self) -> dict[str, str]:
        return {"room": str(self.room or ""), "text": self.text}


def server_time(happened_at: dt.datetime, *, sent_at: dt.datetime, now: dt.datetime) -> dt.datetime:
    """Correct a device's clock: what counts is how long before sending it happened."""
    age = max(dt.timedelta(0), min(sent_at - happened_at, OLDEST))
    return now - age


def apply(booking: Booking, act: Act, *, by: User, now: dt.datetime) -> bool:
    """Apply an act; False: it had arrived before.

    Raises UnknownAct, CannotLeave when the home is left with something missing and no reason, or
    telling.NotTold when a word from the road can't be passed on.
    """
    if act.kind not in KINDS:
        raise UnknownAct(
            f"The page sent an act that isn't known here: {act.kind[:40]!r}. Nothing was changed."
        )
    if act.kind in (*SHOT_ACTS, *TICK_ACTS) and act.item is None:
        raise UnknownAct("The page didn't say what was ticked. Nothing was changed.")
    shotlists.ensure(booking)
    with transaction.atomic():
        # One row a visit orders everything that is done to it.
        shot_list = ShotList.objects.select_for_update().get(booking=booking)
        if known := Operation.objects.filter(uuid=act.uuid).first():
            if known.booking_id != booking.pk:
                raise UnknownAct("This act belongs to another visit. Nothing was changed.")
            return False
        _record(booking, act, by=by, now=now)
        if act.kind == "leave":
            _leave(booking, shot_list, act, by=by, now=now)
        else:
            _apply(booking, act, by=by, now=now)
            _begin(booking, act, by=by, now=now)
    return True


def missing_shots(booking: Booking) -> list[Shot]:
    """Return the required views that are neither taken nor waived."""
    open_shots = Shot.objects.filter(
        room__booking=booking, is_required=True, taken_at__isnull=True, waived_reason=""
    )
    return list(open_shots.select_related("room"))


def required_shots(booking: Booking) -> list[Shot]:
    """Return the required views that were not waived."""
    wanted = Shot.objects.filter(room__booking=booking, is_required=True, waived_reason="")
    return list(wanted.select_related("room"))


def _record(booking: Booking, act: Act, *, by: User, now: dt.datetime) -> None:
    Operation.objects.create(
        uuid=act.uuid,
        booking=booking,
        user=by,
        device=act.device[:64],
        sequence=act.sequence,
        kind=act.kind,
        item=act.item,
        payload=act.payload(),
        happened_at=act.happened_at,
        applied_at=now,
    )


def _apply(booking: Booking, act: Act, *, by: User, now: dt.datetime) -> None:
    if act.kind in SHOT_ACTS:
        _settle_shot(booking, act)
    elif act.kind in TICK_ACTS:
        _settle_tick(booking, act)
    elif act.kind in TELLING_ACTS:
        _tell(booking, act, by=by, now=now)
    elif act.kind == "ready":
        _make_ready(booking, act, by=by, now=now)
    elif act.kind == "note" and act.text.strip():
        room = Room.objects.filter(booking=booking, public_id=act.room).first() if act.room else None
        VisitNote.objects.create(
            public_id=act.uuid, booking=booking, room=room, text=act.text.strip(), written_by=by,
            written_at=act.happened_at,
        )  # fmt: skip
    elif act.kind == "add-room":
        kind, _, name = act.text.partition(":")
        shotlists.add_room(booking, kind, name=name, public_id=act.uuid)


def _tell(booking: Booking, act: Act, *, by: User, now: dt.datetime) -> None:
    if act.kind == telling.ON_MY_WAY:
        telling.on_my_way(booking, by=by, said_at=act.happened_at, now=now)
        return
    minutes = int(act.text) if act.text.isdecimal() and len(act.text) < 5 else 0
    telling.running_late(booking, minutes, by=by, said_at=act.happened_at, now=now)


def _item(act: Act) -> UUID:
    return act.item or UUID(int=0)


def _last(booking: Booking, act: Act) -> Operation:
    """Return the act that rules an item: the last by the time it happened."""
    return Operation.objects.filter(booking=booking, item=_item(act)).last() or Operation()


def _settle_shot(booking: Booking, act: Act) -> None:
    last = _last(booking, act)
    taken = last.kind == "take"
    reason = last.payload.get("text", "").strip()[:200] if last.kind == "waive" else ""
    Shot.objects.filter(room__booking=booking, public_id=_item(act)).update(
        taken_at=last.happened_at if taken else None,
        taken_by=last.user_id if taken else None,
        waived_reason=reason or ("waived" if last.kind == "waive" else ""),
        changed_at=last.happened_at,
    )


def _settle_tick(booking: Booking, act: Act) -> None:
    last = _last(booking, act)
    PreparationTick.objects.filter(room__booking=booking, public_id=_item(act)).update(
        done_at=last.happened_at if last.kind == "tick" else None, changed_at=last.happened_at
    )


def _make_ready(booking: Booking, act: Act, *, by: User, now: dt.datetime) -> None:
    """Tick everything in a room: one act of its own for each tick."""
    ticks = PreparationTick.objects.filter(room__booking=booking, room__public_id=act.room or UUID(int=0))
    for tick in ticks.filter(done_at__isnull=True):
        one = Act(
            uuid5(act.uuid, str(tick.public_id)), "tick", act.happened_at, act.device, act.sequence,
            item=tick.public_id,
        )  # fmt: skip
        _record(booking, one, by=by, now=now)
        _settle_tick(booking, one)


def _begin(booking: Booking, act: Act, *, by: User, now: dt.datetime) -> None:
    """The first tick or view begins the visit."""
    if act.kind in ("take", "tick", "ready") and booking.state == Booking.State.AGREED:
        try:
            booking_states.move(booking, Booking.State.UNDER_WAY, by=by, now=now)
        except StaleState:  # another phone was first
            booking.refresh_from_db(fields=["state"])


def _leave(booking: Booking, shot_list: ShotList, act: Act, *, by: User, now: dt.datetime) -> None:
    missing = missing_shots(booking)
    reason = act.text.strip()[:300]
    if missing and not reason:
        raise CannotLeave(
            f"{len(missing)} wanted views are neither taken nor waived. Take or waive them, "
            "or give one reason for leaving without them. Everything ticked so far is kept."
        )
    shot_list.left_at, shot_list.left_reason = act.happened_at, reason
    shot_list.save(update_fields=["left_at", "left_reason"])
    if missing:
        Shot.objects.filter(pk__in=[shot.pk for shot in missing]).update(
            waived_reason=reason[:200], changed_at=F("changed_at")
        )
        records.note(
            "left with views missing", booking=booking, user=by, now=now, missing=len(missing), reason=reason
        )
    if booking_states.may_move(booking, Booking.State.VISITED, by=by):
        booking_states.move(booking, Booking.State.VISITED, by=by, now=now)
