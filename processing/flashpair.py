"""Ambient + flash: what one known light says about all the others.

The frame with flash minus the frame without is the room under the flash alone. Its light is known (a flash
is near daylight), so ambient / difference is the ambient light's colour, whatever the paint.
"""

from typing import TYPE_CHECKING

import cv2
import numpy as np

from .colour import linear_from_xy, xy_from_kelvin

if TYPE_CHECKING:
    from .casts import CameraColour

FLASH_KELVIN = 5600.0  # common practice for electronic flash, no source
WORK_WIDTH = 450  # px; widths of the smoothing below belong to it


def light_from_flash(
    ambient: np.ndarray, with_flash: np.ndarray, *, prior_uv: np.ndarray, camera: "CameraColour | None"
) -> np.ndarray:
    """Light map of the ambient frame from an ambient + flash pair of one view and one exposure.

    Parameters
    ----------
    ambient, with_flash : (H, W, 3) float32
        Linear sRGB, aligned; clipped pixels are left out.
    prior_uv : (h, w, 2) float32
        The map found from the ambient frame alone: used where the flash does not reach, and, without camera
        data, to find the one constant that the pair leaves open (the flash's own colour).
    camera : CameraColour or None

    Returns
    -------
    (h, w, 2) float32 of the shape of `prior_uv`

    Source
    ------
    Idea: G. Petschnigg et al., "Digital photography with flash and no-flash image pairs", SIGGRAPH 2004.
    """
    size = (WORK_WIDTH, max(1, round(WORK_WIDTH * ambient.shape[0] / ambient.shape[1])))
    ambient, with_flash = (cv2.resize(x, size, interpolation=cv2.INTER_AREA) for x in (ambient, with_flash))
    difference = with_flash - ambient
    usable = (with_flash.max(-1) < 0.97) & (ambient.min(-1) > 0.004) & (difference.min(-1) > 0.004)
    level = np.minimum(difference.mean(-1) / 0.03, 1) ** 2 * np.minimum(ambient.min(-1) / 0.02, 1)
    weight = np.where(usable, level, 0).astype(np.float32)
    logs = np.log(np.maximum(ambient, 1e-4)) - np.log(np.maximum(difference, 1e-4))
    chroma = np.clip(logs[..., [0, 2]] - logs[..., [1]], -1.6, 1.6).astype(np.float32)
    prior = cv2.resize(prior_uv, size, interpolation=cv2.INTER_CUBIC)
    chroma += _flash_uv(chroma, weight, prior, camera)
    smooth, reach = _smooth_by_weight(chroma, weight)
    merged = prior + reach[..., None] * (smooth - prior)
    guide = np.clip(ambient, 0, 1).astype(np.float32) ** np.float32(1 / 2.2)
    fine = [cv2.ximgproc.guidedFilter(guide, np.ascontiguousarray(merged[..., i]), 8, 3e-4) for i in (0, 1)]
    return cv2.resize(np.dstack(fine), prior_uv.shape[1::-1], interpolation=cv2.INTER_AREA)


def _flash_uv(
    chroma: np.ndarray, weight: np.ndarray, prior: np.ndarray, camera: "CameraColour | None"
) -> np.ndarray:
    """Log-chromaticity of the flash after the camera's white balance."""
    if camera is not None:
        rgb = np.maximum(camera.balanced_linear(linear_from_xy(xy_from_kelvin(FLASH_KELVIN))), 0.02)
        return np.log(rgb[[0, 2]] / rgb[1]).astype(np.float32)
    strong = weight > 0.5 * max(float(weight.max()), 1e-6)
    return np.median((prior - chroma)[strong], axis=0) if strong.any() else np.zeros(2, np.float32)


def _smooth_by_weight(chroma: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Confidence-weighted blur at three widths, the finest that has enough light; and where any reached."""
    sums = []
    for sigma in (2.5, 12, 60):
        total = cv2.GaussianBlur(weight, (0, 0), sigma)
        mean = cv2.GaussianBlur(chroma * weight[..., None], (0, 0), sigma) / (total[..., None] + 1e-6)
        sums.append((mean, total))
    fine, middle = np.minimum(sums[0][1] / 0.15, 1)[..., None], np.minimum(sums[1][1] / 0.05, 1)[..., None]
    smooth = fine * sums[0][0] + (1 - fine) * (middle * sums[1][0] + (1 - middle) * sums[2][0])
    return smooth, np.minimum(sums[2][1] / 0.02, 1)
