"""Seconds and peak memory for one 24-megapixel raw picture, beside the bare decode + encode of the same file.

usage: python -m tests.bench.speed [--repeat N] [--demosaic] [--json FILE] [PICTURE]

Both are measured in processes of their own in the same run, one after the other, one thread each, in seconds
of processor time: the ratio is what counts, the machine is whatever it is. PICTURE (any photograph of a
room) is enlarged and mosaiced into an uncompressed 14-bit DNG; without it a drawn room is used.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import tifffile

SIZE = (6000, 4000)
CAMERA_FROM_SRGB = np.array([0.5, 1.0, 0.65], np.float32)  # channel sensitivities of the made-up camera
BLACK, WHITE = 512, 16383
# XYZ to camera matrix of the made-up camera: its primaries are sRGB's, scaled
SRGB_FROM_XYZ = ((3.2406, -1.5372, -0.4986), (-0.9689, 1.8758, 0.0415), (0.0557, -0.2040, 1.0570))


def drawn_room(size: tuple[int, int]) -> np.ndarray:
    """A plain room with uprights, level lines and a window, uint8 sRGB, drawn with some tilt and noise."""
    width, height = size
    picture = np.full((height, width, 3), (205, 200, 190), np.uint8)
    unit = width / 60
    rng = np.random.default_rng(0)
    for i in range(1, 30):
        x = int(i * 2 * unit)
        lean = (x - width / 2) * 0.06
        shade = tuple(int(v) for v in rng.integers(60, 180, 3))
        thickness = max(2, int(unit / 6))
        cv2.line(picture, (int(x - lean), 0), (int(x + lean), height), shade, thickness, cv2.LINE_AA)
    for i in range(1, 20):
        y = int(i * 2 * unit)
        slope = (y - height / 2) * 0.05
        cv2.line(
            picture, (0, int(y - slope)), (width, int(y + slope)), (120, 110, 100), max(2, int(unit / 8)), 16
        )
    cv2.rectangle(picture, (width // 3, height // 4), (width // 2, height // 2), (255, 255, 255), cv2.FILLED)
    return picture


def make_dng(path: Path, source: np.ndarray, size: tuple[int, int] = SIZE) -> None:
    """Mosaic an sRGB picture (uint8, RGB) into an uncompressed 14-bit RGGB DNG with sensor noise."""
    width, height = size
    rng = np.random.default_rng(1)
    picture = cv2.resize(source, size, interpolation=cv2.INTER_CUBIC).astype(np.float32) / 255
    linear = np.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)
    camera = linear.astype(np.float32) * CAMERA_FROM_SRGB * np.float32(0.8)
    mosaic = np.empty((height, width), np.float32)
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = camera[row::2, column::2, channel]
    del picture, linear, camera
    mosaic += rng.standard_normal(mosaic.shape, dtype=np.float32) * np.sqrt(mosaic * 2e-4 + 2e-6)
    codes = np.clip(mosaic * (WHITE - BLACK) + BLACK, 0, WHITE).astype(np.uint16)
    colour_matrix = np.array(SRGB_FROM_XYZ) * CAMERA_FROM_SRGB[:, None]
    signed = [n for v in colour_matrix.ravel() for n in (round(float(v) * 10000), 10000)]
    neutral = [n for v in CAMERA_FROM_SRGB for n in (round(float(v) * 10000), 10000)]
    tags = [
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50707, "B", 4, (1, 1, 0, 0), True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, (0, 1, 1, 2), True),
        (50708, "s", 0, "Made-up Camera", True),
        (271, "s", 0, "Made-up", True),
        (272, "s", 0, "Camera", True),
        (50721, "2i", 9, signed, True),
        (50728, "2I", 3, neutral, True),
        (50778, "H", 1, 21, True),
        (50714, "H", 1, BLACK, True),
        (50717, "H", 1, WHITE, True),
        (274, "H", 1, 1, True),
    ]
    tifffile.imwrite(
        path, codes, photometric=32803, extratags=tags, compression=None, metadata=None, rowsperstrip=height
    )


PEAK = """
def peak_mib():  # VmHWM is this program's own; ru_maxrss would still hold the parent's
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM"))
"""
BARE = (
    PEAK
    + """
import sys, time, json, rawpy, numpy as np, cv2
from PIL import Image
cv2.setNumThreads(1)
clock = time.process_time
start, wall = clock(), time.perf_counter()
with rawpy.imread(sys.argv[1]) as raw:
    rgb = raw.postprocess(use_camera_wb=True, no_auto_bright=True, output_bps=16, gamma=(1, 1),
                          demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD)
decoded = clock()
table = np.clip((np.arange(65536) / 65535.0) ** (1 / 2.2) * 255, 0, 255).astype(np.uint8)
Image.fromarray(cv2.LUT(rgb, table)).save(sys.argv[2], quality=92, subsampling=0)
print(json.dumps({"decode": decoded - start, "total": clock() - start, "wall": time.perf_counter() - wall,
    "peak_mib": peak_mib()}))
"""
)
OURS = (
    PEAK
    + """
import sys, time, json, cv2
cv2.setNumThreads(1)
from processing import correct
clock = time.process_time
start, wall = clock(), time.perf_counter()
analysis = correct.analyse([sys.argv[1]])
analysed, high = clock(), peak_mib()
plan = correct.settle([analysis])[0]
settled = clock()
made = correct.make([sys.argv[1]], plan, sys.argv[2], ("full", "web"))
print(json.dumps({"analyse": analysed - start, "settle": settled - analysed, "make": clock() - settled,
    "total": clock() - start, "wall": time.perf_counter() - wall, "stages_wall": made.report["stage_seconds"],
    "peak_analyse_mib": high, "peak_mib": peak_mib()}))
"""
)


def _python(code: str, *arguments: str) -> str:
    env = {**os.environ, "OMP_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], env=env, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    return done.stdout.strip().splitlines()[-1]


def compare_demosaics(dng: Path) -> dict[str, float]:
    """Seconds of LibRaw's own algorithms on the file, one run each."""
    code = (
        "import sys,time,rawpy\nt=time.process_time()\nwith rawpy.imread(sys.argv[1]) as r:\n"
        " r.postprocess(output_bps=16,gamma=(1,1),no_auto_bright=True,"
        "demosaic_algorithm=rawpy.DemosaicAlgorithm[sys.argv[2]])\nprint(time.process_time()-t)"
    )
    names = ("AHD", "PPG", "VNG", "DCB", "LINEAR")
    return {name: round(float(_python(code, str(dng), name)), 3) for name in names}


def main() -> None:
    """Measure and print."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("picture", nargs="?")
    p.add_argument("--repeat", type=int, default=3)
    p.add_argument("--demosaic", action="store_true")
    p.add_argument("--json")
    options = p.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        dng = Path(folder) / "bench.dng"
        source = cv2.imread(options.picture) if options.picture else None
        room = drawn_room((3000, 2000)) if source is None else np.ascontiguousarray(source[..., ::-1])
        make_dng(dng, room)
        bare, ours = [], []
        for _ in range(options.repeat):
            bare.append(json.loads(_python(BARE, str(dng), f"{folder}/bare.jpg")))
            ours.append(json.loads(_python(OURS, str(dng), f"{folder}/out")))
        base, best = (min(runs, key=lambda run: run["total"]) for runs in (bare, ours))
        figures = {
            "when": time.strftime("%Y-%m-%d %H:%M"),
            "megapixels": SIZE[0] * SIZE[1] / 1e6,
            "bare_decode_and_encode": base,
            "ours": best,
            "total_by_bare_decode": round(best["total"] / base["decode"], 2),
            "total_by_bare_decode_encode": round(best["total"] / base["total"], 2),
        }
        if options.demosaic:
            figures["demosaic_s"] = compare_demosaics(dng)
    print(json.dumps(figures, indent=1))
    if options.json:
        Path(options.json).write_text(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
