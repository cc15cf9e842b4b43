"""Build and call the path tracer: on a GPU through nvcc, on a CPU through g++ (slower, same pictures)."""

from __future__ import annotations

import ctypes
import subprocess
from pathlib import Path

import numpy as np

from .scene import PLANES

SOURCE = Path(__file__).with_name("trace.cu")


def build(folder: Path, *, gpu: bool) -> ctypes.CDLL:
    """Compile trace.cu into `folder` and load it. Raises CalledProcessError when the compiler fails."""
    target = folder / ("trace_gpu.so" if gpu else "trace_cpu.so")
    if gpu:
        command = [
            "nvcc",
            "-O3",
            "-use_fast_math",
            "-arch=native",
            "-shared",
            "-Xcompiler",
            "-fPIC",
            str(SOURCE),
        ]
    else:
        command = [
            "g++",
            "-O3",
            "-march=native",
            "-ffast-math",
            "-fopenmp",
            "-shared",
            "-fPIC",
            "-x",
            "c++",
            str(SOURCE),
        ]
    subprocess.run([*command, "-o", str(target)], check=True)
    library = ctypes.CDLL(str(target))
    library.render.argtypes = [ctypes.c_void_p, ctypes.c_void_p, *[ctypes.c_int] * 4, ctypes.c_void_p]
    return library


def render_cpu(
    library: ctypes.CDLL, scenes: np.ndarray, *, width: int, height: int, samples: int
) -> np.ndarray:
    """Render packed scenes (n, SCENE_FLOATS) to (n, PLANES, height, width) float32 linear planes."""
    scenes = np.ascontiguousarray(scenes, np.float32)
    out = np.zeros((len(scenes), PLANES, height, width), np.float32)
    code = library.render(scenes.ctypes.data, out.ctypes.data, len(scenes), width, height, samples, None)
    if code != 0:
        raise RuntimeError(f"the tracer ended with code {code}")
    return out
