"""Frames of known motion, shake, flicker and moving things, made from the brackets of rendered rooms."""

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np

from processing import arrays, merging, reading

MARGIN = (120, 80)  # px cut off all round, so that a moved frame finds real picture at its borders


@dataclass(frozen=True)
class Moved:
    """A moved frame, its reference cut alike, and where the frame's corners lie in the reference."""

    reference: np.ndarray
    frame: np.ndarray
    ev: float
    corners: np.ndarray
    name: str


class Room:
    """One rendered view's bracket with its truth."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.name = folder, folder.name
        self.told = json.loads((folder / "truth.json").read_text())
        self.camera = np.array(self.told["camera"]["K"])
        self.bend = np.array([self.told["distortion"]["k1"], self.told["distortion"]["k2"], 0.0, 0.0])
        self.files = self.told["files"]
        self.evs = [float(one["ev"]) for one in self.files["bracket"]]

    def read(self, name: str) -> np.ndarray:
        return reading.read_frame(self.folder / name).linear()

    @cached_property
    def frames(self) -> list[np.ndarray]:
        return [self.read(one["file"]) for one in self.files["bracket"]]

    def forget(self) -> None:
        """Let the pictures go; they are read again when asked for."""
        for name in ("frames", "scene"):
            self.__dict__.pop(name, None)

    @property
    def reference(self) -> int:
        return self.evs.index(0.0)

    @cached_property
    def scene(self) -> np.ndarray:
        """The bracket's linear scene, what is clipped at ev 0 included."""
        return merging.merge(self.frames, self.evs, reference=self.reference).rgb_linear

    def rays(self, points: np.ndarray) -> np.ndarray:
        """Directions (x, y, 1) of pixels (N, 2)."""
        straight = cv2.undistortPoints(points.reshape(-1, 1, 2).astype(float), self.camera, self.bend)
        return np.concatenate([straight[:, 0], np.ones((len(points), 1))], 1)

    def pixels(self, rays: np.ndarray) -> np.ndarray:
        plane = rays[:, :2] / rays[:, 2:]
        r2 = (plane**2).sum(1, keepdims=True)
        bent = plane * (1 + self.bend[0] * r2 + self.bend[1] * r2**2)
        return bent * self.camera[0, 0] + self.camera[:2, 2]

    def knocked(self) -> list[Moved]:
        """The set's own knocked frames, as they lie over the one at ev 0 in the picture's bent pixels."""
        sets = self.files.get("knocked_bracket", [])
        base = next((k for k in sets if k["ev"] == 0), None)
        found = []
        for one in sets:
            if one is base:
                continue
            corners = corners_of((1800, 1200))
            rays = self.rays(corners)
            plane = rays[:, :2] @ turn(one["twist_deg"]).T + np.array(one["shift_px"]) / self.camera[0, 0]
            plane = (plane - np.array(base["shift_px"]) / self.camera[0, 0]) @ turn(base["twist_deg"])
            there = self.pixels(np.c_[plane, np.ones(4)])
            name = f"{self.name} {one['file']}"
            found.append(Moved(self.read(base["file"]), self.read(one["file"]), one["ev"], there, name))
        return found

    def knock(self, rng: np.random.Generator, *, most_px: float, most_deg: float, turned: bool) -> Moved:
        """A bracket frame of another exposure, slid in its own plane or seen by a turned camera."""
        other = int(rng.choice([i for i in range(len(self.evs)) if i != self.reference]))
        twist = rng.uniform(-most_deg, most_deg)
        length, angle = most_px * np.sqrt(rng.uniform(0.01, 1)), rng.uniform(0, 2 * np.pi)
        shift = np.array([np.cos(angle), 0.6 * np.sin(angle)]) * length
        width, height = self.frames[0].shape[1] - 2 * MARGIN[0], self.frames[0].shape[0] - 2 * MARGIN[1]

        def into_whole(points: np.ndarray) -> np.ndarray:
            whole = points + np.array(MARGIN)
            if not turned:
                centre = self.camera[:2, 2]
                return (whole - centre) @ turn(twist).T + centre + shift
            pan, tilt = shift / self.camera[0, 0]
            rotation, _ = cv2.Rodrigues(np.array([-tilt, pan, np.radians(twist)]))
            return self.pixels(self.rays(whole) @ rotation.T)

        x, y = np.meshgrid(np.arange(width), np.arange(height))
        maps = into_whole(np.stack([x, y], -1).reshape(-1, 2).astype(float)).astype(np.float32)
        maps = maps.reshape(height, width, 2)
        codes = arrays.encode_srgb_u8(self.frames[other])
        frame = cv2.remap(codes, maps, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        corners = into_whole(corners_of((width, height))) - np.array(MARGIN)
        cut = self.frames[self.reference][MARGIN[1] : -MARGIN[1], MARGIN[0] : -MARGIN[0]]
        name = f"{self.name} {length:.0f} px {twist:+.2f} deg {'turned' if turned else 'slid'}"
        return Moved(np.ascontiguousarray(cut), as_jpeg(frame), self.evs[other], corners, name)

    def with_person(self, at: int) -> tuple[list[np.ndarray], np.ndarray]:
        """The bracket with the set's moving person in frame `at` alone, and the person's mask."""
        shape = cv2.imread(str(self.folder / self.files["ghost"]["mask"]), 0)
        alpha = (shape / 255.0 * 0.85).astype(np.float32)[..., None]
        ghost, clean = self.read(self.files["ghost"]["file"]), self.frames[self.reference]
        inside = alpha > 0.3
        person = np.where(inside, (ghost - clean * (1 - alpha)) / np.maximum(alpha, 0.3), 0)
        frames = list(self.frames)
        if at == self.reference:
            frames[at] = ghost
        else:
            mixed = self.frames[at] * (1 - alpha) + np.maximum(person, 0) * 2.0 ** self.evs[at] * alpha
            frames[at] = as_jpeg(arrays.encode_srgb_u8(np.clip(mixed, 0, 1)))
        return frames, shape > 127

    def with_blob(self, rng: np.random.Generator, at: int) -> tuple[list[np.ndarray], np.ndarray]:
        """The bracket with a soft-edged thing of one random colour in frame `at`, and its mask."""
        height, width = self.frames[0].shape[:2]
        mask = np.zeros((height, width), np.uint8)
        middle = (int(rng.uniform(0.1, 0.9) * width), int(rng.uniform(0.3, 0.9) * height))
        for _ in range(3):
            axes = tuple(int(v) for v in rng.uniform(20, 90, 2))
            place = tuple(int(m + rng.uniform(-50, 50)) for m in middle)
            cv2.ellipse(mask, place, axes, rng.uniform(0, 180), 0, 360, 255, -1)
        alpha = cv2.GaussianBlur(mask, (0, 0), 2).astype(np.float32)[..., None] / 255
        around = float(np.median(arrays.luminance(self.frames[self.reference])[mask > 0]))
        colour = around * rng.choice([0.25, 0.5, 2.0, 3.5]) * rng.uniform(0.7, 1.3, 3)
        mixed = self.frames[at] * (1 - alpha) + (colour * 2.0 ** self.evs[at] * alpha).astype(np.float32)
        frames = list(self.frames)
        frames[at] = as_jpeg(arrays.encode_srgb_u8(np.clip(mixed, 0, 1)))
        return frames, mask > 0

    def shot(
        self, rng: np.random.Generator, *, ev: float, iso_noise: float, shake_px: float = 0
    ) -> np.ndarray:
        """A frame of the scene at `ev` stops: shaken by a path of `shake_px`, sensor noise, JPEG."""
        light = self.scene * np.float32(2.0**ev)
        if shake_px:
            light = cv2.filter2D(light, -1, shake_kernel(rng, shake_px), borderType=cv2.BORDER_REFLECT)
        sigma = np.sqrt(iso_noise**2 + 0.02 * iso_noise * np.maximum(light, 0)).astype(np.float32)
        seen = light + rng.standard_normal(light.shape, np.float32) * sigma
        return as_jpeg(arrays.encode_srgb_u8(np.clip(seen, 0, 1)))


def banded(frame: np.ndarray, rng: np.random.Generator, *, depth: float) -> np.ndarray:
    """The frame as a rolling shutter records it under a lamp that flickers: bands across the rows."""
    bands, phase = rng.uniform(2.5, 14), rng.uniform(0, 2 * np.pi)
    rows = np.linspace(0, 2 * np.pi * bands, frame.shape[0]) + phase
    gain = (1 + depth * np.sin(rows)).astype(np.float32)
    return as_jpeg(arrays.encode_srgb_u8(np.clip(frame * gain[:, None, None], 0, 1)))


def shake_kernel(rng: np.random.Generator, length_px: float) -> np.ndarray:
    """A hand's path `length_px` from end to end, bent a little, drawn with subpixels; sums to 1."""
    angle, bow = rng.uniform(0, np.pi), rng.uniform(-0.25, 0.25) * length_px
    along = np.linspace(-0.5, 0.5, 400)
    x, y = along * length_px, bow * (1 - 4 * along**2)
    px, py = x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)
    half = int(np.ceil(length_px)) + 2
    kernel = np.zeros((2 * half + 1, 2 * half + 1))
    for cx, cy in zip(px - px.mean() + half, py - py.mean() + half, strict=True):
        i, j = int(cy), int(cx)
        fy, fx = cy - i, cx - j
        kernel[i : i + 2, j : j + 2] += np.outer([1 - fy, fy], [1 - fx, fx])
    return (kernel / kernel.sum()).astype(np.float32)


def as_jpeg(rgb_u8: np.ndarray, quality: int = 93) -> np.ndarray:
    """Linear light of 8-bit codes after a JPEG file."""
    packed = cv2.imencode(".jpg", rgb_u8[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return arrays.decode_srgb(np.ascontiguousarray(cv2.imdecode(packed, cv2.IMREAD_COLOR)[..., ::-1]))


def turn(angle_deg: float) -> np.ndarray:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, -s], [s, c]])


def corners_of(size: tuple[int, int]) -> np.ndarray:
    width, height = size
    return np.array([[0, 0], [width - 1, 0], [0, height - 1], [width - 1, height - 1]], float)
