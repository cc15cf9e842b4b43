"""A scene of solids, materials and lights, built up in local frames and packed into one flat array.

The layout of the array is the one that trace.cu reads. Metres; z up; colours are linear reflectances.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

HEADER, MAX_SOLIDS, SOLID, MAX_MATERIALS, MATERIAL, MAX_EMITTERS, EMITTER = 64, 160, 20, 64, 20, 24, 16
SCENE_FLOATS = HEADER + MAX_SOLIDS * SOLID + MAX_MATERIALS * MATERIAL + MAX_EMITTERS * EMITTER
PLANES = 36

Colour = tuple[float, float, float]
Point = tuple[float, float, float]


class Pattern(IntEnum):
    PLAIN, STRIPES, CHECKS, TILES, BOARDS, TWO_TONE, FRAMED, DOTS, WEAVE, FRONTS, BOOKS, BRICKS, PLEATS = (
        range(13)
    )


class Lamp(IntEnum):
    GLOBE, PANEL, WINDOW, SUN, TUBE = range(5)


class Group(IntEnum):
    """Lights that burn together and share one colour when pictures are mixed."""

    CEILING, LAMPS, DAYLIGHT, FLASH = range(4)


@dataclass(frozen=True)
class Frame:
    """A local frame: its origin in the world and its turn about the vertical, in degrees."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    turn_deg: float = 0.0

    def point(self, x: float, y: float, z: float) -> Point:
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        return self.x + c * x - s * y, self.y + s * x + c * y, self.z + z

    def vector(self, v: Point) -> Point:
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        return c * v[0] - s * v[1], s * v[0] + c * v[1], v[2]

    def at(self, x: float, y: float, z: float = 0.0, turn_deg: float = 0.0) -> Frame:
        return Frame(*self.point(x, y, z), self.turn_deg + turn_deg)


@dataclass
class Scene:
    """Solids, materials and emitters under construction; every random choice comes from `rng`."""

    seed: int
    rng: random.Random = field(init=False)
    solids: list[list[float]] = field(default_factory=list)
    materials: list[list[float]] = field(default_factory=list)
    emitters: list[list[float]] = field(default_factory=list)
    frame: Frame = field(default_factory=Frame)
    header: np.ndarray = field(default_factory=lambda: np.zeros(HEADER, np.float32))

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)

    # --- chance ---------------------------------------------------------------------------------------
    def between(self, low: float, high: float) -> float:
        return self.rng.uniform(low, high)

    def chance(self, share: float) -> bool:
        return self.rng.random() < share

    @contextmanager
    def inside(self, frame: Frame) -> Iterator[None]:
        """Build in another frame for a while."""
        before, self.frame = self.frame, frame
        try:
            yield
        finally:
            self.frame = before

    # --- solids ---------------------------------------------------------------------------------------
    @property
    def room_for_solids(self) -> int:
        return MAX_SOLIDS - len(self.solids)

    @property
    def room_for_materials(self) -> int:
        return MAX_MATERIALS - len(self.materials)

    @property
    def room_for_emitters(self) -> int:
        return MAX_EMITTERS - len(self.emitters)

    def _add(
        self,
        kind: int,
        centre: Point,
        half: Point,
        axes: np.ndarray,
        material: int,
        emitter: int,
        glow: float,
    ) -> None:
        if self.room_for_solids > 0:
            self.solids.append([kind, *centre, *half, *axes.ravel(), material, emitter, glow, 0.0])

    def box(
        self,
        material: int,
        low: Point,
        high: Point,
        *,
        emitter: int = -1,
        glow: float = 0.0,
        pitch_deg: float = 0.0,
    ) -> None:
        """Add a box between two corners of the local frame, tilted about its own x axis by `pitch_deg`."""
        centre = self.frame.point(*((a + b) / 2 for a, b in zip(low, high, strict=True)))
        half = tuple(abs(b - a) / 2 for a, b in zip(low, high, strict=True))
        self._add(0, centre, half, _axes(self.frame.turn_deg, pitch_deg), material, emitter, glow)  # type: ignore[arg-type]

    def ball(
        self, material: int, centre: Point, radius: float, *, emitter: int = -1, glow: float = 0.0
    ) -> None:
        self._add(1, self.frame.point(*centre), (radius,) * 3, np.eye(3), material, emitter, glow)

    def cylinder(
        self,
        material: int,
        x: float,
        y: float,
        low: float,
        high: float,
        radius: float,
        *,
        emitter: int = -1,
        glow: float = 0.0,
    ) -> None:
        centre = self.frame.point(x, y, (low + high) / 2)
        self._add(2, centre, (radius, radius, (high - low) / 2), np.eye(3), material, emitter, glow)

    # --- lights ---------------------------------------------------------------------------------------
    def light(
        self,
        kind: Lamp,
        group: Group,
        strength: float,
        centre: Point,
        *,
        across: Point = (0, 0, 0),
        along: Point = (0, 0, 0),
        radius: float = 0.0,
        beam: float = 0.0,
    ) -> int:
        """Add a light and return its index, -1 when the scene is full; `across`, `along`: half sides."""
        if self.room_for_emitters <= 0:
            return -1
        place = centre if kind is Lamp.SUN else self.frame.point(*centre)
        sides = (*self.frame.vector(across), *self.frame.vector(along))
        self.emitters.append([kind, group, strength, 0.0, *place, *sides, radius, beam, 0.0])
        return len(self.emitters) - 1

    # --- materials ------------------------------------------------------------------------------------
    def material(
        self,
        colour: Colour,
        second: Colour = (0, 0, 0),
        third: Colour = (0, 0, 0),
        *,
        pattern: Pattern = Pattern.PLAIN,
        gloss: float = 0.0,
        rough: float = 0.2,
        mirror: bool = False,
        size: tuple[float, float] = (1.0, 1.0),
        share: float = 0.0,
        swap: bool = False,
        petals: float = 5.0,
    ) -> int:
        """Add a material and return its index; a full scene gives one of those it has."""
        if self.room_for_materials <= 0:
            return self.rng.randrange(MAX_MATERIALS)
        self.materials.append(
            [
                pattern,
                gloss,
                rough,
                mirror,
                *colour,
                *second,
                *third,
                *size,
                share,
                self.rng.randrange(100000),
                swap,
                petals,
                0,
            ]
        )
        return len(self.materials) - 1

    # --- camera and packing ---------------------------------------------------------------------------
    def look(
        self,
        at: Point,
        *,
        yaw_deg: float,
        pitch_deg: float,
        roll_deg: float,
        focal: tuple[float, float],
        barrel: float,
    ) -> None:
        """Place the camera; `focal` is in picture widths and heights."""
        yaw, pitch, roll = (math.radians(v) for v in (yaw_deg, pitch_deg, roll_deg))
        forward = np.array(
            [math.sin(yaw) * math.cos(pitch), math.cos(yaw) * math.cos(pitch), math.sin(pitch)]
        )
        right = np.array([math.cos(yaw), -math.sin(yaw), 0.0])
        down = np.cross(forward, right)
        self.header[3:6] = at
        self.header[6:9] = right * math.cos(roll) + down * math.sin(roll)
        self.header[9:12] = -right * math.sin(roll) + down * math.cos(roll)
        self.header[12:15] = forward
        self.header[15:18] = *focal, barrel

    def pack(self) -> np.ndarray:
        """Return the flat float32 array (SCENE_FLOATS,), emitters sorted by group."""
        order = sorted(range(len(self.emitters)), key=lambda i: self.emitters[i][1])
        new_index = {old: new for new, old in enumerate(order)}
        groups = [int(self.emitters[i][1]) for i in order]
        out = np.zeros(SCENE_FLOATS, np.float32)
        out[:HEADER] = self.header
        out[0:3] = len(self.solids), len(order), self.seed % 100003
        for g in range(4):
            out[20 + g] = groups.index(g) if g in groups else 0
            out[24 + g] = groups.count(g)
        solids = np.array(self.solids, np.float32)
        solids[:, 17] = [new_index.get(int(s[17]), -1) for s in self.solids]
        start = HEADER
        out[start : start + solids.size] = solids.ravel()
        start = HEADER + MAX_SOLIDS * SOLID
        materials = np.array(self.materials, np.float32)
        out[start : start + materials.size] = materials.ravel()
        start += MAX_MATERIALS * MATERIAL
        emitters = np.array([self.emitters[i] for i in order], np.float32)
        out[start : start + emitters.size] = emitters.ravel()
        return out


def _axes(turn_deg: float, pitch_deg: float) -> np.ndarray:
    """Return the rows of local axes in the world for a turn about z after a tilt about the local x axis."""
    t, p = math.radians(turn_deg), math.radians(pitch_deg)
    x = np.array([math.cos(t), math.sin(t), 0.0])
    y0 = np.array([-math.sin(t), math.cos(t), 0.0])
    z0 = np.array([0.0, 0.0, 1.0])
    y = y0 * math.cos(p) + z0 * math.sin(p)
    return np.stack([x, y, np.cross(x, y)])
