"""How straight pictures come out: one table over drawn, rendered and real pictures and hard negatives.

    python -m tests.bench.geometry --out geometry.json
    python -m tests.bench.geometry --lenses 12 --rooms DIR --panoramas DIR --still DIR
    python -m tests.bench.geometry --lenses 0 --boards DIR --facades DIR

Always: drawn rooms with real lenses of the database, degraded versions of some, windows of 70 % of every
other one placed anywhere, pooled visits, textures.
With folders: `--rooms` rendered rooms (each with picture.jpg, picture.dng and truth.json), `--panoramas`
views with their truth beside them, `--boards` checkerboards of one lens, `--facades` photographs of houses
whose lines were marked by hand (`facades.json`), `--still` pictures that must stay as they are.
"""

import argparse
import json
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np

from processing import crop, reading, straightening
from processing.lens_curve import fit_form
from processing.lens_lines import bow_percent
from processing.warp import Warp
from tests.bench.facades import facades
from tests.processing.drawn_rooms import Truth, draw_room, wide_lenses
from tests.processing.straightness import Straightness, measure

GREY_PX = 1500
STILL_LEVEL_DEG, STILL_BOW_PERCENT = 0.3, 0.1


def facts_of(size: tuple[int, int], equivalent_mm: float | None, lens: str = "") -> Any:
    """Facts of a file with a lens that the database does not know."""
    return SimpleNamespace(
        maker="Anywhere",
        model="A1",
        lens_maker=None,
        lens=lens or None,
        focal_mm=equivalent_mm,
        focal_35mm=equivalent_mm,
        aperture=8.0,
        crop_factor=1.0 if equivalent_mm else None,
        width=size[0],
        height=size[1],
    )


def radial(truth: Truth) -> Any:
    """`truth.bent` by a dense table: the database's modifier is slow point by point."""
    r = np.linspace(0, np.hypot(*truth.size) * 0.9, 1500)
    bent = (
        truth.bent(np.stack([truth.centre[0] + r, np.full_like(r, truth.centre[1])], 1))[:, 0]
        - truth.centre[0]
    )

    def moved(xy: np.ndarray) -> np.ndarray:
        d = np.asarray(xy, float) - truth.centre
        q = np.hypot(d[..., 0], d[..., 1])
        return (
            truth.centre + d * np.where(q > 1e-9, np.interp(q, r, bent) / np.maximum(q, 1e-9), 1.0)[..., None]
        )

    return moved


def judged(
    straight: straightening.Straight,
    size: tuple[int, int],
    bent: Any,
    focal: float,
    pose: Any,
    centre: np.ndarray | None = None,
) -> dict[str, Any]:
    """Straightness before and after, and the share kept, of one picture with truth."""
    found = crop.largest(size, straight.curve, straight.level, straight.focal_px, "source")
    warp = Warp(size, straight.curve, straight.level, straight.focal_px, found.rect, found.out_size)
    how = {"size": size, "focal_px": focal, "camera_from_world": pose, "centre": centre}
    after = measure(warp.out_from_source, bent, out_size=found.out_size, **how)
    before = measure(lambda xy: xy, bent, out_size=size, **how)
    return {
        **row(before, after),
        "curve": straight.curve.source,
        "level": straight.level.level,
        "kept": found.kept_share,
    }


def row(before: Straightness, after: Straightness) -> dict[str, Any]:
    """The figures of one picture; `worse` by the bar's own rule."""
    lean_worse = after.lean_deg > before.lean_deg + 0.05 and after.lean_deg > 0.1
    return {
        "lean": after.lean_deg,
        "bow": after.bow_percent,
        "aspect": after.aspect_percent,
        "shear": after.shear_deg,
        "lean_before": before.lean_deg,
        "bow_before": before.bow_percent,
        "worse": bool(lean_worse or after.bow_percent > before.bow_percent + 0.05),
    }


def straighten(grey: np.ndarray, facts: Any) -> tuple[straightening.Straight, float]:
    """Settle one picture alone; seconds of one core."""
    start = time.process_time()
    straight = straightening.settle([straightening.look(grey, facts)])[0]
    return straight, time.process_time() - start


def degraded(grey: np.ndarray, rng: np.random.Generator) -> Iterator[tuple[str, np.ndarray]]:
    """The same picture as a worse camera or hand would give it."""
    f = grey.astype(np.float32)
    h, w = grey.shape
    # about ISO 6400 of a full-frame sensor at 1500 px: common practice
    noisy = f + rng.normal(0, 1, f.shape) * 5  # ISO 6400, 24 megapixels averaged to 1500 px: common practice
    dark = (f / 255) ** 2.2 / 8
    dark = dark + rng.normal(0, 1, f.shape) * 0.003
    yield "noise", noisy
    yield "3 stops under", np.clip(dark * 8, 0, 1) ** (1 / 2.2) * 255
    yield "blurred", cv2.GaussianBlur(f, (0, 0), 2.0)
    yield "half size", cv2.resize(f, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    yield "cropped 70 %", f[int(0.15 * h) : int(0.85 * h), int(0.15 * w) : int(0.85 * w)]


def drawn(count: int) -> list[dict[str, Any]]:
    """Rooms with real lenses of the database, each lens left to the estimate."""
    rows = []
    rng, places = np.random.default_rng(0), np.random.default_rng(4)
    for i, (lens, focal) in enumerate(wide_lenses(count, seed=7)):
        grey, truth = draw_room(1000 + i, lens=lens, focal_mm=focal)
        bent = radial(truth)
        equivalent = focal * truth.crop_factor
        straight, seconds = straighten(grey, facts_of(truth.size, equivalent))
        one = judged(straight, truth.size, bent, truth.focal_px, truth.camera_from_world)
        rows.append({"set": "drawn", "name": f"{i} {lens.model}", "seconds": seconds, **one})
        rows.append({"set": "drawn, second pass", "name": f"{i}", **second_pass(grey, truth, straight)})
        if i % 2 == 0:
            one = cut_anywhere(grey, truth, bent, equivalent, places)
            rows.append({"set": "drawn, cut at one side", "name": f"{i}", **one})
        if i % 4 == 0:
            rows += [
                {
                    "set": f"drawn, {kind}",
                    "name": f"{i}",
                    **worse_picture(picture, kind, truth, bent, equivalent),
                }
                for kind, picture in degraded(grey, rng)
            ]
            straight, _ = straighten(grey, facts_of(truth.size, None))
            one = judged(straight, truth.size, bent, truth.focal_px, truth.camera_from_world)
            rows.append({"set": "drawn, EXIF stripped", "name": f"{i}", **one})
            plain, flat = draw_room(1000 + i, lens=None, focal_mm=focal, crop_factor=truth.crop_factor)
            straight, _ = straighten(plain, facts_of(flat.size, equivalent))
            one = judged(straight, flat.size, flat.bent, flat.focal_px, flat.camera_from_world)
            rows.append({"set": "drawn, already corrected", "name": f"{i}", **one})
    return rows


def worse_picture(
    picture: np.ndarray, kind: str, truth: Truth, bent: Any, equivalent: float
) -> dict[str, Any]:
    """Judge a degraded picture on the whole frame's truth: a smaller or cropped one by its own points."""
    grey = np.clip(picture + 0.5, 0, 255).astype(np.uint8)
    h, w = grey.shape
    whole = np.array(truth.size, float)
    if kind == "half size":
        straight, _ = straighten(grey, facts_of((w, h), equivalent))
        scale = w / whole[0]
        return judged(
            straight,
            (w, h),
            lambda xy: (bent((np.asarray(xy) + 0.5) / scale - 0.5) + 0.5) * scale - 0.5,
            truth.focal_px * scale,
            truth.camera_from_world,
        )
    if kind == "cropped 70 %":
        straight, _ = straighten(grey, facts_of((w, h), equivalent))
        corner = np.array([int(0.15 * whole[0]), int(0.15 * whole[1])])
        return judged(
            straight,
            (w, h),
            lambda xy: bent(np.asarray(xy) + corner) - corner,
            truth.focal_px,
            truth.camera_from_world,
        )
    straight, _ = straighten(grey, facts_of((w, h), equivalent))
    return judged(straight, (w, h), bent, truth.focal_px, truth.camera_from_world)


def cut_anywhere(
    grey: np.ndarray, truth: Truth, bent: Any, equivalent: float, rng: np.random.Generator
) -> dict[str, Any]:
    """A window of 70 % of width and height placed anywhere; the file tells the whole frame's focal length."""
    h, w = grey.shape
    corner = np.array([int(rng.uniform(0, 0.3) * w), int(rng.uniform(0, 0.3) * h)])
    size = (int(0.7 * w), int(0.7 * h))
    (x, y), (x1, y1) = corner, corner + size
    straight, seconds = straighten(np.ascontiguousarray(grey[y:y1, x:x1]), facts_of(size, equivalent))
    one = judged(
        straight,
        size,
        lambda xy: bent(np.asarray(xy) + corner) - corner,
        truth.focal_px,
        truth.camera_from_world,
        truth.centre - corner,
    )
    return {"seconds": seconds, **one}


def second_pass(grey: np.ndarray, truth: Truth, straight: straightening.Straight) -> dict[str, Any]:
    """Straighten the straightened picture: how much it still changes."""
    found = crop.largest(truth.size, straight.curve, straight.level, straight.focal_px, "source")
    warp = Warp(truth.size, straight.curve, straight.level, straight.focal_px, found.rect, found.out_size)
    again, _ = straighten(warp.resample(grey), facts_of(found.out_size, None))
    form = fit_form(again.curve)
    change = max(abs(again.level.corrected_roll_deg), abs(again.level.corrected_pitch_deg))
    return {
        "lean": change if straight.level.level == "both" else 0.0,
        "bow": float(np.abs(bow_percent(form, found.out_size)).max()) if form is not None else 0.0,
    }


def pooled(count: int) -> list[dict[str, Any]]:
    """Visits of four views with one lens."""
    rows = []
    for i, (lens, focal) in enumerate(wide_lenses(count, seed=11)):
        views = [draw_room(5000 + 10 * i + j, lens=lens, focal_mm=focal) for j in range(4)]
        name = "A lens nobody knows"
        sightings = [straightening.look(g, facts_of(t.size, focal * t.crop_factor, name)) for g, t in views]
        for (_, truth), straight in zip(views, straightening.settle(sightings), strict=True):
            one = judged(straight, truth.size, radial(truth), truth.focal_px, truth.camera_from_world)
            rows.append({"set": "pool of four", "name": lens.model, **one})
    return rows


def rendered(folder: Path) -> list[dict[str, Any]]:
    """Rendered rooms, raw and JPEG, through the product's own reading."""
    rows = []
    for truth_file in sorted(folder.glob("*/truth.json")):
        truth = json.loads(truth_file.read_text("utf-8"))
        size = (int(truth["size"][0]), int(truth["size"][1]))
        k = np.array(truth["camera"]["K"])
        focal, centre = float(k[0, 0]), k[:2, 2]
        pose = np.array(truth["camera"]["R_world_to_cam"])
        k1, k2 = truth["distortion"]["k1"], truth["distortion"]["k2"]

        def bent(
            xy: np.ndarray, k1: float = k1, k2: float = k2, f: float = focal, c: np.ndarray = centre
        ) -> np.ndarray:
            p = (np.asarray(xy) - c) / f
            r2 = (p**2).sum(-1, keepdims=True)
            return p * (1 + r2 * (k1 + r2 * k2)) * f + c

        world = np.stack([pose[:, 0], -pose[:, 2], pose[:, 1]], 1)  # truth: x right, y into the room, z up
        for name in ("picture.jpg", "picture.dng"):
            frame = reading.read_frame(truth_file.parent / name)
            grey, facts = frame.grey_u8(GREY_PX)[0], facts_of(size, float(truth["camera"]["focal_mm"]))
            facts.is_whole = frame.facts.is_whole
            straight, seconds = straighten(grey, facts)
            one = judged(straight, size, bent, focal, world)
            view = f"{truth['view']} {name[-3:]}"
            rows.append({"set": f"rendered, {name[-3:]}", "name": view, "seconds": seconds, **one})
    return rows


def panoramas(folder: Path) -> list[dict[str, Any]]:
    """Views cut from panoramas with known tilt and curve (k1 in half diagonals, straight to bent)."""
    rows = []
    for truth_file in sorted(folder.glob("*.json")):
        truth = json.loads(truth_file.read_text("utf-8"))
        grey = cv2.imread(str(truth_file.with_suffix(".png")), cv2.IMREAD_GRAYSCALE)
        h, w = grey.shape
        focal, half = float(truth["focal_px"]), float(np.hypot(w, h) / 2)
        centre = np.array([(w - 1) / 2, (h - 1) / 2])

        def bent(
            xy: np.ndarray, k: float = truth["k1"], c: np.ndarray = centre, half: float = half
        ) -> np.ndarray:
            p = (np.asarray(xy) - c) / half
            return p * (1 + k * (p**2).sum(-1, keepdims=True)) * half + c

        down = -np.array(truth["up_in_camera"])
        right = np.cross(down, [0, 0, 1.0])
        right /= np.linalg.norm(right)
        pose = np.stack([right, down, np.cross(right, down)], 1)
        straight, _ = straighten(grey, facts_of((w, h), focal / half * 21.6333))
        rows.append(
            {"set": "panorama views", "name": truth_file.stem, **judged(straight, (w, h), bent, focal, pose)}
        )
    return rows


def boards(folder: Path) -> list[dict[str, Any]]:
    """Real checkerboards of one wide lens: bow of the board's lines by the pool's curve, % of the height."""
    seen = []
    for path in sorted(folder.glob("*.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        for pattern in ((8, 6), (9, 6), (9, 5), (8, 5)):
            found, corners = cv2.findChessboardCornersSB(grey, pattern)
            if found:
                seen.append((path.stem, grey, corners.reshape(pattern[1], pattern[0], 2)))
                break
    if not seen:
        return []
    sightings = [
        straightening.look(g, facts_of((g.shape[1], g.shape[0]), 16.0, "A lens nobody knows"))
        for _, g, _ in seen
    ]
    rows = []
    for (name, grey, corners), straight in zip(seen, straightening.settle(sightings), strict=True):
        size = (grey.shape[1], grey.shape[0])

        def bow(points: np.ndarray, height: int = size[1]) -> float:
            lines = [*points, *np.swapaxes(points, 0, 1)]
            return (
                max(float(np.ptp((p - p.mean(0)) @ np.linalg.svd(p - p.mean(0))[2][1])) for p in lines)
                / height
                * 100
            )

        after = bow(straight.curve.undistort_points(corners, size))
        rows.append(
            {"set": "checkerboards", "name": name, "lean": 0.0, "bow": after, "bow_before": bow(corners)}
        )
    return rows


def textures() -> Iterator[tuple[str, np.ndarray]]:
    """Drawn things without a room: cloth, waves, grass, leaves, a crumpled grid."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:1000, :1500].astype(np.float32)
    yield "cloth", 128 + 60 * cv2.GaussianBlur(rng.normal(0, 9, (1000, 1500)).astype(np.float32), (0, 0), 3)
    yield "waves", 128 + 50 * np.sin((y + 25 * np.sin(x / 90)) / 6)
    for name, spread in (("grass", 0.5), ("straw", 3.2)):
        picture = np.full((1000, 1500), 90, np.uint8)
        for _ in range(2500):
            p, angle = rng.uniform((0, 0), (1500, 1000)), np.pi / 2 + rng.normal(0, spread)
            q = p + rng.uniform(20, 140) * np.array([np.cos(angle), np.sin(angle)])
            ends = (tuple(int(v) for v in p), tuple(int(v) for v in q))
            cv2.line(picture, *ends, float(rng.uniform(20, 230)), int(rng.integers(1, 4)), cv2.LINE_AA)
        yield name, picture.astype(np.float32)
    wave = np.sin((x + 40 * np.sin(y / 130) + 25 * np.sin(x / 210)) / 12) + np.sin(
        (y + 45 * np.sin(x / 150)) / 12
    )
    yield "crumpled grid", 128 + 45 * wave


def still(folder: Path | None) -> list[dict[str, Any]]:
    """Pictures that must stay as they are: by how much an estimate from lines changes them."""
    pictures = [(n, np.clip(p, 0, 255).astype(np.uint8)) for n, p in textures()]
    for path in sorted(folder.iterdir()) if folder else []:
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        if grey is not None and min(grey.shape) >= 64:
            scale = min(1.0, GREY_PX / max(grey.shape))
            pictures.append(
                (path.name, cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
            )
    rows = []
    for name, grey in pictures:
        size = (grey.shape[1], grey.shape[0])
        straight, _ = straighten(grey, facts_of(size, None))
        form = fit_form(straight.curve)
        lean = max(abs(straight.level.corrected_roll_deg), abs(straight.level.corrected_pitch_deg))
        bow = float(np.abs(bow_percent(form, size)).max()) if form is not None else 0.0
        changed = lean > STILL_LEVEL_DEG or bow > STILL_BOW_PERCENT
        rows.append({"set": "hard negatives", "name": name, "lean": lean, "bow": bow, "worse": changed})
    return rows


def table(rows: list[dict[str, Any]]) -> str:
    """Each set's medians and tails."""
    lines = [
        f"{'set':28}{'n':>4}{'lean':>8}{'p95':>8}{'bow':>8}{'max':>8}{'aspect':>8}{'kept':>7}{'worse':>6}{'s':>6}"
    ]
    for name in dict.fromkeys(r["set"] for r in rows):
        own = [r for r in rows if r["set"] == name]

        def of(key: str, q: float, own: list[dict[str, Any]] = own) -> float:
            values = [r[key] for r in own if key in r]
            return float(np.percentile(values, q)) if values else float("nan")

        lean, bow = (
            f"{of('lean', 50):8.3f}{of('lean', 95):8.3f}",
            f"{of('bow', 50):8.3f}{of('bow', 100):8.3f}",
        )
        rest = f"{of('aspect', 100):8.2f}{of('kept', 50):7.3f}{sum(bool(r.get('worse')) for r in own):6}"
        lines.append(f"{name:28}{len(own):4}{lean}{bow}{rest}{of('seconds', 50):6.2f}")
    return "\n".join(lines)


def worst(rows: list[dict[str, Any]], count: int = 10) -> str:
    """The pictures that lean or bow most after correction."""
    ranked = sorted((r for r in rows if "lean" in r), key=lambda r: -(r["lean"] / 0.15 + r["bow"] / 0.1))
    return "\n".join(
        f"{r['set']:28}{r['name'][:36]:38} lean {r['lean']:.3f} (was {r.get('lean_before', 0):.2f})"
        f"  bow {r['bow']:.3f} (was {r.get('bow_before', 0):.2f})  {r.get('curve', '')} {r.get('level', '')}"
        for r in ranked[:count]
    )


def main() -> None:
    """Run what is asked for, print the table, write the rows."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--lenses", type=int, default=48, help="drawn rooms, one lens each; 0 leaves them out"
    )
    parser.add_argument("--visits", type=int, default=4, help="drawn visits of four views")
    for name in ("rooms", "panoramas", "boards", "facades", "still"):
        parser.add_argument(f"--{name}", type=Path)
    parser.add_argument("--out", type=Path, help="write every picture's figures as JSON")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    rows = drawn(given.lenses) + pooled(given.visits)
    real = (
        (given.rooms, rendered),
        (given.panoramas, panoramas),
        (given.boards, boards),
        (given.facades, facades),
    )
    for folder, run in real:
        rows += run(folder) if folder else []
    rows += still(given.still)
    print(table(rows), "\n\nThe worst:\n" + worst(rows), sep="")
    if given.out:
        given.out.write_text(json.dumps(rows, indent=1, default=float) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
