"""Acts on site: once, in any order of arrival, from several phones."""

import datetime as dt
import itertools
from uuid import UUID, uuid4

import pytest

from listings import operations, shotlists
from listings.models import Operation, Room, Shot, ShotList, VisitNote
from listings.operations import Act, CannotLeave, UnknownAct
from studio.models import Booking, Event
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def booking() -> Booking:
    row = factories.make_booking()
    shotlists.ensure(row)
    return row


def act(kind: str, minute: float = 0, **values: object) -> Act:
    return Act(uuid4(), kind, NOW + dt.timedelta(minutes=minute), **values)  # type: ignore[arg-type]


def first_shot(booking: Booking) -> Shot:
    return Shot.objects.filter(room__booking=booking, is_required=True).first()  # type: ignore[return-value]


def apply(booking: Booking, *acts: Act) -> list[bool]:
    return [operations.apply(booking, one, by=booking.photographer, now=NOW) for one in acts]  # type: ignore[arg-type]


def test_an_act_that_arrives_three_times_counts_once(booking: Booking) -> None:
    note = act("note", text="Fan in the bathroom hums.")
    assert apply(booking, note, note, note) == [True, False, False]
    assert VisitNote.objects.count() == Operation.objects.count() == 1


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
def test_the_last_act_by_time_wins_in_every_order_of_arrival(
    booking: Booking, order: tuple[int, ...]
) -> None:
    item = first_shot(booking).public_id
    acts = [
        act("take", 1, item=item, device="a", sequence=1),
        act("reopen", 2, item=item, device="b", sequence=1),
        act("waive", 3, item=item, device="a", sequence=2, text="No access"),
        act("take", 4, item=item, device="b", sequence=2),
    ]
    apply(booking, *(acts[at] for at in order))
    shot = Shot.objects.get(public_id=item)
    assert shot.taken_at == acts[3].happened_at
    assert shot.waived_reason == ""


def test_equal_times_are_decided_by_device_and_sequence_not_by_arrival(booking: Booking) -> None:
    item = first_shot(booking).public_id
    early, late = (
        act("take", item=item, device="a", sequence=9),
        act("reopen", item=item, device="b", sequence=1),
    )
    apply(booking, late, early)
    assert Shot.objects.get(public_id=item).taken_at is None


def test_two_phones_keep_both_notes(booking: Booking) -> None:
    room = booking.rooms.first()
    apply(
        booking,
        act("note", 1, room=room.public_id, text="one", device="a"),
        act("note", 1, room=room.public_id, text="two", device="b"),
    )
    assert {note.text for note in room.notes.all()} == {"one", "two"}


def test_the_first_tick_begins_the_visit_and_a_note_does_not(booking: Booking) -> None:
    apply(booking, act("note", text="Early."))
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.AGREED
    apply(booking, act("take", item=first_shot(booking).public_id))
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.UNDER_WAY


def test_all_ready_ticks_the_room_and_one_tick_can_be_taken_back(booking: Booking) -> None:
    room = booking.rooms.get(kind="kitchen")
    apply(booking, act("ready", 1, room=room.public_id))
    assert not room.preparation.filter(done_at=None).exists()
    tick = room.preparation.first()
    apply(booking, act("untick", 2, item=tick.public_id))
    assert room.preparation.filter(done_at=None).count() == 1


def test_nobody_leaves_with_views_missing_and_no_reason(booking: Booking) -> None:
    with pytest.raises(CannotLeave, match="neither taken nor waived"):
        apply(booking, act("leave"))
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.AGREED
    assert not Operation.objects.exists()


def test_leaving_anyway_takes_one_reason_for_all_that_is_missing(booking: Booking) -> None:
    taken = first_shot(booking)
    apply(booking, act("take", item=taken.public_id), act("leave", 5, text="Thunderstorm"))
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.VISITED
    assert ShotList.objects.get(booking=booking).left_reason == "Thunderstorm"
    assert operations.missing_shots(booking) == []
    taken.refresh_from_db()
    assert taken.waived_reason == ""
    assert Event.objects.filter(booking=booking, verb="left with views missing").exists()


def test_leaving_with_everything_taken_needs_no_reason(booking: Booking) -> None:
    required = Shot.objects.filter(room__booking=booking, is_required=True)
    apply(booking, *(act("take", item=shot.public_id) for shot in required), act("leave", 9))
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.VISITED


def test_a_view_taken_without_signal_and_sent_after_leaving_still_counts(booking: Booking) -> None:
    shot = first_shot(booking)
    late = act("take", 1, item=shot.public_id, device="second phone")
    apply(booking, act("leave", 10, text="Had to go"), late)
    shot.refresh_from_db()
    assert shot.taken_at == late.happened_at
    assert Booking.objects.get(pk=booking.pk).state == Booking.State.VISITED


def test_an_added_room_is_known_by_its_act(booking: Booking) -> None:
    added = act("add-room", text="study:Reading room")
    assert apply(booking, added, added) == [True, False]
    assert Room.objects.get(public_id=added.uuid).name == "Reading room"


def test_an_act_of_another_visit_is_refused(booking: Booking) -> None:
    other = factories.make_booking()
    tick = act("note", text="mine")
    apply(booking, tick)
    with pytest.raises(UnknownAct, match="another visit"):
        apply(other, tick)


def test_an_item_of_another_visit_stays_as_it_is(booking: Booking) -> None:
    other = factories.make_booking()
    shotlists.ensure(other)
    theirs = first_shot(other)
    apply(booking, act("take", item=theirs.public_id))
    theirs.refresh_from_db()
    assert theirs.taken_at is None


def test_an_unknown_act_is_refused_with_words(booking: Booking) -> None:
    with pytest.raises(UnknownAct, match="isn't known"):
        apply(booking, act("explode"))


def test_a_phone_whose_clock_is_wrong_is_corrected() -> None:
    sent = NOW + dt.timedelta(hours=5)  # a phone five hours fast
    happened = sent - dt.timedelta(minutes=7)
    assert operations.server_time(happened, sent_at=sent, now=NOW) == NOW - dt.timedelta(minutes=7)
    assert operations.server_time(sent + dt.timedelta(hours=1), sent_at=sent, now=NOW) == NOW


def test_identifiers_of_an_added_room_follow_from_the_act(booking: Booking) -> None:
    added = act("add-room", text="study:")
    apply(booking, added)
    shot = Room.objects.get(public_id=added.uuid).shots.get()
    assert isinstance(shot.public_id, UUID)
    assert shot.public_id.version == 5
