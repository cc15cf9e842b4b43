"""Cards and folders on this machine: copied, read back, answered for file by file."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from listings import cards, storing
from listings.errors import NotTaken
from listings.models import FolderIntake, Frame, Upload
from tests import factories
from tests.factories import NOW
from tests.listings.factories import jpeg_bytes, sign_in, write_jpeg

pytestmark = pytest.mark.django_db


@pytest.fixture
def card(tmp_path: Path, settings: Any) -> Path:
    """A card with four frames in two folders, two of them with the same name, and a side file."""
    root = tmp_path / "card"
    write_jpeg(root / "DCIM/100/F1.JPG", 1)
    write_jpeg(root / "DCIM/100/F2.JPG", 2)
    write_jpeg(root / "DCIM/101/F1.JPG", 3)
    write_jpeg(root / "DCIM/101/F9.JPG", 1)  # the bytes of the first again
    (root / "DCIM/100/F1.XMP").write_text("<x/>")
    (root / ".hidden").mkdir()
    write_jpeg(root / ".hidden/F0.JPG", 9)
    settings.INTAKE_DIRS = [root]
    return root


def take_in(card: Path) -> FolderIntake:
    row = cards.begin(factories.make_booking(), card, by=None, now=NOW)
    cards.copy_folder(row.pk)
    row.refresh_from_db()
    return row


def test_every_file_of_a_card_is_stored_verified_and_counted(card: Path) -> None:
    row = take_in(card)
    summary = cards.summary(row)
    assert row.state == FolderIntake.State.DONE
    assert (
        summary.sentence == "All 4 files of this card are stored and verified. 1 of them was stored before."
    )
    assert [upload.name for upload in summary.left] == ["DCIM/100/F1.XMP"]
    assert {frame.file.read() for frame in Frame.objects.all()} == {jpeg_bytes(n) for n in (1, 2, 3)}
    assert (card / "DCIM/100/F1.JPG").exists()


def test_the_copy_is_read_back_and_a_difference_is_named(card: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    honest = storing.hash_file

    def worn_out_disk(path: Path) -> str:
        """A disk that gives the bytes of one file back changed, every time."""
        content = path.read_bytes()
        if content == jpeg_bytes(2):
            path.write_bytes(content[:-1] + b"x")
        return honest(path)

    monkeypatch.setattr(storing, "hash_file", worn_out_disk)
    summary = cards.summary(take_in(card))
    assert summary.sentence.startswith("3 of 4 files of this card are stored and verified.")
    (refused,) = summary.refused
    assert refused.name == "DCIM/100/F2.JPG"
    assert "differs from the card" in refused.reason


def test_a_card_that_was_taken_out_goes_on_where_it_stopped(card: Path, tmp_path: Path) -> None:
    row = cards.begin(factories.make_booking(), card, by=None, now=NOW)
    taken: list[str] = []

    def take_out_after_two(upload: Upload) -> None:
        taken.append(upload.name)
        if len(taken) == 2:
            card.rename(tmp_path / "pocket")

    with pytest.raises(NotTaken, match="what was stored is safe"):
        cards.copy(row, renew=lambda: True, tell=take_out_after_two)
    assert Frame.objects.count() >= 1
    cards.copy_folder(row.pk)  # the worker finds the card gone
    row.refresh_from_db()
    assert (row.state, "Put it in again" in row.reason) == (FolderIntake.State.FAILED, True)
    (tmp_path / "pocket").rename(card)
    cards.go_on(row)
    cards.copy_folder(row.pk)
    row.refresh_from_db()
    assert row.state == FolderIntake.State.DONE
    assert cards.summary(row).is_complete
    assert Frame.objects.count() == 3


def test_a_file_that_lies_too_deep_is_named_and_not_counted_as_stored(card: Path) -> None:
    deep = "/".join(["a-folder-with-a-long-name" * 4] * 3)
    write_jpeg(card / deep / "F5.JPG", 5)
    row = take_in(card)
    summary = cards.summary(row)
    assert summary.sentence.startswith("4 of 5 files of this card are stored and verified.")
    (refused,) = summary.refused
    assert refused.name.endswith("/F5.JPG")
    assert "longer than 255 letters" in refused.reason
    (card / deep / "F5.JPG").rename(card / "F5.JPG")
    again = cards.begin(row.booking, card, by=None, now=NOW)
    cards.copy_folder(again.pk)
    assert cards.summary(again).is_complete
    assert Frame.objects.count() == 4


def test_copying_twice_stores_nothing_twice(card: Path) -> None:
    row = take_in(card)
    cards.copy_folder(row.pk)
    call_command("intake", str(card), visit=str(row.booking.pk), stdout=io.StringIO())
    assert Frame.objects.count() == 3


@pytest.mark.parametrize("relative", ["..", "../..", "/etc", "DCIM/../../.."])
def test_nothing_outside_the_named_folders_can_be_reached(card: Path, relative: str) -> None:
    with pytest.raises(NotTaken):
        cards.resolve(0, relative)
    with pytest.raises(NotTaken):
        cards.resolve(7, ".")


def test_the_page_lists_folders_with_frames_and_takes_one_in(card: Path, client: Client) -> None:
    sign_in(client, factories.make_photographer())
    booking = factories.make_booking()
    found = {folder.name: folder.picture_count for folder in cards.folders()}
    assert found == {"card": 4, "card/DCIM": 4, "card/DCIM/100": 2, "card/DCIM/101": 2}
    data = {"root": "0", "relative": "DCIM/100", "visit": str(booking.public_id)}
    answer = client.post(reverse("listings:intake"), data)
    # only visits of the last weeks are offered; this one lies in the future of the test's clock
    assert answer.status_code in (200, 302)


def test_the_command_ends_in_one_sentence_and_names_what_was_not_stored(card: Path) -> None:
    booking, said = factories.make_booking(), io.StringIO()
    call_command("intake", str(card), visit=booking.number, stdout=said)
    assert "All 4 files of this card are stored and verified." in said.getvalue()
    (card / "DCIM/102").mkdir()
    (card / "DCIM/102/EMPTY.JPG").touch()
    with pytest.raises(CommandError, match=r"EMPTY\.JPG: The file is empty"):
        call_command("intake", str(card), visit=str(booking.public_id), stdout=said)


@pytest.mark.parametrize("visit", ["B9999", "nonsense"])
def test_the_command_says_when_there_is_no_such_visit(card: Path, visit: str) -> None:
    with pytest.raises(CommandError):
        call_command("intake", str(card), visit=visit)


def test_a_plain_form_takes_files_without_javascript(client: Client, tmp_path: Path) -> None:
    sign_in(client, factories.make_photographer())
    booking = factories.make_booking()
    address = reverse("listings:visit-intake", args=[booking.public_id])
    paths = [write_jpeg(tmp_path / "A.JPG", 1), write_jpeg(tmp_path / "B.JPG", 2)]
    notes = tmp_path / "notes.txt"
    notes.write_text("x")
    with paths[0].open("rb") as one, paths[1].open("rb") as two, notes.open("rb") as three:
        page = client.post(address, {"frames": [one, two, three]}, follow=True).content.decode()
    assert "A.JPG: stored and verified" in page
    assert "not pictures" in page
    assert booking.frames.count() == 2


def test_known_sums_need_not_be_sent(client: Client, tmp_path: Path) -> None:
    sign_in(client, factories.make_photographer())
    booking = factories.make_booking()
    path = write_jpeg(tmp_path / "card" / "A.JPG", 1)
    sha256 = storing.hash_file(path)
    row = cards.begin(booking, path.parent, by=None, now=NOW)
    cards.copy_folder(row.pk)
    files = [{"name": "A.JPG", "size": 9, "sha256": sha256}, {"name": "B.JPG", "size": 9, "sha256": "00"}]
    listed = json.dumps(files)
    address = reverse("listings:intake-known", args=[booking.public_id])
    assert client.post(address, {"listed": listed}).json() == {"known": ["A.JPG"]}
    assert client.post(address, {"listed": "[1]"}).status_code == 400
    assert Upload.objects.filter(state=Upload.State.KNOWN).count() == 1


def test_a_copy_between_two_disks_is_whole_or_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = write_jpeg(tmp_path / "A.JPG")
    target = tmp_path / "other" / "A.JPG"
    target.parent.mkdir()
    monkeypatch.setattr(shutil, "copyfileobj", lambda *args: (_ for _ in ()).throw(OSError(28, "full")))
    with pytest.raises(OSError, match="full"):
        storing._copy_synced(source, target)
    assert list(target.parent.iterdir()) == []
