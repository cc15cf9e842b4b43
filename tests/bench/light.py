"""How near the light comes to the truth, on rendered rooms: one command, a table, a JSON file.

    python -m tests.bench.light ROOMS_DIR [--out light.json] [--kinds raw,jpeg,under,flash]

ROOMS_DIR holds one folder a view with `truth.json`, `truth_half.npz` (linear sRGB, every light neutral),
`cast_quarter.npz` (colour of the local light), `neutral_mask.png`, `picture.dng`, `picture.jpg` and, where
they exist, `under3.jpg`, `ambient.jpg`, `flash.jpg`. Every row stands beside "untouched" (the camera's white
balance) and "best single white point" (found with the truth). "points" is the raw file with one mark "white
or grey here" in each area of light, on the neutral surface that coloured paint shines on least, as someone
would hold a card. "order" is the rank correlation (C. Spearman, 1904) of lightness with the truth's inside
each connected surface of one paint: the median over surfaces; "order_low" is their tenth percentile. The
camera's own fall-off and noise already cost what "untouched" lacks. Distances are in the a*b* plane, at the
output's own lightness, in the truth's geometry.
Judge on rooms that nothing was chosen on.
"""

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import spearmanr

from processing import analysis, arrays, casts, reading, tone
from processing.colour import lab_from_linear

LUMA = np.array(arrays.LUMA_709)
KINDS = {"raw": "picture.dng", "jpeg": "picture.jpg", "under": "under3.jpg", "flash": "ambient.jpg"}
KINDS["points"] = KINDS["raw"]
MARK_DEPTH_PX = 12  # a mark keeps this far from the surface's edge
AREA_DISTANCE = 0.09  # ln units: lights nearer to each other than this are one area
LEAST_SURFACE_PX = 4000
LEAST_RANGE_L = 3.0  # of the truth within a surface: flatter ones have no order beyond noise
JUMP_EV = 0.06  # log2 step over two pixels of the truth at which one surface ends
Row = dict[str, float | str]


class View:
    """One rendered view with its truth."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        told = json.loads((folder / "truth.json").read_text())
        self.size = tuple(told["size"])
        self.camera = np.array(told["camera"]["K"])
        self.bend = np.array([told["distortion"]["k1"], told["distortion"]["k2"], 0.0, 0.0])
        truth = np.load(folder / "truth_half.npz")["rgb"].astype(np.float32)
        self.truth = cv2.GaussianBlur(cv2.resize(truth, self.size), (0, 0), 1.5)
        mask = cv2.imread(str(folder / "neutral_mask.png"), 0) > 127
        self.neutral = cv2.erode(mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        inside = np.full(self.size[::-1], 255, np.uint8)
        self.seen = cv2.undistort(inside, self.camera, self.bend) > 250

    def straight(self, picture: np.ndarray) -> np.ndarray:
        return cv2.undistort(picture, self.camera, self.bend)

    def points(self, rgb_linear: np.ndarray) -> list[tuple[float, float]]:
        """Shares of the frame: in each area of light the neutral surface that paint shines on least."""
        cast = np.load(self.folder / "cast_quarter.npz")["rgb"].astype(np.float32)
        logs = np.log(np.maximum(cv2.resize(cast, self.size), 1e-3))
        uv = logs[..., [0, 2]] - logs[..., [1]]
        straight = self.straight(rgb_linear)
        may = self.neutral & self.seen & (straight.max(-1) < 0.9) & (straight.min(-1) > 0.01)
        criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-4)
        for count in (3, 2, 1):
            cv2.setRNGSeed(0)
            _, labels, centres = cv2.kmeans(uv[may], count, None, criteria, 5, cv2.KMEANS_PP_CENTERS)
            gaps = np.linalg.norm(centres[:, None] - centres[None], axis=-1) + np.eye(count) * 9
            if gaps.min() > AREA_DISTANCE:
                break
        level = (self.truth @ LUMA)[..., None]
        tint = lab_from_linear((0.4828 * self.truth / np.maximum(level, 1e-6)).astype(np.float32))
        shine = np.hypot(tint[..., 1], tint[..., 2])
        areas = np.full(may.shape, -1)
        areas[may] = labels.ravel()
        found = []
        for k in range(count):
            inside = cv2.copyMakeBorder((areas == k).astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
            depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5)[1:-1, 1:-1]
            deep = depth >= min(MARK_DEPTH_PX, depth.max())
            y, x = np.unravel_index(np.where(deep, shine, np.inf).argmin(), depth.shape)
            found.append(self._in_picture(float(x), float(y)))
        return found

    def _in_picture(self, x: float, y: float) -> tuple[float, float]:
        """A place of the straight picture in the bent one, as shares of the frame."""
        focal, (cx, cy) = self.camera[0, 0], self.camera[:2, 2]
        ray = np.array([(x - cx) / focal, (y - cy) / focal])
        r2 = float(ray @ ray)
        x, y = ray * (1 + self.bend[0] * r2 + self.bend[1] * r2**2) * focal + (cx, cy)
        return (x + 0.5) / self.size[0], (y + 0.5) / self.size[1]

    def surfaces(self) -> Iterator[tuple[str, np.ndarray]]:
        """Neutral, pale (C* 4-25) and strong (> 25) surfaces of the truth."""
        lab = lab_from_linear(np.clip(self.truth * 1.5, 0, 1))
        chroma = np.hypot(lab[..., 1], lab[..., 2])
        away = cv2.dilate(self.neutral.astype(np.uint8), np.ones((15, 15), np.uint8)) == 0
        body = (lab[..., 0] > 20) & (self.truth.max(-1) < 1.2) & away
        yield "neutral", self.neutral & self.seen
        yield "pale", body & (chroma > 4) & (chroma <= 25) & self.seen
        yield "strong", body & (chroma > 25) & self.seen


def order_kept(view: View, lightness: np.ndarray) -> list[float]:
    """Rank correlation of a picture's L* with the truth's luminance in each surface of one paint."""
    level = np.log2(np.maximum(view.truth @ LUMA, 1e-6)).astype(np.float32)
    steps = cv2.dilate(level, np.ones((3, 3))) - cv2.erode(level, np.ones((3, 3)))
    truth_l = lab_from_linear(np.clip(view.truth * 1.5, 0, 1))[..., 0]
    found = []
    for _, mask in view.surfaces():
        inside = mask & (steps < JUMP_EV) & (lightness > 5) & (lightness < 96)
        count, labels, boxes, _ = cv2.connectedComponentsWithStats(inside.astype(np.uint8), connectivity=4)
        for k in np.flatnonzero(boxes[:, cv2.CC_STAT_AREA] >= LEAST_SURFACE_PX):
            here = labels == k
            if k == 0 or np.ptp(np.percentile(truth_l[here], [5, 95])) < LEAST_RANGE_L:
                continue
            found.append(float(spearmanr(lightness[here][::7], level[here][::7])[0]))
    return found


def score(view: View, rgb_u8: np.ndarray) -> dict[str, float]:
    """Distances of a finished picture (source geometry) to the truth."""
    picture = cv2.GaussianBlur(view.straight(rgb_u8).astype(np.float32) / 255, (0, 0), 2)
    lab = lab_from_linear(arrays.decode_srgb(picture))
    rng = np.random.default_rng(0)
    found: dict[str, float] = {}
    for name, mask in view.surfaces():
        places = np.argwhere(mask)
        if len(places) < 200:
            continue
        rows, cols = places[rng.choice(len(places), min(6000, len(places)), replace=False)].T
        have, truth = lab[rows, cols], view.truth[rows, cols]
        luma = np.maximum(truth @ LUMA, 1e-6)
        if name == "neutral":
            bright = luma > np.median(view.truth @ LUMA)
            found["bright_L"] = float(np.median(have[bright, 0]))
        keep = (have[:, 0] > 12) & (have[:, 0] < 95 if name == "neutral" else have[:, 0] < 92)
        have, truth, luma = have[keep], truth[keep], luma[keep]
        if len(have) < 100:
            continue
        want = lab_from_linear(truth / luma[:, None] * (((have[:, 0] + 16) / 116) ** 3)[:, None])
        miss = np.hypot(*(have - want)[:, 1:].T)
        found[name] = float(np.median(miss))
        found[f"{name}_p90"] = float(np.percentile(miss, 90))
        if name != "neutral":
            chroma = [np.hypot(x[:, 1], x[:, 2]) for x in (have, want)]
            found[f"{name}_C"] = float(np.median(chroma[0] / np.maximum(chroma[1], 1)))
    kept = order_kept(view, lab[..., 0])
    if kept:
        found["order"], found["order_low"] = (float(np.percentile(kept, q)) for q in (50, 10))
    found["clipped"] = float((rgb_u8.max(-1) >= 254).mean())
    return found


def finish(rgb_linear: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """Light and tone of the product, without geometry."""
    height, width = rgb_linear.shape[:2]
    small = arrays.shrink(rgb_linear, (width // 2, height // 2))
    lit = casts.apply(small, arrays.shrink(gain, (width // 2, height // 2)))
    plan = tone.settle([tone.analyse(lit)])[0]
    base = cv2.resize(tone.local_base(lit), (width, height), interpolation=cv2.INTER_LINEAR)
    return tone.apply(casts.apply(rgb_linear, gain), plan, base)


def single_gain(view: View, rgb_linear: np.ndarray) -> np.ndarray:
    """The one gain that brings the neutral surfaces nearest to the truth: needs the truth."""
    straight = view.straight(rgb_linear)
    mask = view.neutral & view.seen & (straight.max(-1) < 0.95) & (straight.min(-1) > 0.01)
    logs = np.log(view.truth[mask] / straight[mask])
    uv = np.median(logs[:, [0, 2]] - logs[:, [1]], axis=0)
    gain = np.array([np.exp(uv[0]), 1.0, np.exp(uv[1])], np.float32)
    whole = np.broadcast_to(gain, rgb_linear.shape).astype(np.float32)
    return whole * casts.keep_luminance(rgb_linear, whole)[..., None]


def product_gain(
    rgb_linear: np.ndarray,
    *,
    flash: Path | None,
    camera: casts.CameraColour | None,
    points: list[tuple[float, float]],
) -> np.ndarray:
    """What the product does, at the size it does it."""
    height, width = rgb_linear.shape[:2]
    small = arrays.shrink(rgb_linear, (width // 2, height // 2))
    lit = None if flash is None else reading.read_frame(flash).linear(width // 2)
    seen = casts.analyse(small, flash_linear=lit, camera=camera)
    kept = arrays.shrink(small, arrays.fit_size((width, height), max_edge=analysis.POINTS_EDGE_PX))
    read = [casts.read_point(kept, x, y) for x, y in points]
    marks = [[mark for mark in read if mark]] if points else None
    plan = casts.settle([seen], neutral_points=marks, pictures=[kept])[0]
    return cv2.resize(casts.gains(plan, small), (width, height), interpolation=cv2.INTER_LINEAR)


def rows_of(folder: Path, kind: str) -> Iterator[Row]:
    """Three rows for one picture: untouched, best single white point, the product."""
    path = folder / KINDS[kind]
    flash = folder / "flash.jpg" if kind == "flash" else None
    if not path.exists() or (flash is not None and not flash.exists()):
        return
    frame = reading.read_frame(path)
    view, rgb = View(folder), np.clip(frame.linear(), 0, 1)
    gains = {
        "untouched": np.ones_like(rgb),
        "best single": single_gain(view, rgb),
        "product": product_gain(
            rgb,
            flash=flash,
            camera=analysis.camera_colour(frame),
            points=view.points(rgb) if kind == "points" else [],
        ),
    }
    for method, gain in gains.items():
        yield {"view": folder.name, "kind": kind, "method": method} | score(view, finish(rgb, gain))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("rooms", type=Path)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--kinds", default=",".join(KINDS))
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    rows: list[Row] = []
    keys: tuple[str, ...] = (
        "neutral",
        "neutral_p90",
        "pale",
        "pale_C",
        "strong",
        "strong_C",
        "bright_L",
        "clipped",
    )
    keys += ("order", "order_low")
    print("view".ljust(14), "kind".ljust(6), "method".ljust(12), *[k.rjust(11) for k in keys])
    for kind in wanted.kinds.split(","):
        for folder in sorted(p.parent for p in wanted.rooms.glob("*/truth.json")):
            for row in rows_of(folder, kind):
                rows.append(row)
                figures = [f"{float(row.get(k, np.nan)):11.2f}" for k in keys]
                print(str(row["view"]).ljust(14), kind.ljust(6), str(row["method"]).ljust(12), *figures)
        for method in ("untouched", "best single", "product"):
            chosen = [r for r in rows if r["kind"] == kind and r["method"] == method]
            middle = [np.nanmedian([float(r.get(k, np.nan)) for r in chosen]) for k in keys if chosen]
            print("median".ljust(14), kind.ljust(6), method.ljust(12), *[f"{m:11.2f}" for m in middle])
    if wanted.out:
        wanted.out.write_text(json.dumps(rows, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
