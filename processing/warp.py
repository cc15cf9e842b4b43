"""Lens, level, crop and bracket alignment composed into one map; the picture is resampled once.

Conventions: points are (x, y), pixel centres at whole numbers. "Source" is the frame as read, after
orientation; "reference" the bracket's reference frame (the same when there is one frame); "levelled" a
pinhole camera of the reference's focal length and optical axis after levelling; "out" the written file.
Outside the source the nearest pixel is repeated; a clean crop never shows it.
"""

from functools import cached_property
from typing import Any

import cv2
import numpy as np

from .errors import ShapeError
from .lens_curve import Curve, frame
from .verticals import Level

STEPS_PX = (32, 16, 8, 4)  # coarse grids; the first whose straight interpolation is good enough is used
MAX_MAP_ERROR_PX = 0.015
CHANNELS = (0, 1, 2)


class Geometry:
    """Exact point maps between reference and levelled coordinates."""

    def __init__(self, size: tuple[int, int], curve: Curve, level: Level, focal_px: float) -> None:
        self.size = size
        self.curve = curve
        self.level = level
        self.focal_px = float(focal_px)
        self.centre, self.half = frame(size)
        self.axis, _ = frame(size, curve.offset)
        self.turn = level.rotation()

    def source_from_levelled(self, xy: np.ndarray, *, channel: int = 1) -> np.ndarray:
        """Levelled points to the reference frame (for one colour channel)."""
        xy = np.asarray(xy, float)
        straight = self._turned(xy, self.turn.T)
        bent = self.curve.distort_points(straight, self.size)
        return self.curve.fringe_points(bent, self.size, channel=channel) if channel != 1 else bent

    def levelled_from_source(self, xy: np.ndarray) -> np.ndarray:
        """Reference points (of green) to levelled coordinates."""
        return self._turned(self.curve.undistort_points(np.asarray(xy, float), self.size), self.turn)

    def _turned(self, xy: np.ndarray, turn: np.ndarray) -> np.ndarray:
        p = (xy - self.axis) / self.focal_px
        ray = p[..., :1] * turn[:, 0] + p[..., 1:] * turn[:, 1] + turn[:, 2]
        with np.errstate(invalid="ignore", divide="ignore"):
            flat = np.where(ray[..., 2:] > 0.05, ray[..., :2] / ray[..., 2:], np.nan)
        return flat * self.focal_px + self.axis


class Warp:
    """ONE map from the written file to a source frame.

    Parameters
    ----------
    size : (width, height) of the reference frame
    curve, level, focal_px : how it is straightened
    crop_rect : (left, top, right, bottom) in levelled coordinates; None keeps the whole frame's rectangle
    out_size : (width, height) of the file; None takes the crop's own scale
    pre : 3 x 3 frame_to_reference, when the source is another frame of the bracket
    """

    def __init__(
        self,
        size: tuple[int, int],
        curve: Curve,
        level: Level,
        focal_px: float,
        crop_rect: tuple[float, float, float, float] | None = None,
        out_size: tuple[int, int] | None = None,
        pre: np.ndarray | None = None,
    ) -> None:
        self.size = size
        self.geometry = Geometry(size, curve, level, focal_px)
        self.curve = curve
        left, top, right, bottom = crop_rect or (-0.5, -0.5, size[0] - 0.5, size[1] - 0.5)
        self.crop_rect = (float(left), float(top), float(right), float(bottom))
        self.out_size = out_size or (round(right - left), round(bottom - top))
        if min(self.out_size) < 1 or right <= left or bottom <= top:
            raise ShapeError(f"crop_rect and out_size: need a positive area, got {crop_rect}, {out_size}")
        self._scale = np.array([(right - left) / self.out_size[0], (bottom - top) / self.out_size[1]])
        self._start = np.array([left, top])
        self.frame_from_reference = np.linalg.inv(np.asarray(pre, float)) if pre is not None else None
        self.reference_from_frame = np.asarray(pre, float) if pre is not None else None
        self._coarse: dict[int, np.ndarray] = {}

    # points ------------------------------------------------------------------------------------------
    def source_from_out(self, xy: np.ndarray, *, channel: int = 1) -> np.ndarray:
        """Points of the file to points of the source frame, exactly. (..., 2) pixels."""
        levelled = (np.asarray(xy, float) + 0.5) * self._scale + self._start
        reference = self.geometry.source_from_levelled(levelled, channel=channel)
        return _projected(reference, self.frame_from_reference)

    def out_from_source(self, xy: np.ndarray) -> np.ndarray:
        """Points of the source frame to points of the file, also where they fall outside it. (..., 2)
        pixels.
        """
        reference = _projected(np.asarray(xy, float), self.reference_from_frame)
        levelled = self.geometry.levelled_from_source(reference)
        return (levelled - self._start) / self._scale - 0.5

    # the array that is resampled ---------------------------------------------------------------------
    @cached_property
    def _layout(self) -> tuple[int, int, int, int, int]:
        """Step of the coarse grid, out position of its first node (x, y), and its numbers of columns and
        rows.

        The grid reaches beyond the file so that it covers the whole source frame, within one file size each
        way.
        """
        w, h = self.out_size
        ends = np.stack(
            np.meshgrid(np.linspace(0, self.size[0] - 1, 9), np.linspace(0, self.size[1] - 1, 9)), -1
        )
        reached = self.out_from_source(ends.reshape(-1, 2))
        reached = reached[np.isfinite(reached).all(1)]
        low = np.minimum(reached.min(0), 0) if len(reached) else np.zeros(2)
        high = np.maximum(reached.max(0), (w - 1, h - 1)) if len(reached) else np.array([w - 1.0, h - 1.0])
        low, high = np.maximum(low, (-w, -h)), np.minimum(high, (2 * w, 2 * h))
        step = self._choose_step()
        x0, y0 = (int(np.floor(v / step)) - 2 for v in low)
        columns, rows = (int(np.ceil(v / step)) + 3 for v in high)
        return step, x0, y0, columns - x0, rows - y0

    def _choose_step(self) -> int:
        """Largest step whose straight interpolation misses the exact map by less than MAX_MAP_ERROR_PX."""
        w, h = self.out_size
        for step in STEPS_PX[:-1]:
            x, y = np.meshgrid(np.arange(0, w + step, step * 2), np.arange(0, h + step, step * 2))
            mid = np.stack([x, y], -1).astype(float)
            corners = [mid + np.array([dx, dy]) * step / 2 for dx in (-1, 1) for dy in (-1, 1)]
            missed = np.mean([self.source_from_out(c) for c in corners], 0) - self.source_from_out(mid)
            if np.nanmax(np.abs(missed), initial=0.0) < MAX_MAP_ERROR_PX:
                return step
        return STEPS_PX[-1]

    def coarse(self, channel: int = 1) -> np.ndarray:
        """Source points (rows, columns, 2) float32 at the coarse grid's nodes: the very array that is
        resampled.
        """
        channel = channel if self.curve.has_fringes else 1
        if channel not in self._coarse:
            step, x0, y0, columns, rows = self._layout
            x, y = np.meshgrid((np.arange(columns) + x0) * step, (np.arange(rows) + y0) * step)
            nodes = self.source_from_out(np.stack([x, y], -1), channel=channel)
            self._coarse[channel] = np.nan_to_num(nodes, nan=-1e4).astype(np.float32)
        return self._coarse[channel]

    def maps(self, row0: int, row1: int, *, channel: int = 1) -> tuple[np.ndarray, np.ndarray]:
        """Maps (mapx, mapy), float32 (row1 - row0, W), of a band of rows for `cv2.remap`."""
        step, x0, y0, _, _ = self._layout
        w, h = self.out_size
        if not 0 <= row0 < row1 <= h:
            raise ShapeError(f"row0, row1: need 0 <= row0 < row1 <= {h}, got {row0}, {row1}")
        first, last = row0 // step - y0, (row1 - 1) // step + 1 - y0
        cells = (w - 1) // step + 1  # column 0 of the file lies on a node
        nodes = self.coarse(channel)[first : last + 1, -x0 : cells + 1 - x0]
        ry = np.arange(row0, row1) / step - y0 - first
        i = np.minimum(ry.astype(int), len(nodes) - 2)
        f = (ry - i).astype(np.float32)[:, None]
        g = (np.arange(step) / step).astype(np.float32)
        out = []
        for axis in (0, 1):
            rows = nodes[i, :, axis] * (1 - f) + nodes[i + 1, :, axis] * f
            filled = np.diff(rows, axis=1)[..., None] * g
            filled += rows[:, :-1, None]
            out.append(np.ascontiguousarray(filled.reshape(len(rows), -1)[:, :w]))
        return out[0], out[1]

    def interpolated(self, xy: np.ndarray) -> np.ndarray:
        """Source points of out points, read from the coarse array (as the file is). (n, 2)."""
        step, x0, y0, columns, rows = self._layout
        p = np.asarray(xy, float) / step - (x0, y0)
        j = np.clip(np.floor(p[:, 0]).astype(int), 0, columns - 2)
        i = np.clip(np.floor(p[:, 1]).astype(int), 0, rows - 2)
        g, f = (p[:, 0] - j)[:, None], (p[:, 1] - i)[:, None]
        a = self.coarse().astype(float)
        top = a[i, j] * (1 - g) + a[i, j + 1] * g
        return top * (1 - f) + (a[i + 1, j] * (1 - g) + a[i + 1, j + 1] * g) * f

    def grid33(self) -> list[list[float | None]]:
        """33 x 33 rows [x_source, y_source, x_out, y_out], the resampled array turned round; None without a
        value.
        """
        width, height = self.size
        x, y = np.meshgrid(np.linspace(0, width - 1, 33), np.linspace(0, height - 1, 33))
        source = np.stack([x.ravel(), y.ravel()], 1)
        out = self.out_from_source(source)
        known = np.isfinite(out).all(1)
        p = np.where(known[:, None], out, 0.0)
        for _ in range(4):
            missed = source - self.interpolated(p)
            jx = self.interpolated(p + (0.5, 0)) - self.interpolated(p - (0.5, 0))
            jy = self.interpolated(p + (0, 0.5)) - self.interpolated(p - (0, 0.5))
            det = jx[:, 0] * jy[:, 1] - jx[:, 1] * jy[:, 0]
            det = np.where(np.abs(det) < 1e-6, 1e-6, det)
            dx = (missed[:, 0] * jy[:, 1] - missed[:, 1] * jy[:, 0]) / det
            dy = (missed[:, 1] * jx[:, 0] - missed[:, 0] * jx[:, 1]) / det
            p = p + np.clip(np.stack([dx, dy], 1), -50, 50)
        rows: list[list[float | None]] = []
        for s, o, ok in zip(source, p, known, strict=True):
            rows.append([*map(float, s), *([round(float(v), 4) for v in o] if ok else [None, None])])
        return rows

    # pixels ------------------------------------------------------------------------------------------
    def resample(self, image: np.ndarray, row0: int = 0, row1: int | None = None) -> np.ndarray:
        """Resample a band of rows of the file, bicubic, in the image's own type; fringes corrected per
        channel.

        Parameters
        ----------
        image : (H, W) or (H, W, 3) uint8, uint16 or float32 array of the source frame's size
        """
        if image.shape[:2] != (self.size[1], self.size[0]):
            raise ShapeError(
                f"image: need {self.size[1]} x {self.size[0]} rows and columns, got {image.shape}"
            )
        row1 = self.out_size[1] if row1 is None else row1
        if image.ndim == 2 or not self.curve.has_fringes:
            return self._remap(image, *self.maps(row0, row1))
        bands = [
            self._remap(np.ascontiguousarray(image[..., c]), *self.maps(row0, row1, channel=c))
            for c in CHANNELS
        ]
        return np.stack(bands, -1)

    @staticmethod
    def _remap(image: np.ndarray, map_x: np.ndarray, map_y: np.ndarray) -> np.ndarray:
        return cv2.remap(image, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)

    def light_gain(self, row0: int, row1: int, *, most: float = 4.0) -> np.ndarray | None:
        """Gain (rows, W) float32 that evens out the lens's known fall-off, or None when unknown."""
        if not self.curve.vignetting:
            return None
        map_x, map_y = self.maps(row0, row1)
        centre, half = frame(self.size, self.curve.offset)
        r = np.hypot(map_x - centre[0], map_y - centre[1]) / half
        table = np.linspace(0, 1.5, 1024)
        gain = np.minimum(1 / self.curve.light_left(table), most)
        return np.interp(r, table, gain).astype(np.float32)

    def describe(self) -> dict[str, Any]:
        """What the report states about the map."""
        return {"crop_rect": list(self.crop_rect), "out_size": list(self.out_size), "grid": self.grid33()}


def _projected(xy: np.ndarray, matrix: np.ndarray | None) -> np.ndarray:
    if matrix is None:
        return xy
    p = xy[..., :1] * matrix[:, 0] + xy[..., 1:] * matrix[:, 1] + matrix[:, 2]
    return p[..., :2] / p[..., 2:]
