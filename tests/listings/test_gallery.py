"""The gallery: its address opens it to whoever holds it, and to nobody once it ended."""

import datetime as dt
import io
import json
import re
import zipfile

import pytest
import time_machine
from django.test import Client as Browser
from django.urls import reverse

from listings import changes, delivery, galleries, links
from listings.models import Alteration, ChangeRequest, Delivery, Download, GalleryLink, PictureCopy
from studio import invoicing
from studio.models import Booking, Client, Event, Message
from tests import factories
from tests.factories import NOW
from tests.listings.set_factories import grid, make_correction, make_sent, make_visited

pytestmark = pytest.mark.django_db
LATER = NOW + dt.timedelta(hours=1)


@pytest.fixture(autouse=True)
def _clock():  # type: ignore[no-untyped-def]
    with time_machine.travel(LATER, tick=False):
        yield


def addresses(link: GalleryLink) -> list[str]:
    """Every address under a gallery's token."""
    token, item = links.token(link), link.delivery.items.first().public_id
    return [
        reverse("listings:gallery", args=[token]),
        reverse("listings:gallery-set", args=[token]) + "?purpose=web",
        reverse("listings:gallery-manifest", args=[token, "json"]),
        reverse("listings:gallery-change", args=[token, item]),
        reverse("listings:gallery-file", args=[token, item, "web"]),
        reverse("listings:gallery-image", args=[token, item, "small"]),
        reverse("listings:gallery-image", args=[token, item, "screen"]),
        reverse("listings:gallery-image", args=[token, item, "large"]),
    ]


def read(response: object) -> bytes:
    return b"".join(response.streaming_content)  # type: ignore[attr-defined]


# --- tokens -------------------------------------------------------------------------------------------
def test_a_token_finds_its_link_and_no_changed_letter_does() -> None:
    _, link = make_sent()
    token = links.token(link)
    assert links.find(token) == link
    for at in range(len(token)):
        other = "A" if token[at] != "A" else "B"
        assert links.find(token[:at] + other + token[at + 1 :]) is None
    for odd in ("", "x", token[:-1], token + "A", token + "=", "é" * 48, "." * 48):
        assert links.find(odd) is None


def test_two_links_of_one_set_have_nothing_in_common_that_could_be_guessed() -> None:
    row, link = make_sent()
    other = delivery.open_link(row, email="", label="vendor", now=NOW)
    assert links.token(link)[22:] != links.token(other)[22:]


def test_the_address_ends_with_another_secret_key(settings: object) -> None:
    _, link = make_sent()
    token = links.token(link)
    settings.SECRET_KEY = "another"  # type: ignore[attr-defined]
    assert links.find(token) is None


# --- opening and ending -------------------------------------------------------------------------------
def test_whoever_holds_the_address_sees_the_walk(client: Browser) -> None:
    row, link = make_sent(message="The light was kind.")
    page = client.get(addresses(link)[0])
    text = page.content.decode()
    assert page.status_code == 200
    assert text.count("<img") == 4
    assert text.index("Living room, from the doorway") < text.index("Kitchen, from the doorway")
    assert "The light was kind." in text
    assert 'alt="View of the living room, from the doorway."' in text
    assert re.search(r"small\.jpg 640w, [^\"]*screen\.jpg 1200w, [^\"]*large\.jpg 1200w", text)
    assert "2 June 2028" in text
    assert "Nothing of the home was added" in text
    for address in addresses(link)[1:]:
        assert client.get(address).status_code == 200, address


def test_pages_and_files_tell_search_engines_and_other_sites_nothing(client: Browser) -> None:
    _, link = make_sent()
    for address in addresses(link):
        response = client.get(address)
        assert "noindex" in response["X-Robots-Tag"]
        assert response["Referrer-Policy"] == "same-origin"
        assert "private" in response["Cache-Control"]
    text = client.get(addresses(link)[0]).content.decode()
    assert not re.findall(r'(?:src|href|srcset|action)="(?:https?:)?//', text)
    assert "<script>" not in text
    assert " style=" not in text


def test_a_revoked_address_opens_nothing_ever_again(client: Browser) -> None:
    _, link = make_sent()
    paths = addresses(link)
    links.revoke(link, now=NOW)
    for path in paths:
        assert client.get(path).status_code == 404, path
    GalleryLink.objects.filter(pk=link.pk).update(revoked_at=None)  # even if someone cleared the mark
    for path in paths:
        assert client.get(path).status_code == 404, path


def test_a_withdrawn_set_is_closed_on_every_address(client: Browser) -> None:
    row, link = make_sent()
    paths = addresses(link)
    delivery.withdraw(row, by=factories.make_owner(), now=NOW)
    assert {client.get(path).status_code for path in paths} <= {404, 410}


def test_an_expired_address_says_so_and_gives_nothing(client: Browser) -> None:
    _, link = make_sent()
    GalleryLink.objects.filter(pk=link.pk).update(expires_at=LATER - dt.timedelta(seconds=1))
    for path in addresses(link):
        assert client.get(path).status_code == 410, path
    assert "ran out" in client.get(addresses(link)[0]).content.decode()


def test_a_set_under_construction_has_no_gallery(client: Browser) -> None:
    row, link = make_sent()
    Delivery.objects.filter(pk=row.pk).update(state=Delivery.State.BEING_BUILT)
    assert client.get(addresses(link)[0]).status_code == 410


def test_an_item_of_another_set_is_not_found_under_this_address(client: Browser) -> None:
    _, link = make_sent()
    other, _ = make_sent()
    path = reverse("listings:gallery-image", args=[links.token(link), other.items.first().public_id, "small"])
    assert client.get(path).status_code == 404


def test_the_first_look_is_remembered_and_the_next_within_the_hour_is_not(client: Browser) -> None:
    _, link = make_sent()
    client.get(addresses(link)[0])
    client.get(addresses(link)[0])
    assert Event.objects.filter(verb="opened the gallery").count() == 1
    link.refresh_from_db()
    assert link.last_opened_at == LATER


def test_the_page_costs_a_fixed_number_of_queries(
    client: Browser, django_assert_max_num_queries: object
) -> None:
    _, link = make_sent()
    client.get(addresses(link)[0])
    with django_assert_max_num_queries(16):  # type: ignore[operator]
        client.get(addresses(link)[0])


# --- passphrase ---------------------------------------------------------------------------------------
def test_a_passphrase_keeps_everything_closed_until_it_is_given(client: Browser) -> None:
    _, link = make_sent(passphrase="Blue  Lantern")
    ask = reverse("listings:gallery-passphrase", args=[links.token(link)])
    for path in addresses(link):
        assert client.get(path).headers["Location"] == ask
    assert "lantern" not in GalleryLink.objects.get(pk=link.pk).passphrase.lower()
    assert client.post(ask, {"words": "red lantern"}).status_code == 200
    assert client.post(ask, {"words": " blue lantern "}).status_code == 302
    assert client.get(addresses(link)[0]).status_code == 200


def test_another_device_and_another_gallery_ask_again(client: Browser) -> None:
    row, link = make_sent(passphrase="blue lantern")
    client.post(reverse("listings:gallery-passphrase", args=[links.token(link)]), {"words": "blue lantern"})
    other = delivery.open_link(row, email="", label="vendor", passphrase="blue lantern", now=NOW)
    assert client.get(addresses(other)[0]).status_code == 302
    assert Browser().get(addresses(link)[0]).status_code == 302


def test_a_new_passphrase_ends_what_the_old_one_opened(client: Browser) -> None:
    _, link = make_sent(passphrase="blue lantern")
    client.post(reverse("listings:gallery-passphrase", args=[links.token(link)]), {"words": "blue lantern"})
    GalleryLink.objects.filter(pk=link.pk).update(passphrase=links.hash_passphrase("red lantern"))
    assert client.get(addresses(link)[0]).status_code == 302


def test_after_five_wrong_tries_even_the_right_words_wait(client: Browser) -> None:
    _, link = make_sent(passphrase="blue lantern")
    ask = reverse("listings:gallery-passphrase", args=[links.token(link)])
    for _ in range(galleries.TRIES):
        client.post(ask, {"words": "guess"})
    assert client.post(ask, {"words": "blue lantern"}).status_code == 429
    elsewhere = Browser(REMOTE_ADDR="203.0.113.9")
    assert elsewhere.post(ask, {"words": "blue lantern"}).status_code == 302
    with time_machine.travel(LATER + dt.timedelta(minutes=16)):
        assert client.post(ask, {"words": "blue lantern"}).status_code == 302


def test_guessing_from_many_addresses_is_stopped_too() -> None:
    _, link = make_sent(passphrase="blue lantern")
    for n in range(galleries.TRIES_OF_ALL):
        assert galleries.begin_try(link, f"203.0.113.{n}", now=LATER)
    assert galleries.begin_try(link, "198.51.100.1", now=LATER) is None


# --- downloads ----------------------------------------------------------------------------------------
def test_one_picture_comes_in_the_size_of_its_purpose_and_is_written_down(client: Browser) -> None:
    row, link = make_sent()
    item = row.items.first()
    response = client.get(reverse("listings:gallery-file", args=[links.token(link), item.public_id, "web"]))
    copy = item.copies.get(purpose__slug="web")
    assert read(response) == copy.file.read()
    assert response["Content-Disposition"] == 'attachment; filename="01-living-room.jpg"'
    taken = Download.objects.get()
    assert (taken.link, taken.what, taken.purpose, taken.at) == (link, "01-living-room.jpg", "Web", LATER)


def test_purposes_that_are_not_offered_are_not_found(client: Browser) -> None:
    row, link = make_sent()
    path = reverse("listings:gallery-file", args=[links.token(link), row.items.first().public_id, "screen"])
    assert client.get(path).status_code == 404
    assert (
        client.get(reverse("listings:gallery-set", args=[links.token(link)]) + "?purpose=screen").status_code
        == 404
    )


def test_the_whole_set_is_a_zip_that_python_reads(client: Browser) -> None:
    row, link = make_sent()
    response = client.get(addresses(link)[1])
    content = read(response)
    assert response["Content-Type"] == "application/zip"
    assert int(response["Content-Length"]) == len(content)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == [
            "01-living-room.jpg", "02-living-room.jpg", "03-kitchen.jpg", "04-bedroom-2.jpg",
            "licence.txt", "manifest.csv", "manifest.json",
        ]  # fmt: skip
        names = [entry["MediaObjectID"] for entry in json.loads(archive.read("manifest.json"))["value"]]
        assert names == archive.namelist()[:4]
        first = row.items.first().copies.get(purpose__slug="web")
        assert archive.read("01-living-room.jpg") == first.file.read()
        assert "2 June 2028" in archive.read("licence.txt").decode()
    again = client.get(addresses(link)[1])
    assert (read(again), again["ETag"]) == (content, response["ETag"])


@pytest.mark.parametrize("kind", ["set", "file"])
def test_a_cut_download_goes_on_where_it_stopped(client: Browser, kind: str) -> None:
    _, link = make_sent()
    path = addresses(link)[1 if kind == "set" else 4]
    whole = client.get(path)
    content, tag = read(whole), whole["ETag"]
    assert tag.startswith('"')
    assert whole["Accept-Ranges"] == "bytes"
    size = len(content)
    for header, start, end in (
        ("bytes=0-99", 0, 100),
        (f"bytes={size // 2}-", size // 2, size),
        ("bytes=-77", size - 77, size),
        (f"bytes=10-{size * 2}", 10, size),
    ):
        part = client.get(path, headers={"Range": header, "If-Range": tag})
        assert part.status_code == 206
        assert part["Content-Range"] == f"bytes {start}-{end - 1}/{size}"
        assert int(part["Content-Length"]) == end - start
        assert read(part) == content[start:end]
    outside = client.get(path, headers={"Range": f"bytes={size}-"})
    assert (outside.status_code, outside["Content-Range"]) == (416, f"bytes */{size}")
    stale = client.get(path, headers={"Range": "bytes=5-", "If-Range": '"old"'})
    assert (stale.status_code, read(stale)) == (200, content)
    assert client.get(path, headers={"If-None-Match": tag}).status_code == 304
    head = client.head(path)
    assert (int(head["Content-Length"]), head.content) == (size, b"")


def test_resumed_parts_and_mere_looks_are_not_downloads(client: Browser) -> None:
    _, link = make_sent()
    path = addresses(link)[1]
    client.head(path)
    client.get(path, headers={"Range": "bytes=500-"})
    assert not Download.objects.exists()
    client.get(path)
    assert Download.objects.count() == 1


def test_files_that_are_not_made_yet_are_said_to_come(client: Browser) -> None:
    row, link = make_sent()
    PictureCopy.objects.filter(purpose__slug="web").update(state=PictureCopy.State.WAITING)
    assert client.get(addresses(link)[1]).status_code == 302
    assert "files are made" in client.get(addresses(link)[0]).content.decode()


# --- release ------------------------------------------------------------------------------------------
def test_until_it_is_paid_there_are_previews_and_the_reason(client: Browser) -> None:
    owner = factories.make_owner()
    booking = make_visited(client=factories.make_client(release=Client.Release.WHEN_PAID))
    _, link = make_sent(booking=booking)
    _, zipped, _, _, single, small, screen, large = addresses(link)
    assert client.get(small).status_code == client.get(screen).status_code == 200
    assert client.get(large).status_code == 404
    assert client.get(zipped).status_code == client.get(single).status_code == 402
    text = client.get(addresses(link)[0]).content.decode()
    assert "large.jpg" not in text
    assert "invoice is on its way" in text
    invoice = invoicing.issue(Booking.objects.get(pk=booking.pk), by=owner, now=LATER)
    assert invoice.number in client.get(addresses(link)[0]).content.decode()
    invoicing.record_payment(
        invoice,
        amount_minor=invoice.total_minor,
        received_on=LATER.date(),
        method="transfer",
        by=owner,
        now=LATER,
    )
    for path in addresses(link):
        assert client.get(path).status_code == 200, path


# --- changes ------------------------------------------------------------------------------------------
def test_a_change_is_pinned_on_its_place_and_stays_there_in_a_new_version(client: Browser) -> None:
    row, link = make_sent()
    item = row.items.first()
    path = reverse("listings:gallery-change", args=[links.token(link), item.public_id])
    assert (
        client.post(
            path, {"text": "The lamp is too yellow.", "x_share": "0.25", "y_share": "0.5"}
        ).status_code
        == 302
    )
    asked = ChangeRequest.objects.get()
    assert asked.x_frame == pytest.approx(0.25 * 1199, abs=0.01)
    assert asked.y_frame == pytest.approx(0.5 * 799, abs=0.01)
    make_correction(item.picture, report={"geometry": {"grid": grid(zoom=1.1, right_px=-30)}})
    asked = changes.of_delivery(row).get()
    x, y = changes.pin(asked)  # type: ignore[misc]
    assert (x, y) == (
        pytest.approx(0.25 * 1199 * 1.1 - 30, abs=0.01),
        pytest.approx(0.5 * 799 * 1.1, abs=0.01),
    )


def test_without_scripts_a_place_is_chosen_from_nine(client: Browser) -> None:
    row, link = make_sent()
    path = reverse("listings:gallery-change", args=[links.token(link), row.items.first().public_id])
    client.post(path, {"text": "Too dark.", "where": "2,0"})
    asked = ChangeRequest.objects.get()
    assert asked.x_frame == pytest.approx(1199 * 5 / 6, abs=0.01)
    assert asked.y_frame == pytest.approx(799 / 6, abs=0.01)


def test_the_answer_comes_by_mail_and_in_the_gallery_once(client: Browser) -> None:
    row, link = make_sent()
    asked = changes.ask(row.items.first(), link, text="Less blue, please.", place=None, now=LATER)
    owner = factories.make_owner()
    staff = Browser()
    staff.force_login(owner, backend="django.contrib.auth.backends.ModelBackend")
    path = reverse("listings:change-answer", args=[asked.public_id])
    assert staff.post(path, {"answer": "Done in a new set."}).status_code == 302
    staff.post(path, {"answer": "Another answer"})
    asked.refresh_from_db()
    assert asked.answer == "Done in a new set."
    assert Message.objects.filter(kind="change-answered", to=link.email).count() == 1
    assert "Done in a new set." in client.get(addresses(link)[0]).content.decode()


def test_a_change_without_words_is_not_kept(client: Browser) -> None:
    row, link = make_sent()
    path = reverse("listings:gallery-change", args=[links.token(link), row.items.first().public_id])
    assert client.post(path, {"text": "  "}).status_code == 200
    assert not ChangeRequest.objects.exists()


# --- originals ----------------------------------------------------------------------------------------
def test_an_altered_picture_is_said_in_the_open_and_its_original_shown_to_everyone(client: Browser) -> None:
    row, link = make_sent()
    picture = row.items.first().picture
    page = reverse("listings:original-page", args=[picture.public_id])
    assert client.get(page).status_code == 404
    Alteration.objects.create(picture=picture, kind="movable", area=[], what="a cable by the sofa")
    text = client.get(page).content.decode()
    assert "a cable by the sofa" in text
    assert "This image has been altered." in text
    assert client.get(page)["X-Robots-Tag"] == "noindex"
    for which in ("sent", "unaltered", "camera"):
        image = client.get(reverse("listings:original-image", args=[picture.public_id, which]))
        assert image.status_code == 200, which
    gallery = client.get(addresses(link)[0]).content.decode()
    assert "a cable by the sofa" in gallery
    assert page in gallery


def test_what_is_undone_after_sending_is_still_said_of_what_was_sent(client: Browser) -> None:
    row, link = make_sent()
    picture, made = row.items.first().picture, row.items.first().correction
    cable = Alteration.objects.create(picture=picture, kind="movable", area=[], what="a cable")
    page = reverse("listings:original-page", args=[picture.public_id])
    for moment, is_said in ((made.made_at + dt.timedelta(hours=1), True), (made.made_at, False)):
        Alteration.objects.filter(pk=cable.pk).update(undone_at=moment)
        assert ("a cable" in client.get(addresses(link)[0]).content.decode()) == is_said
        assert (client.get(page).status_code == 200) == is_said


def test_the_original_stays_open_after_the_gallery_closed(client: Browser) -> None:
    row, _ = make_sent()
    picture = row.items.first().picture
    Alteration.objects.create(picture=picture, kind="movable", area=[], what="a cable")
    delivery.withdraw(row, by=factories.make_owner(), now=NOW)
    assert client.get(reverse("listings:original-page", args=[picture.public_id])).status_code == 200


def test_the_code_beside_the_picture_leads_to_the_original(client: Browser) -> None:
    cv2 = pytest.importorskip("cv2")
    import numpy as np
    import segno

    from listings import originals

    # OpenCV's first reader misses one drawing in twenty, this one none of 150
    address = "http://127.0.0.1:8000/originals/5f0c2c0e-4a57-4b7e-9d5b-3d6a4f0a9c11/"
    assert b"<svg" in originals.qr_svg(address)
    out = io.BytesIO()
    segno.make(address, error="m").save(out, kind="png", scale=6, border=4)
    image = cv2.imdecode(np.frombuffer(out.getvalue(), np.uint8), cv2.IMREAD_COLOR)
    assert cv2.QRCodeDetectorAruco().detectAndDecode(image)[0] == address


def test_a_picture_that_was_never_sent_shows_no_original(client: Browser) -> None:
    booking = make_visited()
    picture = booking.pictures.first()
    Alteration.objects.create(picture=picture, kind="movable", area=[], what="a cable")
    assert client.get(reverse("listings:original-page", args=[picture.public_id])).status_code == 404
