"""The states of a booking and who may move it from which to which: the one table, and guarded moves."""

from __future__ import annotations

import datetime as dt
from typing import Any

from studio import records
from studio.errors import StaleState
from studio.models import Booking, Client, User

State = Booking.State

STAFF, CLIENT, MACHINE = "staff", "client", "machine"

# from, to -> who may
MOVES: dict[tuple[str, str], frozenset[str]] = {
    (State.ASKED, State.HELD): frozenset({STAFF}),
    (State.ASKED, State.AGREED): frozenset({STAFF, MACHINE}),
    (State.ASKED, State.CALLED_OFF): frozenset({STAFF, CLIENT}),
    (State.HELD, State.AGREED): frozenset({STAFF, CLIENT}),
    (State.HELD, State.ASKED): frozenset({STAFF, CLIENT, MACHINE}),
    (State.HELD, State.CALLED_OFF): frozenset({STAFF, CLIENT}),
    (State.AGREED, State.UNDER_WAY): frozenset({STAFF, MACHINE}),
    (State.AGREED, State.VISITED): frozenset({STAFF}),
    (State.AGREED, State.CALLED_OFF): frozenset({STAFF, CLIENT}),
    (State.UNDER_WAY, State.VISITED): frozenset({STAFF}),
    (State.UNDER_WAY, State.SENT): frozenset({STAFF}),
    (State.VISITED, State.UNDER_WAY): frozenset({STAFF, MACHINE}),
    (State.VISITED, State.SENT): frozenset({STAFF}),
    (State.SENT, State.CLOSED): frozenset({STAFF, MACHINE}),
    (State.CLOSED, State.SENT): frozenset({STAFF, MACHINE}),
}

OPEN = frozenset({State.ASKED, State.HELD, State.AGREED})
DONE = frozenset({State.CLOSED, State.CALLED_OFF})

WORDS: dict[str, str] = {
    State.ASKED: "waits again",
    State.HELD: "proposed a time",
    State.AGREED: "agreed",
    State.UNDER_WAY: "began the visit",
    State.VISITED: "ended the visit",
    State.SENT: "sent the set",
    State.CLOSED: "closed",
    State.CALLED_OFF: "called off",
}


def may_move(booking: Booking, to: str, *, by: User | Client | None) -> bool:
    """Say whether this person (None: the machine) may move the booking there from where it is."""
    return _kind(by) in MOVES.get((booking.state, to), frozenset())


def move(booking: Booking, to: str, *, by: User | Client | None, now: dt.datetime, **changed: Any) -> Booking:
    """Move the booking in one guarded update; `changed` fields are written with it.

    Raises StaleState when the table has no such move for this person, or when someone else moved it first.
    """
    to = State(to)
    if not may_move(booking, to, by=by):
        raise StaleState(
            f"Booking {booking.number} is {booking.get_state_display().lower()}; "
            f"from there it can't become {to.label.lower()}."
        )
    values: dict[str, Any] = changed | {"state": to, "changed_at": now}
    if to != State.HELD:
        values["held_until"] = None
    if not Booking.objects.filter(pk=booking.pk, state=booking.state).update(**values):
        raise StaleState(
            f"Booking {booking.number} has just been changed by someone else. Look at it again: "
            "nothing of yours was written."
        )
    before = booking.state
    for name, value in values.items():
        setattr(booking, name, value)
    records.note_by(WORDS[to], by, booking=booking, now=now, before=before)
    return booking


def end_holds(*, now: dt.datetime) -> int:
    """Give back the times whose hold ran out unanswered; return how many. For the sweep."""
    ended = 0
    over = Booking.objects.filter(state=State.HELD, held_until__lte=now)
    for booking in over:
        try:
            move(booking, State.ASKED, by=None, now=now, starts_at=None, ends_at=None)
        except StaleState:  # answered at this very moment
            continue
        ended += 1
    return ended


def _kind(by: User | Client | None) -> str:
    if by is None:
        return MACHINE
    return STAFF if isinstance(by, User) else CLIENT
