"""Copies for a purpose: made once, as asked, with words and sums that others can check."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from PIL import Image

from listings import copies, making, storing
from listings.models import Correction, PictureCopy, Purpose
from tests import factories
from tests.listings.factories import jpeg_bytes, make_picture

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module", autouse=True)
def _end_the_child() -> Iterator[None]:
    yield
    making.stop()


@pytest.fixture
def version() -> Correction:
    version = make_picture(factories.make_booking()).correction
    assert version
    name = default_storage.save("pictures/large.jpg", ContentFile(jpeg_bytes(3, (1500, 1000))))
    Correction.objects.filter(pk=version.pk).update(file=name)
    version.refresh_from_db()
    return version


def purpose(**changed: Any) -> Purpose:
    values: dict[str, Any] = {"name": "Small", "slug": "small", "long_edge_px": 600, "quality": 90, "dpi": 72}
    return Purpose.objects.create(**(values | changed))


def test_a_copy_has_the_size_the_words_and_the_sums_that_were_asked_for(version: Correction) -> None:
    copy = copies.request(version, purpose(), {"caption": "Kitchen", "creator": "Piet Larch"})
    copies.make_copy(copy.pk)
    copy.refresh_from_db()
    content = Path(copy.file.path).read_bytes()
    with Image.open(copy.file.path) as image:  # Pillow, which had no part in the sums
        assert image.size == (copy.width, copy.height) == (600, 400)
        assert image.getexif()[0x010E] == "Kitchen"
        assert image.getexif()[0x013B] == "Piet Larch"
    assert (copy.state, copy.size) == (PictureCopy.State.MADE, len(content))
    assert copy.sha256 == storing.hash_file(Path(copy.file.path))
    assert copy.crc32 == zlib.crc32(content)


def test_a_copy_keeps_to_its_megabytes(version: Correction) -> None:
    copy = copies.request(version, purpose(long_edge_px=None, max_megabytes=Decimal("1.1")), {})
    copies.make_copy(copy.pk)
    copy.refresh_from_db()
    assert copy.state == PictureCopy.State.MADE
    assert copy.size <= 1_100_000


def test_the_same_wish_is_the_same_copy_and_other_words_are_another(version: Correction) -> None:
    small = purpose()
    one = copies.request(version, small, {"caption": "Kitchen"})
    assert copies.request(version, small, {"caption": "Kitchen"}) == one
    assert copies.request(version, small, {"caption": "Hall"}) != one


def test_making_a_copy_twice_changes_nothing(version: Correction) -> None:
    copy = copies.request(version, purpose(), {})
    copies.make_copy(copy.pk)
    made_at = PictureCopy.objects.get(pk=copy.pk).made_at
    copies.make_copy(copy.pk)
    assert PictureCopy.objects.get(pk=copy.pk).made_at == made_at


def test_a_picture_that_does_not_open_fails_with_its_reason_and_can_be_retried(
    version: Correction,
) -> None:
    copy = copies.request(version, purpose(), {})
    path = Path(version.file.path)
    content = path.read_bytes()
    path.write_bytes(b"broken")
    copies.make_copy(copy.pk)
    copy.refresh_from_db()
    assert copy.state == PictureCopy.State.FAILED
    assert copy.reason
    path.write_bytes(content)
    copies.try_again(copy)
    copies.make_copy(copy.pk)
    copy.refresh_from_db()
    assert copy.state == PictureCopy.State.MADE
