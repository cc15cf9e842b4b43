"""`python -m processing`: the contract that other programs read, on real files."""

import json
import subprocess
import sys

import cv2
import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline

from processing import correct, preview
from processing.__main__ import main
from processing.plan import Plan
from tests.processing.pictures import decoded, drawn_room, write_dng, write_jpeg

FIELDS = {
    "inputs", "reference", "kind", "output", "width", "height", "geometry", "light", "exposure", "quality",
    "stage_seconds",
}  # fmt: skip


def run(tmp_path, *arguments):
    """Exit code and report of one run in this process."""
    report = tmp_path / "report.json"
    try:
        code = main([*map(str, arguments), "--out", str(tmp_path / "out"), "--report", str(report)])
    except SystemExit as stop:
        return stop.code, None
    return code, json.loads(report.read_text())


@pytest.fixture(scope="module")
def room_dng(tmp_path_factory):
    return write_dng(tmp_path_factory.mktemp("room") / "room.dng", decoded(drawn_room(roll_deg=1.5)) * 0.5)


def test_a_raw_file_becomes_a_picture_with_a_full_report(tmp_path, room_dng):
    code, report = run(tmp_path, room_dng)
    assert code == 0
    assert report["version"] == 1
    (entry,) = report["pictures"]
    assert set(entry) >= FIELDS
    assert entry["inputs"] == [str(room_dng)]
    image = cv2.imread(str(tmp_path / "out" / entry["output"]))
    assert image.shape == (entry["height"], entry["width"], 3)
    assert entry["output"] == "room.jpg"
    # pixels of the drawing were turned clockwise by 1.5 degrees: so was the camera's picture
    assert abs(abs(entry["geometry"]["roll_deg"]) - 1.5) < 0.15
    assert report["failed"] == []


def test_the_grid_is_the_map_that_made_the_file(tmp_path, room_dng):
    _, report = run(tmp_path, room_dng)
    entry = report["pictures"][0]
    points = np.array(entry["geometry"]["grid"], float).reshape(33, 33, 4)
    height, width = 600, 900
    assert points[0, :, 0] == pytest.approx(np.linspace(0, width - 1, 33))
    assert points[:, 0, 1] == pytest.approx(np.linspace(0, height - 1, 33))
    # straight marks of the source, found again in the file where the grid says they are
    source = cv2.cvtColor(drawn_room(roll_deg=1.5), cv2.COLOR_RGB2GRAY)
    made = cv2.imread(str(tmp_path / "out" / entry["output"]), cv2.IMREAD_GRAYSCALE)
    u = RectBivariateSpline(points[:, 0, 1], points[0, :, 0], points[..., 2])
    v = RectBivariateSpline(points[:, 0, 1], points[0, :, 0], points[..., 3])
    oy, ox = np.mgrid[0 : made.shape[0], 0 : made.shape[1]].astype(float)
    x, y = ox.copy(), oy.copy()
    for _ in range(6):
        x, y = x + (ox - u.ev(y, x)), y + (oy - v.ev(y, x))
    warped = cv2.remap(source, x.astype(np.float32), y.astype(np.float32), cv2.INTER_CUBIC)
    shifts = []
    for row in range(40, made.shape[0] - 140, 100):
        for column in range(40, made.shape[1] - 140, 100):
            a, b = (
                cv2.Laplacian(
                    cv2.GaussianBlur(g[row : row + 100, column : column + 100], (0, 0), 1.5), cv2.CV_32F
                )
                for g in (warped, made)
            )
            if a.std() > 2:
                (dx, dy), response = cv2.phaseCorrelate(a, b, cv2.createHanningWindow((100, 100), cv2.CV_32F))
                shifts.append(np.hypot(dx, dy) if response > 0.3 else np.nan)
    assert np.nanmedian(shifts) < 0.3
    assert len(shifts) > 10


def test_a_bad_file_is_named_and_the_others_go_on(tmp_path, room_dng):
    (tmp_path / "cut.jpg").write_bytes(write_jpeg(tmp_path / "x.jpg", drawn_room()).read_bytes()[:9000])
    (tmp_path / "x.jpg").unlink()
    code, report = run(tmp_path, tmp_path / "cut.jpg", room_dng, tmp_path / "missing.dng")
    assert code == 1
    assert len(report["pictures"]) == 1
    assert {f["input"].rsplit("/", 1)[-1] for f in report["failed"]} == {"cut.jpg", "missing.dng"}
    assert all(f["why"] for f in report["failed"])


def test_names_never_overwrite_one_another(tmp_path):
    for folder, seed, hour in (("hall", 1, 10), ("bath", 2, 12)):
        (tmp_path / folder).mkdir()
        write_jpeg(
            tmp_path / folder / "view.jpg", drawn_room(600, 400, seed=seed), taken=f"2026:11:20 {hour}:00:00"
        )
    _, report = run(tmp_path, tmp_path / "hall" / "view.jpg", tmp_path / "bath" / "view.jpg")
    assert sorted(p["output"] for p in report["pictures"]) == ["bath-view.jpg", "hall-view.jpg"]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["bath-view.jpg", "hall-view.jpg"]


def test_an_original_is_never_written_over(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    original = write_jpeg(out / "room.jpg", drawn_room(600, 400))
    before = original.read_bytes()
    code, report = run(tmp_path, original)
    assert code == 0
    assert original.read_bytes() == before
    assert report["pictures"][0]["output"] == "room-corrected.jpg"


def test_a_mark_finds_its_own_file_and_says_why_it_is_not_used(tmp_path):
    for folder in "ab":
        (tmp_path / folder).mkdir()
    one = write_jpeg(tmp_path / "a" / "room.jpg", drawn_room(600, 400, seed=1))
    other = write_jpeg(tmp_path / "b" / "room.jpg", drawn_room(600, 400, seed=2), taken="2026:11:20 12:00:00")
    plan = tmp_path / "plan.json"
    plan.write_text(json.dumps({"neutral_points": [{"input": "room.jpg", "x": 10, "y": 10}]}))
    assert run(tmp_path, one, other, "--plan", plan)[0] == 2  # which of the two?
    marks = [{"input": str(one), "x": 300, "y": 100}, {"input": str(other), "x": -5000, "y": 10}]
    plan.write_text(json.dumps({"neutral_points": marks}))
    code, report = run(tmp_path, one, other, "--plan", plan)
    assert code == 0
    by_input = {entry["inputs"][0]: entry for entry in report["pictures"]}
    assert "neutral points" in by_input[str(one)]["light"]["method"]
    assert "neutral points" not in by_input[str(other)]["light"]["method"]
    assert "outside the picture" in " ".join(by_input[str(other)]["notes"])


def test_raw_and_jpeg_of_one_frame_count_once_and_the_raw_is_used(tmp_path, room_dng):
    (tmp_path / "room.dng").write_bytes(room_dng.read_bytes())
    write_jpeg(tmp_path / "room.jpg", drawn_room(roll_deg=1.5))
    code, report = run(tmp_path, tmp_path / "room.dng", tmp_path / "room.jpg")
    assert code == 0
    (entry,) = report["pictures"]
    assert entry["inputs"] == [str(tmp_path / "room.dng")]


def test_a_bracket_becomes_one_picture(tmp_path):
    scene = decoded(drawn_room()) * 0.4
    paths = [
        write_dng(
            tmp_path / f"b{n}.dng",
            scene,
            exposure=2.0**ev,
            exposure_s=2.0**ev / 15,
            taken=f"2026:11:20 10:08:{n:02d}",
        )
        for n, ev in enumerate((-2, 0, 2))
    ]
    code, report = run(tmp_path, *paths)
    assert code == 0
    (entry,) = report["pictures"]
    assert entry["kind"] == "bracket"
    assert entry["exposure"]["frames"] == 3
    assert entry["exposure"]["span_ev"] == pytest.approx(4, abs=0.1)


@pytest.mark.parametrize(
    ("plan", "word"),
    [
        ({"liftt": 1}, "liftt"),
        ({"groups": [["nowhere.jpg"]]}, "nowhere.jpg"),
        ("not json", "not JSON"),
    ],
)
def test_a_wrong_plan_ends_with_two_and_its_reason(tmp_path, room_dng, capsys, plan, word):
    file = tmp_path / "plan.json"
    file.write_text(plan if isinstance(plan, str) else json.dumps(plan))
    code, _ = run(tmp_path, room_dng, "--plan", file)
    assert code == 2
    assert word in capsys.readouterr().err


def test_wrong_usage_ends_with_two(tmp_path, room_dng):
    assert run(tmp_path, room_dng, "--purpose", "poster")[0] == 2
    assert run(tmp_path, room_dng, "--jobs", "0")[0] == 2
    done = subprocess.run(
        [sys.executable, "-m", "processing", str(room_dng)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "--out" in done.stderr


def test_wishes_reach_the_picture(tmp_path, room_dng):
    file = tmp_path / "plan.json"
    file.write_text(json.dumps({"level": {"roll_deg": 0, "pitch_deg": 0}, "crop": {"ratio": "4:3"}}))
    _, report = run(tmp_path, room_dng, "--plan", file)
    entry = report["pictures"][0]
    assert entry["geometry"]["roll_deg"] == 0
    assert entry["width"] / entry["height"] == pytest.approx(4 / 3, rel=2e-3)


def test_maps_come_at_a_quarter_of_the_size(tmp_path, room_dng):
    run(tmp_path, room_dng, "--maps", tmp_path / "maps")
    with np.load(tmp_path / "maps" / "room.npz") as maps:
        assert maps["light"].shape == (150, 225, 3)
        assert maps["light"].dtype == np.float16
        luminance = maps["light"].astype(float) @ (0.2126, 0.7152, 0.0722)
        assert np.abs(luminance - 1).max() < 5e-3  # float16 keeps three digits
        assert maps["moving"].shape == maps["view"].shape == (150, 225)
        assert maps["frame_to_reference"].shape == (1, 3, 3)


def test_smaller_purposes_carry_their_own_grid(tmp_path, room_dng):
    _, whole = run(tmp_path, room_dng)
    code, report = run(tmp_path, room_dng, "--purpose", "deep")
    assert code == 0
    assert report["pictures"][0]["output"] == "room.tif"
    made = correct.PURPOSES["web"].long_edge_px
    assert made == 2048
    assert whole["pictures"][0]["geometry"]["grid"] == report["pictures"][0]["geometry"]["grid"]


def test_the_same_plan_makes_the_same_pixels_again_through_json(tmp_path, room_dng):
    analysis = correct.analyse([room_dng])
    again = correct.Analysis.from_json(json.loads(json.dumps(analysis.to_json())))
    (plan,) = correct.settle([again])
    stored = Plan.from_json(json.loads(json.dumps(plan.to_json())))
    assert stored.digest() == plan.digest()
    one = correct.make([room_dng], plan, tmp_path / "a", ("full", "preview", "thumbnail", "before"))
    two = correct.make([room_dng], stored, tmp_path / "b")
    assert one.files["full"].read_bytes() == two.files["full"].read_bytes()
    assert set(one.files) == {"full", "preview", "thumbnail", "before"}
    assert cv2.imread(str(one.files["thumbnail"])).shape[1] == 640


def test_a_preview_shows_what_will_be_made(tmp_path, room_dng):
    analysis = correct.analyse([room_dng])
    (plan,) = correct.settle([analysis])
    made = correct.make([room_dng], plan, tmp_path)
    half = preview.open_half(preview.keep_half([room_dng], analysis, path=tmp_path / "half.npy"))
    shown = preview.preview(half, plan, max_edge=400)
    full = cv2.imread(str(made.files["full"]))[..., ::-1]
    wanted = cv2.resize(full, shown.shape[1::-1], interpolation=cv2.INTER_AREA)
    # half size skips demosaicing: edges differ, surfaces must not
    assert np.median(np.abs(shown.astype(int) - wanted)) <= 2


def test_two_processes_make_the_same_pictures(tmp_path):
    for n in (1, 2):
        write_jpeg(tmp_path / f"v{n}.jpg", drawn_room(600, 400, seed=n), taken=f"2026:11:20 1{n}:00:00")
    files = [tmp_path / "v1.jpg", tmp_path / "v2.jpg"]
    _, alone = run(tmp_path, *files)
    kept = {p["output"]: (tmp_path / "out" / p["output"]).read_bytes() for p in alone["pictures"]}
    code, together = run(tmp_path, *files, "--jobs", "2")
    assert code == 0
    assert {p["output"]: (tmp_path / "out" / p["output"]).read_bytes() for p in together["pictures"]} == kept
