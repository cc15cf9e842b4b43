"""Colours and materials of homes, drawn at random: what paint, wood, tile and cloth tend to look like."""

from __future__ import annotations

from .scene import Colour, Pattern, Scene

WOODS: tuple[Colour, ...] = (
    (0.50, 0.34, 0.18), (0.12, 0.06, 0.03), (0.35, 0.14, 0.06), (0.45, 0.26, 0.10),
    (0.40, 0.36, 0.31), (0.24, 0.13, 0.06), (0.56, 0.44, 0.28), (0.30, 0.18, 0.10),
)  # fmt: skip
PAINT_HUES = (0.02, 0.05, 0.08, 0.11, 0.13, 0.16, 0.30, 0.36, 0.45, 0.52, 0.58, 0.62, 0.66, 0.80, 0.95)


def from_hue(hue: float, saturation: float, value: float) -> Colour:
    """Return a colour by hue, saturation and value (all 0..1)."""

    def channel(k: float) -> float:
        return value * (1 - saturation + saturation * min(max(k, 0.0), 1.0))

    return channel(abs(hue * 6 - 3) - 1), channel(2 - abs(hue * 6 - 2)), channel(2 - abs(hue * 6 - 4))


def darker(colour: Colour, by: float) -> Colour:
    return colour[0] * by, colour[1] * by, colour[2] * by


def neutral(s: Scene) -> Colour:
    """Return an off-white, cream, greige or grey."""
    kind, value = s.rng.random(), s.between(0.45, 0.86)
    if kind < 0.4:
        tint = s.between(-0.03, 0.05)
    elif kind < 0.75:
        tint = s.between(0.05, 0.3)
    else:
        tint, value = s.between(0.0, 0.15), s.between(0.2, 0.6)
    return value, value * (1 - tint * s.between(0.3, 0.6)), value * (1 - tint)


def strong(s: Scene) -> Colour:
    """Return a decided colour: usual paints more often than any hue."""
    hue = s.rng.choice(PAINT_HUES) + s.between(-0.03, 0.03) if s.chance(0.55) else s.rng.random()
    value = s.between(0.06, 0.75) if s.chance(0.7) else s.between(0.03, 0.2)
    return from_hue(hue % 1, s.between(0.2, 0.92) ** 1.1, value)


def paint(s: Scene, strong_share: float = 0.4) -> Colour:
    return strong(s) if s.chance(strong_share) else neutral(s)


def white(s: Scene) -> Colour:
    value, tint = s.between(0.66, 0.86), s.between(-0.01, 0.06)
    return value, value * (1 - tint * 0.5), value * (1 - tint)


def wood(s: Scene) -> Colour:
    base, k = s.rng.choice(WOODS), s.between(0.7, 1.25)
    r, g, b = (min(0.85, c * k * s.between(0.93, 1.07)) for c in base)
    return r, g, b


def wooden(s: Scene, gloss: float | None = None) -> int:
    colour = wood(s)
    return s.material(
        colour,
        darker(colour, s.between(0.5, 0.85)),
        pattern=Pattern.BOARDS,
        gloss=s.rng.choice((0.0, 1.0, 1.0)) if gloss is None else gloss,
        rough=s.between(0.05, 0.5),
        size=(s.between(0.5, 2.5), s.between(0.06, 0.25)),
        swap=s.chance(0.5),
    )


def wall(s: Scene, strong_share: float = 0.4) -> int:
    """Return a wall's material: mostly plain paint, some papers, panels and bricks."""
    kind, colour, other = s.rng.random(), paint(s, strong_share), paint(s, strong_share)
    gloss, rough = s.rng.choice((0.0, 0.0, 0.4)), s.between(0.3, 0.7)
    if kind < 0.76:
        return s.material(colour, share=s.between(0, 0.08), gloss=gloss, rough=rough)
    if kind < 0.82:
        second = darker(colour, s.between(0.6, 0.95)) if s.chance(0.6) else other
        return s.material(
            colour, second, pattern=Pattern.STRIPES, size=(s.between(0.05, 0.3), 1), share=s.between(0.3, 0.7)
        )
    if kind < 0.89:
        return s.material(
            colour,
            other,
            white(s),
            pattern=Pattern.TWO_TONE,
            share=s.between(0.8, 1.2),
            gloss=gloss,
            rough=rough,
        )
    if kind < 0.95:
        second = darker(colour, s.between(0.5, 1.1)) if s.chance(0.5) else other
        size = (s.between(0.08, 0.35), s.between(0.08, 0.35))
        return s.material(
            colour, second, paint(s), pattern=Pattern.DOTS, size=size, petals=s.rng.randrange(2, 8)
        )
    if kind < 0.98:
        panel = white(s) if s.chance(0.6) else colour
        return s.material(
            panel, pattern=Pattern.FRONTS, size=(s.between(0.1, 0.6), s.between(0.6, 4)), share=0.03
        )
    return s.material(
        colour,
        darker(colour, 0.6),
        darker(colour, 0.7),
        pattern=Pattern.BRICKS,
        size=(0.22, 0.075),
        share=0.06,
    )


def floor(s: Scene) -> int:
    kind = s.rng.random()
    if kind < 0.5:
        return wooden(s, 1.0 if s.chance(0.7) else 0.3)
    if kind < 0.75:
        tile, side = paint(s, 0.3), s.between(0.15, 0.7)
        return s.material(
            tile, darker(neutral(s), 0.6), darker(tile, s.between(0.75, 1.15)), pattern=Pattern.TILES,
            size=(side, side), share=s.between(0.01, 0.04), gloss=1.0, rough=s.between(0.03, 0.4),
        )  # fmt: skip
    if kind < 0.93:
        carpet = paint(s, 0.35)
        return s.material(carpet, darker(carpet, s.between(0.6, 0.9)), pattern=Pattern.WEAVE)
    side = s.between(0.2, 0.5)
    second = paint(s) if s.chance(0.5) else (0.05, 0.05, 0.05)
    return s.material(
        white(s), second, pattern=Pattern.CHECKS, size=(side, side), gloss=1.0, rough=s.between(0.05, 0.3)
    )


def anything(s: Scene, strong_share: float = 0.6) -> int:
    if s.room_for_materials < 8:
        return s.rng.randrange(8, len(s.materials))
    return s.material(
        paint(s, strong_share), share=0.06, gloss=s.rng.choice((0.0, 0.0, 1.0)), rough=s.between(0.03, 0.5)
    )


def cloth(s: Scene) -> int:
    colour, kind = paint(s, 0.6), s.rng.random()
    if kind < 0.6:
        return s.material(colour, darker(colour, s.between(0.7, 1)), pattern=Pattern.WEAVE)
    if kind < 0.8:
        return s.material(
            colour, paint(s, 0.5), pattern=Pattern.STRIPES, size=(s.between(0.04, 0.2), 1), share=0.5
        )
    return s.material(colour, paint(s, 0.5), pattern=Pattern.CHECKS, size=(0.1, 0.1))


def framed_print(s: Scene) -> int:
    frame = s.rng.choice(((0.02, 0.02, 0.02), wood(s), white(s), (0.4, 0.3, 0.08)))
    return s.material(
        strong(s), frame, white(s), pattern=Pattern.FRAMED,
        size=(s.between(0.05, 0.25), s.between(0.05, 0.2)), share=s.rng.choice((0.94, 0.7, 0.6, 0.94)),
    )  # fmt: skip


def fronts(s: Scene, gloss: float = 1.0) -> int:
    """Return cupboard fronts with their joints."""
    return s.material(
        white(s) if s.chance(0.4) else paint(s, 0.5), pattern=Pattern.FRONTS,
        size=(s.between(0.35, 0.6), s.between(0.25, 0.9)), share=0.012,
        gloss=gloss, rough=s.between(0.1, 0.4),
    )  # fmt: skip
