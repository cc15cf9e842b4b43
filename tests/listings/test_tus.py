"""The upload protocol in the test client: tus 1.0.0, https://tus.io/protocols/resumable-upload."""

from __future__ import annotations

import base64
import hashlib
import shutil
from typing import Any
from urllib.parse import unquote

import pytest
from django.test import Client
from django.urls import reverse

from listings import storing, uploads
from listings.models import Frame, Upload
from tests import factories
from tests.listings.factories import jpeg_bytes, sign_in

pytestmark = pytest.mark.django_db
TUS = {"Tus-Resumable": "1.0.0"}
PIECE = "application/offset+octet-stream"


@pytest.fixture
def staff(client: Client) -> Client:
    sign_in(client, factories.make_photographer())
    return client


def begin(browser: Client, booking: Any, content: bytes, name: str = "A.JPG", **more: str) -> Any:
    pairs = {"filename": name, **more}
    told = ",".join(f"{key} {base64.b64encode(value.encode()).decode()}" for key, value in pairs.items())
    return browser.post(
        reverse("listings:uploads", args=[booking.public_id]),
        headers=TUS | {"Upload-Length": str(len(content)), "Upload-Metadata": told},
    )


def patch(browser: Client, address: str, content: bytes, offset: int = 0, **headers: str) -> Any:
    return browser.patch(
        address,
        content,
        content_type=PIECE,
        headers=TUS | {"Upload-Offset": str(offset), "Content-Type": PIECE} | headers,
    )


def send(browser: Client, booking: Any, content: bytes, name: str = "A.JPG", **more: str) -> Any:
    return patch(browser, begin(browser, booking, content, name, **more)["Location"], content)


def test_options_names_version_extensions_and_sums(staff: Client) -> None:
    booking = factories.make_booking()
    answer = staff.options(reverse("listings:uploads", args=[booking.public_id]))
    assert answer.status_code == 204
    assert answer["Tus-Version"] == "1.0.0"
    assert set(answer["Tus-Extension"].split(",")) >= {"creation", "termination", "checksum", "expiration"}
    # "The Server MUST support at least the SHA1 checksum algorithm identified by sha1."
    assert {"sha1", "sha256"} <= set(answer["Tus-Checksum-Algorithm"].split(","))


def test_a_message_without_the_version_is_refused_with_412(staff: Client) -> None:
    booking = factories.make_booking()
    answer = staff.post(reverse("listings:uploads", args=[booking.public_id]), headers={"Upload-Length": "3"})
    assert answer.status_code == 412
    assert answer["Tus-Version"] == "1.0.0"


def test_a_file_in_three_pieces_is_stored_with_its_sum(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    created = begin(staff, booking, content, sha256=hashlib.sha256(content).hexdigest())
    assert created.status_code == 201
    assert "Upload-Expires" in created
    address, third = created["Location"], len(content) // 3
    assert patch(staff, address, content[:third])["Upload-Offset"] == str(third)
    head = staff.head(address, headers=TUS)
    assert (head["Upload-Offset"], head["Upload-Length"]) == (str(third), str(len(content)))
    assert head["Cache-Control"] == "no-store"
    patch(staff, address, content[third : 2 * third], offset=third)
    last = patch(staff, address, content[2 * third :], offset=2 * third)
    assert (last.status_code, last["Upload-Result"]) == (204, "stored")
    frame = Frame.objects.get()
    assert frame.sha256 == hashlib.sha256(content).hexdigest()
    assert frame.file.read() == content
    assert not uploads.partial_path(Upload.objects.get()).exists()


def test_creation_may_bring_the_first_bytes(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    told = f"filename {base64.b64encode(b'A.JPG').decode()}"
    answer = staff.post(
        reverse("listings:uploads", args=[booking.public_id]),
        content,
        content_type=PIECE,
        headers=TUS | {"Upload-Length": str(len(content)), "Upload-Metadata": told},
    )
    assert (answer.status_code, answer["Upload-Offset"]) == (201, str(len(content)))
    assert answer["Upload-Result"] == "stored"


def test_a_piece_at_the_wrong_place_is_a_conflict_and_changes_nothing(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    address = begin(staff, booking, content)["Location"]
    patch(staff, address, content[:100])
    assert patch(staff, address, content[50:], offset=50).status_code == 409
    assert staff.head(address, headers=TUS)["Upload-Offset"] == "100"


def test_a_piece_whose_sum_is_wrong_is_not_kept(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    address = begin(staff, booking, content)["Location"]
    wrong = base64.b64encode(hashlib.sha256(b"other").digest()).decode()
    assert patch(staff, address, content[:500], **{"Upload-Checksum": f"sha256 {wrong}"}).status_code == 460
    assert staff.head(address, headers=TUS)["Upload-Offset"] == "0"
    right = base64.b64encode(hashlib.sha1(content[:500]).digest()).decode()
    answer = patch(staff, address, content[:500], **{"Upload-Checksum": f"sha1 {right}"})
    assert (answer.status_code, answer["Upload-Offset"]) == (204, "500")


def test_a_file_that_arrived_damaged_is_refused_and_leaves_nothing(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    answer = send(staff, booking, content, sha256="ab" * 32)
    assert answer.status_code == 460
    assert "damaged" in unquote(answer["Upload-Reason"])
    assert not Frame.objects.exists()
    assert staff.head(answer.wsgi_request.path, headers=TUS).status_code == 410


def test_more_bytes_than_announced_are_refused(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    address = begin(staff, booking, content)["Location"]
    assert patch(staff, address, content + b"more").status_code == 415
    assert patch(staff, address, content)["Upload-Result"] == "stored"


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("notes.txt", b"x", "not pictures"),
        ("noending", b"x", "without an ending"),
        ("A.JPG", b"", "empty"),
    ],
)
def test_what_cannot_be_a_picture_is_named_with_its_reason(
    staff: Client, name: str, content: bytes, words: str
) -> None:
    booking = factories.make_booking()
    answer = begin(staff, booking, content, name)
    assert answer.status_code == 415
    assert words in unquote(answer["Upload-Reason"])
    row = Upload.objects.get()
    assert (row.state, row.name) == (Upload.State.REFUSED, name)


def test_the_same_bytes_twice_are_stored_once_and_said_so(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    send(staff, booking, content, "A.JPG")
    again = send(staff, booking, content, "B.JPG")
    assert again["Upload-Result"] == "known"
    assert "A.JPG" in unquote(again["Upload-Reason"])
    assert Frame.objects.count() == 1


def test_equal_names_and_equal_bytes_of_two_visits_never_mix(staff: Client) -> None:
    one, other = factories.make_booking(), factories.make_booking()
    send(staff, one, jpeg_bytes(1), "A.JPG")
    send(staff, other, jpeg_bytes(2), "A.JPG")
    assert send(staff, other, jpeg_bytes(1), "C.JPG")["Upload-Result"] == "stored"
    assert one.frames.get().file.read() == jpeg_bytes(1)
    assert {frame.file.read() for frame in other.frames.all()} == {jpeg_bytes(1), jpeg_bytes(2)}
    assert len(set(Frame.objects.values_list("file", flat=True))) == 3


def test_a_full_disk_is_said_before_a_byte_is_sent(staff: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    usage = shutil.disk_usage("/")._replace(free=storing.RESERVE_BYTES + 10)
    monkeypatch.setattr(storing.shutil, "disk_usage", lambda folder: usage)
    answer = begin(staff, booking, content)
    assert answer.status_code == 507
    assert "Everything stored so far is safe" in unquote(answer["Upload-Reason"])


@pytest.mark.skipif(
    not storing.Path("/dev/full").exists(), reason="only Linux has a device that is always full"
)
def test_a_disk_that_fills_up_in_the_middle_keeps_what_was_stored(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    send(staff, booking, jpeg_bytes(7), "SAFE.JPG")
    address = begin(staff, booking, content)["Location"]
    path = uploads.partial_path(Upload.objects.get(name="A.JPG"))
    path.unlink()
    path.symlink_to("/dev/full")  # every write to it fails with ENOSPC, as on a full disk
    answer = patch(staff, address, content)
    assert answer.status_code == 507
    assert "What has arrived is kept" in unquote(answer["Upload-Reason"])
    path.unlink()  # some space was freed
    assert patch(staff, address, content)["Upload-Result"] == "stored"
    assert {frame.name for frame in Frame.objects.all()} == {"SAFE.JPG", "A.JPG"}


def test_an_upload_taken_back_frees_its_space(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    address = begin(staff, booking, content)["Location"]
    patch(staff, address, content[:200])
    assert staff.delete(address, headers=TUS).status_code == 204
    assert staff.head(address, headers=TUS).status_code == 410
    assert not uploads.partial_path(Upload.objects.get()).exists()


def test_a_last_piece_whose_answer_was_lost_can_be_asked_again(staff: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    address = begin(staff, booking, content)["Location"]
    patch(staff, address, content)
    head = staff.head(address, headers=TUS)
    assert (head["Upload-Offset"], head["Upload-Result"]) == (str(len(content)), "stored")
    assert patch(staff, address, b"", offset=len(content))["Upload-Result"] == "stored"


def test_only_staff_reach_an_upload(client: Client) -> None:
    booking, content = factories.make_booking(), jpeg_bytes()
    stranger, agent, staff = Client(), Client(), client
    sign_in(staff, factories.make_editor())
    factories.sign_in_client(agent, booking.client)
    address = begin(staff, booking, content)["Location"]
    assert begin(stranger, booking, content).status_code == 302
    assert begin(agent, booking, content).status_code == 404
    assert patch(stranger, address, content).status_code == 302
    assert patch(agent, address, content).status_code == 404
    assert not Frame.objects.exists()
    assert patch(staff, address, content)["Upload-Result"] == "stored"


def test_an_upload_without_the_forgery_token_is_refused() -> None:
    browser = Client(enforce_csrf_checks=True)
    sign_in(browser, factories.make_photographer())
    assert begin(browser, factories.make_booking(), jpeg_bytes()).status_code == 403
