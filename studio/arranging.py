"""What is done to a booking between asking and the visit: each act writes rows and letters together."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.db import transaction

from studio import booking_states, diary, letters, quoting, records
from studio.errors import NotFree, StaleState
from studio.models import Booking, Business, Client, Property, Terms, User

State = Booking.State


def enter(
    *,
    client: Client,
    home: Property,
    lines: Sequence[quoting.Line],
    by: User,
    now: dt.datetime,
    starts_at: dt.datetime | None = None,
    photographer: User | None = None,
    on: dt.date | None = None,
    wishes: str = "",
    access_contact: str = "",
) -> Booking:
    """Staff write down a booking that came by telephone: agreed when a time is given or found that day."""
    with transaction.atomic():
        home.save()
        booking = Booking.objects.create(
            home=home,
            client=client,
            wishes=wishes,
            access_contact=access_contact,
            wants_outside=any(line.code == "outside" for line in lines),
            created_at=now,
        )
        quoting.write_lines(booking, lines)
        records.note_by("entered by hand", by, booking=booking, now=now)
        if starts_at is not None:
            _take(booking, starts_at, photographer, by=by, now=now)
        elif on is not None:
            _take_first(booking, on, photographer, by=by, now=now)
        if booking.starts_at:
            booking_states.move(booking, State.AGREED, by=by, now=now)
            letters.agreed(booking, now=now)
    return booking


def agree(booking: Booking, *, by: User, now: dt.datetime, seen: dt.datetime | None = None) -> Booking:
    """Say yes to the time that was asked for; `seen` is the time that the page showed."""
    if booking.starts_at is None or booking.photographer_id is None:
        raise StaleState("There is no time to agree to yet: propose one, or set it by hand.")
    with transaction.atomic():
        _check_time(booking, seen, now=now)
        booking_states.move(booking, State.AGREED, by=by, now=now)
        letters.agreed(booking, now=now)
    return booking


def propose(
    booking: Booking, starts_at: dt.datetime, photographer: User | None, *, by: User, now: dt.datetime
) -> Booking:
    """Keep another time for the client's answer and ask by mail."""
    business = Business.current()
    until = now + dt.timedelta(hours=business.proposal_hours)
    with transaction.atomic():
        _take(booking, starts_at, photographer, by=by, now=now)
        if booking.state == State.HELD:  # a second proposal in place of the first
            Booking.objects.filter(pk=booking.pk).update(held_until=until)
            booking.held_until = until
        else:
            booking_states.move(booking, State.HELD, by=by, now=now, held_until=until)
        letters.proposed(booking, now=now)
    return booking


def accept(
    booking: Booking, *, by: User | Client, now: dt.datetime, seen: dt.datetime | None = None
) -> Booking:
    """The client says yes to the proposed time; `seen` is the time that the page showed."""
    with transaction.atomic():
        _check_time(booking, seen, now=now)
        booking_states.move(booking, State.AGREED, by=by, now=now)
        letters.agreed(booking, now=now)
    return booking


def _check_time(booking: Booking, seen: dt.datetime | None, *, now: dt.datetime) -> None:
    """Raise when the time isn't the one that was seen, or is kept no longer; in the caller's transaction."""
    present = Booking.objects.select_for_update().get(pk=booking.pk)
    if present.held_until is not None and present.held_until <= now:
        raise NotFree("The time was kept until its end and is free for others again. Choose another.")
    if present.starts_at != (seen or booking.starts_at):
        time = letters.when(present.starts_at, Business.current())
        raise StaleState(
            f"The time has changed meanwhile: it is now {time}. Look at it again; nothing was agreed."
        )
    booking.refresh_from_db(fields=["state", "held_until", "starts_at", "ends_at", "photographer"])


def ask_again(booking: Booking, starts_at: dt.datetime, *, by: User | Client, now: dt.datetime) -> Booking:
    """The client asks for this time: after a proposal, or when the wanted one was gone."""
    with transaction.atomic():
        diary.take_any(booking, starts_at, now=now, by=by)
        if booking.state == State.HELD:
            booking_states.move(booking, State.ASKED, by=by, now=now)
        if isinstance(by, Client) and by.is_known:
            booking_states.move(booking, State.AGREED, by=None, now=now)
            letters.agreed(booking, now=now)
        else:
            letters.asked(booking, now=now)
    return booking


def choose(booking: Booking, starts_at: dt.datetime, *, by: User | Client, now: dt.datetime) -> Booking:
    """The client takes another free time: a new request, or an agreed visit moved within the terms."""
    if booking.state in (State.ASKED, State.HELD):
        return ask_again(booking, starts_at, by=by, now=now)
    if booking.state != State.AGREED:
        raise _stays(booking)
    if isinstance(by, Client):
        check_terms(booking, now=now)
    with transaction.atomic():
        diary.take_any(booking, starts_at, now=now, by=by)
        letters.moved(booking, by_client=isinstance(by, Client), now=now)
    return booking


def set_time(
    booking: Booking, starts_at: dt.datetime, photographer: User | None, *, by: User, now: dt.datetime
) -> Booking:
    """Staff set a time that was spoken about: it is agreed, or moved when it was agreed before."""
    if booking.state not in booking_states.OPEN:
        raise _stays(booking)
    with transaction.atomic():
        _take(booking, starts_at, photographer, by=by, now=now)
        if booking.state == State.AGREED:
            letters.moved(booking, by_client=False, now=now)
        else:
            booking_states.move(booking, State.AGREED, by=by, now=now)
            letters.agreed(booking, now=now)
    return booking


def _stays(booking: Booking) -> StaleState:
    return StaleState(
        f"Booking {booking.number} is {booking.get_state_display().lower()}: its time stays as it is."
    )


def call_off(booking: Booking, reason: str, *, by: User | Client, now: dt.datetime) -> Booking:
    """Call the visit off; its time is free again at once."""
    if isinstance(by, Client):
        check_terms(booking, now=now)
    with transaction.atomic():
        booking_states.move(
            booking,
            State.CALLED_OFF,
            by=by,
            now=now,
            called_off_reason=reason.strip()[:300],
            calendar_sequence=booking.calendar_sequence + 1,
        )
        letters.called_off(booking, by_client=isinstance(by, Client), now=now)
    return booking


def accept_terms(booking: Booking, version: int, *, by: Client, now: dt.datetime) -> None:
    """Keep that the client accepted these terms, for a booking that staff wrote down."""
    terms = Terms.current()
    if terms is None or terms.version != version:
        raise StaleState("The terms have changed meanwhile. Please read them again; nothing was accepted.")
    if Booking.objects.filter(pk=booking.pk, terms=None).update(terms=terms, terms_accepted_at=now):
        records.note("accepted the terms", booking=booking, client=by, now=now, version=version)


def free_until(booking: Booking) -> dt.datetime | None:
    """Return until when the client may move or call off without a fee; None while no time is agreed."""
    if booking.state != State.AGREED or booking.starts_at is None:
        return None
    terms = booking.terms or Terms.current()
    hours = terms.cancel_free_hours if terms else 0
    return booking.starts_at - dt.timedelta(hours=hours)


def check_terms(booking: Booking, *, now: dt.datetime) -> None:
    """Raise NotFree when it is too late for the client to move or call off alone."""
    until = free_until(booking)
    if until is not None and now > until:
        business = Business.current()
        call = f" at {business.phone}" if business.phone else ""
        raise NotFree(
            f"Changes were free until {letters.when(until, business)}. Please call us{call}: "
            "we look for a way, and tell you beforehand whether a fee is due. Nothing was changed."
        )


def _take(
    booking: Booking, starts_at: dt.datetime, photographer: User | None, *, by: User, now: dt.datetime
) -> None:
    if photographer is not None:
        diary.take(booking, starts_at, photographer, now=now, by=by, outside_hours=True)
    else:
        diary.take_any(booking, starts_at, now=now, by=by, outside_hours=True)


def _take_first(
    booking: Booking, on: dt.date, photographer: User | None, *, by: User, now: dt.datetime
) -> None:
    """Take the first time that is free on this day."""
    business = Business.current()
    people = [photographer] if photographer else diary.photographers()
    found = diary.free_times(
        home=booking.home,
        minutes=diary.visit_minutes(booking, business),
        now=now - dt.timedelta(hours=business.notice_hours),
        first_on=on,
        days=1,
        people=people,
    )
    by_id = {person.pk: person for person in people}
    for free in found:
        if free.starts_at > now:
            diary.take(
                booking, free.starts_at, by_id[free.photographer_ids[0]], now=now, by=by, outside_hours=True
            )
            return
    raise NotFree(f"Nothing is free on {on:%A} {on.day} {on:%B}. Choose another day, or set a time yourself.")
