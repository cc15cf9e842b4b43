"""The linear scene of one picture in the geometry of its finished file, band by band.

One frame is resampled from its camera codes; the frames of a bracket are each resampled once through their
own map and merged there. Either way the caller gets rows of linear sRGB with the light's gain applied, and
the small scene in the reference's geometry for everything that is decided at low resolution.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np

from . import arrays, highlights, reading
from .alignment import rescale
from .analysis import merge_small
from .errors import ProcessingError
from .frame import Frame
from .merging import Merger, held_mask
from .packing import unpack_mask
from .plan import Plan
from .warp import Warp

BAND_ROWS = 96  # a band and its float copies stay in the processor's cache: 512 rows took .5 s more at 24 MP
SMALL_SHARE = 0.25  # gains and tone's base are kept at a quarter of the size,
SMALL_EDGE_PX = 1500  # but not below this: their borders must stay finer than the eye sees in a small file
Maps = tuple[np.ndarray, np.ndarray]
Clock = Callable[[str], None]


class Scene:
    """Rows of the finished file's geometry as linear light, and the small scene they belong to.

    Attributes
    ----------
    small : (h, w, 3) float32
        Linear sRGB at a quarter of the size, reference geometry, highlights filled in, lens fall-off evened.
    clip_level : float
        Where the scene clips, in the reference's exposure.
    """

    def __init__(
        self,
        warp: Warp,
        small: np.ndarray,
        *,
        frame: Frame | None = None,
        merger: Merger | None = None,
        facts_frame: Frame,
    ) -> None:
        self.warp = warp
        self.small = small
        self.frame = frame
        self.merger = merger
        self.facts = facts_frame.facts
        self.notes = facts_frame.notes
        self.clip_level = merger.clip_level if merger else 1.0

    def rows(self, row0: int, row1: int, gain: np.ndarray | None, maps: Maps | None = None) -> np.ndarray:
        """Linear sRGB float32 of a band of the finished file, `gain` (the light's) applied.

        `maps` are the warp's for these rows, when the caller has them already.
        """
        if self.frame is not None:
            linear = self.frame.to_linear(resample(self.warp, self.frame.camera_u16, row0, row1, maps), gain)
        elif self.merger is not None:
            levels = np.full(3, self.clip_level)
            linear = highlights.light_band(
                self.merger.rows(row0, row1), gain, srgb_from_camera=np.eye(3), clip_levels=levels
            )
        else:
            raise ProcessingError("scene: neither a frame nor a merged bracket")
        evened = self.warp.light_gain(row0, row1)
        return linear if evened is None else linear * evened[..., None]


def make_warp(plan: Plan, *, index: int | None = None, out_size: tuple[int, int] | None = None) -> Warp:
    """The plan's map for one of its frames (the reference when None)."""
    pre = None if index is None or index == plan.reference else plan.frames[index].alignment.matrix
    if pre is not None and np.allclose(pre, np.eye(3)):
        pre = None
    return Warp(
        plan.size, plan.curve, plan.level, plan.focal_px, plan.crop.rect, out_size or plan.crop.out_size, pre
    )


def read_scene(paths: Sequence[Path | str], plan: Plan, *, clock: Clock = lambda stage: None) -> Scene:
    """Read a picture's frames and bring them into one scene.

    Raises
    ------
    UnreadableFile
        If a frame that the plan uses cannot be read any more.
    ProcessingError
        If the reference is not the size that the plan was made for.
    """
    reference = reading.read_frame(paths[plan.reference])
    if reference.size != plan.size:
        raise ProcessingError(
            f"{Path(paths[plan.reference]).name}: {reference.size[0]} x {reference.size[1]} pixels, the plan"
            f" was made for {plan.size[0]} x {plan.size[1]}"
        )
    clock("read")
    size = small_size(plan.size)
    used = [i for i, use in enumerate(plan.frames) if use.used and not use.is_flash and i != plan.reference]
    warp = make_warp(plan)
    if not used:
        small = evened(plan, _small(reference, size))
        reference.to_root()
        return Scene(warp, small, frame=reference, facts_frame=reference)
    smalls = {plan.reference: _small(reference, size)}
    darkest = min([plan.reference, *used], key=lambda i: plan.frames[i].ev)
    merger = Merger(plan.crop.out_size, clip_level=2.0 ** -min(plan.frames[darkest].ev, 0.0))
    held = None if plan.moving is None else unpack_mask(plan.moving)
    _add(merger, plan, reference, plan.reference, held, is_darkest=darkest == plan.reference)
    clock("merge")
    facts_frame = _without_pixels(reference)
    balance = reference.multipliers
    del reference
    for i in used:
        frame = reading.read_frame(paths[i], multipliers=balance)
        clock("read")
        if frame.size != plan.size:
            raise ProcessingError(f"{Path(paths[i]).name}: not the size of the reference frame")
        smalls[i] = _placed(_small(frame, size), plan, i)
        _add(merger, plan, frame, i, held, is_darkest=i == darkest)
        del frame
        clock("merge")
    placed = [smalls.get(i, smalls[plan.reference]) for i in range(len(plan.frames))]
    small, _ = merge_small(placed, plan.frames, plan.reference, held)
    return Scene(warp, evened(plan, small), merger=merger, facts_frame=facts_frame)


def small_size(size: tuple[int, int]) -> tuple[int, int]:
    """A quarter of the size, but `SMALL_EDGE_PX` at least (or the whole size), and at least 1."""
    share = min(1.0, max(SMALL_SHARE, SMALL_EDGE_PX / max(size)))
    return max(1, round(size[0] * share)), max(1, round(size[1] * share))


def _small(frame: Frame, size: tuple[int, int]) -> np.ndarray:
    return frame.to_linear(arrays.shrink(frame.camera_u16, size))


def _placed(small: np.ndarray, plan: Plan, index: int) -> np.ndarray:
    alignment = plan.frames[index].alignment
    if not alignment.moved_px:
        return small
    size = (small.shape[1], small.shape[0])
    matrix = rescale(alignment.matrix, small.shape[1] / plan.size[0])
    return cv2.warpPerspective(small, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def evened(plan: Plan, small: np.ndarray) -> np.ndarray:
    """The small scene with the lens's known fall-off taken out, as the full-size rows will be."""
    if not plan.curve.vignetting:
        return small
    height, width = small.shape[:2]
    x = (np.arange(width) + 0.5) * plan.size[0] / width - plan.size[0] / 2
    y = (np.arange(height) + 0.5) * plan.size[1] / height - plan.size[1] / 2
    radius = np.hypot(x[None], y[:, None]) / (np.hypot(*plan.size) / 2)
    gain = np.clip(1 / plan.curve.light_left(radius), 0, 4)
    return (small * gain[..., None]).astype(np.float32)


def _add(
    merger: Merger, plan: Plan, frame: Frame, index: int, held: np.ndarray | None, *, is_darkest: bool
) -> None:
    """Add one frame, resampled through its own map, to the merged scene."""
    frame.to_root()
    own = make_warp(plan, index=index)
    reference = make_warp(plan)
    soft = None if held is None else held_mask(held, held.shape[::-1])
    width, height = plan.size
    for row0 in range(0, own.out_size[1], BAND_ROWS):
        row1 = min(row0 + BAND_ROWS, own.out_size[1])
        linear = frame.to_linear(own.resample(frame.camera_u16, row0, row1))
        valid = None
        if own.reference_from_frame is not None:
            x, y = own.maps(row0, row1)
            valid = (x > 0) & (y > 0) & (x < width - 1) & (y < height - 1)
        merger.add(
            row0,
            linear,
            ev=plan.frames[index].ev,
            is_darkest=is_darkest,
            held=None if soft is None else small_band(soft, reference, row0, row1),
            is_holder=index == plan.reference,
            valid=valid,
        )


def resample(warp: Warp, image: np.ndarray, row0: int, row1: int, maps: Maps | None = None) -> np.ndarray:
    """A band of the file, bicubic; `warp.resample` with maps that are at hand."""
    if maps is None or warp.curve.has_fringes:
        return warp.resample(image, row0, row1)
    return cv2.remap(image, *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def small_band(
    small: np.ndarray,
    warp: Warp,
    row0: int,
    row1: int,
    maps: Maps | None = None,
    interpolation: int = cv2.INTER_LINEAR,
) -> np.ndarray:
    """A small picture in reference geometry brought to a band of the file: one look-up per pixel."""
    x, y = maps or warp.maps(row0, row1)
    zoom_x, zoom_y = small.shape[1] / warp.size[0], small.shape[0] / warp.size[1]
    x = cv2.addWeighted(x, zoom_x, x, 0, 0.5 * zoom_x - 0.5)
    y = cv2.addWeighted(y, zoom_y, y, 0, 0.5 * zoom_y - 0.5)
    return cv2.remap(small, x, y, interpolation, borderMode=cv2.BORDER_REPLICATE)


class FineMap:
    """A small map of any number of channels, looked up at every pixel of the file."""

    def __init__(self, small: np.ndarray, warp: Warp) -> None:
        self._warp = warp
        # the look-up takes four channels at most, side by side in memory: parted once, not for every band
        self._parts = [np.ascontiguousarray(small[..., k : k + 4]) for k in range(0, small.shape[2], 4)]

    def band(self, row0: int, row1: int, maps: Maps | None = None) -> np.ndarray:
        """Rows row0..row1 at full size, (rows, width, channels)."""
        maps = maps or self._warp.maps(row0, row1)
        return np.dstack([small_band(part, self._warp, row0, row1, maps) for part in self._parts])


class SmoothMap:
    """A smooth small map, brought to the file's geometry once at an eighth of its size, then enlarged."""

    STEP = 8

    def __init__(self, small: np.ndarray, warp: Warp) -> None:
        self.width, self.height = warp.out_size
        columns, rows = (-(-v // self.STEP) for v in warp.out_size)
        x, y = np.meshgrid(np.arange(-1, columns + 1), np.arange(-1, rows + 1))
        centres = (np.stack([x, y], -1) + 0.5) * self.STEP - 0.5
        source = warp.interpolated(centres.reshape(-1, 2)).reshape(*centres.shape)
        zoom = np.array([small.shape[1] / warp.size[0], small.shape[0] / warp.size[1]])
        place = ((source + 0.5) * zoom - 0.5).astype(np.float32)
        self._map = cv2.remap(
            small, place[..., 0], place[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )

    def band(self, row0: int, row1: int, maps: Maps | None = None) -> np.ndarray:
        """Rows row0..row1 at full size; row0 must be a multiple of STEP. `maps` are not needed."""
        step = self.STEP
        first, last = row0 // step, -(-row1 // step)
        part = self._map[first : last + 2]  # one row more on each side
        wide = cv2.resize(part, None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR)
        return wide[step : step + row1 - row0, step : step + self.width]


def _without_pixels(frame: Frame) -> Frame:
    return Frame(np.zeros((1, 1, 3), np.uint16), frame.facts, frame.is_raw, notes=frame.notes)
