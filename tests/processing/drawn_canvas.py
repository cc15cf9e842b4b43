"""The canvas of drawn rooms: pinhole polygons from far to near, bent by a lens of the database, reduced.

The lens comes through the library's own modifier, so that it is independent of `processing.lens_curve`.
"""

from dataclasses import dataclass, field
from typing import Any

import cv2
import lensfunpy
import numpy as np

SHIFT = 6  # fractional bits of OpenCV's drawing


@dataclass(frozen=True)
class Truth:
    """How a drawn picture was made. Angles in degrees as in `processing.verticals`."""

    size: tuple[int, int]
    focal_px: float
    roll_deg: float
    pitch_deg: float
    yaw_deg: float
    lens: Any = None  # a lensfunpy Lens; None is a pinhole
    focal_mm: float = 24.0
    crop_factor: float = 1.0
    notes: dict[str, Any] = field(default_factory=dict)

    @property
    def centre(self) -> np.ndarray:
        return np.array([(self.size[0] - 1) / 2, (self.size[1] - 1) / 2])

    @property
    def camera_from_world(self) -> np.ndarray:
        """World x right, y down, z forward (before yaw)."""
        r, p, y = np.deg2rad([self.roll_deg, self.pitch_deg, self.yaw_deg])
        turn = np.array([[np.cos(y), 0, -np.sin(y)], [0, 1, 0], [np.sin(y), 0, np.cos(y)]])
        nod = np.array([[1, 0, 0], [0, np.cos(p), np.sin(p)], [0, -np.sin(p), np.cos(p)]])
        roll = np.array([[np.cos(r), np.sin(r), 0], [-np.sin(r), np.cos(r), 0], [0, 0, 1]])
        return roll @ nod @ turn

    def scale_at_centre(self) -> float:
        """How much the database's model enlarges straight points at the centre."""
        a = self.straight_from_database(np.array([[0.02 * self.size[0], 0.0]]) + self.centre)
        return float((a[0, 0] - self.centre[0]) / (0.02 * self.size[0]))

    def straight_from_database(self, xy: np.ndarray) -> np.ndarray:
        """Where the database's modifier puts straight points, (n, 2) pixels: one call for each point."""
        if self.lens is None:
            return np.array(xy, float)
        modifier = self._modifier(self.size)
        return np.array(
            [modifier.apply_geometry_distortion(float(x), float(y), 1, 1)[0, 0] for x, y in np.asarray(xy)]
        )

    def bent(self, pinhole_xy: np.ndarray) -> np.ndarray:
        """Pinhole points (focal_px, centre) to where they lie in the picture."""
        if self.lens is None:
            return np.array(pinhole_xy, float)
        s = self.scale_at_centre()
        return self.straight_from_database((np.asarray(pinhole_xy) - self.centre) / s + self.centre)

    def _modifier(self, size: tuple[int, int]) -> Any:
        modifier = lensfunpy.Modifier(self.lens, self.crop_factor, *size)
        modifier.initialize(self.focal_mm, 8.0, 10.0, scale=1.0, flags=lensfunpy.ModifyFlags.DISTORTION)
        return modifier


def wide_lenses(count: int, *, seed: int = 1) -> list[tuple[Any, float]]:
    """Rectilinear lenses of the database, 14 to 35 mm equivalent, with a focal length in mm, over all
    makers.
    """
    rng = np.random.default_rng(seed)
    database = lensfunpy.Database()
    usable = []
    for lens in database.lenses:
        if "RECTILINEAR" not in str(lens.type) or not lens.calib_distortion:
            continue
        low, high = max(lens.min_focal, 14 / lens.crop_factor), min(lens.max_focal, 35 / lens.crop_factor)
        if low <= high:
            usable.append((lens, low, high))
    order = rng.permutation(len(usable))
    chosen, names = [], set()
    for i in order:
        if len(chosen) == count:
            break
        lens, low, high = usable[i]
        focal = float(rng.uniform(low, high))
        if lens.model in names or lens.interpolate_distortion(focal) is None:
            continue
        names.add(lens.model)
        chosen.append((lens, focal))
    return chosen


class Canvas:
    """A supersampled pinhole picture, wider than the frame, on which polygons are drawn from far to near."""

    def __init__(self, truth: Truth, *, margin: float, fine: int) -> None:
        self.truth = truth
        self.margin = margin
        self.fine = fine
        w, h = truth.size
        self.shape = (int(h * (1 + 2 * margin)) * fine, int(w * (1 + 2 * margin)) * fine)
        self.pixels = np.full(self.shape, 90, np.uint8)

    def place(self, camera_xyz: np.ndarray) -> np.ndarray:
        """Camera points to canvas pixels."""
        p = camera_xyz[:, :2] / camera_xyz[:, 2:] * self.truth.focal_px + self.truth.centre
        return (p + np.array(self.truth.size) * self.margin + 0.5) * self.fine - 0.5

    def polygon(self, world: np.ndarray, grey: float) -> None:
        """Fill a flat world polygon, cut off close to the camera."""
        camera = _clipped(world @ self.truth.camera_from_world.T)
        if len(camera) >= 3:
            points = np.clip(self.place(camera), -2e5, 2e5)
            cv2.fillPoly(
                self.pixels, [np.round(points * 2**SHIFT).astype(np.int32)], float(grey), cv2.LINE_8, SHIFT
            )

    def path(self, world: np.ndarray, grey: float, thickness_px: float) -> None:
        """Draw an open path of world points that lie in front of the camera."""
        camera = world @ self.truth.camera_from_world.T
        camera = camera[camera[:, 2] > 0.15]
        if len(camera) >= 2:
            points = np.round(np.clip(self.place(camera), -2e5, 2e5) * 2**SHIFT).astype(np.int32)
            cv2.polylines(
                self.pixels,
                [points],
                False,
                float(grey),
                max(1, round(thickness_px * self.fine)),
                cv2.LINE_8,
                SHIFT,
            )

    def picture(self) -> np.ndarray:
        """The frame: bent by the lens, reduced by area averaging."""
        w, h = self.truth.size
        fine = self.fine
        if self.truth.lens is None:
            top, left = int(h * self.margin) * fine, int(w * self.margin) * fine
            part = self.pixels[top : top + h * fine, left : left + w * fine]
            return cv2.resize(part, (w, h), interpolation=cv2.INTER_AREA)
        step = 8
        nodes_x, nodes_y = np.arange(-2, w // step + 4) * step, np.arange(-2, h // step + 4) * step
        straight = self._straight_nodes(nodes_x.astype(float), nodes_y.astype(float))
        x = ((np.arange(w * 2) + 0.5) / 2 - 0.5 - nodes_x[0]) / step
        y = ((np.arange(h * 2) + 0.5) / 2 - 0.5 - nodes_y[0]) / step
        maps = []
        for axis in (0, 1):
            rows = _between(straight[..., axis], y)
            maps.append(_between(rows.T, x).T)
        offset = np.array(self.truth.size) * self.margin
        mx, my = (((m + o + 0.5) * fine - 0.5).astype(np.float32) for m, o in zip(maps, offset, strict=True))
        double = cv2.remap(self.pixels, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return cv2.resize(double, (w, h), interpolation=cv2.INTER_AREA)

    def _straight_nodes(self, xs: np.ndarray, ys: np.ndarray) -> np.ndarray:
        """Pinhole points of picture nodes, by a dense radial table of the database's modifier."""
        truth = self.truth
        reach = np.hypot(*truth.size) * 0.85
        radius = np.linspace(0, reach, 1500)
        bent = truth.bent(np.stack([truth.centre[0] + radius, np.full_like(radius, truth.centre[1])], 1))
        bent_radius = np.maximum.accumulate(bent[:, 0] - truth.centre[0])
        x, y = np.meshgrid(xs - truth.centre[0], ys - truth.centre[1])
        r = np.hypot(x, y)
        factor = np.where(r > 1e-6, np.interp(r, bent_radius, radius) / np.maximum(r, 1e-6), 1.0)
        return np.stack([x * factor, y * factor], -1) + truth.centre


def _between(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Rows between rows, straight."""
    i = np.clip(at.astype(int), 0, len(values) - 2)
    f = (at - i)[:, None]
    return values[i] * (1 - f) + values[i + 1] * f


def _clipped(camera: np.ndarray, near: float = 0.12) -> np.ndarray:
    """Cut a polygon at the near plane (Sutherland-Hodgman)."""
    out: list[np.ndarray] = []
    for a, b in zip(camera, np.roll(camera, -1, 0), strict=True):
        if a[2] >= near:
            out.append(a)
        if (a[2] >= near) != (b[2] >= near):
            t = (near - a[2]) / (b[2] - a[2])
            out.append(a + t * (b - a))
    return np.array(out).reshape(-1, 3)
