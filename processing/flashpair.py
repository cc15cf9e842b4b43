"""Ambient + flash: what one known light says about all the others.

The frame with flash minus the frame without is the room under the flash alone. Its light is known (a flash
is near daylight), so ambient / difference is the ambient light's colour, whatever the paint.
"""

import cv2
import numpy as np

from .colour import linear_from_xy, xy_from_kelvin
from .light_records import CameraColour
from .lightmap import estimate_map

FLASH_KELVIN = 5600.0  # common practice for electronic flash, no source
WORK_WIDTH = 480  # px; the filters' widths below belong to it
NOISE = 0.004  # of the clipping level: an 8-bit file in the shadows; decides only whom to believe
CLIPPED, DARK = 0.95, 0.002  # linear levels beyond which a pixel says nothing
# The pair knows paint from light but is fooled by what the flash itself bounces off walls and floor; the map
# of one frame has the opposite faults. Halfway between, middle and worst tenth were best (three rooms).
TRUST_PRIOR = 0.5
# widths (px), colour reach (encoded) and weight needed: from where nothing else is known to full detail
SCALES = ((50.0, 0.40, 0.003), (10.0, 0.20, 0.01), (2.0, 0.12, 0.05))


def light_from_flash(
    ambient: np.ndarray, with_flash: np.ndarray, *, prior_uv: np.ndarray, camera: CameraColour | None
) -> np.ndarray:
    """Light map of the ambient frame from an ambient + flash pair of one view and one exposure.

    Parameters
    ----------
    ambient, with_flash : (H, W, 3) float32
        Linear sRGB, aligned; clipped pixels are left out, so hot spots and reflections of the flash do not
        count.
    prior_uv : (h, w, 2) float32
        The map found from the ambient frame alone: the second witness, and alone where the flash does not
        reach.
    camera : CameraColour or None

    Returns
    -------
    (h, w, 2) float32, 480 px wide

    Source
    ------
    Idea: G. Petschnigg et al., "Digital photography with flash and no-flash image pairs", SIGGRAPH 2004.
    Filter: E. Gastal, M. Oliveira, "Domain transform for edge-aware image processing", SIGGRAPH 2011.
    """
    size = (WORK_WIDTH, max(1, round(WORK_WIDTH * ambient.shape[0] / ambient.shape[1])))
    ambient, with_flash = (cv2.resize(x, size, interpolation=cv2.INTER_AREA) for x in (ambient, with_flash))
    flash_only = with_flash - ambient
    weight = _weight(ambient, with_flash, flash_only)
    prior = cv2.resize(prior_uv, size, interpolation=cv2.INTER_CUBIC)
    chroma = np.clip(_uv(ambient) - _uv(flash_only), -2, 2)
    chroma += flash_uv(chroma, weight, prior, flash_only, camera)
    guide = np.clip(ambient, 0, 1).astype(np.float32) ** np.float32(1 / 2.2)
    stacked = np.dstack([chroma * weight[..., None], weight]).astype(np.float32)
    light = prior
    for width, reach, needed in SCALES:
        spread = cv2.ximgproc.dtFilter(guide, stacked, width, reach)
        say = np.maximum(spread[..., 2:], np.float32(1e-7))
        light = light + (spread[..., :2] / say - light) * np.clip(say / np.float32(needed), 0, 1)
    return (light + TRUST_PRIOR * (prior - light)).astype(np.float32)


def _uv(rgb: np.ndarray) -> np.ndarray:
    logs = np.log(np.maximum(rgb, 1e-4))
    return (logs[..., [0, 2]] - logs[..., [1]]).astype(np.float32)


def _weight(ambient: np.ndarray, with_flash: np.ndarray, flash_only: np.ndarray) -> np.ndarray:
    """1 where the ratio is free of noise, 0 where a frame is clipped or either light is missing."""
    usable = (np.maximum(ambient, with_flash).max(-1) < CLIPPED) & (
        np.minimum(ambient, flash_only).min(-1) > DARK
    )
    variance = 1e-3 + ((NOISE / np.maximum(ambient, 1e-4)) ** 2).sum(-1)
    variance += ((1.4 * NOISE / np.maximum(flash_only, 1e-4)) ** 2).sum(-1)  # a difference of two frames
    return np.where(usable, 1e-3 / variance, 0).astype(np.float32)


def flash_uv(
    chroma: np.ndarray,
    weight: np.ndarray,
    prior: np.ndarray,
    flash_only: np.ndarray,
    camera: CameraColour | None,
) -> np.ndarray:
    """Log-chromaticity of the flash after the camera's white balance.

    Three witnesses: the ambient map of one frame against the ratio; the flash-only picture, which has one
    light, seen by the network; and, with camera data, daylight of 5600 K.
    """
    strong = weight > 0.3 * max(float(weight.max()), 1e-6)
    if not strong.any():
        return np.zeros(2, np.float32)
    by_ambient = np.median((prior - chroma)[strong], axis=0)
    alone, _ = estimate_map(np.clip(flash_only, 0, 1).astype(np.float32))
    measured = (by_ambient + np.median(alone, axis=(0, 1))) / 2
    if camera is None:
        return measured.astype(np.float32)
    rgb = np.maximum(camera.balanced_linear(linear_from_xy(xy_from_kelvin(FLASH_KELVIN))), 0.02)
    return ((measured + np.log(rgb[[0, 2]] / rgb[1])) / 2).astype(np.float32)
