"""The same files in a folder and in S3-compatible storage (moto, an independent imitation of S3)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import boto3
import pytest
from django.core.files.storage import default_storage
from django.test import RequestFactory
from moto import mock_aws

from listings import files, intake, storing
from listings.models import Frame
from tests import factories
from tests.factories import NOW
from tests.listings.factories import jpeg_bytes, write_jpeg

pytestmark = pytest.mark.django_db


@pytest.fixture
def s3(settings: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """An empty bucket as the default storage."""
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "testing")
    with mock_aws():
        boto3.client("s3", region_name="us-east-1").create_bucket(Bucket="pictures")
        options = {"bucket_name": "pictures", "region_name": "us-east-1", "file_overwrite": True}
        backend = {"BACKEND": "storages.backends.s3.S3Storage", "OPTIONS": options}
        settings.STORAGES = settings.STORAGES | {"default": backend}
        yield


@pytest.fixture(params=["folder", "s3"])
def frame(request: pytest.FixtureRequest, tmp_path: Path) -> Frame:
    """A frame stored through the intake, in both kinds of storage."""
    if request.param == "s3":
        request.getfixturevalue("s3")
    path = write_jpeg(tmp_path / "A B.JPG", 5)
    stored, is_new = intake.store(
        path,
        booking=factories.make_booking(),
        name="DCIM/A B.JPG",
        sha256=storing.hash_file(path),
        by=None,
        now=NOW,
    )
    assert is_new
    assert not path.exists()
    return stored


def test_what_was_stored_is_read_back_whole_and_by_programs_that_want_a_path(frame: Frame) -> None:
    assert storing.exists(frame.file)
    with storing.local_copies(frame.file) as (path,):
        assert path.read_bytes() == jpeg_bytes(5)
        assert path.name.endswith("A_B.JPG")


@pytest.mark.parametrize(("asked", "first", "end"), [("bytes=3-9", 3, 10), ("bytes=-4", -4, None)])
def test_a_part_is_served_from_both_kinds_of_storage(
    frame: Frame, asked: str, first: int, end: int | None
) -> None:
    request = RequestFactory().get("/", headers={"Range": asked})
    answer = files.serve(request, frame.file, name="A.JPG", etag=frame.sha256)
    assert answer.status_code == 206
    assert b"".join(answer.streaming_content) == jpeg_bytes(5)[first:end]  # type: ignore[attr-defined]
    assert answer["ETag"] == f'"{frame.sha256}"'


def test_a_head_names_the_length_and_sends_nothing(frame: Frame) -> None:
    answer = files.serve(RequestFactory().head("/"), frame.file, name="A.JPG", as_download=True)
    assert answer["Content-Length"] == str(frame.size)
    assert answer.content == b""  # type: ignore[attr-defined]
    assert answer["Content-Disposition"].startswith("attachment")


def test_storing_the_same_bytes_again_changes_nothing(frame: Frame, tmp_path: Path) -> None:
    path = write_jpeg(tmp_path / "again.jpg", 5)
    again, is_new = intake.store(
        path, booking=frame.booking, name="again.jpg", sha256=frame.sha256, by=None, now=NOW
    )
    assert (again, is_new) == (frame, False)
    assert not path.exists()


def test_a_lost_file_is_stored_again_under_its_old_row(frame: Frame, tmp_path: Path) -> None:
    default_storage.delete(str(frame.file.name))
    assert not storing.exists(frame.file)
    path = write_jpeg(tmp_path / "A B.JPG", 5)
    again, is_new = intake.store(
        path, booking=frame.booking, name="A B.JPG", sha256=frame.sha256, by=None, now=NOW
    )
    assert (again, is_new) == (frame, False)
    assert storing.exists(again.file)
