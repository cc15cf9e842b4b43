"""Live previews: the same steps on a half-size linear scene that is kept on disk.

The file is made once, when a picture comes in (`keep_half`), and is read through a memory map: a preview
touches only what it needs and no decoder. Previews use the plan exactly as `correct.make` does, at the
preview's own size.
"""

import io
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from . import arrays, casts, encode, reading, removal, scene, tone
from .alignment import rescale
from .analysis import Analysis, merge_small
from .errors import ProcessingError, ShapeError
from .packing import unpack_mask
from .plan import Plan

DEFAULT_EDGE_PX = 1600


def half_scene(paths: Sequence[Path | str], source: Analysis | Plan) -> np.ndarray:
    """The linear scene of one picture at half size, reference geometry, highlights filled in.

    Parameters
    ----------
    paths : the picture's frames
    source : its analysis or plan, for exposures and alignments

    Returns
    -------
    (H // 2, W // 2, 3) float16 linear sRGB, in the reference's exposure
    """
    reference = reading.read_frame(paths[source.reference], half=True)
    base = reference.linear()
    used = [i for i, use in enumerate(source.frames) if use.used and not use.is_flash]
    if used != [source.reference]:
        placed = [base] * len(source.frames)
        size = (base.shape[1], base.shape[0])
        for i in used:
            if i == source.reference:
                continue
            other = reading.read_frame(paths[i], half=True, multipliers=reference.multipliers).linear()
            if other.shape != base.shape:
                raise ProcessingError(f"{Path(paths[i]).name}: not the size of the reference frame")
            alignment = source.frames[i].alignment
            if alignment.moved_px:
                matrix = rescale(alignment.matrix, size[0] / source.size[0])
                other = cv2.warpPerspective(other, matrix, size, borderMode=cv2.BORDER_REPLICATE)
            placed[i] = other
        moving = source.moving
        mask = unpack_mask(moving) if isinstance(moving, str) else moving
        base, _ = merge_small(placed, source.frames, source.reference, mask)
    return np.clip(base, -60000, 60000).astype(np.float16)


def keep_half(paths: Sequence[Path | str], source: Analysis | Plan, *, path: Path | str) -> Path:
    """Write `half_scene` as .npy, whole or not at all; returns the file's path."""
    buffer = io.BytesIO()
    np.save(buffer, half_scene(paths, source))
    encode.write_atomically(Path(path), buffer.getvalue())
    return Path(path)


def open_half(path: Path | str) -> np.ndarray:
    """The kept half-size scene as a read-only memory map.

    Raises
    ------
    ProcessingError
        If the file is missing or damaged: make it again.
    """
    try:
        half = np.load(path, mmap_mode="r")
    except (OSError, ValueError, EOFError) as error:
        raise ProcessingError(f"{Path(path).name}: the kept preview scene cannot be read") from error
    if half.dtype != np.float16 or half.ndim != 3 or half.shape[2] != 3:
        raise ProcessingError(f"{Path(path).name}: not a kept preview scene")
    return half


def preview(half: np.ndarray, plan: Plan, *, max_edge: int = DEFAULT_EDGE_PX) -> np.ndarray:
    """What `correct.make` would make, at preview size.

    Parameters
    ----------
    half : (h, w, 3) float16
        From `open_half` or `half_scene`.
    plan : Plan
    max_edge : int
        Longest edge of the preview, px.

    Returns
    -------
    (H, W, 3) uint8 sRGB
    """
    if half.ndim != 3 or half.shape[2] != 3:
        raise ShapeError(f"half: need (H, W, 3), got {half.shape}")
    out_size = arrays.fit_size(plan.crop.out_size, max_edge=max_edge)
    work = _work_size(half, plan, out_size)
    small = arrays.shrink(np.asarray(half, np.float32), work)
    small = scene.evened(plan, small)
    guide_size = scene.small_size(plan.size)
    guide = arrays.shrink(small, guide_size) if work[0] > guide_size[0] else small
    gains = casts.gains(plan.light, guide) if plan.light.strength > 0 else None
    base = tone.local_base(guide if gains is None else guide * gains)
    warp = scene.make_warp(plan, out_size=out_size)
    maps = warp.maps(0, out_size[1])
    root = np.sqrt(np.maximum(small, 0))
    linear = scene.small_band(root, warp, 0, out_size[1], maps, cv2.INTER_CUBIC) ** 2
    if gains is not None:
        linear *= scene.small_band(gains, warp, 0, out_size[1], maps)
    shown = tone.apply(linear, plan.tone, scene.FineMap(base, warp).band(0, out_size[1], maps))
    return removal.carry_out(shown, plan.removals, warp.out_from_source)[0]


def _work_size(half: np.ndarray, plan: Plan, out_size: tuple[int, int]) -> tuple[int, int]:
    """Size to bring the half scene to: what the preview's own pixels need, never enlarged."""
    share = out_size[0] / (plan.crop.rect[2] - plan.crop.rect[0])
    wanted = (round(plan.size[0] * share), round(plan.size[1] * share))
    return (half.shape[1], half.shape[0]) if wanted[0] >= half.shape[1] else wanted
