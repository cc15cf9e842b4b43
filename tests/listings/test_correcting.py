"""Frames to pictures with the real pipeline, on the demo's files (what belongs together: their README)."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.utils import timezone

from listings import claims, correcting, grouping, intake, making, storing, sweep, wishes
from listings.errors import CannotMake, MakerLost, StalePlan
from listings.models import Correction, Delivery, DeliveryItem, Frame, Picture, Room, VisitWork
from listings.queueing import WORK
from studio.models import Booking
from tests import factories
from tests.listings.factories import make_correction, make_frame, make_picture, write_jpeg

pytestmark = pytest.mark.django_db(transaction=True)
STEPS = {
    "read_frame": correcting.read_frame,
    "analyse_picture": correcting.analyse_picture,
    "settle_visit": correcting.settle_visit,
    "make_picture": correcting.make_picture,
}


def bring_in(booking: Booking, *paths: Path) -> None:
    for path in paths:
        storing.Path(settings.PARTIAL_DIR).mkdir(exist_ok=True)
        copy = Path(shutil.copy(path, Path(settings.PARTIAL_DIR) / path.name))
        sha256 = storing.hash_file(copy)
        intake.store(copy, booking=booking, name=path.name, sha256=sha256, by=None, now=timezone.now())


def work_through(booking: Booking, *, is_complete: bool = True) -> list[str]:
    """Do what workers would do until nothing is left; return the steps that were done."""
    if is_complete:
        correcting.queue_visit(booking, now=timezone.now())
    done: list[str] = []
    for _ in range(200):
        left = [
            (task, pk) for task in STEPS for pk in WORK[task](timezone.now()).values_list("pk", flat=True)
        ]
        if not left:
            return done
        task, pk = left[0]
        STEPS[task](pk)
        done.append(task)
    raise AssertionError(f"never done: {left}")


@pytest.fixture(scope="module", autouse=True)
def _end_the_child() -> object:
    yield
    making.stop()


@pytest.mark.slow
def test_five_exposures_become_one_picture_and_a_raw_with_its_jpeg_counts_once(demo_files: Path) -> None:
    booking = factories.make_booking()
    bring_in(booking, *sorted(demo_files.glob("PL_040[4-9].*")))
    work_through(booking)
    bracket, pair = booking.pictures.order_by("position")
    assert (bracket.kind, bracket.picture_frames.count()) == ("bracket", 5)
    assert pair.kind == "single"
    assert {(row.frame.name, row.role) for row in pair.picture_frames.all()} == {
        ("PL_0409.DNG", "frame"),
        ("PL_0409.JPG", "twin"),
    }
    for picture in (bracket, pair):
        version = picture.correction
        assert picture.state == Picture.State.MADE
        assert version
        assert (version.width, version.height) > (1000, 600)
        assert version.sha256 == storing.hash_file(Path(version.file.path))
        for file in (version.file, version.preview, version.thumbnail, version.before):
            assert file.read(3) == b"\xff\xd8\xff"
    assert VisitWork.objects.get().due_at is None


@pytest.mark.slow
def test_every_step_may_run_twice(demo_files: Path) -> None:
    booking = factories.make_booking()
    bring_in(booking, demo_files / "PL_0411.JPG")
    steps = work_through(booking)
    assert steps.count("make_picture") == 1
    picture = booking.pictures.get()
    for task, step in STEPS.items():
        pk = {"read_frame": Frame, "settle_visit": VisitWork}.get(task, Picture).objects.get().pk
        step(pk)
    Picture.objects.filter(pk=picture.pk).update(state=Picture.State.WAITING)
    correcting.make_picture(picture.pk)  # the message came again after the row was set back
    assert Correction.objects.count() == 1
    assert work_through(booking) == ["settle_visit"]
    assert Correction.objects.count() == 1


@pytest.mark.slow
def test_later_frames_change_only_the_picture_they_belong_to(demo_files: Path) -> None:
    booking = factories.make_booking()
    bring_in(booking, demo_files / "PL_0404.JPG", demo_files / "PL_0405.JPG", demo_files / "PL_0411.JPG")
    work_through(booking)
    bracket, other = booking.pictures.order_by("position")
    first, kept = bracket.correction, other.correction
    bring_in(booking, demo_files / "PL_0406.JPG")
    work_through(booking)
    bracket.refresh_from_db()
    other.refresh_from_db()
    assert bracket.picture_frames.count() == 3
    assert bracket.correction != first
    assert booking.pictures.count() == 2
    assert other.corrections.filter(frames_digest=kept.frames_digest).exists()


@pytest.mark.slow
def test_what_a_person_asks_for_is_made_as_a_new_version_and_the_old_one_can_be_had_back(
    demo_files: Path,
) -> None:
    booking, staff = factories.make_booking(), factories.make_editor()
    bring_in(booking, demo_files / "PL_0411.JPG")
    work_through(booking)
    picture = booking.pictures.get()
    first, now = picture.correction, timezone.now()
    assert first
    wishes.ask(picture, {"brightness_ev": 1.0}, seen_version=picture.plan_version, by=staff, now=now)
    with pytest.raises(StalePlan, match="Nothing of yours was written"):
        wishes.ask(picture, {"lift": 0.9}, seen_version=picture.plan_version, by=staff, now=now)
    work_through(booking)
    picture.refresh_from_db()
    second = picture.correction
    assert second
    assert second != first
    assert second.wish == {"brightness_ev": 1.0}
    assert second.made_by == staff
    assert second.report["exposure"]["applied_ev"] == pytest.approx(
        first.report["exposure"]["applied_ev"] + 1.0, abs=0.01
    )
    wishes.use(picture, first, seen_version=picture.plan_version, by=staff, now=timezone.now())
    picture.refresh_from_db()
    assert picture.correction == first
    assert work_through(booking) == ["settle_visit"]
    picture.refresh_from_db()
    assert picture.correction == first


def test_an_analysis_of_an_earlier_program_is_made_anew_when_it_is_needed(tmp_path: Path) -> None:
    booking, staff = factories.make_booking(), factories.make_editor()
    bring_in(
        booking, write_jpeg(tmp_path / "A.JPG", 1, (600, 400)), write_jpeg(tmp_path / "B.JPG", 2, (600, 400))
    )
    work_through(booking)
    Picture.objects.update(analysis={"version": 0})
    one, other = booking.pictures.order_by("pk")
    wishes.ask(one, {"lift": 0.3}, seen_version=one.plan_version, by=staff, now=timezone.now())
    steps = work_through(booking)
    assert (steps.count("analyse_picture"), steps.count("make_picture")) == (1, 1)
    one.refresh_from_db()
    assert one.correction
    assert one.correction.wish == {"lift": 0.3}
    assert booking.pictures.get(pk=other.pk).analysis == {"version": 0}  # it keeps its plan and is left alone


def test_a_wish_for_one_picture_leaves_the_others_alone(tmp_path: Path) -> None:
    booking, staff = factories.make_booking(), factories.make_editor()
    bring_in(
        booking, write_jpeg(tmp_path / "A.JPG", 1, (600, 400)), write_jpeg(tmp_path / "B.JPG", 2, (600, 400))
    )
    work_through(booking)
    one, other = booking.pictures.order_by("pk")
    Picture.objects.filter(pk=other.pk).update(plan_digest="0" * 64)  # as another version would have planned
    wishes.ask(one, {"brightness_ev": 0.5}, seen_version=one.plan_version, by=staff, now=timezone.now())
    assert work_through(booking).count("make_picture") == 1
    assert Picture.objects.get(pk=other.pk).plan_digest == "0" * 64


def test_a_picture_placed_outside_keeps_the_light_of_the_sky(tmp_path: Path) -> None:
    booking, staff = factories.make_booking(), factories.make_editor()
    bring_in(booking, write_jpeg(tmp_path / "A.JPG", 1, (600, 400)))
    work_through(booking)
    picture = booking.pictures.get()
    assert picture.plan["light"]["method"] != "daylight"
    picture.room = Room.objects.create(booking=booking, kind="back", position=90)
    picture.is_placed_by_hand = True
    picture.save()
    wishes.ask(picture, {"lift": 0.2}, seen_version=picture.plan_version, by=staff, now=timezone.now())
    work_through(booking)
    picture.refresh_from_db()
    assert picture.plan["light"]["method"] == "daylight"
    assert picture.correction
    assert picture.correction.wish == {"lift": 0.2}  # what the person asked for, and nothing else


def test_a_corrupt_file_is_named_with_its_reason_and_the_others_go_on(tmp_path: Path) -> None:
    booking = factories.make_booking()
    good = write_jpeg(tmp_path / "GOOD.JPG", 1, (600, 400))
    bad = tmp_path / "BAD.NEF"
    bad.write_bytes(b"not a raw file at all" * 100)
    bring_in(booking, good, bad)
    work_through(booking)
    frame = booking.frames.get(name="BAD.NEF")
    assert frame.state == Frame.State.UNREADABLE
    assert frame.reason
    assert frame.file.read() == bad.read_bytes()
    assert booking.pictures.get().state == Picture.State.MADE


def test_a_decoder_that_hangs_fails_its_file_alone_after_three_attempts(
    tmp_path: Path, settings: Any
) -> None:
    booking = factories.make_booking()
    bring_in(booking, write_jpeg(tmp_path / "A.JPG", 1, (600, 400)))
    usual = settings.MAKE_TIMEOUT_S
    settings.MAKE_TIMEOUT_S = 0  # no file is read in no time; a small one is in a hundredth of a second
    steps = work_through(booking)
    frame = booking.frames.get()
    assert steps.count("read_frame") == 3
    assert frame.state == Frame.State.UNREADABLE
    assert "Tried 3 times" in frame.reason
    settings.MAKE_TIMEOUT_S = usual
    assert correcting.try_frames_again(booking.frames.all(), now=timezone.now()) == 1
    work_through(booking)
    assert booking.pictures.get().state == Picture.State.MADE


def test_a_child_that_crashes_is_replaced_and_the_next_job_runs(tmp_path: Path) -> None:
    path = str(write_jpeg(tmp_path / "A.JPG", 1, (600, 400)))
    making.run("read", renew=lambda: True, path=path)
    child = next(iter(making.STARTED.values()))
    child.process.kill()
    child.process.wait()
    assert making.run("read", renew=lambda: True, path=path)["facts"]["width"] == 600


def test_a_child_that_dies_in_the_middle_says_how(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = str(write_jpeg(tmp_path / "A.JPG", 1, (600, 400)))
    making.stop()
    started = making.Child
    monkeypatch.setattr(making, "Child", lambda: _killed(started()))
    with pytest.raises(MakerLost, match="signal 9"):
        making.run("read", renew=lambda: True, path=path)


def _killed(child: making.Child) -> making.Child:
    """A child that gets its job and is killed before it can answer."""
    do = child.do

    def and_die(job: dict[str, object], **more: object) -> dict[str, object]:
        child.process.send_signal(19)  # stopped, so that it can't answer first (SIGSTOP)
        child.process.stdin.write("")  # type: ignore[union-attr]
        child.process.kill()
        return do(job, **more)  # type: ignore[arg-type]

    child.do = and_die  # type: ignore[method-assign, assignment]
    return child


def test_a_file_at_fault_is_told_apart_from_a_lost_child(tmp_path: Path) -> None:
    path = tmp_path / "A.JPG"
    path.write_bytes(b"\xff\xd8\xff" + b"0" * 500)
    with pytest.raises(CannotMake):
        making.run("read", renew=lambda: True, path=str(path))


def test_the_sweep_queues_a_row_whose_worker_was_lost_and_gives_up_after_three() -> None:
    booking, now = factories.make_booking(), timezone.now()
    frame = make_frame(booking, state=Frame.State.STORED)
    long_ago = now - dt.timedelta(minutes=5)
    Frame.objects.update(claimed_until=long_ago, attempts=1, queued_at=long_ago)
    sweep.run(now)
    frame.refresh_from_db()
    assert frame.queued_at > long_ago
    Frame.objects.update(claimed_until=long_ago, attempts=3)
    sweep.run(now)
    frame.refresh_from_db()
    assert frame.state == Frame.State.UNREADABLE
    assert "Try again" in frame.reason


def test_the_sweep_leaves_a_row_alone_that_is_being_worked_on_or_was_just_queued() -> None:
    booking, now = factories.make_booking(), timezone.now()
    held = make_frame(booking, state=Frame.State.STORED)
    fresh = make_frame(booking, state=Frame.State.STORED)
    Frame.objects.filter(pk=held.pk).update(claimed_until=now + dt.timedelta(seconds=30), queued_at=None)
    Frame.objects.filter(pk=fresh.pk).update(queued_at=now)
    sweep.run(now)
    assert Frame.objects.get(pk=held.pk).queued_at is None
    assert Frame.objects.get(pk=fresh.pk).queued_at == now


def test_a_worker_that_lost_its_claim_cannot_write() -> None:
    booking, now = factories.make_booking(), timezone.now()
    frame = make_frame(booking, state=Frame.State.STORED)
    slow = claims.take(WORK["read_frame"](now), frame.pk, now=now)
    later = now + dt.timedelta(minutes=10)
    fast = claims.take(WORK["read_frame"](later), frame.pk, now=later)
    assert slow
    assert fast
    assert not slow.renew()
    assert not slow.end(state=Frame.State.UNREADABLE)
    assert fast.end(state=Frame.State.READ)
    assert claims.take(WORK["read_frame"](later), frame.pk, now=later) is None


def test_touched_and_sent_pictures_are_kept_when_frames_are_grouped_again() -> None:
    booking = factories.make_booking()
    touched, sent, other = (make_picture(booking, is_touched=n == 0) for n in range(3))
    delivery = Delivery.objects.create(booking=booking, state=Delivery.State.SENT)
    DeliveryItem.objects.create(delivery=delivery, picture=sent, correction=sent.correction)
    building = Delivery.objects.create(booking=booking)
    DeliveryItem.objects.create(delivery=building, picture=other)
    grouping.regroup(booking, renew=lambda: True)  # no frame is left that could be grouped
    assert set(booking.pictures.all()) == {touched, sent}


def test_an_earlier_version_with_another_plan_is_a_row_of_its_own() -> None:
    picture = make_picture(factories.make_booking())
    make_correction(picture, plan_digest="b" * 64)
    assert picture.corrections.count() == 2
