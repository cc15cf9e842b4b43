"""Where windows and lamps are, and the level that a view through a pane has of its own.

Levels are log2 of linear light, at any size.
"""

import cv2
import numpy as np

from .arrays import luminance

COLOUR_SHARE = 0.5  # of the largest channel that counts as level at least
BLACK = 2.0**-12  # floor of log2 luminance
BORDER_PX = 2  # half the window in which a pane's border is looked for
BORDER_EPS = 0.02  # (log2)^2: what varies less has no border


def log2_luminance(rgb_linear: np.ndarray) -> np.ndarray:
    """log2 of the level that tone goes by, floored at 2^-12.

    It is the luminance, but never less than half the largest channel: deep blue and red carry little
    luminance and would burn out if they were brightened by it.
    """
    level = np.maximum(luminance(rgb_linear), np.float32(COLOUR_SHARE) * rgb_linear.max(-1))
    return np.log2(np.maximum(level, np.float32(BLACK)))


def find_bright(level: np.ndarray) -> np.ndarray:
    """Mask of windows and lamps: at least 1.6 stops above the room's 75th percentile, or near clipping."""
    threshold = min(float(np.percentile(level, 75)) + 1.6, np.log2(0.93))
    room = level[level < threshold]
    if room.size > 0.3 * level.size:
        threshold = max(min(float(np.percentile(room, 80)) + 1.6, float(np.log2(0.93))), -6.0)
    return level >= threshold


def find_panes(level: np.ndarray) -> np.ndarray:
    """Bright parts with a sharp border on most sides: panes and lamp shades, not glow on a wall."""
    bright = cv2.morphologyEx(find_bright(level).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(bright, connectivity=4)
    margin = max(2, round(0.004 * level.shape[1]))
    kernel = np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)
    panes = np.zeros(level.shape, bool)
    for k in range(1, count):
        x, y, w, h, area = boxes[k]
        if area < 30:
            continue
        box = np.s_[max(0, y - 2 * margin) : y + h + 2 * margin, max(0, x - 2 * margin) : x + w + 2 * margin]
        part = (labels[box] == k).astype(np.uint8)
        outer = (cv2.dilate(part, kernel) > 0) & (part == 0) & (bright[box] == 0)
        core = cv2.erode(part, kernel, borderValue=1) > 0
        inner = ~core & (part > 0)
        held = core if core.sum() >= 30 else part > 0  # the rim is half wall
        if outer.sum() < 8 or inner.sum() < 8 or np.std(level[box][held]) < 0.12:
            continue  # touching the frame's edge all round, or white all over: nothing to hold
        # a drop of a stop within the margin on three quarters of the border
        if np.median(level[box][inner]) - np.percentile(level[box][outer], 75) > 1.0:
            panes[box] |= (part > 0) & ~_glow(level[box], part)
    return panes


def _glow(level: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Where a bright patch fades into the wall: light beside a lamp, not a view through a pane.

    Its dimmer areas whose border falls by less than .6 stops within two pixels along a third of its length.
    """
    near = np.ones((5, 5), np.uint8)
    dim = (part > 0) & (level < np.median(level[part > 0]) - 0.5)
    rim = dim & (cv2.erode(part, near, borderValue=1) == 0)
    soft = rim & (level - cv2.erode(level.astype(np.float32), near) < 0.6)
    count, labels = cv2.connectedComponents(dim.astype(np.uint8), connectivity=4)
    borders = np.bincount(labels[rim], minlength=count)
    fading = np.bincount(labels[soft], minlength=count)
    glows = fading * 3 > borders
    glows[0] = False
    return glows[labels]


def window_base(
    level: np.ndarray, panes: np.ndarray, radius: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where windows are, and their middle level spread smoothly over and around them.

    Parameters
    ----------
    level : (H, W) float32
    panes : (H, W) bool
    radius : int
        Pixels that the middle level spreads by.

    Returns
    -------
    slope, offset, middle : (H, W) float32
        A pixel's share (0..1) of the pane is slope * its own level + offset, clipped: as sharp as the
        picture's own border (K. He, J. Sun, J. Tang, "Guided image filtering", PAMI 35/6, 2013).
    """
    weight = cv2.morphologyEx(panes.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    weight = weight.astype(np.float32)
    # wide and smooth: worked out on a tenth of the size
    size = (max(2, level.shape[1] // 10), max(2, level.shape[0] // 10))
    total = cv2.GaussianBlur(cv2.resize(weight, size, interpolation=cv2.INTER_AREA), (0, 0), radius / 5)
    sums = cv2.resize(level * weight, size, interpolation=cv2.INTER_AREA)
    middle = cv2.GaussianBlur(sums, (0, 0), radius / 5) / np.maximum(total, 1e-6)
    whole = (level.shape[1], level.shape[0])
    near = cv2.resize(total, whole, interpolation=cv2.INTER_LINEAR) > 1e-4
    spread = cv2.resize(middle.astype(np.float32), whole, interpolation=cv2.INTER_LINEAR)
    slope, offset = _guided(weight, level)
    return slope, offset, np.where(near, spread, level).astype(np.float32)


def _guided(mask: np.ndarray, level: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The mask as a local linear model of the level around its borders."""
    window = (2 * BORDER_PX + 1, 2 * BORDER_PX + 1)
    level = level.astype(np.float32)
    level_mean, mask_mean = cv2.blur(level, window), cv2.blur(mask, window)
    variance = cv2.blur(level * level, window) - level_mean * level_mean
    slope = (cv2.blur(level * mask, window) - level_mean * mask_mean) / (np.maximum(variance, 0) + BORDER_EPS)
    slope = np.maximum(slope, 0)  # a pane is brighter than what frames it
    offset = mask_mean - slope * level_mean
    return cv2.blur(slope, window), cv2.blur(offset, window)
