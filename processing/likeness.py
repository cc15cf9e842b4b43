"""The same wall alike in every picture of a visit: what pictures share, and what makes them agree on it.

Landmarks are found in each picture alone and kept with its analysis. Between pictures that see the same
things from other places they are matched, checked against the geometry of two views, and what differs there
in colour after the pictures' own corrections becomes one small offset for each picture, found over the whole
visit at once; how differently they are exposed lets one tone curve serve them all.
"""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import cv2
import numpy as np

from .arrays import fit_size, luminance, shrink
from .frame import grey_from_linear
from .packing import bytes_of, text_of

EDGE_PX = 800
CELLS = (10, 7)  # of the frame
MOST_IN_CELL = 12  # landmarks: a chequered towel must not speak for the whole room
LEAST_CELLS = 7  # that a pair's shared landmarks must cover in both pictures
RATIO = 0.8  # D. Lowe, IJCV 60 (2004): nearest against second nearest descriptor
EPIPOLAR_PX = 2.0
LEAST_MATCHES = 14
LEAST_SHARE = 0.3  # of the matches must fit one geometry
PATCH_SIGMAS = 1.5  # radius of the patch whose colour counts, in keypoint sizes / 2
CLIPPED = 0.9
DARKEST = 0.002
COLOUR_SPREAD = 0.12  # ln units: a pair whose places disagree more among themselves says nothing
LEVEL_SPREAD = 0.5  # stops, likewise
COLOUR_PRIOR = 0.06  # ln units by which a picture's own correction is usually wrong
LEVEL_PRIOR = 10.0  # stops: exposures are free
PAIR_FLOOR = 0.008  # error of a pair that no number of landmarks takes away; stops and ln units alike
SLOPE = 4.0  # times stiffer: an offset is more likely all over than across the frame
ROUNDS = 4  # of re-weighting
MARKED = 0.1  # of the prior: a picture that a person marked white in moves the others, not itself,
UNMARKED = 3.0  # and those that are joined to it may follow further
MOST_COLOUR = 0.12
LEAST_CHROMA = 0.01  # ln units: less spread is a monochrome picture


@dataclass(frozen=True, eq=False)
class Landmarks:
    """Places of one picture that can be found again in another.

    Attributes
    ----------
    xy : (n, 2) float32, shares of the frame, (x + .5) / width and (y + .5) / height
    descriptors : (n, 128) uint8
    rgb : (n, 3) float32, mean linear sRGB of the patch after the camera's white balance
    """

    xy: np.ndarray
    descriptors: np.ndarray
    rgb: np.ndarray

    def to_json(self) -> dict[str, Any]:
        """Plain dict, some tens of kilobytes."""
        parts = {
            "xy": np.round(self.xy * 65535).astype("<u2"),
            "descriptors": self.descriptors,
            "rgb": self.rgb.astype("<f2"),
        }
        return {k: text_of(v) for k, v in parts.items()} | {"count": len(self.xy)}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Landmarks":
        """The landmarks that `to_json` wrote."""
        count = int(data["count"])
        raw = {k: bytes_of(data[k]) for k in ("xy", "descriptors", "rgb")}
        return cls(
            np.frombuffer(raw["xy"], "<u2").reshape(count, 2).astype(np.float32) / 65535,
            np.frombuffer(raw["descriptors"], np.uint8).reshape(count, 128),
            np.frombuffer(raw["rgb"], "<f2").reshape(count, 3).astype(np.float32),
        )


NO_LANDMARKS = Landmarks(
    np.zeros((0, 2), np.float32), np.zeros((0, 128), np.uint8), np.zeros((0, 3), np.float32)
)


def find_landmarks(rgb_linear: np.ndarray) -> Landmarks:
    """Landmarks of one picture.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float32
        Linear sRGB after the camera's white balance, source geometry.
    """
    height, width = rgb_linear.shape[:2]
    small = np.nan_to_num(shrink(rgb_linear, fit_size((width, height), max_edge=EDGE_PX)))
    grey = grey_from_linear(small)
    finder = cv2.SIFT.create(contrastThreshold=0.012)
    strongest = _spread_out(finder.detect(grey, None), (grey.shape[1], grey.shape[0]))
    keypoints, descriptors = finder.compute(grey, strongest)
    if descriptors is None or not len(keypoints):
        return NO_LANDMARKS
    descriptors = np.clip(descriptors, 0, 255).astype(np.uint8)
    xy = np.array([k.pt for k in keypoints], np.float32)
    radius = np.array([k.size for k in keypoints]) / 2 * PATCH_SIGMAS
    rgb = _patches(small, xy, radius)
    keep = np.isfinite(rgb).all(1)
    shares = (xy + 0.5) / np.array(grey.shape[::-1], np.float32)
    return Landmarks(shares[keep], descriptors[keep], rgb[keep])


def _spread_out(keypoints: Sequence[cv2.KeyPoint], size: tuple[int, int]) -> list[cv2.KeyPoint]:
    """The strongest of each cell of the frame."""
    shares = [((k.pt[0] + 0.5) / size[0], (k.pt[1] + 0.5) / size[1]) for k in keypoints]
    cells = _cells(np.array(shares, np.float32).reshape(-1, 2))
    taken: dict[int, int] = {}
    kept = []
    for i in np.argsort([-k.response for k in keypoints], kind="stable"):
        cell = int(cells[i])
        taken[cell] = taken.get(cell, 0) + 1
        if taken[cell] <= MOST_IN_CELL:
            kept.append(keypoints[i])
    return kept


def _cells(xy: np.ndarray) -> np.ndarray:
    """Number of the cell of the frame that each place lies in."""
    columns, rows = CELLS
    x, y = np.clip((xy * [columns, rows]).astype(int), 0, [columns - 1, rows - 1]).T
    return y * columns + x


def _patches(small: np.ndarray, xy: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """(n, 3) mean of the square around each place; NaN where it clips, is black or leaves the frame."""
    height, width = small.shape[:2]
    total = cv2.integral(small.astype(np.float32), sdepth=cv2.CV_64F)
    red, green, blue = cv2.split(small)
    highest, lowest = cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue)
    bad = cv2.integral(((highest > CLIPPED) | (lowest < DARKEST)).astype(np.uint8))
    reach = np.maximum(np.round(radius), 2).astype(int)
    x, y = np.round(xy).astype(int).T
    left, right, top, bottom = x - reach, x + reach + 1, y - reach, y + reach + 1
    inside = (left >= 0) & (top >= 0) & (right <= width) & (bottom <= height)
    out = np.full((len(xy), 3), np.nan, np.float32)
    left, right, top, bottom = (v[inside] for v in (left, right, top, bottom))

    def sums(table: np.ndarray) -> np.ndarray:
        return table[bottom, right] - table[top, right] - table[bottom, left] + table[top, left]

    area = (right - left) * (bottom - top)
    mean = sums(total) / area[:, None]
    mean[sums(bad) > 0.1 * area] = np.nan
    out[inside] = mean
    return out


@dataclass(frozen=True)
class Pair:
    """Two pictures that see the same things: indices of their landmarks, equal positions belong together."""

    first: int
    second: int
    of_first: np.ndarray
    of_second: np.ndarray


def match(all_landmarks: Sequence[Landmarks], sizes: Sequence[tuple[int, int]]) -> list[Pair]:
    """Pairs of pictures with enough landmarks in common that fit the geometry of two views."""
    pairs = []
    names = [zlib.crc32(marks.descriptors.tobytes()) for marks in all_landmarks]
    for i, j in combinations(range(len(all_landmarks)), 2):
        i, j = sorted((i, j), key=lambda k: names[k])  # the same draws in whatever order the pictures come
        found = _match_two(all_landmarks[i], all_landmarks[j], sizes[i], sizes[j])
        if found is not None:
            pairs.append(Pair(i, j, *found))
    return pairs


def _match_two(
    a: Landmarks, b: Landmarks, size_a: tuple[int, int], size_b: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray] | None:
    if min(len(a.xy), len(b.xy)) < LEAST_MATCHES:
        return None
    left, right = _nearest(a.descriptors.astype(np.float32), b.descriptors.astype(np.float32))
    if len(left) < LEAST_MATCHES:
        return None
    p, q = a.xy[left] * _scaled(size_a), b.xy[right] * _scaled(size_b)
    best = np.zeros(len(left), bool)
    for find in (cv2.findHomography, cv2.findFundamentalMat):
        try:
            _, inliers = find(p, q, cv2.USAC_MAGSAC, EPIPOLAR_PX, confidence=0.999, maxIters=2000)
        except cv2.error:  # it asserts where no model fits at all
            continue
        if inliers is not None and (inliers > 0).sum() > best.sum():
            best = inliers.ravel() > 0
    if best.sum() < max(LEAST_MATCHES, LEAST_SHARE * len(left)):
        return None
    left, right = left[best], right[best]
    covered = min(len(np.unique(_cells(a.xy[left]))), len(np.unique(_cells(b.xy[right]))))
    return (left, right) if covered >= LEAST_CELLS else None


def _nearest(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Descriptors that are each other's nearest, and clearly nearer than the second nearest."""
    squared = (a * a).sum(1)[:, None] + (b * b).sum(1)[None] - 2 * a @ b.T
    forth, back = squared.argmin(1), squared.argmin(0)
    rows = np.arange(len(a))
    first = squared[rows, forth]
    second = np.partition(squared, 1, axis=1)[:, 1]
    second = np.minimum(second, np.partition(squared, 1, axis=0)[1][forth])  # the same from either side
    good = (back[forth] == rows) & (first < RATIO**2 * second)
    return rows[good], forth[good]


def _scaled(size: tuple[int, int]) -> np.ndarray:
    return np.array(size, np.float32) * np.float32(EDGE_PX / max(size))


def colour_offsets(
    pairs: Sequence[Pair],
    all_landmarks: Sequence[Landmarks],
    corrections_uv: Sequence[np.ndarray],
    marked: Sequence[bool],
) -> np.ndarray:
    """What to add to each picture's light map so that shared surfaces get one colour.

    Parameters
    ----------
    corrections_uv : (h, w, 2) each
        The light that each picture's own plan takes away, log-chromaticity.
    marked : pictures whose colour a person has fixed

    Returns
    -------
    (n, 2, 3) float
        For u and v of each picture: ln units all over, and across the width and the height of the frame:
        the value at shares x, y is [0] + [1] * (x - .5) + [2] * (y - .5).
    """
    values = []
    for marks, taken in zip(all_landmarks, corrections_uv, strict=True):
        values.append(_chroma(marks) - _sampled(taken, marks.xy))
    bases = [_plane(marks.xy) for marks in all_landmarks]
    groups = _groups(pairs, len(marked))
    known = {int(g) for g, m in zip(groups, marked, strict=True) if m}
    free = [UNMARKED if int(g) in known else 1.0 for g in groups]
    priors = COLOUR_PRIOR * np.where(marked, MARKED, free)
    fields = [_fields(pairs, [v[:, k] for v in values], bases, priors, COLOUR_SPREAD) for k in range(2)]
    return np.clip(np.stack(fields, 1), -MOST_COLOUR, MOST_COLOUR)


def field(offset: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """(h, w, 2) float32: a picture's offset, (2, 3) as `colour_offsets` gives it, at (width, height)."""
    width, height = size
    x, y = np.meshgrid((np.arange(width) + 0.5) / width, (np.arange(height) + 0.5) / height)
    return (_plane(np.stack([x, y], -1)) @ offset.T).astype(np.float32)


def _plane(xy: np.ndarray) -> np.ndarray:
    return np.concatenate([np.ones((*xy.shape[:-1], 1)), xy - 0.5], -1)


def _fields(
    pairs: Sequence[Pair],
    values: Sequence[np.ndarray],
    bases: Sequence[np.ndarray],
    priors: np.ndarray,
    most_spread: float,
) -> np.ndarray:
    """(n, 3) planes to subtract from `values` so that shared landmarks agree: robust least squares."""
    count = len(values)
    theta = np.zeros((count, 3))
    for _ in range(ROUNDS):
        system: np.ndarray = np.diag(np.repeat(1 / priors**2, 3) * np.tile([1.0, SLOPE, SLOPE], count))
        right = np.zeros(3 * count)
        for pair in pairs:
            middle, spread = _step(pair, values)
            if spread > most_spread:
                continue
            i, j = pair.first, pair.second
            rows = np.zeros((len(pair.of_first), 3 * count))
            rows[:, 3 * i : 3 * i + 3] = bases[i][pair.of_first]
            rows[:, 3 * j : 3 * j + 3] = -bases[j][pair.of_second]
            step = values[i][pair.of_first] - values[j][pair.of_second]
            scale = max(1.5 * spread, PAIR_FLOOR)
            weight = (1 + ((step - rows @ theta.ravel()) / scale) ** 2) ** -2.0  # Geman-McClure
            weight *= 1 / (PAIR_FLOOR**2 + (1.25 * spread) ** 2 / len(step)) / weight.sum()
            system += rows.T @ (rows * weight[:, None])
            right += rows.T @ (weight * step)
        theta = np.linalg.solve(system, right).reshape(count, 3)
    return theta


def exposures(pairs: Sequence[Pair], levels: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """How much brighter each picture shows the same surfaces than the pictures that it is joined to.

    Parameters
    ----------
    levels : (n,) each
        log2 luminance of each picture's landmarks.

    Returns
    -------
    stops : (n,) float; only differences inside one group mean anything
    groups : (n,) int; pictures that are joined, directly or through others, have the same number
    """
    agreeing = [p for p in pairs if _step(p, levels)[1] <= LEVEL_SPREAD]
    stops = _offsets(agreeing, levels, [LEVEL_PRIOR] * len(levels), LEVEL_SPREAD)
    return stops, _groups(agreeing, len(levels))


def _groups(pairs: Sequence[Pair], count: int) -> np.ndarray:
    """The same number for pictures that pairs join, directly or through others."""
    groups = np.arange(count)
    for pair in pairs:
        groups[groups == groups[pair.second]] = groups[pair.first]
    return groups


def has_colour(marks: Landmarks) -> bool:
    """Whether a picture shows colours at all; a monochrome one has nothing to say of light."""
    return bool(len(marks.rgb) and np.std(_chroma(marks), axis=0).max() > LEAST_CHROMA)


def _chroma(marks: Landmarks) -> np.ndarray:
    """(n, 2) log-chromaticity of the patches, ln(R/G) and ln(B/G)."""
    logs = np.log(np.maximum(marks.rgb, 1e-6))
    return logs[:, [0, 2]] - logs[:, 1:2]


def log2_levels(marks: Landmarks) -> np.ndarray:
    """log2 luminance of the landmarks' patches."""
    if not len(marks.rgb):
        return np.zeros(0)
    return np.log2(np.maximum(luminance(marks.rgb[None])[0], 1e-6))


def _sampled(map_uv: np.ndarray, xy: np.ndarray) -> np.ndarray:
    if not len(xy):
        return np.zeros((0, 2))
    height, width = map_uv.shape[:2]
    place = (xy * np.array([width, height], np.float32) - 0.5).astype(np.float32)
    return cv2.remap(
        map_uv.astype(np.float32),
        place[:, :1],
        place[:, 1:],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )[:, 0]


def _offsets(
    pairs: Sequence[Pair], values: Sequence[np.ndarray], priors: Sequence[float], most_spread: float
) -> np.ndarray:
    """Offsets to subtract from `values` so that shared landmarks agree: least squares with a prior."""
    count = len(values)
    system, right = np.diag(1 / np.square(priors)), np.zeros(count)
    for pair in pairs:
        middle, spread = _step(pair, values)
        if spread > most_spread:
            continue
        weight = 1 / (PAIR_FLOOR**2 + (1.25 * spread) ** 2 / len(pair.of_first))
        i, j = pair.first, pair.second
        system[i, i] += weight
        system[j, j] += weight
        system[i, j] -= weight
        system[j, i] -= weight
        right[i] += weight * middle
        right[j] -= weight * middle
    return np.linalg.solve(system, right)


def _step(pair: Pair, values: Sequence[np.ndarray]) -> tuple[float, float]:
    """Median difference of the shared landmarks, first minus second, and its spread (as a sigma)."""
    step = values[pair.first][pair.of_first] - values[pair.second][pair.of_second]
    middle = float(np.median(step))
    return middle, 1.4826 * float(np.median(np.abs(step - middle)))
