"""How like the wall a removal comes out, and whether it refuses where it would smear.

    python -m tests.bench.removal [ROOMS_DIR] [--places 60] [--out removal.json]

Drawn surfaces (plain, falling off, under a lamp, textured) and drawn structures (an edge, a corner, a strip,
a grid, stripes, a shadow's border, wood) are marked where nothing is in the way, so the picture itself is the
truth; places are also drawn at random from the pictures of ROOMS_DIR (`*/picture.jpg`). What is under the
mark is overwritten first: the fill cannot see it.

colour   mean CIEDE2000 of the low-passed fill (sigma 3 px) against the low-passed truth
noise    standard deviation of the rest of the fill over that of the truth
smear    accepted though a twentieth of the filled pixels (low-passed, sigma 2 px) is off by more than
         `SMEAR_DE`; not counted on drawn plaster, whose bumps cannot be known
"""

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from processing.arrays import decode_srgb
from processing.colour import delta_e_2000, lab_from_linear
from processing.removal import remove

LOW_PX = 3.0
SMEAR_DE = 2.0  # CIEDE2000: seen side by side by most people (common practice); grain alone reaches 1.8
PLAIN_DE = 1.0  # a place is plain where a quadratic surface misses its low-pass by less than this at most
SHAPES = ("square", "strip", "disc", "cable")
Place = tuple[str, np.ndarray, np.ndarray]


def marks(rng: np.random.Generator, shape: tuple[int, int], x: int, y: int, kind: str) -> np.ndarray:
    """A mark of 12-34 px around a point, as a hand would draw it."""
    mask = np.zeros(shape, np.uint8)
    size = int(rng.integers(12, 35))
    if kind == "square":
        cv2.rectangle(mask, (x - size // 2, y - size // 3), (x + size // 2, y + size // 3), 1, -1)
    elif kind == "strip":
        cv2.rectangle(mask, (x - size * 2, y - 3), (x + size * 2, y + 3), 1, -1)
    elif kind == "disc":
        cv2.circle(mask, (x, y), size // 2, 1, -1)
    else:
        bends = np.cumsum(rng.normal(0, 5, (6, 2)) + (0, size * 0.6), axis=0) - (0, size * 2)
        cv2.polylines(mask, [(bends + (x, y)).astype(np.int32)], False, 1, 7)
    return mask > 0


def drawn(rng: np.random.Generator) -> Iterator[Place]:
    """One of each drawn surface, (400, 600, 3) uint8."""
    y, x = np.mgrid[0:400, 0:600].astype(np.float32)
    paint = rng.uniform(0.82, 1.0, 3)
    level = rng.uniform(110, 225)
    slope = level * (1 + rng.uniform(-0.3, 0.3) * (x / 600 - 0.5) + rng.uniform(-0.3, 0.3) * (y / 400 - 0.5))
    lamp = level * (0.5 + 0.5 / (1 + ((x - 300) ** 2 + (y - 120) ** 2) / 250**2))
    bumps = cv2.GaussianBlur(rng.normal(0, 1, (400, 600)).astype(np.float32), (0, 0), 2.0)
    woodchip = slope + 4 * bumps / bumps.std()
    grain = cv2.GaussianBlur(rng.normal(0, 1, (400, 600)).astype(np.float32), (0, 0), sigmaX=40, sigmaY=0.8)
    shift = rng.uniform(-6, 6)
    edge = np.where(x + rng.uniform(-0.3, 0.3) * (y - 200) > 300 + shift, 0.72, 1.0)
    ladder = {
        "plain": np.full_like(x, level),
        "fall-off": slope,
        "lamp": lamp,
        "texture": woodchip,
        "edge": slope * edge,
        "faint edge": slope * (1 - 0.18 * (1 - edge)),
        "corner": slope * np.where((x > 300 + shift) & (y > 200), 0.75, 1.0),
        "strip": slope * np.where(abs(x - 300 - shift) < 3, 0.6, 1.0),
        "faint strip": slope * np.where(abs(x - 300 - shift) < 3, 0.9, 1.0),
        "grid": slope * np.where((x % 40 < 2) | (y % 40 < 2), 0.8, 1.0),
        "stripes": slope * (1 - 0.08 * (x // 12 % 2)),
        "shadow": slope * (1 - 0.25 / (1 + np.exp(-(x - 300 - shift) / 6))),
        "wood": slope * (1 - 0.05 * grain / grain.std()),
    }
    for name, surface in ladder.items():
        noise = cv2.GaussianBlur(rng.normal(0, 2.4, (400, 600, 3)).astype(np.float32), (0, 0), 0.6)
        picture = np.clip(surface[..., None] * paint + noise * 1.6, 0, 255).astype(np.uint8)
        spot = (300 + int(rng.integers(-8, 9)), 200 + int(rng.integers(-8, 9)))
        yield name, picture, marks(rng, (400, 600), *spot, str(rng.choice(SHAPES)))


def from_rooms(rooms: Path, rng: np.random.Generator, count: int) -> Iterator[Place]:
    """Random places of the pictures, half of them where the picture is smooth."""
    for path in sorted(rooms.glob("*/picture.jpg")):
        picture = np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
        rough = cv2.blur((grey - cv2.blur(grey, (61, 61))) ** 2, (61, 61))[100:-100, 100:-100]
        smooth = np.argwhere(rough < np.percentile(rough, 35)) + 100
        for number in range(count):
            if number % 2:
                y, x = smooth[rng.integers(len(smooth))]
            else:
                y, x = (int(rng.integers(100, n - 100)) for n in grey.shape)
            box = np.s_[y - 90 : y + 91, x - 90 : x + 91]
            mask = marks(rng, (181, 181), 90, 90, str(rng.choice(SHAPES)))
            part = np.ascontiguousarray(picture[box])
            if part.shape[:2] == mask.shape and part.max(-1)[mask].mean() < 250:
                yield path.parent.name, part, mask


def low_lab(picture: np.ndarray, sigma_px: float = LOW_PX) -> np.ndarray:
    low = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), sigma_px) / 255
    return lab_from_linear(decode_srgb(low))


def is_plain(picture: np.ndarray, mask: np.ndarray) -> bool:
    """Whether the place, its truth included, is a smooth surface."""
    wide = cv2.dilate(mask.astype(np.uint8), np.ones((31, 31), np.uint8)) > 0
    ys, xs = (v.astype(np.float64) / 100 for v in np.nonzero(wide))
    ys, xs = ys - ys.mean(), xs - xs.mean()
    terms = np.stack([np.ones_like(xs), xs, ys, xs * xs, xs * ys, ys * ys], -1)
    lab = low_lab(picture)[wide]
    fit = terms @ np.linalg.lstsq(terms, lab, rcond=None)[0]
    return float(np.percentile(np.linalg.norm(lab - fit, axis=1), 99)) < PLAIN_DE


def score(name: str, picture: np.ndarray, mask: np.ndarray) -> dict[str, float | str | bool]:
    """One mark: accepted or not, and how like the truth."""
    damaged = picture.copy()
    damaged[mask] = (70, 60, 50)
    found = remove(damaged, mask, frame_px=2_160_000)
    row: dict[str, float | str | bool] = {"name": name, "plain": is_plain(picture, mask)}
    if not found:
        return row | {"accepted": False, "why": found.reason}
    filled = found.rgb_srgb
    away = delta_e_2000(low_lab(picture)[mask], low_lab(filled)[mask])
    seen = delta_e_2000(low_lab(picture, 2)[mask], low_lab(filled, 2)[mask])
    fine = [
        p - cv2.GaussianBlur(p, (0, 0), LOW_PX)
        for p in (picture.astype(np.float32), filled.astype(np.float32))
    ]
    row |= {
        "accepted": True,
        "colour": float(away.mean()),
        "noise": float(fine[1][mask].std() / max(fine[0][mask].std(), 1e-3)),
        "smear": name != "texture" and bool(np.percentile(seen, 95) > SMEAR_DE),
    }
    return row


def line(name: str, rows: list[dict[str, float | str | bool]]) -> str:
    taken = [r for r in rows if r["accepted"]]
    plain = [r for r in rows if r["plain"]]
    figures = [float(np.mean([r["accepted"] for r in group])) if group else np.nan for group in (plain, rows)]
    figures += [
        float(np.mean([float(r[k]) for r in taken])) if taken else np.nan for k in ("colour", "noise")
    ]
    smears = sum(bool(r["smear"]) for r in taken)
    return (
        f"{name:<14}{len(rows):>5}{len(plain):>7}" + "".join(f"{v:>10.2f}" for v in figures) + f"{smears:>8}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("rooms", type=Path, nargs="?")
    parser.add_argument("--places", type=int, default=60, help="of each kind or picture")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path)
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    rng = np.random.default_rng(wanted.seed)
    places = [place for _ in range(wanted.places) for place in drawn(rng)]
    if wanted.rooms:
        places += from_rooms(wanted.rooms, rng, wanted.places)
    rows = [score(*place) for place in places]
    print("surface".ljust(14), "   n  plain  kept/plain  kept/all  colour  noise  smears")
    for name in dict.fromkeys(str(r["name"]) for r in rows):
        print(line(name, [r for r in rows if r["name"] == name]))
    print(line("plain places", [r for r in rows if r["plain"]]))
    print(line("others", [r for r in rows if not r["plain"]]))
    if wanted.out:
        wanted.out.write_text(json.dumps(rows, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
