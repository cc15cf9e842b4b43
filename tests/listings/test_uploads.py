"""Uploads when things stop in the middle."""

from __future__ import annotations

import datetime as dt
import io

import pytest

from listings import intake, storing, uploads
from listings.errors import DiskFull, OffsetConflict
from listings.models import Frame, Upload, VisitWork
from studio.models import Booking
from tests import factories
from tests.factories import NOW
from tests.listings.factories import jpeg_bytes

pytestmark = pytest.mark.django_db


def begin(content: bytes, name: str = "A.JPG", booking: Booking | None = None) -> Upload:
    booking = booking or factories.make_booking()
    return uploads.begin(booking, name=name, size=len(content), by=None, now=NOW)


def test_finishing_twice_gives_one_frame() -> None:
    content = jpeg_bytes()
    upload = begin(content)
    uploads.receive(upload, io.BytesIO(content), offset=0, length=None)
    first = uploads.finish(upload, now=NOW)
    again = uploads.finish(Upload.objects.get(pk=upload.pk), now=NOW)
    assert (first.state, again.state) == (Upload.State.STORED, Upload.State.STORED)
    assert Frame.objects.count() == 1


def test_a_stop_before_finishing_is_made_good_by_the_sweep() -> None:
    content = jpeg_bytes()
    upload = begin(content)
    uploads.receive(upload, io.BytesIO(content), offset=0, length=None)
    uploads.sweep(now=NOW + dt.timedelta(minutes=2))
    assert Upload.objects.get().state == Upload.State.STORED
    assert Frame.objects.get().file.read() == content


def test_a_stop_between_file_and_row_is_made_good_by_the_sweep() -> None:
    content = jpeg_bytes()
    upload = begin(content)
    path = uploads.partial_path(upload)
    path.write_bytes(content)
    sha256 = storing.hash_file(path)
    Upload.objects.filter(pk=upload.pk).update(sha256=sha256, offset=len(content))
    storing.put(path, intake.original_name(upload.booking, sha256, upload.name))
    uploads.sweep(now=NOW + dt.timedelta(minutes=2))
    assert Upload.objects.get().state == Upload.State.STORED
    assert Frame.objects.get().file.read() == content


def test_a_stop_between_frame_and_upload_row_still_counts_as_stored() -> None:
    content = jpeg_bytes()
    upload = begin(content)
    path = uploads.partial_path(upload)
    path.write_bytes(content)
    sha256 = storing.hash_file(path)
    Upload.objects.filter(pk=upload.pk).update(sha256=sha256, offset=len(content))
    intake.store(path, booking=upload.booking, name=upload.name, sha256=sha256, by=None, now=NOW)
    uploads.sweep(now=NOW + dt.timedelta(minutes=2))
    assert Upload.objects.get().state == Upload.State.STORED
    assert Frame.objects.count() == 1


def test_an_unfinished_upload_ends_after_a_week_and_frees_its_space() -> None:
    upload = begin(jpeg_bytes())
    uploads.partial_path(upload).write_bytes(b"some")
    uploads.sweep(now=NOW + dt.timedelta(days=6))
    assert Upload.objects.get().state == Upload.State.COMING
    uploads.sweep(now=NOW + dt.timedelta(days=8))
    ended = Upload.objects.get()
    assert ended.state == Upload.State.REFUSED
    assert "7 days" in ended.reason
    assert not uploads.partial_path(upload).exists()


def test_a_second_sender_stops_the_first_and_no_byte_is_doubled() -> None:
    content = jpeg_bytes(size=(700, 500))
    upload = begin(content)
    half = uploads.BLOCK

    class Slow(io.BytesIO):
        """Gives one block; before the next, another sender brings the rest."""

        def read(self, size: int | None = -1) -> bytes:
            if self.tell():
                rest = io.BytesIO(content[half:])
                uploads.receive(Upload.objects.get(), rest, offset=half, length=None)
            return super().read(size)

    assert len(content) > 2 * half
    with pytest.raises(OffsetConflict, match="sent twice"):
        uploads.receive(upload, Slow(content), offset=0, length=None)
    assert uploads.partial_path(upload).read_bytes() == content


def test_a_broken_connection_keeps_what_came_before_it() -> None:
    content = jpeg_bytes(size=(700, 500))
    upload = begin(content)

    class Cut(io.BytesIO):
        def read(self, size: int | None = -1) -> bytes:
            if self.tell():
                raise ConnectionResetError
            return super().read(size)

    assert uploads.receive(upload, Cut(content), offset=0, length=len(content)) == uploads.BLOCK
    assert uploads.offset_of(upload) == uploads.BLOCK


def test_each_frame_puts_settling_off_and_the_end_of_a_drop_brings_it_forward() -> None:
    booking = factories.make_booking()
    for n in range(2):
        content = jpeg_bytes(n)
        upload = begin(content, f"{n}.JPG", booking)
        uploads.receive(upload, io.BytesIO(content), offset=0, length=None)
        uploads.finish(upload, now=NOW + dt.timedelta(seconds=30 * n))
    assert VisitWork.objects.get().due_at == NOW + dt.timedelta(seconds=90)
    intake.due_now(booking, now=NOW + dt.timedelta(seconds=31))
    assert VisitWork.objects.get().due_at == NOW + dt.timedelta(seconds=31)


def test_the_first_frame_says_that_the_visit_is_under_way() -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    upload = begin(content, booking=booking)
    uploads.receive(upload, io.BytesIO(content), offset=0, length=None)
    uploads.finish(upload, now=NOW)
    booking.refresh_from_db()
    assert booking.state == Booking.State.UNDER_WAY


def test_one_upload_that_cannot_be_finished_keeps_no_other_from_it(monkeypatch: pytest.MonkeyPatch) -> None:
    booking = factories.make_booking()
    for n, name in enumerate(("BAD.JPG", "GOOD.JPG")):
        content = jpeg_bytes(n)
        uploads.receive(begin(content, name, booking), io.BytesIO(content), offset=0, length=None)
    put = storing.put

    def put_or_fail(path: storing.Path, name: str) -> str:
        if name.endswith("BAD.JPG"):
            raise OSError(5, "Input/output error")
        return put(path, name)

    with monkeypatch.context() as patched:
        patched.setattr(storing, "put", put_or_fail)
        uploads.sweep(now=NOW + dt.timedelta(minutes=2))
    states = dict(Upload.objects.values_list("name", "state"))
    assert states == {"BAD.JPG": Upload.State.COMING, "GOOD.JPG": Upload.State.STORED}
    uploads.sweep(now=NOW + dt.timedelta(minutes=5))
    assert Upload.objects.get(name="BAD.JPG").state == Upload.State.STORED


def test_no_frame_is_written_down_whose_bytes_are_gone() -> None:
    content = jpeg_bytes()
    upload = begin(content)
    uploads.receive(upload, io.BytesIO(content), offset=0, length=None)
    Upload.objects.filter(pk=upload.pk).update(sha256="5" * 64, offset=len(content))
    uploads.partial_path(upload).unlink()
    finished = uploads.finish(upload, now=NOW)
    assert (finished.state, Frame.objects.count()) == (Upload.State.REFUSED, 0)
    assert "send it again" in finished.reason


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("Ku\u0308che\r\nX: 1.JPG", "Ku\u0308cheX: 1.JPG"),
        ("zero\x00byte.JPG", "zerobyte.JPG"),
        ("\u202egpj.exe.JPG", "gpj.exe.JPG"),
        ("\U00020000" * 84 + ".JPG", "\U00020000" * 84 + ".JPG"),
    ],
)
def test_odd_names_are_stored_and_shown_in_one_line(name: str, kept: str) -> None:
    content = jpeg_bytes()
    upload = begin(content, name)
    uploads.receive(upload, io.BytesIO(content), offset=0, length=None)
    frame = uploads.finish(upload, now=NOW).frame
    assert frame is not None
    assert (frame.name, frame.file.read()) == (kept, content)


def test_a_piece_is_not_taken_when_others_have_filled_the_disk_meanwhile(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    content = jpeg_bytes()
    upload = begin(content)
    usage = storing.shutil.disk_usage("/")._replace(free=storing.RESERVE_BYTES)
    monkeypatch.setattr(storing.shutil, "disk_usage", lambda folder: usage)
    with pytest.raises(DiskFull, match="safe"):
        uploads.receive(upload, io.BytesIO(content), offset=0, length=len(content))
