"""Files to facts and linear light, against the scene that they were made from and against other libraries."""

import io
import warnings
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image, ImageCms

from processing import arrays, profiles, reading
from processing.errors import UnreadableFile, UnreadableRaw
from tests.processing.pictures import decoded, drawn_room, smooth_scene, write_dng, write_jpeg


def test_raw_facts_come_with_sub_seconds(tmp_path):
    facts = reading.read_facts(write_dng(tmp_path / "a.dng", smooth_scene()))
    assert (facts.kind, facts.size, facts.taken_at) == ("raw", (320, 240), "2026-11-20T10:08:00.250000")
    assert (facts.maker, facts.model, facts.iso, facts.aperture) == ("Made-up", "Camera", 200, 6.3)
    assert facts.exposure_s == pytest.approx(1 / 15, rel=1e-3)
    # APEX: log2(6.3^2 * 15) - 1 at ISO 200 = 8.218 (TRADE table: f/6.3, 1/15 s is EV 9.218)
    assert facts.ev100 == pytest.approx(8.218, abs=2e-3)


def test_jpeg_facts_come_with_lens_and_zone(tmp_path):
    facts = reading.read_facts(write_jpeg(tmp_path / "a.jpg", drawn_room(90, 60), with_secrets=True))
    assert (facts.lens, facts.focal_35mm, facts.utc_offset) == ("made-up 16-35 mm", 24.0, "+01:00")
    assert facts.flash_fired is False
    assert facts.camera_serial == "SN-12345"
    assert not any(secret in str(facts.exif) for secret in ("SN-12345", "LN-6789", "secret", "Somebody"))


def test_a_raw_gives_back_the_scene_that_was_mosaiced(tmp_path):
    scene = smooth_scene()
    path = write_dng(tmp_path / "a.dng", scene, noise=False)
    linear = reading.read_frame(path).linear()
    inner = np.s_[8:-8, 8:-8]
    # 14-bit steps at the darkest level are .3 %; the ramps are straight, so interpolation adds nothing
    assert np.abs(linear[inner] / scene[inner] - 1).max() < 0.01


def test_bracket_steps_are_reproduced_within_five_percent(tmp_path):
    # no automatic brightness, fixed maximum: two stops are a factor of four, whatever the frames hold
    scene = smooth_scene() * 0.4
    levels = [
        float(reading.read_frame(write_dng(tmp_path / f"{n}.dng", scene, exposure=2.0**ev)).linear().mean())
        for n, ev in enumerate((-2, 0, 1))
    ]
    assert levels[1] / levels[0] == pytest.approx(4, rel=0.05)
    assert levels[2] / levels[1] == pytest.approx(2, rel=0.05)


def test_raw_and_jpeg_of_one_frame_agree(tmp_path):
    room = drawn_room(600, 400)
    raw = reading.read_frame(write_dng(tmp_path / "a.dng", decoded(room) * 0.9)).linear(150)
    jpeg = reading.read_frame(write_jpeg(tmp_path / "a.jpg", room)).linear(150)
    calm = jpeg.max(-1) < 0.8
    # edges differ by demosaicing; the median surface must not
    assert float(np.median(np.abs(raw[calm] / 0.9 - jpeg[calm]))) < 0.006


def test_half_size_is_the_same_picture(tmp_path):
    path = write_dng(tmp_path / "a.dng", smooth_scene())
    whole, half = reading.read_frame(path), reading.read_frame(path, half=True)
    assert half.size == (160, 120)
    assert np.abs(arrays.shrink(whole.linear(), (160, 120)) - half.linear())[4:-4, 4:-4].max() < 0.03


def test_clipping_is_known_per_channel_from_the_mosaic(tmp_path):
    scene = np.full((120, 160, 3), 0.2)
    scene[:, :80] = (1.2, 0.4, 0.3)  # red photosites reach .6 of the range, nothing clips
    scene[:, 80:] = (0.4, 1.4, 0.3)  # only green clips
    frame = reading.read_frame(write_dng(tmp_path / "a.dng", scene, noise=False), with_clipped=True)
    assert not frame.clipped[:, :38].any()
    assert frame.clipped[:, 42:, 1].all()
    assert not frame.clipped[:, 42:, (0, 2)].any()
    assert frame.linear()[60, 20, 0] == pytest.approx(1.2, rel=0.02)  # headroom above green's clip is kept
    assert frame.clip_levels == pytest.approx([2.0, 1.0, 1 / 0.65], rel=1e-3)


def test_blown_raw_highlights_come_out_neutral_not_magenta(tmp_path):
    scene = np.full((120, 160, 3), 0.3)
    scene[30:90, 40:120] = 5.0
    linear = reading.read_frame(write_dng(tmp_path / "a.dng", scene, noise=False)).linear()
    blown = linear[50:70, 70:90].reshape(-1, 3).mean(0)
    assert np.ptp(blown) / blown.mean() < 0.02
    assert blown.min() >= 1.0


def test_a_missing_white_balance_falls_back_and_is_said(tmp_path):
    frame = reading.read_frame(write_dng(tmp_path / "a.dng", smooth_scene(), neutral=None))
    assert frame.notes
    assert "white balance" in frame.notes[0]
    means = frame.linear().mean((0, 1))
    assert means.min() > 0.05  # neither black nor one channel alone


def test_a_raw_without_a_matrix_is_shown_and_said(tmp_path):
    frame = reading.read_frame(write_dng(tmp_path / "a.dng", smooth_scene(), matrix=False))
    assert any("colour matrix" in note for note in frame.notes)
    assert frame.white_srgb is None
    assert np.isfinite(frame.linear()).all()


def test_the_light_of_the_cameras_balance_is_told(tmp_path):
    frame = reading.read_frame(write_dng(tmp_path / "a.dng", smooth_scene(), neutral=(0.6, 1.0, 0.4)))
    # camera neutral (.6, 1, .4) over sensitivities (.5, 1, .65) = sRGB (1.2, 1, .615)
    wanted = np.array([1.2, 1.0, 0.4 / 0.65])
    wanted = wanted / (wanted @ arrays.LUMA_709)
    assert frame.white_srgb == pytest.approx(wanted, rel=0.01)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_all_eight_orientations_stand_upright_raw_and_jpeg(tmp_path, orientation):
    upright = np.zeros((48, 64, 3), np.uint8) + 90
    upright[:12, :16] = (250, 40, 40)  # red in the top left corner
    upright[-12:, -16:] = (40, 40, 250)
    back = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}[orientation]  # the turn that undoes it
    stored = arrays.orient(upright, back)
    for path in (
        write_jpeg(tmp_path / "a.jpg", stored, orientation=orientation),
        write_dng(tmp_path / "a.dng", decoded(stored), orientation=orientation),
    ):
        facts, frame = reading.read_facts(path), reading.read_frame(path)
        assert facts.size == frame.size == (64, 48)
        linear = frame.linear()
        assert linear[4, 4, 0] > 5 * linear[4, 4, 2]
        assert linear[-5, -5, 2] > 5 * linear[-5, -5, 0]


def test_a_cut_off_raw_is_refused_with_the_reason(tmp_path):
    whole = write_dng(tmp_path / "a.dng", smooth_scene()).read_bytes()
    (tmp_path / "cut.dng").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(UnreadableRaw, match="cut off"):
        reading.read_frame(tmp_path / "cut.dng")


def test_a_raw_that_decodes_to_black_is_caught_by_content(tmp_path):
    path = write_dng(tmp_path / "a.dng", np.zeros((120, 160, 3)), noise=False)
    with pytest.raises(UnreadableRaw, match="every pixel is black"):
        reading.read_frame(path)


def test_a_raw_whose_end_is_empty_is_caught_by_content(tmp_path):
    scene = smooth_scene()
    scene[-60:] = 0
    with pytest.raises(UnreadableRaw, match="rows are empty"):
        reading.read_frame(write_dng(tmp_path / "a.dng", scene, noise=False))


def test_a_cut_off_jpeg_is_refused_not_half_grey(tmp_path):
    whole = write_jpeg(tmp_path / "a.jpg", drawn_room()).read_bytes()
    (tmp_path / "cut.jpg").write_bytes(whole[: len(whole) * 2 // 3])
    assert cv2.imread(str(tmp_path / "cut.jpg")) is not None  # OpenCV would have taken it
    with pytest.raises(UnreadableFile, match="cut off"):
        reading.read_frame(tmp_path / "cut.jpg")


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.jpg", b"", "empty"),
        ("note.jpg", b"this is text, not a picture", "not a picture"),
        ("note.nef", b"this is text, not a picture", "not a camera raw file"),
    ],
)
def test_other_files_are_named_with_their_reason(tmp_path, name, content, words):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(UnreadableFile, match=words) as caught:
        reading.read_facts(tmp_path / name)
    assert str(caught.value).startswith(name)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(UnreadableFile, match="gone.jpg"):
        reading.read_facts(tmp_path / "gone.jpg")


def test_a_decompression_bomb_is_refused_by_its_header(tmp_path):
    buffer = io.BytesIO()
    Image.new("1", (40000, 40000)).save(buffer, "PNG")  # 1600 megapixels in some kilobytes
    (tmp_path / "bomb.png").write_bytes(buffer.getvalue())
    with pytest.raises(UnreadableFile, match="megapixels: refused"):
        reading.read_facts(tmp_path / "bomb.png")


def test_sixteen_bit_tiff_and_png_keep_their_depth(tmp_path):
    ramp = np.repeat(np.linspace(20000, 20200, 200).astype(np.uint16)[None, :, None], 3, 2)
    ramp = np.repeat(ramp, 40, 0)
    tifffile.imwrite(tmp_path / "a.tif", ramp, photometric="rgb")
    cv2.imwrite(str(tmp_path / "a.png"), ramp[..., ::-1])
    for name in ("a.tif", "a.png"):
        linear = reading.read_frame(tmp_path / name).linear()
        # IEC 61966-2-1 of code / 65535; 16-bit linear codes are 1.5e-5 wide
        wanted = decoded(ramp / 257.0)
        assert np.abs(linear - wanted).max() < 2e-5


def _profile(name: str) -> bytes:
    space = {
        "opRGB": (profiles.OPRGB_PRIMARIES, profiles.OPRGB_GAMMA),
        "P3": (profiles.P3_PRIMARIES, None),
    }[name]
    return _write_profile(*space)


def _write_profile(primaries, gamma) -> bytes:
    """A version 2 matrix profile, put together by ICC.1 from the primaries."""
    import struct

    white = profiles.D65_XYZ
    xy = np.array(primaries)
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(1)) / xy[:, 1]])
    xyz = columns * np.linalg.solve(columns, white)
    d50 = np.array([0.9642, 1.0, 0.8249])
    cone = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    bradford = np.linalg.inv(cone) @ np.diag((cone @ d50) / (cone @ white)) @ cone
    xyz = bradford @ xyz
    number = lambda v: struct.pack(">i", round(float(v) * 65536))  # noqa: E731
    as_xyz = lambda v: b"XYZ \0\0\0\0" + b"".join(number(x) for x in v)  # noqa: E731
    if gamma is None:
        codes = decoded(np.linspace(0, 255, 1024))
        curve = b"curv\0\0\0\0" + struct.pack(">I", 1024) + (codes * 65535).round().astype(">u2").tobytes()
    else:
        curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0"
    text = b"desc\0\0\0\0" + struct.pack(">I", 5) + b"test\0" + b"\0" * 78 + b"\0" * 2
    tags = [(b"desc", text), (b"wtpt", as_xyz(d50))]
    tags += [(n, as_xyz(c)) for n, c in zip((b"rXYZ", b"gXYZ", b"bXYZ"), xyz.T, strict=True)]
    tags += [(n, curve) for n in (b"rTRC", b"gTRC", b"bTRC")]
    table, body, at = b"", b"", 132 + 12 * len(tags)
    for name, data in tags:
        data += b"\0" * (-len(data) % 4)
        table += name + struct.pack(">II", at + len(body), len(data))
        body += data
    head = bytearray(128)
    head[8:12], head[12:16], head[16:20], head[20:24] = b"\x02\x40\0\0", b"mntr", b"RGB ", b"XYZ "
    head[36:40] = b"acsp"
    head[68:80] = b"".join(number(v) for v in d50)
    out = bytes(head) + struct.pack(">I", len(tags)) + table + body
    return struct.pack(">I", len(out)) + out[4:]


@pytest.mark.parametrize("name", ["opRGB", "P3"])
def test_embedded_matrix_profiles_agree_with_littlecms(tmp_path, name):
    icc = _profile(name)
    colours = np.random.default_rng(5).integers(60, 200, (20, 20, 3)).astype(np.uint8)
    patches = np.repeat(np.repeat(colours, 2, 0), 2, 1)
    Image.fromarray(patches).save(tmp_path / "a.png", icc_profile=icc)
    ours = arrays.encode_srgb_u8(reading.read_frame(tmp_path / "a.png").linear()).astype(int)
    other = ImageCms.profileToProfile(
        Image.fromarray(patches),
        ImageCms.ImageCmsProfile(io.BytesIO(icc)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    inside = (ours > 3).all(-1) & (ours < 252).all(-1)
    # LittleCMS works in 8 bit here: one code of rounding each way
    assert np.abs(ours - np.asarray(other).astype(int))[inside].max() <= 2


def test_oprgb_is_told_by_exif_when_there_is_no_profile(tmp_path):
    import piexif

    exif = piexif.dump({"Exif": {piexif.ExifIFD.ColorSpace: 65535}, "Interop": {1: b"R03"}})
    Image.fromarray(np.full((40, 40, 3), (60, 200, 60), np.uint8)).save(tmp_path / "a.jpg", exif=exif)
    linear = reading.read_frame(tmp_path / "a.jpg").linear()[20, 20]
    assert linear[0] < 0  # this green lies outside sRGB


def test_cmyk_and_grey_are_converted(tmp_path):
    Image.new("CMYK", (64, 48), (0, 255, 255, 0)).save(tmp_path / "c.jpg")
    Image.new("L", (64, 48), 128).save(tmp_path / "g.jpg")
    red = reading.read_frame(tmp_path / "c.jpg").linear()[20, 20]
    grey = reading.read_frame(tmp_path / "g.jpg").linear()[20, 20]
    assert red[0] > 0.6 > 0.1 > red[1]
    assert grey == pytest.approx([0.2158] * 3, abs=2e-3)  # IEC 61966-2-1 of 128/255


def test_heif_and_avif_open(tmp_path):
    room = drawn_room(240, 160)
    pillow_heif.from_pillow(Image.fromarray(room)).save(tmp_path / "a.heic", quality=95)
    Image.fromarray(room).save(tmp_path / "a.avif", quality=95)
    for name in ("a.heic", "a.avif"):
        frame = reading.read_frame(tmp_path / name)
        assert (frame.facts.kind, frame.size) == ("heif", (240, 160))
        assert np.abs(frame.linear(60) - decoded(room).reshape(40, 4, 60, 4, 3).mean((1, 3))).mean() < 0.01


def test_broken_exif_costs_only_itself(tmp_path):
    path = write_jpeg(tmp_path / "a.jpg", drawn_room(90, 60))
    data = bytearray(path.read_bytes())
    at = data.index(b"Exif\0\0") + 14
    data[at : at + 40] = b"\xff" * 40
    path.write_bytes(bytes(data))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert reading.read_frame(path).size == (90, 60)


def test_a_jpeg_named_like_a_raw_is_read_and_said(tmp_path):
    path = write_jpeg(tmp_path / "a.jpg", drawn_room(90, 60)).rename(tmp_path / "a.nef")
    frame = reading.read_frame(path)
    assert frame.facts.kind == "jpeg"
    assert "named like a raw" in frame.notes[0]


def test_the_first_picture_of_several_is_taken(tmp_path):
    first, second = (Image.fromarray(np.full((48, 64, 3), v, np.uint8)) for v in (200, 20))
    first.save(tmp_path / "a.mpo", save_all=True, append_images=[second])
    assert reading.read_frame(tmp_path / "a.mpo").linear().mean() > 0.5
    assert Path(tmp_path / "a.mpo").exists()
