"""A set: built, ordered, checked, sent once, frozen; its files say what they are."""

import datetime as dt
import io
import json
import re
from pathlib import Path

import exifread
import pytest
from defusedxml.ElementTree import fromstring
from django.test import Client as Browser
from django.urls import reverse
from PIL import Image

from listings import captions, delivery, delivery_checks, links, manifests, purposes
from listings.delivery import NotReady
from listings.models import Alteration, Delivery, Picture, PictureCopy, Purpose, Shot
from studio.errors import StaleState
from studio.models import Booking, Event, Message, Property
from tests import factories
from tests.factories import NOW
from tests.listings.set_factories import make_correction, make_picture, make_sent, make_visited, put_files

pytestmark = pytest.mark.django_db
VALUES = json.loads((Path(__file__).parent / "values" / "reso_media.json").read_text(encoding="utf-8"))


def order(row: Delivery) -> list[str]:
    return [item.caption for item in row.items.all()]


def send(row: Delivery, **changed: object) -> None:
    delivery.send(
        row, **({"to": "agent@tansy-rook.example", "by": factories.make_owner(), "now": NOW} | changed)
    )  # type: ignore[arg-type]


# --- building -----------------------------------------------------------------------------------------
def test_a_set_follows_the_walk_and_says_no_more_than_room_and_view() -> None:
    row = delivery.build(make_visited(), now=NOW)
    assert order(row) == [
        "Living room, from the doorway",
        "Living room, from the opposite corner",
        "Kitchen, from the doorway",
        "Bedroom 2, from the doorway",
    ]
    assert row.items.first().alt_text == "View of the living room, from the doorway."
    assert row.items.last().alt_text == "View of bedroom 2, from the doorway."


def test_a_picture_that_nobody_placed_gets_no_made_up_words() -> None:
    booking = make_visited()
    picture = make_picture(booking, kind="nowhere")
    assert (captions.caption(picture), captions.alt_text(picture), captions.image_of(picture)) == (
        "",
        "",
        "Other",
    )
    found = {check.code for check in delivery_checks.checks(delivery.build(booking, now=NOW))}
    assert {"alt", "caption"} <= found


def test_a_picture_that_is_placed_after_the_set_was_begun_gets_its_words() -> None:
    booking = make_visited()
    picture = make_picture(booking, kind="nowhere")
    item = delivery.build(booking, now=NOW).items.get(picture=picture)
    assert (item.caption, item.alt_text) == ("", "")
    Picture.objects.filter(pk=picture.pk).update(room=booking.rooms.get(kind="kitchen"))
    item = delivery.build(booking, now=NOW).items.get(picture=picture)
    assert (item.caption, item.alt_text) == ("Kitchen", "View of the kitchen.")
    delivery.describe(item, caption="The kitchen by the garden", alt_text="")
    assert delivery.build(booking, now=NOW).items.get(picture=picture).caption == "The kitchen by the garden"


def test_building_again_keeps_order_and_words_and_adds_new_pictures_to_their_room() -> None:
    booking = make_visited()
    row = delivery.build(booking, now=NOW)
    last = row.items.last()
    delivery.move(row, last, to="first", version=row.version)
    delivery.describe(
        row.items.get(caption__startswith="Kitchen"), caption="A kitchen to cook in", alt_text="x"
    )
    make_picture(booking, "kitchen", 1)
    assert order(delivery.build(booking, now=NOW)) == [
        "Bedroom 2, from the doorway",
        "Living room, from the doorway",
        "Living room, from the opposite corner",
        "A kitchen to cook in",
        "Kitchen, along the worktop",
    ]


def test_leaving_a_picture_out_and_taking_it_in_again() -> None:
    booking = make_visited()
    row = delivery.build(booking, now=NOW)
    picture = row.items.first().picture
    delivery.choose(booking, picture, is_chosen=False, now=NOW)
    assert row.items.count() == 3
    delivery.choose(booking, picture, is_chosen=True, now=NOW)
    assert row.items.count() == 4


def test_whoever_orders_second_on_an_old_page_loses_nothing_of_the_first() -> None:
    row = delivery.build(make_visited(), now=NOW)
    seen = row.version
    wanted = [item.public_id for item in reversed(row.items.all())]
    delivery.reorder(row, wanted, version=seen)
    with pytest.raises(StaleState, match="Someone else"):
        delivery.by_walk(row, version=seen)
    assert [item.public_id for item in row.items.all()] == wanted


def test_a_picture_that_someone_else_took_in_meanwhile_is_not_sent_unseen() -> None:
    booking = make_visited()
    left_out = Picture.objects.filter(booking=booking).first()
    delivery.choose(booking, left_out, is_chosen=False, now=NOW)
    seen = delivery.build(booking, now=NOW)
    delivery.choose(booking, left_out, is_chosen=True, now=NOW)
    with pytest.raises(StaleState, match="Someone else"):
        send(seen)
    assert Delivery.objects.get(booking=booking).state == Delivery.State.BEING_BUILT
    send(delivery.build(booking, now=NOW))


def test_a_set_can_be_sent_from_the_page_on_which_it_was_put_in_order(client: Browser) -> None:
    booking = make_visited()
    client.force_login(factories.make_owner(), backend="django.contrib.auth.backends.ModelBackend")
    page = client.get(reverse("listings:delivery", args=[booking.public_id])).content.decode()
    assert re.search(r'<form[^>]* id="send-form"', page)
    seen = re.findall(r'name="version" value="(\d+)" form="send-form"', page)
    answer = client.post(
        reverse("listings:delivery-order", args=[booking.public_id]),
        {"version": seen[0], "to": "walk"},
        headers={"HX-Request": "true"},
    ).content.decode()
    (fresh,) = re.findall(r'name="version" value="(\d+)" form="send-form"', answer)
    assert (len(seen), fresh) == (1, "1")
    client.post(
        reverse("listings:delivery-send", args=[booking.public_id]),
        {"version": fresh, "to": booking.client.email},
    )
    assert Delivery.objects.get(booking=booking).state == Delivery.State.SENT


# --- checks -------------------------------------------------------------------------------------------
def codes(row: Delivery, *, stops: bool) -> set[str]:
    return {check.code for check in delivery_checks.checks(row) if check.is_stop == stops}


def test_an_empty_set_is_stopped() -> None:
    row = delivery.build(factories.make_booking(state=Booking.State.VISITED), now=NOW)
    assert codes(row, stops=True) == {"empty"}


def test_unmade_and_failed_pictures_stop_the_set() -> None:
    booking = make_visited()
    first, second = booking.pictures.all()[:2]
    Picture.objects.filter(pk=first.pk).update(state=Picture.State.BEING_MADE)
    Picture.objects.filter(pk=second.pk).update(state=Picture.State.FAILED)
    row = delivery.build(booking, now=NOW)
    assert codes(row, stops=True) == {"unmade", "failed"}
    with pytest.raises(NotReady, match="being made"):
        send(row)


def test_a_visit_that_has_not_taken_place_stops_the_set() -> None:
    row = delivery.build(make_visited(state=Booking.State.AGREED), now=NOW)
    assert "visit" in codes(row, stops=True)


def test_a_tenants_home_waits_for_the_record_of_consent() -> None:
    # New South Wales, Residential Tenancies Act 2010 s. 55A; other places alike.
    booking = make_visited(home=factories.make_home(occupied_by=Property.Occupied.TENANT))
    row = delivery.build(booking, now=NOW)
    assert codes(row, stops=True) == {"consent"}
    Delivery.objects.filter(pk=row.pk).update(consent="J. Reed, in writing, 1 June")
    row.refresh_from_db()
    assert codes(row, stops=True) == set()


def test_what_is_only_worth_a_look_is_said_with_its_pictures() -> None:
    booking = make_visited(wants_outside=True)
    make_picture(booking, "front")
    make_picture(booking, "living", 0, size=(600, 900))
    Alteration.objects.create(picture=booking.pictures.first(), kind="movable", area=[], what="a cable")
    row = delivery.build(booking, now=NOW)
    first = row.items.first()
    delivery.move(row, first, to="down", version=row.version)
    assert codes(row, stops=False) == {"missing", "first", "small", "upright", "double", "altered"}
    assert codes(row, stops=True) == set()


def test_a_waived_view_is_not_missed() -> None:
    booking = make_visited()
    Shot.objects.filter(room__booking=booking).update(waived_reason="not wanted")
    assert "missing" not in codes(delivery.build(booking, now=NOW), stops=False)


# --- sending ------------------------------------------------------------------------------------------
def test_sending_freezes_the_versions_and_moves_the_booking() -> None:
    row, link = make_sent()
    picture = row.items.first().picture
    sent = row.items.first().correction
    make_correction(picture)
    assert row.items.first().correction == sent
    assert row.state == Delivery.State.SENT
    assert Booking.objects.get(pk=row.booking.pk).state == Booking.State.SENT
    assert row.licence_until == dt.date(2028, 6, 2)
    assert link.expires_at.date() == dt.date(2028, 6, 2)
    assert Event.objects.filter(booking=row.booking, verb="sent the set").exists()


def test_the_mail_carries_the_address_and_never_the_passphrase() -> None:
    _, link = make_sent(passphrase="blue lantern", message="Enjoy.")
    mail = Message.objects.get(kind="gallery")
    assert links.address(link) in mail.body
    assert "Enjoy." in mail.body
    assert "lantern" not in mail.body.replace("Plumb & Lantern", "")


def test_a_set_is_sent_once() -> None:
    row, _ = make_sent()
    stale = Delivery.objects.get(pk=row.pk)
    with pytest.raises(StaleState):
        send(stale)
    assert row.links.count() == 1


def test_a_change_between_looking_and_sending_stops_the_send() -> None:
    row = delivery.build(make_visited(), now=NOW)
    old = Delivery.objects.get(pk=row.pk)
    delivery.by_walk(row, version=row.version)
    with pytest.raises(StaleState, match="Someone else"):
        send(old)
    assert not Message.objects.filter(kind="gallery").exists()
    assert Delivery.objects.get(pk=row.pk).state == Delivery.State.BEING_BUILT


def test_words_of_a_sent_set_stay_as_they_were() -> None:
    row, _ = make_sent()
    with pytest.raises(StaleState, match="has been sent"):
        delivery.describe(row.items.first(), caption="new", alt_text="new")


def test_a_new_set_keeps_the_order_and_words_that_were_sent() -> None:
    booking = make_visited()
    row = delivery.build(booking, now=NOW)
    delivery.move(row, row.items.last(), to="first", version=row.version)
    delivery.describe(row.items.first(), caption="The quiet room", alt_text="A bed.")
    send(row)
    before = order(row)
    again = delivery.build(booking, now=NOW + dt.timedelta(days=1))
    assert again.pk != row.pk
    assert order(again) == before
    assert again.items.first().alt_text == "A bed."


def test_withdrawing_closes_every_address_and_deletes_nothing() -> None:
    row, link = make_sent()
    delivery.open_link(row, email="", label="the vendor", now=NOW)
    delivery.withdraw(row, by=factories.make_owner(), now=NOW)
    assert row.state == Delivery.State.WITHDRAWN
    assert not row.links.filter(revoked_at=None).exists()
    assert row.items.count() == 4
    with pytest.raises(StaleState):
        delivery.withdraw(row, by=factories.make_owner(), now=NOW)


# --- files --------------------------------------------------------------------------------------------
def test_purposes_are_made_once_and_the_owners_changes_stay() -> None:
    purposes.ensure()
    Purpose.objects.filter(slug="web").update(long_edge_px=1200)
    purposes.ensure()
    assert Purpose.objects.get(slug="web").long_edge_px == 1200
    assert Purpose.objects.count() == len(purposes.DEFAULTS)


def xmp_of(image: Image.Image) -> dict[str, str]:
    """Every text of the packet by its property, read with an XML parser that wrote none of it."""
    found = {}
    for node in fromstring(image.info["xmp"]).iter():
        if node.text and node.text.strip():
            found[node.tag.split("}")[-1]] = node.text.strip()
        for child in node.iter():
            if child.tag.endswith("}li") and child.text:
                found[node.tag.split("}")[-1]] = child.text.strip()
    return found


def test_every_file_says_who_made_it_what_it_shows_and_what_may_be_done() -> None:
    row, _ = make_sent(by_worker=True)
    item = row.items.first()
    copies = {copy.purpose.slug: copy for copy in item.copies.select_related("purpose")}
    assert set(copies) == set(purposes.DEFAULTS)
    for slug, copy in copies.items():
        assert copy.state == PictureCopy.State.MADE
        content = copy.file.read()
        assert len(content) == copy.size
        with Image.open(io.BytesIO(content)) as image:
            xmp, dpi = xmp_of(image), image.info["dpi"]
            assert image.size == (copy.width, copy.height)
            assert image.info["icc_profile"]
        assert round(dpi[0]) == purposes.DEFAULTS[slug]["dpi"]
        assert xmp["creator"] == row.booking.photographer.name
        assert xmp["rights"] == "© 2027 Plumb & Lantern"
        assert xmp["UsageTerms"].endswith("Until 2028-06-02.")
        assert xmp["description"] == "Living room, from the doorway"
        assert xmp["AltTextAccessibility"] == "View of the living room, from the doorway."
        # IPTC NewsCodes, digital source type: one frame corrected by algorithm.
        assert xmp["DigitalSourceType"].endswith("/digitalsourcetype/algorithmicallyEnhanced")
        tags = exifread.process_file(io.BytesIO(content), details=False)
        assert str(tags["Image Artist"]) == row.booking.photographer.name
        assert str(tags["Image ImageDescription"]) == "Living room, from the doorway"
        assert not [
            name for name in tags if name.startswith("GPS") or "Serial" in name or "MakerNote" in name
        ]


@pytest.mark.parametrize(
    ("kind", "is_altered", "term"),
    # IPTC NewsCodes: merged frames; one frame by algorithm; a person retouched.
    [("bracket", False, "computationalCapture"), ("ambient+flash", False, "computationalCapture"),
     ("single", False, "algorithmicallyEnhanced"), ("single", True, "humanEdits"),
     ("bracket", True, "humanEdits")],
)  # fmt: skip
def test_the_source_type_follows_what_was_done(kind: str, is_altered: bool, term: str) -> None:
    picture = make_picture(factories.make_booking(), kind="hall")
    picture.kind = kind
    if is_altered:
        Alteration.objects.create(picture=picture, kind="movable", area=[], what="a bin")
    assert delivery.source_type(picture, picture.correction) == term


def test_a_failed_file_is_said_and_can_be_made_again() -> None:
    row, _ = make_sent()
    PictureCopy.objects.filter(pk=delivery.files(row).first().pk).update(state="failed", reason="no room")
    state = delivery.files_state(row)
    assert (state["failed"], state["is_done"], state["reasons"]) == (1, False, ["no room"])
    assert delivery.try_files_again(row) == 1
    put_files(row)
    assert delivery.files_state(row)["is_done"]


# --- manifest -----------------------------------------------------------------------------------------
def test_the_manifest_uses_only_names_and_values_of_the_standard() -> None:
    # RESO Data Dictionary 2.0, resource Media: see values/reso_media.json.
    from listings import galleries

    row, _ = make_sent()
    item = row.items.first()
    Alteration.objects.create(picture=item.picture, kind="movable", area=[], what="a cable")
    purpose = Purpose.objects.get(slug="listing")
    shown = galleries.pictures(row, is_released=True)
    entries = manifests.rows(row, galleries.named_files(shown, purpose), is_largest=False)
    assert [entry["Order"] for entry in entries] == [0, 1, 2, 3]
    assert [entry["PreferredPhotoYN"] for entry in entries] == [True, False, False, False]
    for entry in entries:
        assert set(entry) == set(manifests.FIELDS) <= set(VALUES["Media"])
        assert entry["ImageOf"] in VALUES["ImageOf"]
        assert entry["MediaCategory"] in VALUES["MediaCategory"]
        assert entry["MediaType"] in VALUES["MediaType"]
        assert set(entry["MediaAlteration"]) <= set(VALUES["MediaAlteration"])
        assert set(entry["Permission"]) <= set(VALUES["Permission"])
        for name in ("ShortDescription", "LongDescription", "MediaObjectID", "MediaKey"):
            assert len(entry[name]) <= VALUES["Media"][name]
    assert entries[0]["MediaAlteration"] == ["Decluttered - Item Removed"]
    assert entries[1]["MediaAlteration"] == ["None"]
    assert entries[3]["ImageOf"] == "Bedroom"


def test_a_spreadsheet_runs_nothing_from_the_manifest() -> None:
    row = dict.fromkeys(manifests.FIELDS, "") | {
        "ShortDescription": "=HYPERLINK(1)",
        "LongDescription": 'a "b"',
    }
    text = manifests.as_csv([row]).decode("utf-8-sig")
    assert "'=HYPERLINK(1)" in text
    assert '"a ""b"""' in text
