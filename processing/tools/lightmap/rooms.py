"""Random rooms: `room(seed)` gives one packed scene with its camera.

Plain rooms, halls with several doors, stairs, attics with sloping ceilings; landscape and portrait
frames of several ratios; next rooms that may be lit as brightly as the one we stand in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from . import furniture, surfaces
from .scene import Frame, Group, Lamp, Pattern, Scene

WINDOW, OPENING, DOOR = "window", "opening", "door"
# width and height of the sensor's used part, mm: 3:2, 4:3, 16:9 lying, then 2:3 and 3:4 standing
FORMATS = ((36.0, 24.0), (36.0, 27.0), (36.0, 20.25), (24.0, 36.0), (27.0, 36.0))
FORMAT_WEIGHTS = (0.62, 0.15, 0.05, 0.12, 0.06)


@dataclass(frozen=True)
class Hole:
    """An opening in a wall, in the wall's own frame (metres along it and up)."""

    left: float
    right: float
    low: float
    high: float
    kind: str


@dataclass
class Wall:
    """A wall of the main room: where its left corner stands, how long it is, what is cut into it."""

    frame: Frame
    length: float
    material: int
    holes: list[Hole] = field(default_factory=list)

    def is_free(self, left: float, right: float, *, below: float = math.inf) -> bool:
        """Tell whether nothing is cut in between two places (below a height)."""
        return not any(h.left < right and h.right > left and h.low < below for h in self.holes)


@dataclass
class Home:
    """What the parts of one scene share."""

    width: float
    depth: float
    height: float
    style: str
    trim: int
    ceiling: int
    floor: int
    lamp_cover: int
    door: int
    curtain: int | None
    thickness: float
    skirting: float
    cornice: float
    walls: dict[str, Wall] = field(default_factory=dict)
    camera: tuple[float, float, float] = (0.0, 0.0, 1.4)
    has_lamp: bool = False


def room(seed: int) -> np.ndarray:
    """Return one scene as the flat float32 array that trace.cu renders."""
    s = Scene(seed)
    home = _measure(s)
    _place_camera(s, home)
    _cut_walls(s, home)
    _build_shell(s, home)
    for wall in home.walls.values():
        for hole in wall.holes:
            if hole.kind == OPENING and s.room_for_solids > 45:
                _next_room(s, home, wall, hole)
    if s.chance(0.93) and s.room_for_emitters > 4:
        furniture.ceiling_lights(s, home.width, home.depth, home.height, Group.CEILING, home.lamp_cover)
    if home.style == "hall" and home.width > 1.5 and s.chance(0.5):
        _stairs(s, home)
    _furnish_walls(s, home)
    _furnish_floor(s, home)
    _more_lamps(s, home)
    _flash_or_accent(s, home)
    _sun(s, home)
    _view_outdoors(s)
    return s.pack()


def rooms(seeds: Iterable[int]) -> np.ndarray:
    return np.stack([room(seed) for seed in seeds])


def _measure(s: Scene) -> Home:
    style = s.rng.choice(
        ("kitchen", "living", "living", "bedroom", "office", "bathroom", "hall", "hall", "mixed", "mixed")
    )
    width, depth = s.between(2.6, 6.5), s.between(3.0, 7.0)
    if style == "hall":
        width, depth = s.between(1.0, 2.6), s.between(3.5, 9.0)
    elif style == "bathroom":
        width, depth = s.between(1.6, 3.4), s.between(1.9, 4.0)
    trim_colour = (
        surfaces.white(s)
        if s.chance(0.8)
        else (surfaces.wood(s) if s.chance(0.5) else surfaces.paint(s, 0.5))
    )
    trim = s.material(trim_colour, gloss=1.0, rough=s.between(0.1, 0.5))
    if s.chance(0.82):
        ceiling = s.material(surfaces.white(s), share=s.between(0, 0.05))
    else:
        ceiling = surfaces.wooden(s, 0.3) if s.chance(0.4) else s.material(surfaces.paint(s, 0.5))
    curtain = None
    if s.chance(0.8):
        colour = surfaces.paint(s, 0.5)
        curtain = s.material(
            colour,
            surfaces.darker(colour, s.between(0.5, 0.9)),
            pattern=Pattern.PLEATS,
            size=(s.between(0.06, 0.15), 1),
        )
    return Home(
        width=width,
        depth=depth,
        height=s.between(2.3, 2.9) if s.chance(0.9) else s.between(2.9, 3.6),
        style=style,
        trim=trim,
        ceiling=ceiling,
        floor=surfaces.floor(s),
        lamp_cover=s.material((0.8, 0.8, 0.8)),
        door=surfaces.fronts(s, 1.0) if s.chance(0.6) else surfaces.wooden(s, 1.0),
        curtain=curtain,
        thickness=s.between(0.1, 0.3),
        skirting=s.between(0.06, 0.18) if s.chance(0.9) else 0.0,
        cornice=s.between(0.04, 0.12) if s.chance(0.45) else 0.0,
    )


def _place_camera(s: Scene, home: Home) -> None:
    W = home.width
    if s.chance(0.45):
        x, yaw = s.between(0.3, 0.7) * W, s.between(-14, 14)
    else:
        side = s.rng.choice((-1, 1))
        x = s.between(0.25, 0.8) if side > 0 else W - s.between(0.25, 0.8)
        yaw = side * s.between(12, 42)
    x = min(max(x, 0.22), W - 0.22)
    z = s.between(1.2, 1.5) if s.chance(0.8) else s.between(0.9, 1.7)
    home.camera = (x, s.between(0.2, 0.9), z)
    focal_mm = 16 + 19 * s.rng.random() ** 1.3
    across, up = s.rng.choices(FORMATS, FORMAT_WEIGHTS)[0]
    s.look(
        home.camera, yaw_deg=yaw, pitch_deg=s.rng.gauss(0, 3.5), roll_deg=s.rng.gauss(0, 1.3),
        focal=(focal_mm / across, focal_mm / up), barrel=s.between(-0.05, 0.01),
    )  # fmt: skip


def _cut_walls(s: Scene, home: Home) -> None:
    W, D = home.width, home.depth
    base = surfaces.wall(s)
    corners = {
        "back": (Frame(0, D, 0, 0), W),
        "left": (Frame(0, 0, 0, 90), D),
        "right": (Frame(W, D, 0, -90), D),
        "front": (Frame(W, 0, 0, 180), W),
    }
    for name, (frame, length) in corners.items():
        material = base if s.chance(0.6) else surfaces.wall(s)
        home.walls[name] = Wall(frame, length, material)
    windows = 0
    doors_wanted = {"hall": 0.75}.get(home.style, 0.28)
    for name, window_share in (("back", 0.5), ("left", 0.4), ("right", 0.4), ("front", 0.3)):
        wall = home.walls[name]
        if name != "front" and wall.length > 1.2 and s.chance(doors_wanted):
            _cut_openings(s, home, wall, 3 if home.style == "hall" and name != "back" else 1)
        elif s.chance(window_share) or (name == "front" and not windows and s.chance(0.8)):
            windows += _cut_windows(s, home, wall)
        elif s.chance(0.35) and wall.length > 1.3:
            w = s.between(0.7, 0.9)
            a = s.between(0.15, wall.length - w - 0.15)
            wall.holes.append(Hole(a, a + w, 0, 2.03, DOOR))


def _cut_openings(s: Scene, home: Home, wall: Wall, most: int) -> None:
    x = s.between(0.1, 0.6)
    for _ in range(s.rng.randint(1, most)):
        w = s.between(0.75, 1.1) if s.chance(0.7) else s.between(1.1, 2.2)
        if x + w > wall.length - 0.05:
            return
        kind = OPENING if s.chance(0.8) else DOOR
        wall.holes.append(Hole(x, x + w, 0, s.between(2.0, min(2.25, home.height - 0.05)), kind))
        x += w + s.between(0.3, 2.0)


def _cut_windows(s: Scene, home: Home, wall: Wall) -> int:
    count = s.rng.choice((1, 1, 1, 2, 2, 3))
    low, high = (s.between(0.7, 1.2), s.between(1.9, min(2.25, home.height - 0.1)))
    if s.chance(0.2):
        low, high = 0.02, s.between(2.0, 2.2)
    w = s.between(0.6, 1.8)
    gap = (wall.length - count * w) / (count + 1)
    if gap <= 0.15:
        return 0
    for i in range(count):
        a = gap + i * (w + gap)
        wall.holes.append(Hole(a, a + w, low, high, WINDOW))
    return count


# --- the shell -----------------------------------------------------------------------------------------
def _build_shell(s: Scene, home: Home) -> None:
    W, D, H = home.width, home.depth, home.height
    s.box(home.floor, (-0.3, -0.3, -0.1), (W + 0.3, D + 0.3, 0))
    walls_up_to = dict.fromkeys(home.walls, H)
    if home.style in ("bedroom", "office", "mixed", "bathroom") and s.chance(0.3):
        eaves, ridge = s.between(0.9, 1.9), s.between(2.4, 3.4)
        _attic_ceiling(s, home, eaves, ridge)
        walls_up_to.update(left=eaves + 0.1, right=eaves + 0.1, back=ridge, front=ridge)
        home.height = max(2.1, eaves + (ridge - eaves) * 0.6)
    else:
        s.box(home.ceiling, (-0.3, -0.3, H), (W + 0.3, D + 0.3, H + 0.1))
    for name, wall in home.walls.items():
        with s.inside(wall.frame):
            build_wall(
                s, wall.length, walls_up_to[name], wall.material, wall.holes, home.thickness,
                trim=home.trim if name != "front" else None, skirting=home.skirting, cornice=home.cornice,
            )  # fmt: skip
            for hole in wall.holes:
                if hole.kind == WINDOW:
                    _window(s, home, hole)
                else:
                    _door_frame(s, home, hole)


def _attic_ceiling(s: Scene, home: Home, eaves: float, ridge: float) -> None:
    """Close the room by two slopes that meet above its middle, and now and then a flat strip."""
    W, D = home.width, home.depth
    rise, run = ridge - eaves, W / 2
    slope, length = math.degrees(math.atan2(rise, run)), math.hypot(rise, run) + 0.3
    for x, pitch in ((W / 4, -slope), (3 * W / 4, slope)):
        with s.inside(Frame(x, D / 2, (eaves + ridge) / 2, 90)):
            s.box(
                home.ceiling, (-D / 2 - 0.3, -length / 2, 0), (D / 2 + 0.3, length / 2, 0.1), pitch_deg=pitch
            )
    if s.chance(0.4):
        z = ridge - s.between(0.2, 0.5)
        s.box(home.ceiling, (0, -0.3, z), (W, D + 0.3, z + 0.05))


def build_wall(
    s: Scene,
    length: float,
    height: float,
    material: int,
    holes: list[Hole],
    thickness: float,
    *,
    trim: int | None = None,
    skirting: float = 0.0,
    cornice: float = 0.0,
) -> None:
    """Build a wall around its holes, with skirting board and cornice. Local frame: x along, y outward."""
    x = 0.0
    for hole in sorted(holes, key=lambda h: h.left):
        if hole.left > x:
            s.box(material, (x, 0, 0), (hole.left, thickness, height))
        if hole.low > 0:
            s.box(material, (hole.left, 0, 0), (hole.right, thickness, hole.low))
        if hole.high < height:
            s.box(material, (hole.left, 0, hole.high), (hole.right, thickness, height))
        x = hole.right
    s.box(material, (x, 0, 0), (length, thickness, height))
    if trim is None:
        return
    if skirting:
        x = 0.0
        for left, right in [
            (h.left, h.right) for h in sorted(holes, key=lambda h: h.left) if h.low < 0.05
        ] + [(length, length)]:
            if left > x:
                s.box(trim, (x, -0.018, 0), (left, 0, skirting))
            x = right
    if cornice:
        s.box(trim, (0, -cornice, height - cornice), (length, 0, height))


def _window(s: Scene, home: Home, hole: Hole) -> None:
    a, b, low, high, w, trim = hole.left, hole.right, hole.low, hole.high, s.between(0.04, 0.09), home.trim
    for lo, hi in (
        ((a - w, -0.025, low - w), (b + w, 0, low)),
        ((a - w, -0.025, high), (b + w, 0, high + w)),
        ((a - w, -0.025, low), (a, 0, high)),
        ((b, -0.025, low), (b + w, 0, high)),
    ):
        s.box(trim, lo, hi)
    if s.chance(0.6):
        s.box(trim, (a - w, -0.12, low - 0.03), (b + w, 0, low))
    bar, y = s.between(0.015, 0.03), home.thickness * 0.4
    upright, level = s.rng.randrange(0, 3), s.rng.randrange(0, 3)
    for i in range(upright):
        x = a + (b - a) * (i + 1) / (upright + 1)
        s.box(trim, (x - bar, y, low), (x + bar, y + 0.04, high))
    for i in range(level):
        z = low + (high - low) * (i + 1) / (level + 1)
        s.box(trim, (a, y, z - bar), (b, y + 0.04, z + bar))
    if s.chance(0.12):
        blind = s.material(surfaces.white(s), pattern=Pattern.FRONTS, size=(5.0, 0.05), share=0.001)
        s.box(blind, (a, 0.02, high - s.between(0.1, 0.6) * (high - low)), (b, 0.05, high))
    s.light(
        Lamp.WINDOW, Group.DAYLIGHT, 1.0, ((a + b) / 2, home.thickness * 0.5, (low + high) / 2),
        across=((b - a) / 2, 0, 0), along=(0, 0, (high - low) / 2),
    )  # fmt: skip
    if home.curtain is not None and s.chance(0.6):
        wide, hem = s.between(0.15, 0.45), 0.02 if s.chance(0.6) else max(0.0, low - 0.1)
        s.box(home.curtain, (a - wide, -0.14, hem), (a + 0.04, -0.05, high + 0.15))
        s.box(home.curtain, (b - 0.04, -0.14, hem), (b + wide, -0.05, high + 0.15))


def _door_frame(s: Scene, home: Home, hole: Hole) -> None:
    a, b, high, w = hole.left, hole.right, hole.high, 0.07
    s.box(home.trim, (a - w, -0.02, 0), (a, 0, high + w))
    s.box(home.trim, (b, -0.02, 0), (b + w, 0, high + w))
    s.box(home.trim, (a, -0.02, high), (b, 0, high + w))
    if hole.kind == DOOR:
        s.box(home.door, (a, 0.03, 0), (b, 0.07, high))


def _next_room(s: Scene, home: Home, wall: Wall, hole: Hole) -> None:
    """Build a room behind an opening, mostly lit by lamps of its own."""
    H, th, middle = home.height, home.thickness, (hole.left + hole.right) / 2
    x0, x1, y1 = (
        middle - s.between(0.9, 3.0),
        middle + s.between(0.9, 3.0),
        home.thickness + s.between(1.4, 4.5),
    )
    walls, floor = surfaces.wall(s, 0.5), home.floor if s.chance(0.5) else surfaces.floor(s)
    with s.inside(wall.frame):
        s.box(floor, (x0, th, -0.09), (x1, y1, 0.004))
        s.box(home.ceiling, (x0, th, H), (x1, y1, H + 0.1))
        s.box(walls, (x0 - 0.1, th, 0), (x0, y1, H))
        s.box(walls, (x1, th, 0), (x1 + 0.1, y1, H))
        if x0 < hole.left:
            s.box(walls, (x0, th - 0.02, 0), (hole.left - 0.005, th + 0.005, H))
        if x1 > hole.right:
            s.box(walls, (hole.right + 0.005, th - 0.02, 0), (x1, th + 0.005, H))
        s.box(walls, (x0, th, hole.high), (x1, th + 0.005, H))
        windows = []
        if s.chance(0.35) and s.room_for_emitters > 6:
            a = (x1 - x0) * s.between(0.2, 0.4)
            windows = [Hole(a, min(a + s.between(0.8, 1.5), x1 - x0 - 0.1), 0.8, 2.1, WINDOW)]
        with s.inside(s.frame.at(x0, y1)):
            build_wall(s, x1 - x0, H, walls, windows, 0.15, trim=home.trim, skirting=0.1)
            for window in windows:
                _window(s, home, window)
            for _ in range(s.rng.randrange(1, 3)):
                with s.inside(s.frame.at(s.between(0.3, 0.7) * (x1 - x0), -0.02)):
                    s.rng.choice(
                        (
                            furniture.bookshelf,
                            furniture.sideboard,
                            furniture.table,
                            furniture.sofa,
                            furniture.wardrobe,
                        )
                    )(s, s.between(0.7, 1.3))
        with s.inside(s.frame.at(x0, th)):
            _light_next_room(s, home, x1 - x0, y1 - th)


def _light_next_room(s: Scene, home: Home, width: float, depth: float) -> None:
    if s.room_for_emitters < 3:
        return
    group = Group.LAMPS if s.chance(0.8) else Group.CEILING
    if s.chance(0.6):
        furniture.ceiling_lights(s, width, depth, home.height, group, home.lamp_cover)
    else:
        place = s.between(0.15, 0.85) * width, s.between(0.4, 0.85) * depth, s.between(0.7, 1.5)
        furniture.shade(s, *place, group, 1.0, home.lamp_cover)
    home.has_lamp = home.has_lamp or group is Group.LAMPS


def _stairs(s: Scene, home: Home) -> None:
    """Run a flight of stairs up one side, with a handrail that leans as it should."""
    tread, rise, width = s.between(0.22, 0.28), s.between(0.17, 0.2), s.between(0.7, 0.95)
    count = min(int(home.height / rise), int((home.depth - 2.0) / tread), 14)
    if count < 5:
        return
    steps = surfaces.wooden(s, 0.6) if s.chance(0.6) else s.material(surfaces.paint(s, 0.4))
    left = s.chance(0.5)
    x0 = 0.0 if left else home.width - width
    y0 = home.depth - count * tread - s.between(0.0, 0.3)
    for i in range(count):
        y = y0 + i * tread
        s.box(
            steps,
            (x0, y, 0 if i % 3 == 0 else (i - 1) * rise),
            (x0 + width, y + tread + 0.02, (i + 1) * rise),
        )
    rail_x = x0 + width if left else x0
    slope, length = math.degrees(math.atan2(rise, tread)), count * math.hypot(tread, rise)
    with s.inside(Frame(rail_x, y0 + count * tread / 2, count * rise / 2 + 0.9)):
        s.box(home.trim, (-0.03, -length / 2, -0.02), (0.03, length / 2, 0.03), pitch_deg=slope)
    for i in range(0, count, 2):
        y = y0 + (i + 0.5) * tread
        s.box(
            home.trim,
            (rail_x - 0.015, y - 0.015, (i + 1) * rise),
            (rail_x + 0.015, y + 0.015, (i + 1) * rise + 0.9),
        )


# --- what stands and hangs in it ----------------------------------------------------------------------------
def _furnish_walls(s: Scene, home: Home) -> None:
    for name in ("back", "left", "right"):
        wall = home.walls[name]
        x = s.between(0.02, 0.5)
        while x < wall.length - 0.5 and s.room_for_solids > 32 and s.room_for_materials > 10:
            width = min(s.between(0.5, 2.4), wall.length - x - 0.02)
            _furnish_place(s, home, wall, x, width)
            x += width + (s.between(0, 0.7) if s.chance(0.6) else 0)


def _furnish_place(s: Scene, home: Home, wall: Wall, x: float, width: float) -> None:
    piece, middle = s.rng.choice(furniture.STYLES[home.style]), x + width / 2
    px, py, _ = wall.frame.point(middle, -0.3, 0)
    is_near = math.hypot(px - home.camera[0], py - home.camera[1]) < 1.0 + width / 2
    is_free = wall.is_free(x - 0.05, x + width + 0.05, below=math.inf if piece in furniture.TALL else 0.5)
    fits = width > (1.2 if piece in furniture.WIDE else 0.45)
    if not is_near and is_free and fits and s.chance(0.8):
        with s.inside(wall.frame.at(middle, -0.03)):
            piece(s, width)
            if s.chance(0.25) and s.room_for_emitters > 3:
                place = s.between(-0.4, 0.4) * width, -0.25, s.between(0.9, 1.5)
                furniture.shade(s, *place, Group.LAMPS, s.between(0.5, 1.5), home.lamp_cover)
                home.has_lamp = True
    elif wall.is_free(x, x + width) and s.chance(0.8):
        half, up, z = s.between(0.15, 0.6), s.between(0.15, 0.5), s.between(1.4, 1.75)
        if half * 2 < width:
            mirror = s.chance(0.12)
            material = (
                s.material((0.9, 0.9, 0.9), mirror=True, rough=0.0) if mirror else surfaces.framed_print(s)
            )
            with s.inside(wall.frame):
                s.box(material, (middle - half, -0.03, z - up), (middle + half, 0, z + up))


def _furnish_floor(s: Scene, home: Home) -> None:
    W, D = home.width, home.depth
    if W > 2.4 and home.style not in ("bathroom", "hall"):
        for _ in range(s.rng.randrange(0, 3)):
            x, y = s.between(0.3, 0.7) * W, s.between(0.45, 0.75) * D
            if math.hypot(x - home.camera[0], y - home.camera[1]) < 1.6 or s.room_for_solids < 20:
                continue
            turn = s.rng.choice((0, 90, 180, 270)) + (s.between(-20, 20) if s.chance(0.3) else 0)
            with s.inside(Frame(x, y, 0, turn)):
                s.rng.choice((furniture.table, furniture.table, furniture.sofa))(s, s.between(0.9, 1.8))
    if s.chance(0.5) and s.room_for_materials:
        x, y, a, b = (
            s.between(0.35, 0.65) * W,
            s.between(0.4, 0.7) * D,
            s.between(0.6, 1.4),
            s.between(0.5, 1.2),
        )
        rug = s.material(
            surfaces.paint(s, 0.7), surfaces.paint(s, 0.6), surfaces.paint(s, 0.6),
            pattern=s.rng.choice((Pattern.WEAVE, Pattern.CHECKS, Pattern.DOTS, Pattern.STRIPES)),
            size=(s.between(0.1, 0.5), s.between(0.1, 0.5)), share=0.5,
        )  # fmt: skip
        s.box(rug, (max(x - a, 0.1), y - b, 0), (min(x + a, W - 0.1), y + b, 0.012))


def _more_lamps(s: Scene, home: Home) -> None:
    if home.has_lamp or not s.chance(0.8):
        return
    for _ in range(s.rng.choice((1, 1, 2))):
        place = s.between(0.1, 0.9) * home.width, s.between(0.5, 0.95) * home.depth, s.between(0.8, 1.6)
        furniture.shade(s, *place, Group.LAMPS, s.between(0.5, 1.5), home.lamp_cover)


def _flash_or_accent(s: Scene, home: Home) -> None:
    """Add the fourth light: a flash bounced off the ceiling, one at the camera, or a strip along a wall."""
    W, H, (x, y, z), kind = home.width, home.height, home.camera, s.rng.random()
    if kind < 0.6:
        a = s.between(0.3, 0.6)
        cx = min(max(x, a + 0.02), W - a - 0.02) if 2 * a + 0.1 < W else W / 2
        place = cx, max(y - 0.2, 0.05) + a * 0.4, H - 0.015
        s.light(
            Lamp.PANEL, Group.FLASH, 1.0, place, across=(min(a, W / 2 - 0.03), 0, 0), along=(0, -a * 0.6, 0)
        )
    elif kind < 0.8:
        s.light(Lamp.GLOBE, Group.FLASH, 60.0, (x + 0.12, y, z + 0.15), radius=0.03)
    else:
        wall = home.walls[s.rng.choice(("back", "left", "right"))]
        height = s.between(1.3, 1.45) if s.chance(0.5) else H - 0.12
        with s.inside(wall.frame):
            s.light(
                Lamp.TUBE, Group.FLASH, 1.0, (wall.length / 2, -0.12, height),
                across=(wall.length * s.between(0.1, 0.45), 0, 0), along=(0, -0.01, 0),
            )  # fmt: skip


def _sun(s: Scene, home: Home) -> None:
    sunny = [w for w in home.walls.values() if any(h.kind == WINDOW for h in w.holes)]
    if not sunny or not s.chance(0.35):
        return
    azimuth = math.radians(s.rng.choice(sunny).frame.turn_deg + s.between(-55, 55))
    height = math.radians(s.between(18, 55))
    towards = (-math.sin(azimuth) * math.cos(height), math.cos(azimuth) * math.cos(height), math.sin(height))
    s.light(Lamp.SUN, Group.DAYLIGHT, s.between(0.15, 1.5), towards)


def _view_outdoors(s: Scene) -> None:
    """Colour the sky, the skyline and the ground that windows show."""
    h = s.header
    h[40:43] = surfaces.from_hue(s.between(0.54, 0.64), s.between(0.1, 0.7), s.between(0.5, 1.1))
    h[43:46] = s.between(0.8, 1.3)
    ground = surfaces.from_hue(s.between(0.2, 0.35), s.between(0.2, 0.8), s.between(0.05, 0.3))
    h[46:49] = ground if s.chance(0.7) else surfaces.neutral(s)
    h[49:52] = surfaces.from_hue(s.between(0.2, 0.4), s.between(0.3, 0.8), s.between(0.03, 0.2))
    h[52:55] = s.rng.choice(((0.4, 0.17, 0.1), (0.6, 0.55, 0.48), (0.1, 0.16, 0.05), (0.35, 0.33, 0.3)))
    h[55:58] = s.rng.randrange(1000), s.between(0, 1.5), s.between(0, 1)
