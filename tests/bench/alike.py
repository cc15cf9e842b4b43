"""How alike one surface comes out in the pictures of a visit: views cut from level panoramas, gains drawn.

    python -m tests.bench.alike PANORAMAS_DIR [--seeds 3] [--out alike.json]

Each panorama (equirectangular Radiance .hdr, linear) gives four views that turn by 28 degrees, each with its
own tilt, exposure (.6 to 1.5) and colour gain (12 %), as if the camera had measured each anew. Every place
that two neighbours see is compared in the finished files: mean distance in L*a*b* (CIE 1976), each picture
settled alone and all settled together.
"""

import argparse
import json
import tempfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from processing import arrays, correct, series
from processing.colour import lab_from_linear
from processing.plan import Plan
from processing.scene import make_warp

SIZE, FIELD_DEG, STEP_DEG = (1200, 800), 74.0, 28.0
FOCAL = SIZE[0] / 2 / np.tan(np.radians(FIELD_DEG / 2))
CAMERA = np.array([[FOCAL, 0, (SIZE[0] - 1) / 2], [0, FOCAL, (SIZE[1] - 1) / 2], [0, 0, 1]])


def rotation(yaw: float, pitch: float, roll: float) -> np.ndarray:
    """Camera (right, down, forward) to world (right, down, forward), degrees."""
    y, p, r = np.radians([yaw, pitch, roll])
    turn = np.array([[np.cos(y), 0, np.sin(y)], [0, 1, 0], [-np.sin(y), 0, np.cos(y)]])
    nod = np.array([[1, 0, 0], [0, np.cos(p), -np.sin(p)], [0, np.sin(p), np.cos(p)]])
    tip = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    return turn @ nod @ tip


def view(panorama: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Linear perspective view of an equirectangular panorama."""
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    rays = np.stack([x, y, np.ones_like(x)], -1) @ np.linalg.inv(CAMERA).T @ turn.T
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    height, width = panorama.shape[:2]
    u = ((np.arctan2(rays[..., 0], rays[..., 2]) / (2 * np.pi) + 0.5) * width - 0.5) % width
    v = (np.arcsin(np.clip(rays[..., 1], -1, 1)) / np.pi + 0.5) * height - 0.5
    maps = u.astype(np.float32), v.astype(np.float32)
    return np.maximum(cv2.remap(panorama, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), 0)


def shoot(
    panorama: np.ndarray, folder: Path, rng: np.random.Generator
) -> tuple[list[Path], list[np.ndarray]]:
    """Four JPEG files as a camera would make them, and their rotations."""
    start, files, turns = rng.uniform(0, 360), [], []
    for k in range(4):
        turns.append(rotation(start + k * STEP_DEG, rng.uniform(-6, 3), rng.uniform(-2, 2)))
        linear = view(panorama, turns[-1])
        gains = rng.uniform(0.6, 1.5) * np.exp(rng.normal(0, 0.12, 3))
        linear *= (0.18 / np.median(linear) * gains).astype(np.float32)
        files.append(folder / f"{k}.jpg")
        codes = arrays.encode_srgb_u8(np.clip(linear, 0, 1))
        cv2.imwrite(str(files[-1]), codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])
    return files, turns


def finished(files: list[Path], plans: list[Plan], folder: Path) -> list[np.ndarray]:
    """The finished pictures, lightly smoothed."""
    made = [
        correct.make([f], plan, folder, ("full",)).files["full"] for f, plan in zip(files, plans, strict=True)
    ]
    return [cv2.GaussianBlur(cv2.imread(str(path))[..., ::-1], (0, 0), 3) for path in made]


def difference(pictures: list[np.ndarray], plans: list[Plan], turns: list[np.ndarray]) -> float:
    """Mean colour difference over what neighbours share, windows and lamps left out."""
    found = []
    x, y = np.meshgrid(np.arange(40, SIZE[0] - 40, 12), np.arange(40, SIZE[1] - 40, 12))
    here = np.stack([x.ravel(), y.ravel()], 1).astype(float)
    for i in range(len(pictures) - 1):
        joined = CAMERA @ turns[i + 1].T @ turns[i] @ np.linalg.inv(CAMERA)
        there = np.c_[here, np.ones(len(here))] @ joined.T
        ahead = there[:, 2] > 0.1
        there = there[:, :2] / np.where(ahead, there[:, 2], 1)[:, None]
        inside = ahead & (there > 20).all(1) & (there < np.array(SIZE) - 21).all(1)
        a, seen_a = sampled(pictures[i], plans[i], here[inside])
        b, seen_b = sampled(pictures[i + 1], plans[i + 1], there[inside])
        keep = seen_a & seen_b & (a.max(1) < 250) & (b.max(1) < 250)
        labs = [lab_from_linear(arrays.decode_srgb(v[None, keep]))[0] for v in (a, b)]
        found.append(float(np.linalg.norm(labs[0] - labs[1], axis=1).mean()))
    return float(np.mean(found))


def sampled(picture: np.ndarray, plan: Plan, source: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Colours at places of the source frame, and which of them the crop shows."""
    xy = make_warp(plan).out_from_source(source)
    height, width = picture.shape[:2]
    inside = (xy > 2).all(1) & (xy < np.array([width - 3, height - 3])).all(1)
    x, y = xy.astype(np.float32).T
    return cv2.remap(picture, x[:, None], y[:, None], cv2.INTER_LINEAR)[:, 0], inside


def main() -> None:
    """Measure every panorama and print a table."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("panoramas", type=Path)
    p.add_argument("--seeds", type=int, default=3)
    p.add_argument("--out", type=Path)
    options = p.parse_args()
    cv2.setNumThreads(1)
    rows: list[dict[str, Any]] = []
    print(f"{'panorama':<28}{'seed':>5}{'alone':>8}{'together':>10}")
    for path in sorted(options.panoramas.glob("*.hdr")):
        panorama = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1].astype(np.float32)
        for seed in range(options.seeds):
            with tempfile.TemporaryDirectory() as name:
                files, turns = shoot(np.ascontiguousarray(panorama), Path(name), np.random.default_rng(seed))
                seen = [correct.analyse([f]) for f in files]
                alone = [series.settle([one])[0] for one in seen]
                ways = {"alone": alone, "together": series.settle(seen)}
                out = Path(name) / "out"
                row = {k: difference(finished(files, v, out), v, turns) for k, v in ways.items()}
            rows.append({"panorama": path.stem, "seed": seed} | row)
            print(f"{path.stem:<28}{seed:>5}{row['alone']:>8.2f}{row['together']:>10.2f}", flush=True)
    for k in ("alone", "together"):
        values = [r[k] for r in rows]
        print(f"{k}: median {np.median(values):.2f}, largest {max(values):.2f}")
    if options.out:
        options.out.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
