"""What becomes of brackets: one command, a table, a JSON file.

    python -m tests.bench.brackets ROOMS_DIR [--real REAL_DIR] [--views VIEWS_DIR] [--out brackets.json]
        [--parts align,moving,shaken,flicker,window,halo,fusion] [--seed 0]

ROOMS_DIR holds one folder a rendered view with `truth.json`, `bracket_N.jpg` and, where they exist,
`knocked_N.jpg` and `ghost.jpg` with its mask. VIEWS_DIR holds `<view>_view.png`, the mask of what is seen
through windows, without the lens's curve. REAL_DIR holds `brackets/` (folders of JPEG frames) and raws.

align    largest corner error at 1800 px, against the exact motion through the lens. "set" are the rooms' own
         knocked frames; "slid" are drawn in the picture's plane, "turned" by a camera that turns behind the
         lens's curve, up to 100 px and 1 degree. Refused frames are counted, not scored.
moving   overlap of the mask with the truth ("visible": with the part of it that changes any frame: before a
         blown window nothing does), false area, and the share of the truth's area where the merged
         picture is more than 4 L* from both the still scene and the reference alone (a ghost).
shaken   frames refused because of blur; a shake counts from 4 px at 1800 px wide (.22 % of the width).
flicker  frames with bands of 6 to 30 % told, and frames without told.
window   share of the window's area with a channel at 254 or more in the finished picture.
halo     largest change of L* of a plain wall outside 6 px of a window four stops brighter.
fusion   MEF-SSIM of the finished picture, geometry left as it was, beside Mertens' fusion as OpenCV has it.
"""

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from processing import analysis, arrays, brackets, correct, merging, series, tone
from processing.alignment import Alignment
from processing.colour import lab_from_linear
from processing.crop import Crop
from processing.lens_curve import NO_CURVE
from processing.verticals import Level
from tests.bench.bracket_frames import Moved, Room, banded, corners_of
from tests.bench.fusion_quality import mef_ssim

SHAKES_PX = (4, 5, 6, 8, 11, 15, 20, 28)
SHAKEN_EVS = (-3, -2, -1, 1, 2, 3)
SHAKEN_ROUNDS = 5
NOISES = (5e-4, 2e-3, 6e-3)  # of the clipping level: base ISO, ISO 1600, ISO 6400 (about)
GHOST_L = 4.0
SEEN_STEP = 0.005  # of the clipping level: what changes a frame by less cannot be seen in it
Row = dict[str, float | str]
Figures = dict[str, float]


def align(reference: np.ndarray, frame: np.ndarray, ev: float) -> Alignment:
    """As the product does it, at the size it looks at."""
    height, width = reference.shape[:2]
    size = arrays.fit_size((width, height), max_edge=analysis.LOOK_EDGE_PX)
    small = [arrays.shrink(x, size) for x in (reference, frame)]
    return brackets.align(small[0], small[1], ev_difference=ev, full_width=width)


def alignment_rows(rooms: list[Room], seed: int) -> Iterator[Row]:
    rng = np.random.default_rng(seed)
    plans = [("slid small", 8, 0.15, False), ("slid", 100, 1.0, False)]
    plans += [("turned small", 8, 0.15, True), ("turned", 100, 1.0, True)]

    def moved() -> Iterator[tuple[str, Moved]]:
        for n, room in enumerate(rooms):
            yield from (("set", one) for one in room.knocked())
            for kind, most_px, most_deg, turned in plans:
                for _ in range(12 * (n + 1) // len(rooms) - 12 * n // len(rooms)):
                    yield kind, room.knock(rng, most_px=most_px, most_deg=most_deg, turned=turned)
            room.forget()

    for kind, one in moved():
        found = align(one.reference, one.frame, one.ev)
        height, width = one.reference.shape[:2]
        placed = cv2.perspectiveTransform(corners_of((width, height))[None], found.matrix)[0]
        error = float(np.hypot(*(placed - one.corners).T).max()) * 1800 / width
        refused = found.refused is not None
        yield {
            "kind": kind,
            "name": one.name,
            "error_px": np.nan if refused else error,
            "refused": refused,
        } | {"why": str(found.refused)}


def moving_rows(rooms: list[Room], seed: int) -> Iterator[Row]:
    rng = np.random.default_rng(seed)
    for room in rooms:
        cases = [("blob", *room.with_blob(rng, int(rng.integers(len(room.evs))))) for _ in range(2)]
        if "ghost" in room.files:
            cases += [("person", *room.with_person(at)) for at in range(len(room.evs))]
        for kind, frames, truth in cases:
            small = (room.frames[0].shape[1] * 5 // 6, room.frames[0].shape[0] * 5 // 6)
            seen = [arrays.shrink(f, small) for f in frames]
            still = [arrays.shrink(f, small) for f in room.frames]
            mask = arrays.shrink(truth.astype(np.float32), small) > 0.5
            at = room.reference
            merged = brackets.merge(seen, room.evs, reference=at)
            clean = merging.merge(still, room.evs, reference=at).rgb_linear
            alone = seen[at]
            told = np.maximum.reduce([np.abs(a - b).max(-1) for a, b in zip(seen, still, strict=True)])
            visible = mask & (told > SEEN_STEP)
            near = cv2.dilate(mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
            off = np.minimum(*(np.abs(lightness(merged.rgb_linear) - lightness(x)) for x in (clean, alone)))
            yield {
                "kind": kind,
                "name": room.name,
                "visible": float((merged.moving & visible).sum() / (merged.moving | visible).sum()),
                "overlap": float((merged.moving & mask).sum() / (merged.moving | mask).sum()),
                "false_area": float((merged.moving & ~mask).mean()),
                "ghost": float((off[near] > GHOST_L).mean()),
            }
        room.forget()


def lightness(rgb_linear: np.ndarray) -> np.ndarray:
    """L* of a scene brought to its own middle, lightly smoothed."""
    smooth = cv2.GaussianBlur(rgb_linear, (0, 0), 1.5)
    return np.asarray(lab_from_linear(np.clip(smooth, 0, 1))[..., 0])


def shaken_rows(rooms: list[Room], seed: int) -> Iterator[Row]:
    rng = np.random.default_rng(seed)
    count = len(SHAKES_PX) * len(NOISES) * SHAKEN_ROUNDS
    for n in range(count):
        room, noise = rooms[n * len(rooms) // count], NOISES[n % len(NOISES)]
        for done in rooms[: n * len(rooms) // count]:
            done.forget()
        ev = float(rng.choice(SHAKEN_EVS))
        base = room.shot(rng, ev=0, iso_noise=noise)
        for shake in (0, SHAKES_PX[n % len(SHAKES_PX)]):
            frame = room.shot(rng, ev=ev, iso_noise=noise, shake_px=shake)
            found = align(base, frame, ev)
            row: Row = {"kind": "shaken" if shake else "sharp", "name": room.name, "shake_px": shake}
            yield row | {
                "noise": noise,
                "ev": ev,
                "stopped": found.refused is not None,
                "why": str(found.code),
            }


def flicker_rows(rooms: list[Room], seed: int) -> Iterator[Row]:
    from processing import flicker

    rng = np.random.default_rng(seed)
    for n in range(40):
        room = rooms[n % len(rooms)]
        at, depth = n // len(rooms) % len(room.evs), float(rng.uniform(0.06, 0.3))
        others = [i for i in range(len(room.evs)) if i != at]
        for told in (0.0, depth):
            frames = list(room.frames)
            frames[at] = banded(frames[at], rng, depth=told)
            small = [arrays.shrink(f, (1500, 1000)) for f in frames]
            against = room.reference if at != room.reference else others[-1]
            found = flicker.band_depth(small[against], small[at], ev=room.evs[at] - room.evs[against])
            row: Row = {"kind": "banded" if told else "plain", "name": room.name, "depth": told}
            yield row | {"found": found, "told": found > flicker.BAND_LEAST}


def flat_plan(files: list[Path]) -> tuple[correct.Plan, list[Path]]:
    """The product's plan for a bracket, its geometry taken out: what is compared lies where it lay."""
    looks = [analysis.look(f) for f in files]
    groups = brackets.group(
        [x.facts for x in looks], lambda i: looks[i].thumbnail(), names=[f.name for f in files]
    )
    group = max(groups, key=lambda g: len(g.members))
    paths = [files[i] for i in group.members]
    seen = analysis.analyse(paths, reference=group.reference, kind=group.kind, evs=group.evs)
    plan = series.settle([seen])[0]
    width, height = plan.size
    whole = Crop((0.0, 0.0, float(width), float(height)), (width, height), 1.0, "source")
    return replace(plan, curve=NO_CURVE, level=Level(source="none"), crop=whole), paths


def finished(files: list[Path]) -> np.ndarray:
    """The finished picture in the reference's own geometry, uint8 RGB."""
    plan, paths = flat_plan(files)
    with tempfile.TemporaryDirectory() as folder:
        made = correct.make(paths, plan, Path(folder), ("full",))
        return np.ascontiguousarray(cv2.imread(str(made.files["full"]))[..., ::-1])


def window_rows(rooms: list[Room], views: Path | None) -> Iterator[Row]:
    for room in rooms:
        path = None if views is None else views / f"{room.name}_view.png"
        if path is None or not path.exists():
            continue
        flat = cv2.imread(str(path), 0)
        flat = flat[(flat.shape[0] - 1200) // 2 :, (flat.shape[1] - 1800) // 2 :][:1200, :1800]
        y, x = np.mgrid[:1200, :1800].reshape(2, -1).astype(float)
        straight = room.rays(np.stack([x, y], -1))[:, :2] * room.camera[0, 0] + room.camera[:2, 2]
        maps = straight.astype(np.float32).reshape(1200, 1800, 2)
        mask = cv2.erode(cv2.remap(flat, maps, None, cv2.INTER_LINEAR), np.ones((5, 5), np.uint8)) > 200
        for kind, names in (
            ("bracket", [b["file"] for b in room.files["bracket"]]),
            ("one frame", ["picture.jpg"]),
        ):
            picture = finished([room.folder / n for n in names])
            clipped = float((picture.max(-1)[mask] >= 254).mean())
            yield {"kind": kind, "name": room.name, "clipped": clipped, "area": float(mask.mean())}


def halo_rows() -> Iterator[Row]:
    for level in (0.10, 0.18, 0.35):
        light = np.full((600, 900), level, np.float32)
        rng = np.random.default_rng(0)
        light[150:450, 300:600] *= 16 * (
            0.7 + 0.6 * rng.random((10, 10), np.float32).repeat(30, 0).repeat(30, 1)
        )
        light = cv2.GaussianBlur(
            light * (1 + 0.01 * rng.standard_normal(light.shape, np.float32)), (0, 0), 0.8
        )
        evs = (-4.0, -2.0, 0.0)
        frames = [np.clip(np.repeat(light[..., None], 3, 2) * 2.0**ev, 0, 1).astype(np.float32) for ev in evs]
        scene = brackets.merge(frames, evs, reference=2).rgb_linear
        plan = tone.settle([tone.analyse(scene)])[0]
        lab = lab_from_linear(arrays.decode_srgb(tone.apply(scene, plan, tone.local_base(scene))))[..., 0]
        row = lab[280:320].mean(0)
        wall = np.r_[row[100:294], row[606:800]]
        yield {
            "kind": "wall",
            "name": f"level {level}",
            "halo": float(np.abs(wall - row[60:120].mean()).max()),
        }


def fusion_rows(real: Path | None, rooms: list[Room]) -> Iterator[Row]:
    sets: list[tuple[str, list[Path]]] = []
    if real is not None:
        sets += [(d.name, sorted(d.glob("*.jpg"))) for d in sorted((real / "brackets").iterdir())]
        sets += [("hotel_room", sorted((real / "raw" / "derived_hotel_room").glob("*.dng")))]
    sets += [(room.name, [room.folder / b["file"] for b in room.files["bracket"]]) for room in rooms[:3]]
    for name, files in sets:
        picture = finished(files)
        bracket = [correct.before(f, None) for f in files]
        greys = [cv2.cvtColor(f, cv2.COLOR_RGB2GRAY) for f in bracket]
        fused = np.clip(cv2.createMergeMertens().process(bracket), 0, 1)
        mertens = cv2.cvtColor((fused * 255 + 0.5).astype(np.uint8), cv2.COLOR_RGB2GRAY)
        ours = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        clipped = float((picture.max(-1) >= 254).mean())
        yield {"kind": "finished", "name": name, "mef_ssim": mef_ssim(greys, ours), "clipped": clipped}
        yield {"kind": "mertens", "name": name, "mef_ssim": mef_ssim(greys, mertens), "clipped": np.nan}


def summary(rows: list[Row]) -> Iterator[str]:
    """One line a kind: every figure's middle, worst ends, or share."""
    for kind in dict.fromkeys(str(r["kind"]) for r in rows):
        chosen = [r for r in rows if r["kind"] == kind]
        parts = []
        for key, first in chosen[0].items():
            values = np.array([r[key] for r in chosen if not isinstance(r[key], str)], float)
            if isinstance(first, bool | np.bool_):
                parts.append(f"{key} {int(values.sum())}")
            elif not isinstance(first, str):
                known = values[np.isfinite(values)]
                if len(known):
                    parts.append(f"{key} {np.median(known):.3f} ({known.min():.3f}..{known.max():.3f})")
        yield f"{kind:14s} n {len(chosen):4d}  " + "  ".join(parts)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("rooms", type=Path)
    parser.add_argument("--real", type=Path)
    parser.add_argument("--views", type=Path)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--parts", default="align,moving,shaken,flicker,window,halo,fusion")
    parser.add_argument("--seed", type=int, default=0)
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    rooms = [Room(p.parent) for p in sorted(wanted.rooms.glob("*/truth.json"))]
    parts: dict[str, Callable[[], Iterator[Row]]] = {
        "align": lambda: alignment_rows(rooms, wanted.seed),
        "moving": lambda: moving_rows(rooms, wanted.seed),
        "shaken": lambda: shaken_rows(rooms, wanted.seed),
        "flicker": lambda: flicker_rows(rooms, wanted.seed),
        "window": lambda: window_rows(rooms, wanted.views),
        "halo": halo_rows,
        "fusion": lambda: fusion_rows(wanted.real, rooms),
    }
    told: dict[str, list[Row]] = {}
    for part in wanted.parts.split(","):
        told[part] = list(parts[part]())
        print(f"--- {part}")
        print("\n".join(summary(told[part])), flush=True)
    if wanted.out:
        wanted.out.write_text(json.dumps(told, indent=1, default=float))
    return 0


if __name__ == "__main__":
    sys.exit(main())
