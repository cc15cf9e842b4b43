"""MEF-SSIM: how much of a bracket's structure a finished picture shows, written from the paper's definition.

K. Ma, K. Zeng, Z. Wang, "Perceptual quality assessment for multi-exposure image fusion", IEEE Transactions on
Image Processing 24/11 (2015), 3345-3356. Luminance only, three scales (as the paper's multi-scale index),
windows of 11 x 11 px under a Gaussian of 1.5 px. A patch's mean is taken away, its length is contrast, its
direction structure; the patch asked for has the greatest contrast and the weighted mean direction. All of it
is quadratic in the pictures, so covariances under the window say everything and no patch is cut out.
"""

from collections.abc import Sequence

import cv2
import numpy as np

STEADY = (0.03 * 255) ** 2  # the C of the paper
SCALE_WEIGHTS = (0.0448, 0.2856, 0.3001)  # Z. Wang, E. Simoncelli, A. Bovik, Asilomar 2003, the first three
MOST_POWER = 10.0  # of the weights; tan runs to infinity where all patches agree


def mef_ssim(bracket: Sequence[np.ndarray], finished: np.ndarray) -> float:
    """Score of a finished picture against its bracket, up to 1.

    Parameters
    ----------
    bracket : (H, W) arrays, encoded luminance 0..255
    finished : (H, W) array, likewise
    """
    frames = [np.asarray(f, np.float64) for f in bracket]
    picture = np.asarray(finished, np.float64)
    score = 1.0
    for weight in SCALE_WEIGHTS:
        score *= max(_one_scale(frames, picture), 0.0) ** (weight / sum(SCALE_WEIGHTS))
        size = (picture.shape[1] // 2, picture.shape[0] // 2)
        frames = [cv2.resize(f, size, interpolation=cv2.INTER_AREA) for f in frames]
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return score


def _mean(values: np.ndarray) -> np.ndarray:
    """Windowed mean, only where the window lies inside."""
    return cv2.GaussianBlur(values, (11, 11), 1.5)[5:-5, 5:-5]


def _one_scale(frames: Sequence[np.ndarray], picture: np.ndarray) -> float:
    count = len(frames)
    means = [_mean(f) for f in frames]
    shared = [[_mean(a * b) - p * q for b, q in zip(frames, means, strict=True)]
              for a, p in zip(frames, means, strict=True)]  # fmt: skip
    lengths = [np.sqrt(np.maximum(shared[k][k], 0)) + 1e-3 for k in range(count)]
    together = np.sqrt(np.maximum(sum(shared[a][b] for a in range(count) for b in range(count)), 0))
    agreement = np.clip(together / sum(lengths), 0, 1)
    power = np.minimum(np.tan(np.pi / 2 * np.minimum(agreement, 1 - 1e-9)), MOST_POWER)
    longest = np.maximum.reduce(lengths)
    say = [(length / longest) ** power for length in lengths]
    parts = [s / length for s, length in zip(say, lengths, strict=True)]  # of the direction wanted
    pairs = [(a, b) for a in range(count) for b in range(count)]
    norm = np.sqrt(np.maximum(sum(parts[a] * parts[b] * shared[a][b] for a, b in pairs), 1e-12))
    mean = _mean(picture)
    variance = np.maximum(_mean(picture * picture) - mean * mean, 0)
    with_picture = [_mean(f * picture) - m * mean for f, m in zip(frames, means, strict=True)]
    covariance = longest / norm * sum(p * c for p, c in zip(parts, with_picture, strict=True))
    return float(np.mean((2 * covariance + STEADY) / (longest**2 + variance + STEADY)))
