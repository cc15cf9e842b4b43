"""The small network that says which light falls where in one picture (see data/LIGHTMAP.md).

It is run by OpenCV on the processor; nothing is trained here. Light is written as log-chromaticity:
u = ln(R/G), v = ln(B/G) of the light after the camera's white balance, so (0, 0) is "as the camera says".
"""

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from .arrays import require_rgb

NETWORK_SIZE = (192, 128)  # width, height the network was trained at
FEATURE_FLOOR = 0.004  # added to linear values before the logarithm, as in training
FEATURE_CLIP = 0.96  # level from which a channel counts as clipped, as in training
GUIDE_WIDTH = 900  # px; wider pictures are reduced to between this and twice it
GUIDE_REACH = 2.6  # cells of the map over which it is smoothed inside a surface
GUIDE_EDGE = 0.08  # step of the encoded picture (0..1) that stops the smoothing


def estimate_map(rgb_linear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Estimate the local light of one picture.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float32
        Linear sRGB after the camera's white balance, 1.0 = clipping; values outside 0..1 are clipped.

    Returns
    -------
    map_uv : (h, w, 2) float32
        ln(R/G), ln(B/G) of the light at the network's size, averaged with the mirrored picture.
    spread : (h, w) float32
        How far off the network expects to be, in the same units; correlates weakly with the true error.
    """
    require_rgb(rgb_linear, name="rgb_linear", dtypes=(np.float32,))
    small = np.clip(cv2.resize(rgb_linear, NETWORK_SIZE, interpolation=cv2.INTER_AREA), 0, 1)
    answer = np.ascontiguousarray(0.5 * (_run(small) + _run(small[:, ::-1])[:, ::-1]))
    return answer[..., :2], np.exp(answer[..., 2])


def _features(small: np.ndarray) -> np.ndarray:
    """(1, 8, h, w) float32 network input of a small linear picture."""
    height, width = small.shape[:2]
    logs = np.log(small + FEATURE_FLOOR)
    level = np.log(small.mean(-1) + FEATURE_FLOOR) * 0.4 + 1
    rows, cols = np.meshgrid(np.linspace(-1, 1, height), np.linspace(-1, 1, width), indexing="ij")
    planes = [logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1], level]
    planes += list(np.moveaxis(small > FEATURE_CLIP, -1, 0))
    planes += [rows, np.abs(cols)]
    return np.stack(planes)[None].astype(np.float32)


def _run(small: np.ndarray) -> np.ndarray:
    network = _network()
    network.setInput(_features(small))
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
