"""Pictures find their views by order and time of the ticks."""

from __future__ import annotations

import pytest

from listings import placing
from listings.models import Picture
from tests import factories
from tests.factories import NOW
from tests.listings.factories import make_picture, make_room, make_shot, minutes


def test_pictures_and_ticks_pair_in_order_without_crossing() -> None:
    assert placing.align([0, 240, 480], [30, 260, 500]) == {0: 0, 1: 1, 2: 2}


def test_a_picture_without_a_tick_and_a_tick_without_a_picture_stay_alone() -> None:
    assert placing.align([0, 240, 260, 1500], [30, 270, 3000]) == {0: 0, 2: 1}


def test_a_tick_much_later_is_not_for_this_picture() -> None:
    assert placing.align([0], [601]) == {}
    assert placing.align([0], [599]) == {0: 0}


def test_nothing_at_all_pairs_with_nothing() -> None:
    assert placing.align([], []) == placing.align([1.0], []) == placing.align([], [1.0]) == {}


@pytest.mark.django_db
def test_pictures_between_two_of_a_room_go_to_that_room_and_others_stay_open() -> None:
    booking = factories.make_booking()
    kitchen = make_room(booking)
    first = make_shot(kitchen, taken_at=NOW + minutes(0.5))
    second = make_shot(kitchen, taken_at=NOW + minutes(8.5))
    times = [0, 4, 8, 40]
    a, between, b, late = (
        make_picture(booking, taken_at=NOW + minutes(time), is_made=False) for time in times
    )
    assert placing.place(booking) == 2
    for picture in (a, between, b, late):
        picture.refresh_from_db()
    assert (a.shot, b.shot) == (first, second)
    assert (between.room, between.shot) == (kitchen, None)
    assert (late.room, late.shot) == (None, None)


@pytest.mark.django_db
def test_what_a_person_placed_stays_and_its_view_is_taken() -> None:
    booking = factories.make_booking()
    kitchen, hall = make_room(booking), make_room(booking, name="Hall", kind="hall")
    shot = make_shot(kitchen, taken_at=NOW)
    by_hand, other = (make_picture(booking, is_made=False) for _ in range(2))
    placing.put([by_hand], room=hall, shot=None)
    placing.place(booking)
    by_hand.refresh_from_db()
    other.refresh_from_db()
    assert (by_hand.room, by_hand.shot) == (hall, None)
    assert other.shot == shot
    placing.put([by_hand], room=None, shot=shot)
    placing.place(booking)
    assert Picture.objects.get(pk=other.pk).shot is None
    assert Picture.objects.get(pk=by_hand.pk).room == kitchen
