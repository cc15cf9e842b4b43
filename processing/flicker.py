"""Bands of lamp flicker: a rolling shutter at a short time records a lamp's pulse as stripes.

A frame is compared row by row with another of the same view. What differs between rows, the same on the left,
in the middle and on the right, and comes and goes like a wave, is neither the view nor the exposure.
"""

import cv2
import numpy as np

from .arrays import luminance

BAND_LEAST = (
    0.03  # log2 units of amplitude; plain pairs stay below .01, bands are seen on a wall from about .05
)
WIDTH_PX = 300  # columns do not matter
LEAST_SHARE = 0.25  # of a row's pixels that must be exposed well in both
LEAST_ROWS = 0.5  # of the rows that must be known
SLOWEST = 2  # waves over the frame; slower ones cannot be told from a change of light
FASTEST = 60
ALIKE = 0.7  # correlation of one side's bands with the other side's


def band_depth(reference: np.ndarray, frame: np.ndarray, *, ev: float) -> float:
    """Amplitude of bands that run across one of two frames, log2 units; 0 where there are none to be seen.

    Parameters
    ----------
    reference, frame : (H, W, 3) float32
        Linear sRGB, aligned, 1.0 = own clipping level; bands run along rows or columns.
    ev : float
        Stops by which `frame` is brighter.
    """
    return max(_along_rows(reference, frame, ev), _along_rows(_turned(reference), _turned(frame), ev))


def _turned(rgb_linear: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(rgb_linear.transpose(1, 0, 2))


def _along_rows(reference: np.ndarray, frame: np.ndarray, ev: float) -> float:
    size = (WIDTH_PX, reference.shape[0])
    one, other = (cv2.resize(x, size, interpolation=cv2.INTER_AREA) for x in (reference, frame))
    levels = [np.maximum(luminance(x), np.float32(1e-5)) for x in (one, other)]
    usable = (np.maximum(one.max(-1), other.max(-1)) < 0.9) & (np.minimum(*levels) > 0.006)
    ratio = np.log2(levels[1] / levels[0]) - np.float32(ev)
    ratio = np.where(usable, ratio - np.median(ratio[usable]) if usable.any() else 0, np.nan)
    parts = np.array_split(ratio, 3, axis=1)
    waves = [wave for wave in map(_wave, parts) if wave is not None]
    if len(waves) < 2:
        return 0.0
    # of three parts two pairs must agree: what moved, or a shadow, seldom spans the frame
    found = sorted(_shared(waves[a], waves[b]) for a in range(len(waves)) for b in range(a))
    return round(found[len(found) // 2], 4)


def _wave(part: np.ndarray) -> np.ndarray | None:
    """A row's middle ratio without its slow course, gaps filled; None where too little is known."""
    known = np.isfinite(part).mean(1) > LEAST_SHARE
    if known.mean() < LEAST_ROWS:
        return None
    rows = np.arange(len(part))
    course = np.interp(rows, rows[known], np.nanmedian(part[known], axis=1)).astype(np.float32)
    slow = cv2.GaussianBlur(course[:, None], (0, 0), len(rows) / (SLOWEST * 6), borderType=cv2.BORDER_REFLECT)
    return np.where(known, course - slow[:, 0], 0)


def _shared(one: np.ndarray, other: np.ndarray) -> float:
    """Amplitude of the strongest wave that two parts of the frame have in common, in step."""
    window = np.hanning(len(one))
    a, b = np.fft.rfft(one * window), np.fft.rfft(other * window)
    cross = (a * b.conj()).real
    cross[:SLOWEST], cross[FASTEST:] = 0, 0
    peak = int(np.argmax(cross))
    near = slice(max(peak - 2, SLOWEST), peak + 3)
    power = np.sqrt((abs(a[near]) ** 2).sum() * (abs(b[near]) ** 2).sum())
    if cross[near].sum() < ALIKE * power or cross[near].sum() < 0.4 * np.maximum(cross, 0).sum():
        return 0.0
    return float(np.sqrt(cross[near].sum()) / (window.sum() / 2) / np.sqrt(1.5))
