"""The small network that says which light falls where in one picture (see data/LIGHTMAP.md).

It is run by OpenCV on the processor; nothing is trained here. Light is written as log-chromaticity:
u = ln(R/G), v = ln(B/G) of the light after the camera's white balance, so (0, 0) is "as the camera says".
"""

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from .arrays import require_rgb

NETWORK_SIZE = (192, 128)  # width, height the network was trained at
FEATURE_FLOOR = 0.004  # added to linear values before the logarithm, as in training
FEATURE_CLIP = 0.96  # level from which a channel counts as clipped, as in training
POINT_SIGMA_PX = 3.0  # how wide a neutral point is drawn, as in training
PAIR_CLIPPED, PAIR_DARK = 0.95, 0.002  # linear levels beyond which a pixel of a pair says nothing, likewise
PAIR_NOISE = 0.002  # of the clipping level; decides only whom to believe, likewise
GUIDE_WIDTH = 900  # px; wider pictures are reduced to between this and twice it
GUIDE_REACH = 2.6  # cells of the map over which it is smoothed inside a surface
GUIDE_EDGE = 0.08  # step of the encoded picture (0..1) that stops the smoothing


Point = tuple[float, float, float, float]


def estimate_map(
    rgb_linear: np.ndarray, *, points: Sequence[Point] = (), pair: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Estimate the local light of one picture.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float32
        Linear sRGB after the camera's white balance, 1.0 = clipping; values outside 0..1 are clipped.
    points : neutral points, optional
        Each (x_share, y_share, u, v): a white or grey surface that has this log-chromaticity in the picture.
    pair : (h, w, 4) array, optional
        What a frame with flash says, of `pair_planes`.

    Returns
    -------
    map_uv : (h, w, 2) float32
        ln(R/G), ln(B/G) of the light at the network's size, averaged with the mirrored picture.
    spread : (h, w) float32
        How far off the network expects to be, in the same units; correlates weakly with the true error.
    """
    require_rgb(rgb_linear, name="rgb_linear", dtypes=(np.float32,))
    small = _shrink(rgb_linear)
    flash = np.zeros((*small.shape[:2], 4), np.float32) if pair is None else np.asarray(pair, np.float32)
    planes = np.dstack([_features(small), point_planes(points), flash]).astype(np.float32)
    answer = np.ascontiguousarray(0.5 * (_run(planes) + _run(planes[:, ::-1])[:, ::-1]))
    return answer[..., :2], np.exp(answer[..., 2])


def _shrink(rgb_linear: np.ndarray) -> np.ndarray:
    return np.clip(cv2.resize(rgb_linear, NETWORK_SIZE, interpolation=cv2.INTER_AREA), 0, 1)


def _features(small: np.ndarray) -> np.ndarray:
    """(h, w, 8) what the network sees of a small linear picture."""
    height, width = small.shape[:2]
    logs = np.log(small + FEATURE_FLOOR)
    level = np.log(small.mean(-1) + FEATURE_FLOOR) * 0.4 + 1
    rows, cols = np.meshgrid(np.linspace(-1, 1, height), np.linspace(-1, 1, width), indexing="ij")
    chroma = [logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1], level]
    return np.dstack([*chroma, small > FEATURE_CLIP, rows, np.abs(cols)])


def point_planes(points: Sequence[Point]) -> np.ndarray:
    """(h, w, 3) float32: neutral points as soft spots of their log-chromaticity, and the spots' weight."""
    width, height = NETWORK_SIZE
    rows, cols = np.mgrid[:height, :width]
    planes = np.zeros((height, width, 3), np.float32)
    for x, y, u, v in points:
        away = (rows + 0.5 - y * height) ** 2 + (cols + 0.5 - x * width) ** 2
        spot = np.exp(-0.5 * away / POINT_SIGMA_PX**2)
        drawn = np.dstack([u * spot, v * spot, spot])
        planes = np.where((spot > planes[..., 2])[..., None], drawn, planes).astype(np.float32)
    return planes


def pair_planes(ambient: np.ndarray, with_flash: np.ndarray, flash_uv: np.ndarray | None) -> np.ndarray:
    """What a frame with flash says of the light of the frame without.

    The difference of both is the room under the flash alone, so their ratio is the light, whatever the paint.

    Parameters
    ----------
    ambient, with_flash : (H, W, 3) float32
        Linear sRGB of one view at one exposure, aligned, after one white balance. Clipped pixels do not
        count, so neither do hot spots and the flash's reflections.
    flash_uv : (2,) array or None
        Log-chromaticity of the flash after that balance, where it is known.

    Returns
    -------
    (h, w, 4) float32
        Log-chromaticity of the light times its weight, the weight, and the weight where the flash's colour is
        known.

    Source
    ------
    Idea: G. Petschnigg et al., "Digital photography with flash and no-flash image pairs", SIGGRAPH 2004.
    """
    ambient, with_flash = _shrink(ambient), _shrink(with_flash)
    flash = with_flash - ambient
    usable = (np.maximum(ambient, with_flash).max(-1) < PAIR_CLIPPED) & (
        np.minimum(ambient, flash).min(-1) > PAIR_DARK
    )
    variance = 1e-3 + ((PAIR_NOISE / np.maximum(ambient, 1e-4)) ** 2).sum(-1)
    variance += ((1.4 * PAIR_NOISE / np.maximum(flash, 1e-4)) ** 2).sum(-1)  # a difference of two frames
    weight = np.where(usable, 1e-3 / variance, 0.0)[..., None]
    logs = np.log(np.maximum(ambient, 1e-4)) - np.log(np.maximum(flash, 1e-4))
    light = np.clip(logs[..., [0, 2]] - logs[..., [1]], -2, 2)
    if flash_uv is not None:
        light = light + np.asarray(flash_uv)
    known = weight * float(flash_uv is not None)
    return np.dstack([light * weight, weight, known]).astype(np.float32)


def _run(planes: np.ndarray) -> np.ndarray:
    network = _network()
    network.setInput(np.ascontiguousarray(planes.transpose(2, 0, 1))[None])
    return network.forward()[0].transpose(1, 2, 0)


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(str(Path(__file__).parent / "data" / "lightmap.onnx"))


def upsample(map_uv: np.ndarray, rgb_linear: np.ndarray) -> np.ndarray:
    """Bring a small light map to the picture's size along the picture's own edges.

    The map is smoothed along surfaces and not across their edges, so it may jump at a doorway and takes no
    texture over. (A guided filter of the study's width lost a sixth of the map's accuracy here.)

    Parameters
    ----------
    map_uv : (h, w, 2) float32
    rgb_linear : (H, W, 3) float32
        The picture that the map belongs to.

    Returns
    -------
    (H, W, 2) float32

    Source
    ------
    E. Gastal, M. Oliveira, "Domain transform for edge-aware image and video processing", SIGGRAPH 2011.
    """
    height, width = rgb_linear.shape[:2]
    divide = max(1, width // GUIDE_WIDTH)
    size = (max(1, width // divide), max(1, height // divide))
    guide = cv2.resize(rgb_linear, size, interpolation=cv2.INTER_AREA) if divide > 1 else rgb_linear
    guide = np.clip(guide, 0, 1).astype(np.float32) ** np.float32(1 / 2.2)
    rough = cv2.resize(map_uv.astype(np.float32), size, interpolation=cv2.INTER_CUBIC)
    reach = GUIDE_REACH * size[0] / map_uv.shape[1]
    fine = cv2.ximgproc.dtFilter(guide, rough, reach, GUIDE_EDGE)
    return cv2.resize(fine, (width, height), interpolation=cv2.INTER_LINEAR) if divide > 1 else fine
