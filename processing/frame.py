"""One decoded frame: linear camera light in 16 bit, with what is needed to show or correct it."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from . import arrays, highlights
from .facts import Facts


@dataclass
class Frame:
    """Pixels of one frame after orientation, black subtracted, camera multipliers applied.

    Attributes
    ----------
    camera_u16 : (H, W, 3) uint16
        Linear light in the camera's (or file's) own primaries. `unit` is the code at which the least
        multiplied channel clips; the others clip above it (`clip_levels`), so their headroom is kept.
    unit : float
        Code value of linear 1.0.
    clip_levels : (3,) float array
        Where each channel clips, in units of `unit`; all 1 for files that are not raw.
    clipped : (H // 2, W // 2, 3) bool array or None
        Known per channel from the mosaic (raw) or from codes >= 254 (others), when it was asked for.
    multipliers : (3,) float array
        What was applied to the raw channels, smallest = 1.
    srgb_from_camera : (3, 3) array
        Balanced camera colour -> linear sRGB; rows sum to 1, so neutral stays neutral.
    white_srgb : (3,) array or None
        Linear sRGB, luminance 1, of the light that the camera balanced for.
    is_root : bool
        `camera_u16` holds square roots (see `to_root`); everything above speaks of their squares.
    notes : list of sentences on what had to be assumed.
    """

    camera_u16: np.ndarray
    facts: Facts
    is_raw: bool
    unit: float = 65535.0
    clip_levels: np.ndarray = field(default_factory=lambda: np.ones(3))
    clipped: np.ndarray | None = None
    multipliers: np.ndarray = field(default_factory=lambda: np.ones(3))
    srgb_from_camera: np.ndarray = field(default_factory=lambda: np.eye(3))
    white_srgb: np.ndarray | None = None
    is_root: bool = False
    notes: list[str] = field(default_factory=list)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the pixels held."""
        return self.camera_u16.shape[1], self.camera_u16.shape[0]

    def linear(self, max_edge: int | None = None) -> np.ndarray:
        """Linear sRGB (h, w, 3) float32, area-averaged when reduced; out-of-range survives.

        Where channels clip, the colour is filled in as `highlights` says, under the camera's own white.
        """
        size = arrays.fit_size(self.size, max_edge=max_edge)
        if size == self.size:
            return self.linear_rows(0, self.size[1])
        # averaged in 16 bit: the rounding is far below the sensor's own noise
        return self.to_linear(arrays.shrink(self.camera_u16, size))

    def linear_rows(self, row0: int, row1: int) -> np.ndarray:
        """Full-size rows as linear sRGB float32."""
        return self.to_linear(self.camera_u16[row0:row1])

    def to_linear(self, camera_u16: np.ndarray, gain: np.ndarray | None = None) -> np.ndarray:
        """Rows of 16-bit camera codes as linear sRGB float32, the light's gain applied if given."""
        camera = camera_u16.astype(np.float32)
        if self.is_root:
            camera *= camera
            camera *= np.float32(1 / (65535 * self.unit))
        else:
            camera *= np.float32(1 / self.unit)
        return highlights.light_band(
            camera, gain, srgb_from_camera=self.srgb_from_camera, clip_levels=self.clip_levels
        )

    def to_root(self) -> None:
        """Turn the codes into 16-bit square roots, in place, for resampling.

        Bicubic weights overshoot: in linear light the dark side of a lamp's edge would fall below zero and
        come out as black dots. Between roots the same overshoot stays invisible.
        """
        if not self.is_root:
            cv2.LUT(self.camera_u16, root_table(), dst=self.camera_u16)
            self.is_root = True

    def bands(self, rows: int = 512) -> Iterator[tuple[int, int]]:
        """(row0, row1) of bands that cover the height."""
        height = self.size[1]
        for row0 in range(0, height, rows):
            yield row0, min(row0 + rows, height)

    def grey_u8(self, max_edge: int = 1500) -> tuple[np.ndarray, float]:
        """Display-like grey (h, w) uint8 for finding lines, and its scale (small over full width).

        The picture's own middle brightness is brought to a fair grey first, so that a dark frame shows its
        lines too; what clips stays white.
        """
        small = self.linear(max_edge)
        return grey_from_linear(small), small.shape[1] / self.size[0]


@lru_cache(maxsize=1)
def root_table() -> np.ndarray:
    """16-bit square roots of 16-bit codes. Read-only."""
    table = np.sqrt(np.arange(65536) * 65535.0).round().astype(np.uint16)
    table.setflags(write=False)
    return table


def grey_from_linear(rgb_linear: np.ndarray) -> np.ndarray:
    """Display-like grey (h, w) uint8 of linear sRGB; see `Frame.grey_u8`."""
    level = np.clip(arrays.luminance(rgb_linear), 0, None)
    middle = float(np.percentile(level, 60))
    grey = arrays.encode_srgb(np.clip(level * np.clip(0.30 / max(middle, 1e-5), 0.5, 64.0), 0, 1))
    return (grey * 255 + 0.5).astype(np.uint8)
