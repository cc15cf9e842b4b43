"""Drawn rooms with exact truth: known lens, through the lens database's own modifier, and known level.

The room is a box with doors, windows, skirting, tiles or boards, and furniture; every face is a polygon
drawn from far to near on a large pinhole canvas, then bent by the lens and reduced. It has what fools
estimators too: arches, curtains, sloping ceilings, stair strings, leaning poles, lamp cords, turned
furniture, strokes in all directions.
"""

from typing import Any

import cv2
import numpy as np

from .drawn_canvas import Canvas, Truth, wide_lenses

__all__ = ["Truth", "draw_room", "wide_lenses"]


def draw_room(
    seed: int,
    *,
    size: tuple[int, int] = (1500, 1000),
    lens: Any = None,
    focal_mm: float = 24.0,
    crop_factor: float | None = None,
    roll_deg: float | None = None,
    pitch_deg: float | None = None,
    yaw_deg: float | None = None,
    hard: bool = True,
    fine: int = 3,
) -> tuple[np.ndarray, Truth]:
    """Draw one room.

    Returns
    -------
    grey (h, w) uint8, Truth
    """
    rng = np.random.default_rng(seed)
    crop = crop_factor or (lens.crop_factor if lens is not None else 1.0)
    focal_px = focal_mm * crop / 43.2666 * float(np.hypot(*size))
    drawn = rng.normal(0, 1.5), rng.normal(0, 3.5), rng.uniform(-45, 45)
    roll, pitch, yaw = (
        g if g is not None else float(d) for g, d in zip((roll_deg, pitch_deg, yaw_deg), drawn, strict=True)
    )
    roll, pitch = (
        float(np.clip(roll, -6, 6)) if roll_deg is None else roll,
        float(np.clip(pitch, -8, 8)) if pitch_deg is None else pitch,
    )
    truth = Truth(size, focal_px, roll, pitch, yaw, lens, focal_mm, crop)
    canvas = Canvas(truth, margin=0.30 if lens is not None else 0.0, fine=fine)
    _draw(canvas, rng, hard=hard)
    grey = canvas.picture().astype(np.float32)
    h, w = grey.shape
    light = cv2.resize(
        rng.uniform(0.55, 1.15, (3, 4)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC
    )
    grey = cv2.GaussianBlur(grey * light, (0, 0), float(rng.uniform(0.4, 0.8)))
    grey += rng.normal(0, 1, grey.shape) * rng.uniform(0.8, 2.5)
    return np.clip(grey + 0.5, 0, 255).astype(np.uint8), truth


def _draw(canvas: Canvas, rng: np.random.Generator, *, hard: bool) -> None:
    width, depth, height = rng.uniform(3.2, 5.5), rng.uniform(4.0, 7.0), rng.uniform(2.4, 2.9)
    eye = rng.uniform(1.1, 1.5)
    camera = np.array([rng.uniform(-0.3, 0.3) * width, 0.0, 0.0])  # its back to the wall behind
    low = np.array([-width / 2, eye - height, -0.4]) - camera
    high = np.array([width / 2, eye, depth - 0.4]) - camera
    walls = rng.uniform(140, 225)
    _box_inside(
        canvas, low, high, (walls, walls * rng.uniform(0.8, 1.0), rng.uniform(190, 245), rng.uniform(60, 150))
    )
    _floor(canvas, rng, low, high)
    for axis, at in ((0, low[0]), (0, high[0]), (2, high[2])):
        _wall_things(canvas, rng, axis, at, low, high)
    if hard:
        _slopes(canvas, rng, low, high)
    boxes = []
    for _ in range(int(rng.integers(5, 11))):
        w, h, d = (
            rng.uniform(0.3, 1.4),
            rng.choice([0.45, 0.75, 0.9, 1.2, 1.8]) * rng.uniform(0.85, 1.1),
            rng.uniform(0.3, 0.7),
        )
        x, z = (
            rng.uniform(low[0] + w / 2, high[0] - w / 2),
            rng.uniform(2.0 + d / 2, max(2.2 + d / 2, high[2] - d / 2)),
        )
        turn = 0.0 if rng.random() < 0.75 else rng.uniform(-0.7, 0.7)
        boxes.append((np.array([x, high[1] - h / 2, z]), np.array([w, h, d]) / 2, turn, rng.uniform(30, 220)))
    for centre, half, turn, grey in sorted(boxes, key=lambda b: -float(np.hypot(b[0][0], b[0][2]))):
        _box_outside(canvas, centre, half, turn, grey, rng)
    if hard:
        _clutter(canvas, rng)


def _quad(axis: int, at: float, u0: float, u1: float, v0: float, v1: float) -> np.ndarray:
    """A rectangle on a wall: u along it, v down."""
    corners = [(u0, v0), (u1, v0), (u1, v1), (u0, v1)]
    return np.array([(at, v, u) if axis == 0 else (u, v, at) for u, v in corners], float)


def _box_inside(canvas: Canvas, low: np.ndarray, high: np.ndarray, greys: tuple[float, ...]) -> None:
    side, back, ceiling, floor = greys
    x0, y0, z0 = low
    x1, y1, z1 = high
    canvas.polygon(_quad(2, z1, x0, x1, y0, y1), back)
    canvas.polygon(_quad(0, x0, z0, z1, y0, y1), side)
    canvas.polygon(_quad(0, x1, z0, z1, y0, y1), side * 0.93)
    canvas.polygon(np.array([(x0, y0, z0), (x1, y0, z0), (x1, y0, z1), (x0, y0, z1)]), ceiling)
    canvas.polygon(np.array([(x0, y1, z0), (x1, y1, z0), (x1, y1, z1), (x0, y1, z1)]), floor)


def _floor(canvas: Canvas, rng: np.random.Generator, low: np.ndarray, high: np.ndarray) -> None:
    kind = rng.integers(0, 3)
    grey = rng.uniform(50, 160)
    y = high[1] - 1e-4
    if kind == 0:  # boards into the room
        for x in np.arange(low[0], high[0], 0.14):
            canvas.path(np.array([(x, y, z) for z in np.linspace(0.4, high[2], 24)]), grey * 0.6, 1.0)
    elif kind == 1:  # tiles
        step = rng.uniform(0.3, 0.6)
        for i, x in enumerate(np.arange(low[0], high[0], step)):
            for j, z in enumerate(np.arange(0.2, high[2], step)):
                if (i + j) % 2:
                    ends = np.array(
                        [
                            (x, y, z),
                            (min(x + step, high[0]), y, z),
                            (min(x + step, high[0]), y, min(z + step, high[2])),
                            (x, y, min(z + step, high[2])),
                        ]
                    )
                    canvas.polygon(ends, grey)
    else:  # a rug
        cx, cz, w, d = (
            rng.uniform(-0.5, 0.5),
            rng.uniform(2.0, 3.0),
            rng.uniform(0.6, 1.2),
            rng.uniform(0.5, 0.9),
        )
        canvas.polygon(
            np.array([(cx - w, y, cz - d), (cx + w, y, cz - d), (cx + w, y, cz + d), (cx - w, y, cz + d)]),
            grey,
        )


def _wall_things(
    canvas: Canvas, rng: np.random.Generator, axis: int, at: float, low: np.ndarray, high: np.ndarray
) -> None:
    inside = at - 1e-3 * np.sign(at)
    start, end = (0.3, high[2]) if axis == 0 else (low[0], high[0])
    top, floor = low[1], high[1]
    canvas.polygon(_quad(axis, inside, start, end, floor - 0.12, floor), 235)
    canvas.polygon(_quad(axis, inside, start, end, floor - 0.135, floor - 0.12), 120)
    if rng.random() < 0.25:  # tiled wall
        step, v_top = rng.uniform(0.1, 0.25), rng.uniform(0.0, 0.8)
        for u in np.arange(start, end, step):
            canvas.path(_quad(axis, inside, u, u, floor - 1.2 - v_top, floor)[[0, 2]], 150, 0.8)
        for v in np.arange(floor - 1.2 - v_top, floor, step):
            canvas.path(_quad(axis, inside, start, end, v, v)[[0, 1]], 150, 0.8)
    for _ in range(int(rng.integers(2, 6))):
        if end - start < 1.0:
            break
        w, h = rng.uniform(0.3, 1.3), rng.uniform(0.3, 1.1)
        u, v = rng.uniform(start, max(start + 0.01, end - w)), rng.uniform(top + 0.25, 0.2)
        if rng.random() < 0.35:
            w, v, h = 0.85, floor - 2.03, 2.03
        frame, inner = rng.uniform(20, 250), rng.uniform(40, 255)
        right = min(u + w, end - 0.02)
        canvas.polygon(_quad(axis, inside, u, right, v, v + h), frame)
        canvas.polygon(_quad(axis, inside, u + 0.06, right - 0.06, v + 0.06, v + h - 0.06), inner)
        if rng.random() < 0.4:
            middle = (u + right) / 2
            canvas.polygon(_quad(axis, inside, middle - 0.02, middle + 0.02, v + 0.06, v + h - 0.06), frame)


def _slopes(canvas: Canvas, rng: np.random.Generator, low: np.ndarray, high: np.ndarray) -> None:
    if rng.random() < 0.3:  # stair string or sloping ceiling on a side wall
        x = low[0] + 1e-3 if rng.random() < 0.5 else high[0] - 1e-3
        slope, thick = rng.uniform(0.5, 1.0), rng.uniform(0.12, 0.4)
        z0, y0 = rng.uniform(1.0, 2.0), high[1] - rng.uniform(0.0, 1.0)
        z1 = min(high[2], z0 + (y0 - low[1]) / slope)
        canvas.polygon(
            np.array(
                [
                    (x, y0, z0),
                    (x, y0 - slope * (z1 - z0), z1),
                    (x, y0 - slope * (z1 - z0) - thick, z1),
                    (x, y0 - thick, z0),
                ]
            ),
            rng.uniform(30, 230),
        )
    if rng.random() < 0.3:  # curtain: waves that hang almost upright
        z, x0 = high[2] - 0.06, rng.uniform(low[0], high[0] - 0.8)
        for i in range(int(rng.integers(5, 12))):
            t = np.linspace(0, 1, 40)
            sway = 0.03 * np.sin(t * rng.uniform(2, 6) + rng.uniform(0, 6)) + rng.normal(0, 0.02) * t
            canvas.path(
                np.stack([x0 + 0.09 * i + sway, low[1] + 0.2 + t * 2.0, np.full(40, z)], 1),
                rng.uniform(60, 200),
                1.5,
            )
    if rng.random() < 0.4:  # a leaning pole
        foot = np.array([rng.uniform(low[0] + 0.3, high[0] - 0.3), high[1], rng.uniform(2.0, high[2] - 0.3)])
        lean = np.array([rng.normal(0, 0.15), -rng.uniform(1.0, 1.8), rng.normal(0, 0.15)])
        canvas.path(np.array([foot, foot + lean]), rng.uniform(20, 230), rng.uniform(2, 7))
    if rng.random() < 0.5:  # a lamp on its cord
        top = np.array([rng.uniform(-0.8, 0.8), low[1], rng.uniform(1.8, 3.0)])
        canvas.path(np.array([top, top + [0.0, rng.uniform(0.5, 0.9), 0.0]]), 20, 1.2)


def _box_outside(
    canvas: Canvas, centre: np.ndarray, half: np.ndarray, turn: float, grey: float, rng: np.random.Generator
) -> None:
    c, s = np.cos(turn), np.sin(turn)
    about_y = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    for axis in range(3):
        for sign in (-1, 1):
            normal = np.zeros(3)
            normal[axis] = sign
            if (about_y @ normal) @ (centre + about_y @ (normal * half)) >= 0:
                continue
            others = [i for i in range(3) if i != axis]
            corners = []
            for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
                p = np.array(normal * half)
                p[others[0]], p[others[1]] = a * half[others[0]], b * half[others[1]]
                corners.append(centre + about_y @ p)
            shade = grey * (1.0, 0.8, 1.15)[axis] if grey < 200 else grey - 25 * axis
            canvas.polygon(np.array(corners), min(shade, 250))
            if axis == 2 and half[1] > 0.35 and rng.random() < 0.6:  # drawers
                for v in np.linspace(-0.9, 0.9, int(rng.integers(2, 5)))[1:-1]:
                    ends = np.array(
                        [[-half[0], v * half[1], sign * half[2]], [half[0], v * half[1], sign * half[2]]]
                    )
                    canvas.path(centre + ends @ about_y.T, shade * 0.6, 1.2)


def _clutter(canvas: Canvas, rng: np.random.Generator) -> None:
    """Strokes in every direction and arcs, drawn on the canvas itself."""
    h, w = canvas.shape
    for _ in range(12):
        p, angle, long = (
            rng.uniform([0.2 * w, 0.4 * h], [0.8 * w, 0.8 * h]),
            rng.uniform(0, np.pi),
            rng.uniform(20, 220) * canvas.fine,
        )
        q = p + long * np.array([np.cos(angle), np.sin(angle)])
        cv2.line(
            canvas.pixels,
            tuple(int(v) for v in p),
            tuple(int(v) for v in q),
            float(rng.uniform(0, 255)),
            int(rng.integers(1, 7)) * canvas.fine,
        )
    for _ in range(8):
        p, axes = (
            rng.uniform([0.15 * w, 0.3 * h], [0.85 * w, 0.85 * h]),
            rng.uniform(30, 260, 2) * canvas.fine,
        )
        cv2.ellipse(
            canvas.pixels,
            tuple(int(v) for v in p),
            tuple(int(v) for v in axes),
            float(rng.uniform(0, 180)),
            float(rng.uniform(0, 180)),
            float(rng.uniform(180, 360)),
            float(rng.uniform(0, 255)),
            int(rng.integers(1, 6)) * canvas.fine,
        )
