"""The shot list: what is proposed, once, whoever asks."""

import json
import threading
from pathlib import Path

import pytest
from django.db import connection

from listings import shotlists
from listings.models import Room, Shot
from listings.room_kinds import ROOM_KINDS, WALK
from studio.models import Booking, Property
from tests import factories

VALUES = json.loads((Path(__file__).parent / "values" / "reso_media.json").read_text(encoding="utf-8"))


def shots(booking: Booking, **changed: object) -> int:
    return Shot.objects.filter(room__booking=booking, **changed).count()


@pytest.mark.django_db
def test_a_three_bedroom_two_bathroom_home_gets_about_twenty_views() -> None:
    # "3-bed 2-bath about 20; 25 standard home": common practice, no standard.
    booking = factories.make_booking(
        home=factories.make_home(bedrooms=3, bathrooms=2, floor_area_m2=95), wants_outside=True
    )
    shotlists.ensure(booking)
    assert 15 <= shots(booking, is_required=True) <= 20
    assert 20 <= shots(booking) <= 32


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("kind", "required"),
    # Common practice: entry 1, living 2, kitchen 2-3, dining 1-2, main bedroom 2, bedroom 1, bathroom 1,
    # front 2-3.
    [("hall", 1), ("living", 2), ("kitchen", 2), ("dining", 1), ("main_bedroom", 2), ("bedroom", 1),
     ("bathroom", 1), ("main_bathroom", 1), ("front", 2)],
)  # fmt: skip
def test_each_room_asks_for_the_usual_number_of_views(kind: str, required: int) -> None:
    assert sum(view.is_required for view in ROOM_KINDS[kind].views) == required


@pytest.mark.django_db
def test_rooms_follow_size_and_kind_of_the_home() -> None:
    flat = factories.make_home(kind=Property.Kind.FLAT, bedrooms=1, bathrooms=1, floors=1, floor_area_m2=50)
    names = [room.name for room in shotlists.wanted_rooms(flat, wants_outside=False)]
    assert names == ["Hall", "Living room", "Kitchen", "Main bedroom", "Bathroom"]
    studio = factories.make_home(
        kind=Property.Kind.STUDIO, bedrooms=0, bathrooms=1, floors=1, floor_area_m2=30
    )
    assert "Main room" in [room.name for room in shotlists.wanted_rooms(studio, wants_outside=False)]
    house = factories.make_home(bedrooms=3, bathrooms=2, floors=2, floor_area_m2=95)
    kinds = [room.kind for room in shotlists.wanted_rooms(house, wants_outside=True)]
    assert kinds[0] == "front"
    assert {"stairs", "landing", "back", "garden", "dining"} <= set(kinds)
    assert kinds.count("bedroom") == 2


def test_every_kind_of_room_has_an_export_value_of_the_standard_and_a_place_in_the_walk() -> None:
    # RESO Data Dictionary 2.0, lookup ImageOf: see values/reso_media.json.
    assert {kind.image_of for kind in ROOM_KINDS.values()} <= set(VALUES["ImageOf"])
    assert set(WALK) == set(ROOM_KINDS)


def test_bathrooms_ask_for_battery_lights_and_stairs_for_no_stand() -> None:
    assert any("Battery" in words for words in ROOM_KINDS["bathroom"].cautions)
    assert any("No stand" in words for words in ROOM_KINDS["stairs"].cautions)


@pytest.mark.django_db
def test_asking_again_adds_nothing_and_keeps_what_a_person_changed() -> None:
    booking = factories.make_booking()
    shotlists.ensure(booking)
    Room.objects.filter(booking=booking, kind="living").update(name="Drawing room")
    Room.objects.get(booking=booking, kind="dining").delete()
    before = sorted(Room.objects.filter(booking=booking).values_list("pk", "name"))
    shotlists.ensure(booking)
    assert sorted(Room.objects.filter(booking=booking).values_list("pk", "name")) == before


@pytest.mark.django_db
def test_a_home_that_turns_out_larger_gets_the_rooms_it_lacks() -> None:
    booking = factories.make_booking(home=factories.make_home(bedrooms=2))
    shotlists.ensure(booking)
    booking.home.bedrooms = 4
    booking.home.save()
    shotlists.ensure(booking)
    assert Room.objects.filter(booking=booking, kind="bedroom").count() == 3


@pytest.mark.django_db
def test_a_list_that_is_there_costs_one_query(django_assert_num_queries: object) -> None:
    booking = factories.make_booking()
    shotlists.ensure(booking)
    with django_assert_num_queries(1):  # type: ignore[operator]
        shotlists.ensure(booking)


@pytest.mark.django_db(transaction=True)
def test_eight_at_once_make_each_room_once() -> None:
    booking = factories.make_booking()
    gate, errors = threading.Barrier(8), []

    def ask() -> None:
        gate.wait()
        try:
            shotlists.ensure(Booking.objects.select_related("home").get(pk=booking.pk))
        except Exception as error:  # noqa: BLE001 - the test reports whatever went wrong in a thread
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    keys = list(Room.objects.filter(booking=booking).values_list("made_from", flat=True))
    assert len(keys) == len(set(keys)) == len(shotlists.wanted_rooms(booking.home, wants_outside=False))
    assert shots(booking) == sum(len(ROOM_KINDS[room.kind].views) for room in booking.rooms.all())


@pytest.mark.django_db
def test_an_added_room_gets_a_free_name_and_known_identifiers() -> None:
    booking = factories.make_booking()
    shotlists.ensure(booking)
    first, second = shotlists.add_room(booking, "study"), shotlists.add_room(booking, "study")
    assert (first.name, second.name) == ("Study", "Study 2")
    assert second.shots.count() == len(ROOM_KINDS["study"].views)
    assert second.position > first.position
