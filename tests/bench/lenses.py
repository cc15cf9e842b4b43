"""What the lens database brings: names, checks against drawn rooms, and the time of a known lens.

    python -m tests.bench.lenses --out lenses.json
    python -m tests.bench.lenses --lenses 12

Three tables: the name table (tests/processing/values/lens_names.csv); for each lens a drawn room with the
right curve, one that needs no curve any more, one with another lens's curve, and a frame cut to 70 %; and the
seconds of one core at 24 megapixels that a known lens takes without the resampling.
"""

import argparse
import json
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np

from processing import crop, straightening
from processing.lens_curve import Curve, fit_form
from processing.lens_database import curve_of_lens, database, find_in_database
from processing.lens_lines import bow_percent
from processing.warp import Warp
from tests.processing.drawn_rooms import draw_room, wide_lenses
from tests.processing.test_lens_check import sighting
from tests.processing.test_lens_database import answer, name_rows

FULL = (6000, 4000)
HARM = 0.1  # % of the height by which a picture's bow may differ from the truth's


def names() -> dict[str, Any]:
    """Wrong, found and known of the name table."""
    rows = [(row, answer(row)) for row in name_rows()]
    told = [(row, lens) for row, lens in rows if lens]
    known = sum(row["entry"] != "-" for row, _ in rows)
    return {
        "lines": len(rows),
        "none": len(rows) - known,
        "wrong": sum(lens.model != row["entry"] for row, lens in told),
        "found": sum(lens.model == row["entry"] for row, lens in told) / known,
    }


def cases(index: int, lenses: list[Any]) -> list[tuple[str, np.ndarray, Any, Curve, np.ndarray | None]]:
    """(name, grey, truth, the curve that the file claims, the true curve's coefficients or None)."""
    lens, focal = lenses[index]
    seed = 5000 + index
    grey, truth = draw_room(seed, lens=lens, focal_mm=focal)
    curve = curve_of_lens(lens, focal, crop_factor=truth.crop_factor)
    straight, _ = draw_room(seed, focal_mm=focal, crop_factor=truth.crop_factor)
    other, other_focal = lenses[(index + 7) % len(lenses)]
    wrong = curve_of_lens(other, other_focal, crop_factor=other.crop_factor)
    height, width = grey.shape
    part = grey[int(0.15 * height) : int(0.85 * height), int(0.15 * width) : int(0.85 * width)]
    part = cv2.resize(part, (width, height), interpolation=cv2.INTER_CUBIC)
    terms = fit_form(curve)
    cut = terms * 0.7 ** np.arange(1, 5)
    return [
        ("right", grey, truth, curve, terms),
        ("taken out", straight, truth, curve, np.zeros(4)),
        ("another lens", grey, truth, wrong, terms),
        ("cut to 70 %", part, truth, curve, cut),
    ]


def judged(name: str, grey: np.ndarray, truth: Any, curve: Curve, wanted: np.ndarray) -> dict[str, Any]:
    """What became of one picture: where its curve is from, and its bow against the true one's."""
    developed = name in ("taken out", "cut to 70 %")  # raw files are neither
    settled = straightening.settle([sighting(grey, truth, curve, developed=developed)])[0].curve
    size = (grey.shape[1], grey.shape[0])
    used = np.zeros(4) if settled.model == "none" else fit_form(settled)
    left = np.abs(bow_percent(used, size) - bow_percent(wanted, size)).max()
    return {
        "case": name,
        "source": settled.source,
        "bow_before": float(np.abs(bow_percent(wanted, size)).max()),
        "bow_left": float(left),
    }


def seconds() -> dict[str, float]:
    """Processor seconds of one core for a known lens at 24 megapixels, all that comes before resampling:
    the best of three runs for each part, other work may be going on beside.
    """
    cv2.setNumThreads(1)
    told = {"maker": "Canon", "model": "Canon EOS 5D Mark III", "lens_maker": None, "focal_35mm": None}
    told |= {"lens": "EF16-35mm f/2.8L II USM", "focal_mm": 20.0, "aperture": 8.0, "crop_factor": None}
    facts = SimpleNamespace(**told, width=FULL[0], height=FULL[1], kind="raw")
    lens = next(v for v in database().lenses if v.model == "Canon EF 16-35mm f/2.8L II USM")
    find_in_database(facts)  # the database is loaded once for each process
    out: dict[str, list[float]] = {}
    for run in range(9):
        grey, _ = draw_room(31 + run % 3, lens=lens, focal_mm=20.0)
        clock = time.process_time
        start = clock()
        seen = straightening.look(grey, facts)
        looked = clock()
        settled = straightening.settle([seen])[0]
        done = clock()
        found = crop.largest(FULL, settled.curve, settled.level, settled.focal_px, "source")
        cut = clock()
        Warp(FULL, settled.curve, settled.level, settled.focal_px, found.rect, found.out_size).coarse()
        mapped = clock()
        parts = {"look": looked - start, "settle": done - looked, "crop": cut - done, "grid": mapped - cut}
        for part, value in (parts | {"all": mapped - start}).items():
            out.setdefault(part, []).append(value)
    best = {part: np.reshape(values, (3, 3)).min(0) for part, values in out.items()}
    return {part: float(np.median(values)) for part, values in best.items()}


def table(rows: list[dict[str, Any]]) -> str:
    """One line for each case."""
    lines = ["case          n   from the database   bow left median / max   made worse"]
    for case in dict.fromkeys(r["case"] for r in rows):
        mine = [r for r in rows if r["case"] == case]
        left = [r["bow_left"] for r in mine]
        kept = sum(r["source"] == "database" for r in mine)
        worse = sum(r["bow_left"] > r["bow_before"] + HARM / 2 for r in mine)
        lines.append(
            f"{case:13s} {len(mine):3d} {kept:10d} {np.median(left):18.3f} / {max(left):.3f} {worse:12d}"
        )
    return "\n".join(lines)


def main() -> None:
    """Run, print, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lenses", type=int, default=40)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    known = names()
    print("names: " + ", ".join(f"{key} {value:.4g}" for key, value in known.items()))
    spent = seconds()
    print("seconds: " + ", ".join(f"{k} {v:.3f}" for k, v in spent.items()))
    lenses = wide_lenses(40, seed=11)
    rows = [judged(*case) for i in range(given.lenses) for case in cases(i, lenses)]
    print(table(rows))
    if given.out:
        given.out.write_text(json.dumps({"names": known, "seconds": spent, "rooms": rows}, indent=1), "utf-8")


if __name__ == "__main__":
    main()
