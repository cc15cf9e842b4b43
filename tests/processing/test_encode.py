"""Finished files: what is in them, read back by other libraries, and what happens when writing fails."""

import io
import os

import exifread
import numpy as np
import pytest
import tifffile
from defusedxml import ElementTree
from PIL import Image, ImageCms

from processing import arrays, encode, metadata, reading
from processing.errors import ShapeError, WriteError
from processing.metadata import LARGEST_XMP_BYTES, Metadata
from tests.processing.pictures import drawn_room, write_jpeg

DC = "{http://purl.org/dc/elements/1.1/}"
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
CORE = "{http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/}"
EXT = "{http://iptc.org/std/Iptc4xmpExt/2008-02-29/}"
RIGHTS = "{http://ns.adobe.com/xap/1.0/rights/}"


def words(facts=None, **changed) -> Metadata:
    given = {
        "creator": "Plumb & Lantern <desk>",
        "copyright": "© 2026 Plumb & Lantern",
        "usage_terms": "Until the home is sold",
        "caption": 'Küche "hell"',
        "alt_text": "A kitchen with a window over the sink",
        "keywords": ("kitchen", "window"),
        "facts": facts,
    }
    return Metadata(**(given | changed))


@pytest.fixture
def facts(tmp_path):
    return reading.read_facts(write_jpeg(tmp_path / "source.jpg", drawn_room(120, 80), with_secrets=True))


def test_exif_is_kept_without_place_serials_or_maker_note(tmp_path, facts):
    encode.to_jpeg(drawn_room(120, 80), path=tmp_path / "a.jpg", meta=words(facts))
    with (tmp_path / "a.jpg").open("rb") as stream:
        tags = {name: str(value) for name, value in exifread.process_file(stream).items()}
    assert tags["EXIF ExposureTime"] == "1/15"
    assert tags["EXIF FNumber"] == "63/10"
    assert tags["EXIF ISOSpeedRatings"] == "200"
    assert tags["EXIF FocalLengthIn35mmFilm"] == "24"
    assert tags["EXIF LensModel"] == "made-up 16-35 mm"
    assert tags["EXIF DateTimeOriginal"] == "2026:11:20 10:08:00"
    assert tags["EXIF SubSecTimeOriginal"] == "25"
    assert tags["Image Orientation"] == "Horizontal (normal)"
    assert tags["EXIF ColorSpace"] == "sRGB"
    assert tags["Image Copyright"] == "© 2026 Plumb & Lantern"
    assert not [name for name in tags if name.startswith(("GPS", "MakerNote", "Thumbnail"))]
    data = (tmp_path / "a.jpg").read_bytes()
    assert not [secret for secret in (b"SN-12345", b"LN-6789", b"secret", b"Somebody") if secret in data]


def test_xmp_holds_the_standard_properties(tmp_path, facts):
    encode.to_jpeg(drawn_room(120, 80), path=tmp_path / "a.jpg", meta=words(facts))
    with Image.open(tmp_path / "a.jpg") as image:
        root = ElementTree.fromstring(image.info["xmp"].decode().split("?>", 1)[1].rsplit("<?", 1)[0])
    texts = {child.tag: "".join(child.itertext()) for child in root.iter() if child.tag.startswith("{")}
    assert texts[f"{DC}creator"] == "Plumb & Lantern <desk>"
    assert texts[f"{DC}rights"] == "© 2026 Plumb & Lantern"
    assert texts[f"{DC}description"] == 'Küche "hell"'
    assert texts[f"{RIGHTS}UsageTerms"] == "Until the home is sold"
    assert texts[f"{CORE}AltTextAccessibility"] == "A kitchen with a window over the sink"
    # IPTC NewsCodes, digital source type (CC BY 4.0)
    assert texts[f"{EXT}DigitalSourceType"] == (
        "http://cv.iptc.org/newscodes/digitalsourcetype/algorithmicallyEnhanced"
    )
    assert [li.text for li in root.iter(f"{RDF}li") if li.text in ("kitchen", "window")] == [
        "kitchen",
        "window",
    ]


def test_pixels_are_four_four_four_with_the_srgb_profile(tmp_path):
    stripes = np.zeros((64, 64, 3), np.uint8)
    stripes[:, ::2] = (220, 30, 30)
    stripes[:, 1::2] = (30, 30, 220)
    encode.to_jpeg(stripes, path=tmp_path / "a.jpg", meta=Metadata())
    with Image.open(tmp_path / "a.jpg") as image:
        assert image.layer[0][1:3] == image.layer[1][1:3]  # same sampling of luma and chroma
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        assert "sRGB" in ImageCms.getProfileDescription(profile)
        back = np.asarray(image).astype(int)
    assert np.abs(back - stripes).mean() < 6  # halved chroma would leave about 60 here


def test_the_same_pixels_give_the_same_bytes(tmp_path, facts):
    for name in ("a.jpg", "b.jpg"):
        encode.to_jpeg(drawn_room(120, 80), path=tmp_path / name, meta=words(facts))
    assert (tmp_path / "a.jpg").read_bytes() == (tmp_path / "b.jpg").read_bytes()


def test_a_byte_limit_is_met_by_search_over_quality(tmp_path):
    noisy = np.random.default_rng(0).integers(0, 255, (200, 300, 3)).astype(np.uint8)
    free = encode.to_jpeg(noisy, path=tmp_path / "a.jpg", meta=Metadata())
    limit = int(free.bytes * 0.8)
    kept = encode.to_jpeg(noisy, path=tmp_path / "b.jpg", meta=Metadata(), max_bytes=limit)
    assert kept.bytes <= limit < free.bytes
    one_more = encode.to_jpeg(noisy, path=tmp_path / "c.jpg", meta=Metadata(), quality=kept.quality + 1)
    assert one_more.bytes > limit  # the best quality that fits, not just one that does


def test_a_limit_that_cannot_be_met_is_said_and_nothing_is_written(tmp_path):
    folder = tmp_path / "finished"
    folder.mkdir()
    with pytest.raises(WriteError, match="cannot be met"):
        encode.to_jpeg(drawn_room(), path=folder / "a.jpg", meta=Metadata(), max_bytes=900)
    assert list(folder.iterdir()) == []


def test_tiff_keeps_sixteen_bits_profile_and_words(tmp_path, facts):
    codes = np.random.default_rng(1).integers(0, 65536, (130, 90, 3)).astype(np.uint16)
    encode.to_tiff(codes, path=tmp_path / "a.tif", meta=words(facts))
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        page = file.pages[0]
        assert np.array_equal(page.asarray(), codes)
        assert page.tags[34675].value == encode.srgb_profile()
        assert b"Until the home is sold" in page.tags[700].value
        assert page.tags[34665].value["FNumber"] in ((63, 10), 6.3)


def test_a_failed_write_leaves_the_older_file_and_no_rubbish(tmp_path, monkeypatch):
    folder = tmp_path / "finished"
    encode.to_jpeg(drawn_room(120, 80), path=folder / "a.jpg", meta=Metadata())
    before = (folder / "a.jpg").read_bytes()

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(WriteError, match="No space left"):
        encode.to_jpeg(drawn_room(120, 80, seed=2), path=folder / "a.jpg", meta=Metadata())
    assert (folder / "a.jpg").read_bytes() == before
    assert [p.name for p in folder.iterdir()] == ["a.jpg"]


def test_a_file_that_is_not_as_written_is_found_out(tmp_path):
    written = encode.to_jpeg(drawn_room(120, 80), path=tmp_path / "a.jpg", meta=Metadata())
    size = (written.width, written.height)
    with Image.open(tmp_path / "a.jpg") as image:
        image.save(tmp_path / "plain.jpg")  # a plain re-save loses profile, EXIF and XMP
    with pytest.raises(WriteError, match="sRGB profile is missing"):
        encode.verify(tmp_path / "plain.jpg", size=size, meta=Metadata())
    data = (tmp_path / "a.jpg").read_bytes()
    (tmp_path / "cut.jpg").write_bytes(data[: len(data) // 2])
    with pytest.raises(WriteError, match="does not open again"):
        encode.verify(tmp_path / "cut.jpg", size=size, meta=Metadata())
    with pytest.raises(WriteError, match="XMP"):
        encode.verify(tmp_path / "a.jpg", size=size, meta=Metadata(caption="other"))


def test_very_long_captions_are_cut_not_refused():
    packet = Metadata(caption="é" * 200_000, usage_terms="x" * 90_000).xmp()
    assert len(packet) <= LARGEST_XMP_BYTES  # measured limit of Pillow's XMP segment
    assert "…".encode() in packet


def test_characters_that_xml_forbids_are_left_out():
    text = Metadata(caption="a\x00b\x0bc").xmp().decode()
    assert "abc" in text


def test_a_copy_is_smaller_and_carries_its_own_words(tmp_path):
    encode.to_jpeg(drawn_room(), path=tmp_path / "a.jpg", meta=Metadata())
    width, height, size = encode.copy(
        tmp_path / "a.jpg", path=tmp_path / "b.jpg", long_edge_px=300, dpi=72, meta=words()
    )
    assert (width, height) == (300, 200)
    assert size == (tmp_path / "b.jpg").stat().st_size
    with Image.open(tmp_path / "b.jpg") as image:
        assert image.info["dpi"] == (72, 72)
        assert metadata.SOURCE_TYPE_BASE.encode() in image.info["xmp"]


def test_a_reduced_copy_gets_its_fine_contrast_back_without_halo_colour_or_grain():
    rows, cols = np.mgrid[:600, :600]
    fine = 128 + 60 * np.sin(2 * np.pi * cols / 12)  # three pixels a period in the copy
    picture = np.repeat(fine[..., None], 3, -1).astype(np.uint8)
    plain, sharp = arrays.shrink(picture, (150, 150)), encode.reduced(picture, long_edge_px=150)
    # area averaging over a window w of a period p leaves sin(pi w/p) / (pi w/p) of a sine's contrast
    left = np.sin(np.pi * 4 / 12) / (np.pi * 4 / 12)
    assert plain.std() / picture.std() == pytest.approx(left, abs=0.02)
    assert left < sharp.std() / picture.std() < 1.02
    edge = np.where(cols[..., None] < 301, 60, 190).astype(np.uint8).repeat(3, -1)
    small = encode.reduced(edge, long_edge_px=150)
    assert small.min() >= 58
    assert small.max() <= 192
    assert np.ptp(small.astype(int), axis=-1).max() == 0
    noise = np.random.default_rng(0).normal(128, 6, (600, 600, 1)).repeat(3, -1).astype(np.uint8)
    grain = encode.reduced(noise, long_edge_px=150).std() / arrays.shrink(noise, (150, 150)).std()
    assert grain < 1.5
    assert np.array_equal(encode.reduced(picture, long_edge_px=None), picture)


def test_wrong_arrays_are_named():
    with pytest.raises(ShapeError, match="rgb_srgb_u8: need uint8"):
        encode.to_jpeg(np.zeros((4, 4, 3), np.float32), path="unused.jpg", meta=Metadata())
