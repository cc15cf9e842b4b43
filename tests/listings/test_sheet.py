"""The sheet and the picture page."""

from __future__ import annotations

import html
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from pytest_django.fixtures import DjangoAssertNumQueries

from listings import sheets
from listings.models import Correction, Picture, VisitWork
from studio.models import Booking
from tests import factories
from tests.listings.factories import make_correction, make_picture, make_room, make_shot, sign_in

pytestmark = pytest.mark.django_db
# business, session, user, booking; rooms, counts, order, pictures, shots; progress: frames, pictures, seconds
SHEET_QUERIES = 12


@pytest.fixture
def staff(client: Client) -> Client:
    sign_in(client, factories.make_editor())
    return client


def sheet(browser: Client, booking: Booking, **query: Any) -> str:
    answer = browser.get(reverse("listings:sheet", args=[booking.public_id]), query)
    assert answer.status_code == 200
    return html.unescape(answer.content.decode())


def many(booking: Booking, count: int) -> None:
    """Pictures of one room, all showing the files of the first: the rows are what counts here."""
    room = make_room(booking)
    shot = make_shot(room)
    first = make_picture(booking, room=room, shot=shot)
    rows = [Picture(booking=booking, room=room, shot=shot, state="made", position=n) for n in range(1, count)]
    Picture.objects.bulk_create(rows)
    version = first.correction
    assert version
    for picture in booking.pictures.filter(correction=None):
        version.pk, version.public_id, version.picture = None, picture.public_id, picture
        version.save(force_insert=True)
    for picture in booking.pictures.all():
        Picture.objects.filter(pk=picture.pk).update(correction=picture.corrections.get())


@pytest.mark.parametrize("count", [3, 400])
def test_the_sheet_asks_the_same_few_questions_whatever_its_size(
    staff: Client, count: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    booking = factories.make_booking()
    many(booking, count)
    make_picture(booking, state=Picture.State.WAITING)  # so that the time left is worked out too
    factories.make_business()
    with django_assert_max_num_queries(SHEET_QUERIES):
        page = sheet(staff, booking)
    assert page.count("data-picture") == min(count + 1, sheets.PAGE)


def test_pages_of_the_sheet_hold_every_picture_once(staff: Client) -> None:
    booking = factories.make_booking()
    many(booking, 100)
    seen: list[str] = []
    for number in (1, 2, 3):
        shown = sheets.build(booking, shows="all", room="", page=number)
        seen += [str(picture.public_id) for section in shown.sections for picture in section.pictures]
    assert len(seen) == len(set(seen)) == 100
    assert sheets.build(booking, shows="all", room="", page=99).page == 3
    assert "continued" in sheet(staff, booking, page=2)


def test_rooms_stand_in_the_order_of_the_walk_and_what_is_not_placed_comes_last(staff: Client) -> None:
    booking = factories.make_booking()
    kitchen, hall = make_room(booking, position=2), make_room(booking, name="Hall", kind="hall", position=1)
    make_picture(booking)
    make_picture(booking, room=kitchen)
    make_picture(booking, room=hall)
    shown = sheets.build(booking, shows="all", room="", page=1)
    assert [section.stop.name for section in shown.sections] == ["Hall", "Kitchen", "Not placed yet"]


def test_the_sentence_filters_what_needs_a_look_and_says_why(staff: Client) -> None:
    booking = factories.make_booking()
    make_picture(booking)
    doubtful = make_picture(booking)
    Correction.objects.filter(picture=doubtful).update(needs_look=["The picture is soft."])
    failed = make_picture(booking, is_made=False, state=Picture.State.FAILED, reason="It was too large.")
    page = sheet(staff, booking, shows="look")
    assert page.count("data-picture") == 1
    assert "The picture is soft." in page
    page = sheet(staff, booking, shows="failed")
    assert str(failed.public_id) in page
    assert "It was too large." in page
    assert "Try again" in page


def test_an_empty_sheet_offers_the_first_step(staff: Client) -> None:
    booking = factories.make_booking()
    assert reverse("listings:visit-intake", args=[booking.public_id]) in sheet(staff, booking)


def test_marked_pictures_are_placed_on_a_view_together(staff: Client) -> None:
    booking, other = factories.make_booking(), factories.make_booking()
    shot = make_shot(make_room(booking))
    one, two, foreign = make_picture(booking), make_picture(booking), make_picture(other)
    data = {
        "picture": [str(picture.public_id) for picture in (one, two, foreign)],
        "place": f"shot:{shot.public_id}",
        "query": "shows=all",
    }
    answer = staff.post(reverse("listings:sheet-place", args=[booking.public_id]), data)
    assert answer.url.endswith("?shows=all")
    for picture in (one, two, foreign):
        picture.refresh_from_db()
    assert (one.shot, two.shot, two.room) == (shot, shot, shot.room)
    assert foreign.shot is None


def test_a_room_of_another_visit_is_no_place(staff: Client) -> None:
    booking, other = factories.make_booking(), factories.make_booking()
    picture = make_picture(booking)
    data = {"picture": [str(picture.public_id)], "place": f"room:{make_room(other).public_id}"}
    answer = staff.post(reverse("listings:sheet-place", args=[booking.public_id]), data, follow=True)
    assert "no longer on the list" in answer.content.decode()
    picture.refresh_from_db()
    assert picture.room is None


def wish(browser: Client, picture: Picture, **changed: Any) -> Any:
    values = {"plan_version": "0", "brightness_ev": "0", "lift": "0.5", "warmth_kept": "0.2", "level": "on"}
    return browser.post(reverse("listings:picture", args=[picture.public_id]), values | changed)


def test_only_controls_that_were_moved_become_a_wish(staff: Client) -> None:
    picture = make_picture(factories.make_booking())
    assert wish(staff, picture, brightness_ev="0.7", level="off").status_code == 302
    picture.refresh_from_db()
    assert picture.wish == {"brightness_ev": 0.7, "level": {"roll_deg": 0.0, "pitch_deg": 0.0}}
    assert (picture.is_touched, picture.plan_digest, picture.plan_version) == (True, "", 1)
    assert picture.correction is not None
    assert VisitWork.objects.get().due_at is not None
    assert wish(staff, picture, plan_version="1", as_found="yes").status_code == 302
    picture.refresh_from_db()
    assert picture.wish == {}


def test_the_second_of_two_people_is_told_and_loses_nothing(staff: Client) -> None:
    picture = make_picture(factories.make_booking())
    wish(staff, picture, brightness_ev="0.7")
    answer = wish(staff, picture, lift="0.9")
    page = html.unescape(answer.content.decode())
    assert answer.status_code == 409
    assert "Someone else changed this picture" in page
    assert 'value="0.9"' in page
    picture.refresh_from_db()
    assert picture.wish == {"brightness_ev": 0.7}
    assert wish(staff, picture, lift="0.9", plan_version="1", brightness_ev="0.7").status_code == 302
    picture.refresh_from_db()
    assert picture.wish == {"brightness_ev": 0.7, "lift": 0.9}


@pytest.mark.parametrize("bad", [{"brightness_ev": "9"}, {"lift": "x"}, {"level": "sideways"}])
def test_a_wish_out_of_range_changes_nothing(staff: Client, bad: dict[str, str]) -> None:
    picture = make_picture(factories.make_booking())
    assert wish(staff, picture, **bad).status_code == 200
    picture.refresh_from_db()
    assert (picture.wish, picture.plan_version) == ({}, 0)


def test_an_earlier_version_is_had_back_without_making_anything(staff: Client) -> None:
    picture = make_picture(factories.make_booking())
    first = picture.correction
    second = make_correction(picture, plan_digest="b" * 64, wish={"lift": 0.8})
    Picture.objects.filter(pk=picture.pk).update(correction=second, plan_digest="b" * 64)
    assert first
    address = reverse("listings:version-use", args=[first.public_id])
    staff.post(address, {"plan_version": "0"})
    picture.refresh_from_db()
    assert (picture.correction, picture.plan_digest, picture.state) == (first, "a" * 64, "made")
    staff.post(reverse("listings:version-use", args=[second.public_id]), {"plan_version": "0"})
    picture.refresh_from_db()
    assert picture.correction == first  # the second post had not seen the first


def test_the_page_of_a_picture_that_was_never_made_says_so(staff: Client) -> None:
    reason = "Too dark to read."
    picture = make_picture(factories.make_booking(), is_made=False, state="failed", reason=reason)
    page = staff.get(reverse("listings:picture", args=[picture.public_id])).content.decode()
    assert reason in page
    assert "The originals are stored." in page


def test_files_answer_ranges_and_tell_browsers_what_they_have(staff: Client) -> None:
    version = make_picture(factories.make_booking()).correction
    assert version
    address = reverse("listings:version-file", args=[version.public_id, "full"])
    whole = staff.get(address)
    content = b"".join(whole.streaming_content)
    assert whole["Accept-Ranges"] == "bytes"
    part = staff.get(address, headers={"Range": "bytes=10-19"})
    assert (part.status_code, part["Content-Range"]) == (206, f"bytes 10-19/{len(content)}")
    assert b"".join(part.streaming_content) == content[10:20]
    last = staff.get(address, headers={"Range": "bytes=-5"})
    assert b"".join(last.streaming_content) == content[-5:]
    assert staff.get(address, headers={"Range": "bytes=999999-"}).status_code == 416
    assert staff.get(address, headers={"If-None-Match": whole["ETag"]}).status_code == 304
    stale = staff.get(address, headers={"Range": "bytes=0-1", "If-Range": '"other"'})
    assert stale.status_code == 200
    assert staff.get(reverse("listings:version-file", args=[version.public_id, "secret"])).status_code == 404
