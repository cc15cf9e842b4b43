"""The table of moves, and that a move happens once."""

import datetime as dt

import pytest

from studio import booking_states
from studio.errors import StaleState
from studio.models import Booking, Event
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
State = Booking.State


@pytest.mark.parametrize(
    ("before", "to", "who", "is_allowed"),
    [
        ("asked", "agreed", "staff", True),
        ("asked", "agreed", "client", False),
        ("held", "agreed", "client", True),
        ("agreed", "under_way", "machine", True),
        ("agreed", "called_off", "client", True),
        ("under_way", "called_off", "staff", False),
        ("visited", "sent", "staff", True),
        ("sent", "closed", "machine", True),
        ("called_off", "agreed", "staff", False),
        ("asked", "sent", "staff", False),
    ],
)
def test_the_table_says_who_may_move_what(before, to, who, is_allowed):
    booking = factories.make_booking(state=before)
    by = {"staff": factories.make_owner(), "client": booking.client, "machine": None}[who]
    assert booking_states.may_move(booking, to, by=by) is is_allowed
    if is_allowed:
        booking_states.move(booking, to, by=by, now=NOW)
        booking.refresh_from_db()
        assert (booking.state, booking.changed_at > NOW - dt.timedelta(seconds=1)) == (to, True)
    else:
        with pytest.raises(StaleState, match=f"Booking {booking.number} is"):
            booking_states.move(booking, to, by=by, now=NOW)


def test_the_second_of_two_moves_is_refused_and_writes_nothing():
    booking = factories.make_booking(state="asked")
    same = Booking.objects.get(pk=booking.pk)
    owner = factories.make_owner()
    booking_states.move(booking, State.AGREED, by=owner, now=NOW)
    with pytest.raises(StaleState, match="changed by someone else"):
        booking_states.move(same, State.CALLED_OFF, by=owner, now=NOW, called_off_reason="rain")
    same.refresh_from_db()
    assert (same.state, same.called_off_reason) == ("agreed", "")
    assert Event.objects.filter(booking=booking).count() == 1


def test_every_move_is_written_down_with_who_and_from_where():
    booking = factories.make_booking(state="asked")
    owner = factories.make_owner()
    booking_states.move(booking, State.AGREED, by=owner, now=NOW)
    event = Event.objects.get(booking=booking)
    assert (event.user, event.verb, event.detail, event.at) == (owner, "agreed", {"before": "asked"}, NOW)


def test_a_hold_that_ran_out_gives_its_time_back_once():
    over = factories.make_booking(state="held", held_until=NOW)
    still = factories.make_booking(state="held", held_until=NOW + dt.timedelta(minutes=1))
    assert booking_states.end_holds(now=NOW) == 1
    assert booking_states.end_holds(now=NOW) == 0
    over.refresh_from_db()
    still.refresh_from_db()
    assert (over.state, over.starts_at, over.held_until) == ("asked", None, None)
    assert still.state == "held"
