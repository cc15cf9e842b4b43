"""Frames that belong together, how they lie over each other, and the one scene they become."""

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest

from processing import analysis, arrays, blur, brackets, flicker, merging
from processing.alignment import corner_motion, rescale
from tests.processing import lit_rooms

SIZE = (480, 320)


@dataclass(frozen=True)
class Shot:
    """The facts that grouping asks for."""

    kind: str = "raw"
    taken_at: str | None = None
    exposure_s: float | None = None
    relative_ev: float | None = None
    model: str | None = "Camera"
    camera_serial: str | None = None
    flash_fired: bool | None = None


def at(second: float, ev: float | None = 0.0, **changed: object) -> Shot:
    """A shot `second` s after the start, `ev` stops from the first."""
    clock = f"2026-05-01T10:{int(second) // 60:02d}:{int(second) % 60:02d}"
    return Shot(taken_at=clock, relative_ev=ev, exposure_s=0.1, **changed)  # type: ignore[arg-type]


def view(seed: int, *, level: float = 0.3) -> np.ndarray:
    """One view's scene, with a window, unclipped."""
    room, _ = lit_rooms.lit(lit_rooms.surfaces(seed=seed), level=level)
    return lit_rooms.with_window(room)[0]


def test_a_bracket_is_found_by_time_exposure_and_content() -> None:
    one, other = view(1), view(2)
    shots = [at(0, 0), at(1, -2), at(2, 2), at(240, 0), at(241, -2), at(242, 2)]
    frames = [lit_rooms.exposed(s, e) for s in (one, other) for e in (0, -2, 2)]
    groups = brackets.group(shots, lambda i: frames[i])
    assert [g.kind for g in groups] == ["bracket", "bracket"]
    assert [g.members for g in groups] == [(1, 0, 2), (4, 3, 5)]
    assert [g.members[g.reference] for g in groups] == [0, 3]
    assert groups[0].evs == (-2.0, 0.0, 2.0)


def test_two_views_five_seconds_apart_are_two_pictures() -> None:
    frames = [lit_rooms.exposed(view(s), 0) for s in (1, 2)]
    groups = brackets.group([at(0), at(5)], lambda i: frames[i])
    assert [g.kind for g in groups] == ["single", "single"]


def test_brackets_group_without_any_facts() -> None:
    evs = (0, -2, 2)
    frames = [lit_rooms.exposed(view(s), e) for s in (1, 2, 4) for e in evs]
    groups = brackets.group([Shot(model=None)] * 9, lambda i: frames[i])
    assert [set(g.members) for g in groups] == [{0, 1, 2}, {3, 4, 5}, {6, 7, 8}]
    assert groups[0].evs == pytest.approx((-2, 0, 2), abs=0.1)


def test_a_raw_and_its_jpeg_are_one_frame_and_the_raw_is_used() -> None:
    frame = lit_rooms.exposed(view(1), 0)
    shots = [at(0, kind="jpeg"), at(0, kind="raw")]
    groups = brackets.group(shots, lambda i: frame, names=["a/X1.JPG", "a/X1.RAW"])
    assert len(groups) == 1
    assert groups[0].members == (1,)
    assert groups[0].companions == (0,)


@pytest.mark.parametrize("flag", [None, True, False])
@pytest.mark.parametrize("told", [True, False])
def test_a_flash_is_seen_in_the_picture_whatever_exif_says(flag: bool | None, told: bool) -> None:
    paint = lit_rooms.surfaces(seed=1)
    ambient, _ = lit_rooms.lit(paint, level=0.2)
    near = np.linspace(0.05, 1.0, 320)[:, None, None] ** 2
    flash = (ambient + paint * near * 0.5).astype(np.float32)
    frames = [lit_rooms.exposed(x, 0) for x in (flash, ambient)]
    ev = 0.0 if told else None
    shots = [at(0, ev, flash_fired=flag), at(1, ev, flash_fired=flag)]
    groups = brackets.group(shots, lambda i: frames[i])
    assert [g.kind for g in groups] == ["ambient+flash"]
    assert groups[0].members == (1, 0)
    assert groups[0].reference == 0
    assert groups[0].flash == (1,)


def test_the_same_exposure_twice_is_not_a_flash() -> None:
    frames = [lit_rooms.exposed(view(1), 0, seed=s) for s in (1, 2)]
    groups = brackets.group([at(0), at(1)], lambda i: frames[i])
    assert [g.kind for g in groups] == ["single", "single"]


def test_groups_read_back_equal() -> None:
    group = brackets.Group("bracket", (2, 0, 1), 1, (-2.0, 0.0, 2.0), (), (5,))
    assert brackets.Group.from_json(group.to_json()) == group


@pytest.mark.parametrize(
    ("right_px", "down_px", "turn_deg"), [(3.3, -1.7, 0.06), (30.0, 12.0, 0.4), (64.0, -20.0, 1.0)]
)
@pytest.mark.parametrize("ev", [-2, 2])
def test_a_knocked_frame_is_laid_back(right_px: float, down_px: float, turn_deg: float, ev: int) -> None:
    scene = cv2.resize(view(5), (1200, 800), interpolation=cv2.INTER_LINEAR)
    knocked = lit_rooms.moved(scene, right_px=right_px, down_px=down_px, turn_deg=turn_deg)
    found = brackets.align(
        lit_rooms.exposed(scene, 0), lit_rooms.exposed(knocked, ev, seed=9), ev_difference=ev
    )
    assert found.refused is None
    turn = cv2.getRotationMatrix2D((599.5, 399.5), -turn_deg, 1.0)
    turn[:, 2] += (right_px, down_px)
    frame_from_reference = np.vstack([turn, [0, 0, 1]])
    # .4 px at 1200 wide: the drawn room has soft edges; rendered rooms reach .1-.3 px at 1800
    assert corner_motion(found.matrix @ frame_from_reference, (1200, 800)) < 0.4


def test_a_still_frame_is_not_resampled() -> None:
    scene = cv2.resize(view(5), (1200, 800), interpolation=cv2.INTER_LINEAR)
    found = brackets.align(lit_rooms.exposed(scene, 0), lit_rooms.exposed(scene, -2), ev_difference=-2)
    assert found.moved_px == 0
    assert np.array_equal(found.matrix, np.eye(3))


def test_a_frame_of_another_view_is_refused_with_a_reason() -> None:
    other = np.ascontiguousarray(view(2)[::-1, ::-1])
    frames = [lit_rooms.exposed(cv2.resize(s, (1200, 800)), 0) for s in (view(1), other)]
    found = brackets.align(*frames, ev_difference=0)
    assert found.refused
    assert np.array_equal(found.matrix, np.eye(3))
    flat = np.full((400, 600, 3), 0.3, np.float32)
    assert brackets.align(flat, flat[:, :300].repeat(2, 1) * 0.5, ev_difference=-1).refused is not None


def test_a_shaken_frame_is_left_out_and_says_so() -> None:
    scene = cv2.resize(view(5), (1200, 800), interpolation=cv2.INTER_NEAREST)
    shaken = cv2.blur(scene, (7, 3))
    found = brackets.align(lit_rooms.exposed(scene, 0), lit_rooms.exposed(shaken, -1), ev_difference=-1)
    assert found.code == "shaken_frame"
    sharp = brackets.align(lit_rooms.exposed(scene, 0), lit_rooms.exposed(scene, -1), ev_difference=-1)
    assert sharp.code is None


def test_motion_is_given_in_full_size_pixels() -> None:
    small = np.array([[1, 0, 2.0], [0, 1, -1.0], [0, 0, 1]])
    assert rescale(small, 4.0)[:2, 2] == pytest.approx([8.0, -4.0])


def test_merging_gives_the_scene_beyond_the_references_clipping() -> None:
    scene = view(1)
    evs = (-4, -2, 0, 2)
    merged = brackets.merge([lit_rooms.exposed(scene, e, seed=e + 9) for e in evs], evs, reference=2)
    assert merged.clip_level == 16
    known = scene < 15
    assert np.median(abs(merged.rgb_linear - scene)[known] / (scene[known] + 1e-3)) < 0.02
    assert scene.max() > 2  # the window lies above what the reference holds
    window = scene.max(-1) > 1.2
    assert merged.rgb_linear[window] == pytest.approx(scene[window], rel=0.05)
    assert merged.moving.mean() < 0.01


def test_merged_shadows_are_less_noisy_than_the_references() -> None:
    scene = np.full((200, 300, 3), 0.01, np.float32)
    frames = [lit_rooms.exposed(scene, e, seed=e + 9, noise=1e-3) for e in (0, -2, 2)]
    merged = brackets.merge(frames, (0, -2, 2), reference=0)
    assert merged.rgb_linear.std() < 0.5 * frames[0].std()


def test_a_thing_that_moved_comes_from_one_frame() -> None:
    scene = view(1)
    frames = [lit_rooms.exposed(scene, e, seed=e + 9) for e in (0, -2, 2)]
    for frame, left, level in zip(frames, (60, 90, 120), (0.5, 0.125, 1.0), strict=True):
        frame[200:260, left : left + 40] = (level * 0.6, level * 0.5, level * 0.1)
    merged = brackets.merge(frames, (0, -2, 2), reference=0)
    truth = np.zeros(scene.shape[:2], bool)
    truth[200:260, 60:160] = True
    overlap = (merged.moving & truth).sum() / (merged.moving | truth).sum()
    assert overlap > 0.6
    assert merged.rgb_linear[205:255, 65:95] == pytest.approx(frames[0][205:255, 65:95], abs=0.02)
    assert merged.rgb_linear[205:255, 135:155] == pytest.approx(frames[0][205:255, 135:155], abs=0.02)


def test_bands_merge_like_the_whole_and_weigh_eight_bytes_a_pixel() -> None:
    scene = view(1)
    frames = [lit_rooms.exposed(scene, e) for e in (0, -2)]
    whole, parts = brackets.Merger(SIZE, clip_level=4), brackets.Merger(SIZE, clip_level=4)
    for frame, ev in zip(frames, (0, -2), strict=True):
        whole.add(0, frame, ev=ev, is_darkest=ev == -2)
        for row in range(0, 320, 50):
            parts.add(row, frame[row : row + 50], ev=ev, is_darkest=ev == -2)
    assert np.array_equal(whole.rows(0, 320), parts.rows(0, 320))
    held = sum(v.nbytes for v in vars(whole).values() if isinstance(v, np.ndarray))
    assert held == 8 * SIZE[0] * SIZE[1]


@pytest.mark.parametrize("step", [-3, -1, 1, 2])
def test_the_exposure_step_is_read_from_the_pictures(step: int) -> None:
    scene = view(1)
    frames = [lit_rooms.exposed(scene, e) for e in (0, step)]
    assert brackets.exposure_difference(*frames) == pytest.approx(step, abs=0.07)  # 5 %
    assert merging.refine_difference(*frames, told_ev=step + 0.1) == pytest.approx(step, abs=0.07)
    assert merging.refine_difference(*frames, told_ev=step + 1.0) == step + 1.0


def test_the_view_through_a_window_is_found() -> None:
    room, _ = lit_rooms.lit(lit_rooms.surfaces(seed=1), level=0.2)
    scene, mask = lit_rooms.with_window(room)
    found = merging.find_view(scene)
    assert isinstance(found, np.ndarray)
    assert (found & mask).sum() / (found | mask).sum() > 0.8
    assert not merging.find_view(room * 0.5)


def test_day_and_evening_of_one_view_without_times_are_two_pictures() -> None:
    paint = lit_rooms.surfaces(seed=1)
    across = np.linspace(1.0, 0.05, 480, dtype=np.float32)[None, :, None] ** 2
    glow = np.linspace(0.1, 1.0, 320, dtype=np.float32)[:, None, None]
    evening = (paint * (0.25 * glow + 0.05)).astype(np.float32)
    day = (paint * (0.45 * across + 0.03)).astype(np.float32)
    evening, _ = lit_rooms.with_window(evening, stops=-3.0)
    day, _ = lit_rooms.with_window(day, stops=4.0)
    frames = [lit_rooms.exposed(x, 0, seed=n) for n, x in enumerate((day, evening))]
    for order in ((0, 1), (1, 0)):
        groups = brackets.group([Shot(model=None)] * 2, lambda i, order=order: frames[order[i]])
        assert [g.kind for g in groups] == ["single", "single"]


def test_a_camera_that_turned_behind_a_bent_lens_is_followed_as_far_as_one_homography_goes() -> None:
    # 6 px of turn at 24 mm: perspective and 3 % of barrel bend the shift by .4 px in the corners
    scene = cv2.resize(view(5), (1200, 800), interpolation=cv2.INTER_LINEAR)
    camera = np.array([[800.0, 0, 599.5], [0, 800, 399.5], [0, 0, 1]])
    bend = np.array([-0.042, 0.006, 0, 0])

    def seen(points: np.ndarray) -> np.ndarray:
        rays = cv2.undistortPoints(points.reshape(-1, 1, 2), camera, bend)[:, 0]
        turn, _ = cv2.Rodrigues(np.array([0.003, -0.0075, 0.001]))
        turned = np.c_[rays, np.ones(len(rays))] @ turn.T
        return cv2.projectPoints(turned, np.zeros(3), np.zeros(3), camera, bend)[0][:, 0]

    y, x = np.mgrid[:800, :1200].reshape(2, -1).astype(float)
    maps = seen(np.stack([x, y], -1)).astype(np.float32).reshape(800, 1200, 2)
    knocked = cv2.remap(scene, maps, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    found = brackets.align(
        lit_rooms.exposed(scene, 0), lit_rooms.exposed(knocked, 2, seed=9), ev_difference=2
    )
    assert found.refused is None
    corners = np.array([[0, 0], [1199, 0], [0, 799], [1199, 799.0]])
    placed = cv2.perspectiveTransform(corners[None], found.matrix)[0]
    assert np.hypot(*(placed - seen(corners)).T).max() < 0.3


@pytest.mark.parametrize("direction", [(9, 1), (1, 9), (6, 6)])
def test_a_shake_is_seen_in_every_direction_and_noise_does_not_hide_it(direction: tuple[int, int]) -> None:
    scene = cv2.resize(view(5), (1200, 800), interpolation=cv2.INTER_NEAREST)
    path = np.zeros((9, 9), np.float32)
    cv2.line(
        path,
        (4 - direction[0] // 2, 4 - direction[1] // 2),
        (4 + direction[0] // 2, 4 + direction[1] // 2),
        1,
    )
    shaken = cv2.filter2D(scene, -1, path / path.sum())
    base = lit_rooms.exposed(scene, 0, noise=4e-3)
    assert blur.fine_left(base, lit_rooms.exposed(shaken, -1, seed=3, noise=4e-3), ev=-1)[0] < 0.9
    assert blur.fine_left(base, lit_rooms.exposed(scene, -1, seed=3, noise=4e-3), ev=-1)[0] > 0.94


def test_bands_of_flicker_are_measured_and_a_shadow_is_not_taken_for_them() -> None:
    scene = view(3)
    base = lit_rooms.exposed(scene, 0)
    rows = np.arange(320)[:, None, None]
    for depth in (0.06, 0.2):
        bands = (1 + depth * np.sin(rows * 2 * np.pi * 5 / 320)).astype(np.float32)
        found = flicker.band_depth(base, lit_rooms.exposed(scene * bands, -2, seed=4), ev=-2)
        assert found == pytest.approx(np.log2(1 + depth), rel=0.25)
    assert flicker.band_depth(base, lit_rooms.exposed(scene, -2, seed=4), ev=-2) < 0.01
    shadow = scene.copy()
    shadow[100:200, 60:200] *= 0.6
    assert flicker.band_depth(base, lit_rooms.exposed(shadow, -2, seed=4), ev=-2) < flicker.BAND_LEAST


def test_a_banded_frame_is_left_out_unless_it_alone_holds_the_window(tmp_path: Path) -> None:
    scene = cv2.resize(view(5), (960, 640), interpolation=cv2.INTER_NEAREST)
    bands = (1 + 0.1 * np.sin(np.arange(640) * 2 * np.pi * 6 / 640))[:, None, None].astype(np.float32)
    for name, banded_ev, left_out in (("long", 1, True), ("short", -2, False)):
        files = []
        for ev in (0, -2, 1):
            frame = lit_rooms.exposed(scene * (bands if ev == banded_ev else 1), ev, seed=ev + 9)
            files.append(tmp_path / f"{name}{ev}.png")
            cv2.imwrite(str(files[-1]), arrays.encode_srgb_u8(frame)[..., ::-1])
        seen = analysis.analyse(files, kind="bracket", evs=(0, -2, 1))
        at = (0, -2, 1).index(banded_ev)
        assert [use.used for use in seen.frames] == [not left_out or i != at for i in range(3)]
        assert seen.frames[at].is_banded is not left_out
        assert any(f"{name}{banded_ev}.png" in note and "flicker" in note for note in seen.notes)
        if left_out:
            assert seen.frames[at].alignment.code == "flicker"


def test_a_thing_where_every_other_pixel_of_its_level_is_clipped_is_still_found() -> None:
    # the level's only well exposed pixels are the thing's own: they must not be taken for the file's curve
    scene = np.full((320, 480, 3), 0.4, np.float32)
    scene[200:] = 0.05
    frames = [lit_rooms.exposed(scene, e, seed=e + 9) for e in (0, 3)]
    frames[1][60:140, 100:180] = 0.3
    found = merging.find_moving(frames[0], [frames[1]], [3.0])
    assert found[65:135, 105:175].mean() > 0.95
    assert found.sum() < 1.15 * 80 * 80
