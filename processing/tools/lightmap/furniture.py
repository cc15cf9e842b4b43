"""Furniture and lamps.

Local frame: the wall is at y = 0, the room lies towards negative y, x = 0 is the middle.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from . import surfaces
from .scene import Group, Lamp, Pattern, Scene

Piece = Callable[[Scene, float], None]


def things(s: Scene, x: float, y: float, z: float, count: int, spread: float) -> None:
    """Put small coloured things on a surface."""
    for _ in range(count):
        colour = surfaces.anything(s, 0.7)
        kind, a, b, h = (
            s.rng.random(),
            x + s.between(-spread, spread),
            y + s.between(-0.1, 0.1),
            s.between(0.05, 0.3),
        )
        if kind < 0.4:
            w = s.between(0.03, 0.12)
            s.box(colour, (a - w, b - w * 0.6, z), (a + w, b + w * 0.6, z + h))
        elif kind < 0.75:
            s.cylinder(colour, a, b, z, z + h, s.between(0.03, 0.08))
        else:
            r = s.between(0.04, 0.12)
            s.ball(colour, (a, b, z + r), r)


def cabinets(s: Scene, width: float) -> None:
    body = surfaces.fronts(s) if s.chance(0.65) else surfaces.wooden(s, 1.0)
    top = s.material(
        s.rng.choice(((0.03, 0.03, 0.03), surfaces.neutral(s), surfaces.wood(s))),
        surfaces.neutral(s), pattern=Pattern.WEAVE, gloss=1.0, rough=0.1,
    )  # fmt: skip
    height, depth, w = s.between(0.85, 0.93), s.between(0.55, 0.64), width / 2
    s.box(body, (-w, -depth, 0.1), (w, 0, height))
    s.box(s.material((0.03, 0.03, 0.03)), (-w, -depth + 0.06, 0), (w, 0, 0.1))
    s.box(top, (-w - 0.01, -depth - 0.02, height), (w + 0.01, 0, height + 0.04))
    if s.chance(0.7):
        tile = surfaces.white(s) if s.chance(0.5) else surfaces.paint(s, 0.6)
        splash = s.material(
            tile, surfaces.neutral(s), surfaces.darker(tile, s.between(0.8, 1.1)),
            pattern=s.rng.choice((Pattern.TILES, Pattern.BRICKS)),
            size=(s.between(0.08, 0.2), s.between(0.06, 0.15)), share=0.04, gloss=1.0, rough=0.1,
        )  # fmt: skip
        s.box(splash, (-w, -0.01, height + 0.04), (w, 0, 1.42))
    if s.chance(0.65):
        s.box(body, (-w, -0.34, 1.42), (w * s.between(0.2, 1), 0, s.between(2.05, 2.25)))
    things(s, 0, -0.3, height + 0.04, s.rng.randrange(1, 6), width * 0.4)
    if s.chance(0.4):
        s.box(
            s.material((0.5, 0.5, 0.5), mirror=True, rough=0.25),
            (-0.25, -depth - 0.03, 0.12),
            (0.25, -depth, 0.75),
        )


def fridge(s: Scene, width: float) -> None:
    colour = (0.8, 0.8, 0.8) if s.chance(0.6) else (0.5, 0.5, 0.5)
    s.box(
        s.material(colour, gloss=1.0, rough=0.3, mirror=s.chance(0.2)),
        (-0.32, -0.66, 0.03),
        (0.32, -0.02, s.between(1.4, 1.9)),
    )


def wardrobe(s: Scene, width: float) -> None:
    body = surfaces.fronts(s, 0.6) if s.chance(0.5) else surfaces.wooden(s, 0.6)
    s.box(body, (-width / 2, -0.58, 0.02), (width / 2, 0, s.between(1.7, 2.2)))


def bookshelf(s: Scene, width: float) -> None:
    colour, w = surfaces.wood(s) if s.chance(0.5) else surfaces.white(s), width / 2
    books = s.material(colour, pattern=Pattern.BOOKS, size=(s.between(0.02, 0.06), s.between(0.25, 0.4)))
    s.box(books, (-w, -0.3, 0.05), (w, 0, s.between(1.2, 2.1)))
    side = s.material(colour)
    s.box(side, (-w - 0.03, -0.32, 0), (-w, 0, 2.12))
    s.box(side, (w, -0.32, 0), (w + 0.03, 0, 2.12))


def sofa(s: Scene, width: float) -> None:
    cover, depth, w = surfaces.cloth(s), s.between(0.8, 0.95), width / 2
    s.box(cover, (-w, -depth, 0.08), (w, 0, 0.43))
    s.box(cover, (-w, -0.25, 0.43), (w, 0, s.between(0.75, 0.95)))
    s.box(cover, (-w - 0.18, -depth, 0.08), (-w, 0, 0.62))
    s.box(cover, (w, -depth, 0.08), (w + 0.18, 0, 0.62))
    for _ in range(s.rng.randrange(0, 4)):
        x = s.between(-0.8, 0.8) * w
        s.box(
            surfaces.cloth(s) if s.room_for_materials > 14 else cover,
            (x - 0.2, -0.42, 0.44),
            (x + 0.2, -0.26, 0.8),
        )


def table(s: Scene, width: float) -> None:
    top = surfaces.wooden(s, 1.0) if s.chance(0.6) else surfaces.anything(s, 0.4)
    height, depth, w = s.between(0.4, 0.78), s.between(0.5, 0.95), width / 2
    s.box(top, (-w, -depth, height - 0.04), (w, 0, height))
    for x in (-w + 0.08, w - 0.08):
        for y in (-depth + 0.06, -0.06):
            s.box(top, (x - 0.03, y - 0.03, 0), (x + 0.03, y + 0.03, height - 0.04))
    things(s, 0, -depth / 2, height, s.rng.randrange(0, 5), width * 0.4)
    if s.chance(0.6) and height > 0.6:
        chair = surfaces.wooden(s, 0.6) if s.chance(0.5) else surfaces.anything(s)
        for x in (-0.25 * width, 0.25 * width):
            s.box(chair, (x - 0.21, -depth - 0.35, 0.42), (x + 0.21, -depth + 0.05, 0.47))
            s.box(chair, (x - 0.21, -depth - 0.4, 0.0), (x + 0.21, -depth - 0.36, s.between(0.8, 1.0)))


def bed(s: Scene, width: float) -> None:
    base, cover = surfaces.anything(s, 0.5), surfaces.cloth(s)
    linen = s.material(surfaces.white(s) if s.chance(0.6) else surfaces.paint(s, 0.6))
    w = s.between(1.3, 1.9) / 2
    s.box(base, (-w, -2.05, 0.05), (w, 0, 0.3))
    s.box(linen, (-w + 0.03, -2.0, 0.3), (w - 0.03, -0.05, 0.5))
    s.box(cover, (-w - 0.02, -2.03, 0.2), (w + 0.02, -0.6, 0.55))
    s.box(base, (-w - 0.05, -0.07, 0), (w + 0.05, 0, s.between(0.8, 1.3)))
    for x in (-w / 2, w / 2):
        s.box(linen, (x - 0.3, -0.5, 0.5), (x + 0.3, -0.1, 0.65))


def sideboard(s: Scene, width: float) -> None:
    body, height = (
        surfaces.wooden(s, 0.6) if s.chance(0.6) else surfaces.anything(s, 0.4),
        s.between(0.5, 0.9),
    )
    s.box(body, (-width / 2, -0.42, 0.05), (width / 2, 0, height))
    things(s, 0, -0.2, height, s.rng.randrange(1, 6), width * 0.4)


def screen(s: Scene, width: float) -> None:
    sideboard(s, max(width, 1.2))
    s.box(s.material((0.01, 0.01, 0.012), gloss=1.0, rough=0.03), (-0.55, -0.2, 1.0), (0.55, -0.16, 1.65))


def radiator(s: Scene, width: float) -> None:
    panel = s.material(surfaces.white(s), pattern=Pattern.FRONTS, size=(0.06, 5), share=0.1)
    s.box(panel, (-width / 2, -0.12, 0.15), (width / 2, -0.03, 0.75))


def plant(s: Scene, width: float) -> None:
    leaves = s.material(
        surfaces.from_hue(s.between(0.22, 0.4), s.between(0.5, 0.85), s.between(0.05, 0.25)), share=0.5
    )
    s.cylinder(surfaces.anything(s, 0.7), 0, -0.3, 0, 0.35, 0.16)
    for _ in range(s.rng.randrange(3, 8)):
        s.ball(
            leaves,
            (s.between(-0.2, 0.2), -0.3 + s.between(-0.15, 0.15), s.between(0.5, 1.4)),
            s.between(0.1, 0.22),
        )


def sanitary(s: Scene, width: float) -> None:
    china, kind, w = s.material((0.82, 0.82, 0.82), gloss=1.0, rough=0.05), s.rng.random(), width / 2
    if kind < 0.4:
        s.box(china, (-w, -0.7, 0), (w, 0, 0.55))
    elif kind < 0.7:
        s.cylinder(china, 0, -0.35, 0, 0.4, 0.2)
        s.box(china, (-0.2, -0.2, 0.4), (0.2, 0, 0.8))
    else:
        s.box(surfaces.anything(s, 0.3), (-w, -0.48, 0.1), (w, 0, 0.8))
        s.box(china, (-w, -0.5, 0.8), (w, 0, 0.86))
        s.box(s.material((0.9, 0.9, 0.9), mirror=True, rough=0.0), (-w, -0.02, 1.1), (w, 0, 1.9))


STYLES: dict[str, tuple[Piece, ...]] = {
    "kitchen": (cabinets,) * 5 + (fridge, wardrobe, table),
    "living": (sofa, sofa, bookshelf, bookshelf, sideboard, screen, table, plant, wardrobe),
    "bedroom": (bed, bed, wardrobe, sideboard, bookshelf, plant),
    "office": (bookshelf, bookshelf, table, table, sideboard, wardrobe, plant),
    "bathroom": (sanitary,) * 4 + (wardrobe, sideboard),
    "hall": (sideboard, plant, wardrobe, radiator),
    "mixed": (cabinets, fridge, wardrobe, bookshelf, sofa, table, bed, sideboard, screen, radiator, plant),
}
TALL: tuple[Piece, ...] = (wardrobe, bookshelf, fridge)
WIDE: tuple[Piece, ...] = (sofa, bed)


# --- lamps ---------------------------------------------------------------------------------------------
def shade(s: Scene, x: float, y: float, z: float, group: Group, strength: float, cover: int) -> None:
    """Add a standing, table or hanging lamp with a glowing shade at height z."""
    radius, height = s.between(0.1, 0.25), s.between(0.12, 0.3)
    bulb = min(radius, height / 2) * 0.8
    lamp = s.light(Lamp.GLOBE, group, strength * (0.12 / bulb) ** 2, (x, y, z + height / 2), radius=bulb)
    if lamp < 0:
        return
    if s.chance(0.7):
        s.cylinder(
            cover, x, y, z, z + height, radius, emitter=lamp, glow=(bulb / max(radius, height / 2)) ** 2
        )
    else:
        s.ball(cover, (x, y, z + height / 2), bulb, emitter=lamp, glow=1.0)


def ceiling_lights(s: Scene, width: float, depth: float, height: float, group: Group, cover: int) -> None:
    """Light a ceiling by tubes or panels, a globe, downlights or pendants."""
    kind = s.rng.random()
    x, y = width * s.between(0.35, 0.65), depth * s.between(0.4, 0.75)
    if kind < 0.28:
        _panels(s, x, y, width, depth, height, group, cover)
    elif kind < 0.55:
        r, drop = s.between(0.08, 0.25), s.between(0.0, 0.5)
        centre = (x, y, height - drop - r)
        s.ball(
            cover, centre, r, emitter=s.light(Lamp.GLOBE, group, (0.15 / r) ** 2, centre, radius=r), glow=1.0
        )
        if drop > 0.05:
            s.cylinder(cover, x, y, height - drop, height, 0.01)
    elif kind < 0.8:
        _downlights(s, width, depth, height, group, cover)
    else:
        count, ring, z = s.rng.randrange(1, 5), s.between(0.1, 0.5), height - s.between(0.35, 0.9)
        for i in range(count):
            a = 2 * math.pi * i / count
            r = ring if count > 1 else 0.0
            shade(s, x + r * math.cos(a), y + r * math.sin(a), z, group, 1.0 / count, cover)


def _panels(
    s: Scene, x: float, y: float, width: float, depth: float, height: float, group: Group, cover: int
) -> None:
    count, a, b = s.rng.choice((1, 1, 2)), s.between(0.5, 1.5), s.between(0.06, 0.6)
    if s.chance(0.5):
        a, b = b, a
    a, b = min(a, width * 0.7), min(b, depth * 0.7)
    for i in range(count):
        yy = min(max(y + (i - (count - 1) / 2) * 1.4, 0.5), depth - 0.4)
        z = height - s.between(0.0, 0.12)
        kind = Lamp.TUBE if s.chance(0.5) else Lamp.PANEL
        lamp = s.light(kind, group, 1.0, (x, yy, z - 0.055), across=(a / 2, 0, 0), along=(0, -b / 2, 0))
        if lamp >= 0:
            s.box(
                cover, (x - a / 2, yy - b / 2, z - 0.05), (x + a / 2, yy + b / 2, z), emitter=lamp, glow=1.0
            )


def _downlights(s: Scene, width: float, depth: float, height: float, group: Group, cover: int) -> None:
    nx, ny = max(1, round(width / s.between(1.4, 2.4))), max(1, round(depth / s.between(1.5, 2.6)))
    beam = s.between(1, 6)
    for i in range(nx):
        for j in range(ny):
            if s.room_for_emitters < 10:
                return
            x, y, r = width * (i + 0.5) / nx, depth * (j + 0.5) / ny, s.between(0.04, 0.07)
            lamp = s.light(
                Lamp.PANEL, group, 6.0, (x, y, height - 0.012), across=(r, 0, 0), along=(0, -r, 0), beam=beam
            )
            s.cylinder(cover, x, y, height - 0.01, height + 0.02, r, emitter=lamp, glow=1.0)
