"""Free times and taking them. Zone facts (Europe/London, 2027) come from the tz database:
clocks go forward on 28 March at 01:00 UTC and back on 31 October at 01:00 UTC."""

import datetime as dt

import pytest

from studio import diary
from studio.errors import NotFree
from studio.models import Booking, DayOff, OpeningHours
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
UTC = dt.UTC
THURSDAY = dt.date(2027, 6, 3)


def at(hour: int, minute: int = 0, on: dt.date = THURSDAY) -> dt.datetime:
    """A moment by London's summer clock."""
    return dt.datetime.combine(on, dt.time(hour, minute), tzinfo=UTC) - dt.timedelta(hours=1)


@pytest.fixture
def piet():
    factories.make_business()
    factories.make_opening_hours()
    return factories.make_photographer()


def starts(home=None, minutes=90, **more):
    found = diary.free_times(
        home=home or factories.make_home(), minutes=minutes, now=NOW, first_on=THURSDAY, days=1, **more
    )
    return [free.starts_at for free in found]


def test_an_empty_day_is_free_from_opening_until_the_visit_just_fits(piet):
    found = starts()
    assert (found[0], found[-1], len(found)) == (at(9), at(15, 30), 14)


def test_notice_is_counted_from_now_and_rounded_up_to_the_next_start(piet):
    factories.make_business(notice_hours=26)  # now is 9:00 on Wednesday
    assert starts()[0] == at(11)
    factories.make_business(notice_hours=25)
    assert starts()[0] == at(10)
    assert diary.free_times(
        home=None, minutes=90, now=NOW + dt.timedelta(minutes=5), first_on=THURSDAY, days=1
    )[0].starts_at == at(10, 30)  # fmt: skip


def test_a_visit_in_the_diary_keeps_its_way_and_its_set_up_free(piet):
    factories.make_booking(photographer=piet, starts_at=at(12))  # 90 minutes, points not known
    found = starts(minutes=60)
    # 20 minutes of way by default and 10 to set up: the last start before is 10:30, the first after 14:00
    assert at(10, 30) in found
    assert at(11) not in found
    assert at(13, 30) not in found
    assert at(14) in found


def test_known_points_decide_the_way(piet):
    near, far = (54.0, -2.0), (54.0, -1.5)  # 32.68 km apart, 42.5 by road at 1.30, 65 minutes at 40 km/h
    there = factories.make_home(latitude_deg=near[0], longitude_deg=near[1])
    factories.make_booking(photographer=piet, starts_at=at(12), home=there)
    next_door = factories.make_home(latitude_deg=near[0], longitude_deg=near[1])
    far_home = factories.make_home(latitude_deg=far[0], longitude_deg=far[1])
    assert at(14) in starts(next_door, minutes=60)
    assert at(14, 30) not in starts(far_home, minutes=60)
    assert at(15) in starts(far_home, minutes=60)


def test_a_day_off_of_one_leaves_the_other(piet):
    other = factories.make_photographer(name="Ida Wren")
    DayOff.objects.create(photographer=piet, first_on=THURSDAY, last_on=THURSDAY)
    found = diary.free_times(home=factories.make_home(), minutes=90, now=NOW, first_on=THURSDAY, days=1)
    assert {free.photographer_ids for free in found} == {(other.pk,)}


def test_a_day_off_of_all_leaves_nobody(piet):
    DayOff.objects.create(first_on=THURSDAY, last_on=THURSDAY, reason="Fair")
    assert starts() == []


def test_own_hours_stand_instead_of_everyones(piet):
    OpeningHours.objects.create(photographer=piet, weekday=3, opens=dt.time(13), closes=dt.time(15))
    assert starts(minutes=60) == [at(13), at(13, 30), at(14)]


@pytest.mark.parametrize(
    ("state", "held_until", "is_free"),
    [
        ("called_off", None, True),
        ("held", NOW - dt.timedelta(minutes=1), True),
        ("held", NOW + dt.timedelta(minutes=1), False),
        ("asked", None, False),
        ("agreed", None, False),
    ],
)
def test_only_living_bookings_keep_a_time(piet, state, held_until, is_free):
    factories.make_booking(photographer=piet, starts_at=at(12), state=state, held_until=held_until)
    assert (at(12) in starts()) is is_free


def test_the_horizon_ends_the_free_times(piet):
    factories.make_business(book_days_ahead=3)
    found = diary.free_times(home=factories.make_home(), minutes=60, now=NOW, days=90)
    assert max(free.starts_at for free in found).date() == dt.date(2027, 6, 4)  # Friday; Saturday is shut


def test_hours_go_by_the_clock_on_the_days_when_clocks_change(piet):
    OpeningHours.objects.create(weekday=6, opens=dt.time(0), closes=dt.time(4))
    for sunday, hours in ((dt.date(2027, 3, 28), 3), (dt.date(2027, 10, 31), 5)):
        found = diary.free_times(
            home=None, minutes=30, now=dt.datetime.combine(sunday, dt.time(0), tzinfo=UTC)
            - dt.timedelta(days=5), first_on=sunday, days=1,
        )  # fmt: skip
        assert len(found) == hours * 2
        assert len({free.starts_at for free in found}) == len(found)


def test_the_number_of_queries_does_not_grow(piet, django_assert_num_queries):
    home = factories.make_home()
    for person in (piet, factories.make_photographer(), factories.make_photographer()):
        for day in range(1, 6):
            factories.make_booking(photographer=person, starts_at=at(12) + dt.timedelta(days=day))
    with django_assert_num_queries(8):
        diary.free_times(home=home, minutes=90, now=NOW, days=60)


def test_a_time_is_given_once(piet):
    first = factories.make_booking(photographer=None, starts_at=None, state="asked")
    second = factories.make_booking(photographer=None, starts_at=None, state="asked")
    diary.take(first, at(12), piet, now=NOW)
    with pytest.raises(NotFree, match="Piet has another visit from 12:00 to 13:30"):
        diary.take(second, at(12, 30), piet, now=NOW)
    second.refresh_from_db()
    assert second.starts_at is None
    assert Booking.objects.filter(starts_at=at(12)).count() == 1


def test_a_booking_may_move_over_its_own_old_time(piet):
    booking = factories.make_booking(photographer=piet, starts_at=at(12))
    diary.take(booking, at(12, 30), piet, now=NOW)
    booking.refresh_from_db()
    assert (booking.starts_at, booking.calendar_sequence) == (at(12, 30), 1)
    assert booking.ends_at == at(14)


def test_outside_the_hours_is_for_staff_only(piet):
    booking = factories.make_booking(photographer=None, starts_at=None, state="asked")
    with pytest.raises(NotFree, match="outside the opening hours"):
        diary.take(booking, at(19), piet, now=NOW)
    diary.take(booking, at(19), piet, now=NOW, outside_hours=True)
    assert booking.ends_at == at(20, 30)


def test_short_notice_is_refused_with_the_number_of_hours(piet):
    booking = factories.make_booking(photographer=None, starts_at=None, state="asked")
    with pytest.raises(NotFree, match="24 hours of notice"):
        diary.take(booking, NOW + dt.timedelta(hours=3), piet, now=NOW)


def test_any_photographer_means_the_one_who_is_free(piet):
    ida = factories.make_photographer(name="Ida Wren")
    factories.make_booking(photographer=piet, starts_at=at(12))
    booking = factories.make_booking(photographer=None, starts_at=None, state="asked")
    diary.take_any(booking, at(12), now=NOW)
    assert booking.photographer == ida


def test_an_owner_who_works_alone_is_the_photographer():
    factories.make_business()
    factories.make_opening_hours()
    owner = factories.make_owner()
    assert diary.photographers() == [owner]
    factories.make_photographer()
    assert owner not in diary.photographers()
