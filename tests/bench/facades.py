"""Real fronts of houses with lines marked by hand (`facades.json` says how): straightness before and after.

Files are found by name and SHA-256 below a folder and corrected each alone, as the command line does; the
marks are carried through the grid that the report gives, so nothing of the engine judges itself.
"""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from scipy.interpolate import RectBivariateSpline

from processing import visit

MARKS = Path(__file__).with_name("facades.json")
LEAST_POINTS = 6
SHARP_RMS_PX = 0.25  # rougher lines tell a direction, but no bow
LONG = 0.12  # of the height: shorter lines tell no bow beyond their own noise
CHANGED_DEG = 0.3  # a picture that must stay as it is


@dataclass(frozen=True)
class Picture:
    """One marked picture: its files, what may be counted of it, its lines as (upright, rms px, points)."""

    paths: tuple[str, ...]
    kind: str  # "facade" | "sideways" | "leaning"
    lines: tuple[tuple[bool, float, np.ndarray], ...]


@dataclass(frozen=True)
class Seen:
    """What a picture's marks show: worst lean of the level, spread of single lines about it, worst bow."""

    lean_deg: float
    apart_deg: float
    bow_percent: float
    leans_deg: np.ndarray


def marked(folder: Path) -> Iterator[Picture]:
    """The marked pictures whose files lie somewhere below a folder."""
    for entry in json.loads(MARKS.read_text("utf-8"))["pictures"]:
        paths = [_find(folder, f["name"], f["sha256"]) for f in entry["files"]]
        if None in paths:
            print(f"left out, not below {folder}: {entry['files'][0]['name']}")
            continue
        lines = tuple(
            (v["is"] == "upright", float(v["rms_px"]), np.array(v["points"])) for v in entry["lines"]
        )
        yield Picture(tuple(str(p) for p in paths), entry["kind"], lines)


def _find(folder: Path, name: str, digest: str) -> Path | None:
    for path in sorted(folder.rglob(name)):
        if hashlib.sha256(path.read_bytes()).hexdigest() == digest:
            return path
    return None


def carried(points: np.ndarray, grid: list[list[float]]) -> np.ndarray:
    """Points of the source in pixels of the file, by cubic splines through the report's 33 x 33 points."""
    rows = np.array(grid, float).reshape(33, 33, 4)
    x, y = rows[0, :, 0], rows[:, 0, 1]
    out = [RectBivariateSpline(y, x, rows[..., 2 + i]).ev(points[:, 1], points[:, 0]) for i in (0, 1)]
    return np.stack(out, 1)


def seen(lines: list[tuple[bool, float, np.ndarray]], height: int) -> Seen:
    """How the marked lines stand.

    Houses have tenths of a degree of their own and short lines err as much; what a level owes is that the
    uprights do not lean together, more to one side of the picture than to the other. So a straight line is
    laid through lean against place (Huber weights, by length), and its worst value between the outermost
    marks counts. A picture that lies on its side is judged by its own direction.
    """
    upright = [p for is_upright, _, p in lines if is_upright]
    place, lean, length = (np.array(v) for v in zip(*map(_lean, upright), strict=True))
    weight = length / length.max()
    at = (place - place.mean()) / max(float(np.ptp(place)), 1e-9)
    basis = np.stack([np.ones_like(at), at], 1)
    for _ in range(12):
        root = np.sqrt(weight)[:, None]
        fit = np.linalg.lstsq(basis * root, lean * root[:, 0], rcond=None)[0]
        rest = lean - basis @ fit
        apart = 1.4826 * float(np.median(np.abs(rest)))
        weight = length / length.max() / np.maximum(np.abs(rest) / max(1.5 * apart, 0.02), 1.0)
    bows = [_bow(p) for _, rms, p in lines if rms <= SHARP_RMS_PX and _reach(p) > LONG * height]
    return Seen(
        float(np.abs(basis @ fit).max()), apart, max(bows, default=0.0) / height * 100, np.asarray(lean)
    )


def _turned(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Along and across the points' own straight line, and its direction (downwards or to the right)."""
    centred = points - points.mean(0)
    way = np.linalg.svd(centred, full_matrices=False)[2][0]
    way = way * (np.sign(way[np.argmax(np.abs(way))]) or 1)
    return np.stack([centred @ way, centred @ (-way[1], way[0])], 1), way


def _lean(points: np.ndarray) -> tuple[float, float, float]:
    """Place across the picture, lean in degrees (from the nearer of upright and level) and length."""
    _, way = _turned(points)
    lies = abs(way[0]) > abs(way[1])
    lean = np.degrees(np.arctan2(way[1], way[0]) if lies else np.arctan2(way[0], way[1]))
    return float(points.mean(0)[1 if lies else 0]), float(lean), _reach(points)


def _reach(points: np.ndarray) -> float:
    return float(np.ptp(_turned(points)[0][:, 0]))


def _bow(points: np.ndarray) -> float:
    """Sagitta, px, of the parabola through the points."""
    along, across = _turned(points)[0].T
    return abs(float(np.polyfit(along, across, 2)[0])) * (float(np.ptp(along)) / 2) ** 2


def facades(folder: Path) -> list[dict[str, Any]]:
    """Every marked picture alone through the command line's own way, and its output through it again."""
    rows = []
    for picture in marked(folder):
        with TemporaryDirectory(prefix="facades-") as out:
            rows += _judged(picture, Path(out))
    return rows


def _judged(picture: Picture, out: Path) -> list[dict[str, Any]]:
    (entry,) = visit.run(picture.paths, out / "first").pictures
    (again,) = visit.run([str(out / "first" / entry["output"])], out / "second").pictures
    lines = list(picture.lines)
    first = _carried_all(lines, entry)
    second = _carried_all(first, again)
    # the grid's last source row is the picture's last row
    height = int(entry["geometry"]["grid"][-1][1]) + 1
    before, after, twice = (
        seen(v, h) for v, h in ((lines, height), (first, entry["height"]), (second, again["height"]))
    )
    name = Path(picture.paths[entry["reference"]]).stem
    geometry = entry["geometry"]
    shared = {
        "name": name,
        "curve": geometry["lens"]["source"],
        "level": geometry["level"],
        "kept": geometry["kept_share"],
        "why": geometry["why"],
        "roll_deg": geometry["roll_deg"],
        "pitch_deg": geometry["pitch_deg"],
    }
    if picture.kind != "facade":  # how far it is off is not known: only whether it was spoiled
        change = float(np.abs(after.leans_deg - before.leans_deg).max())
        spoiled = change > CHANGED_DEG and (picture.kind == "sideways" or after.lean_deg > before.lean_deg)
        return [{"set": f"{picture.kind} house", **shared, "change": change, "worse": bool(spoiled)}]
    lean_worse = after.lean_deg > before.lean_deg + 0.05 and after.lean_deg > 0.1
    row = {
        "set": "facades",
        **shared,
        "lean": after.lean_deg,
        "bow": after.bow_percent,
        "lean_before": before.lean_deg,
        "bow_before": before.bow_percent,
        "apart": after.apart_deg,
        "worse": bool(lean_worse or after.bow_percent > before.bow_percent + 0.05),
    }
    repeated = {
        "set": "facades, second pass",
        "name": name,
        "lean": float(np.abs(twice.leans_deg - after.leans_deg).max()),
        "bow": abs(twice.bow_percent - after.bow_percent),
    }
    return [row, repeated]


def _carried_all(
    lines: list[tuple[bool, float, np.ndarray]], entry: dict[str, Any]
) -> list[tuple[bool, float, np.ndarray]]:
    return [(is_upright, rms, carried(p, entry["geometry"]["grid"])) for is_upright, rms, p in lines]
