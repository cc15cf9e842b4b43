"""Pixels with clipped channels: what is known is kept, what is lost is filled in as neutral.

A sensor's channels clip at different levels once the white balance is applied, and the light's correction
moves them again. A clipped channel is only a lower bound; left alone it makes lamps cyan, windows yellow and
blown panes magenta. Here a clipped channel is raised to what the unclipped ones of the same pixel say, seen
under the light that rules there; where all are clipped the pixel becomes neutral, as bright as the channel
that says most. Near white the change is gradual, so that a burnt cloud has no edge.
"""

import cv2
import numpy as np

START = 0.9  # of the clipping level: from here on a channel is believed less and less
WHITE_START = 0.72  # of the clipping levels: a pixel of which even the least channel is above runs to white
MOST = 2.0  # times the least clipping level: brighter says only how far one channel was multiplied


def light_band(
    camera: np.ndarray, gain: np.ndarray | None, *, srgb_from_camera: np.ndarray, clip_levels: np.ndarray
) -> np.ndarray:
    """Camera colour to linear sRGB under the corrected light.

    Parameters
    ----------
    camera : (H, W, 3) float32
        Balanced camera RGB, 1.0 = clip of the least channel.
    gain : (H, W, 3) float32 or None
        The light's correction, for linear sRGB.
    srgb_from_camera : (3, 3)
    clip_levels : (3,)
        Where each channel of `camera` clips.

    Returns
    -------
    (H, W, 3) float32 linear sRGB; out-of-range survives.
    """
    matrix = np.asarray(srgb_from_camera, np.float32)
    levels = np.asarray(clip_levels, np.float32)
    linear = cv2.transform(camera, matrix)
    if gain is not None:
        linear *= gain
    below = cv2.inRange(camera, np.full(3, -1e9), levels.astype(float) * START)
    if cv2.countNonZero(below) == below.size:
        return linear
    near = below == 0
    chosen = None if gain is None else gain[near]
    rebuilt = rebuild(camera[near], chosen, srgb_from_camera=matrix, clip_levels=levels)
    linear[near] = rebuilt
    return linear


def rebuild(
    camera: np.ndarray, gain: np.ndarray | None, *, srgb_from_camera: np.ndarray, clip_levels: np.ndarray
) -> np.ndarray:
    """Linear sRGB (N, 3) of pixels near clipping; arguments as in `light_band`, pixels in a list."""
    gain = np.ones_like(camera) if gain is None else gain
    neutral = (1 / gain) @ np.linalg.inv(srgb_from_camera).T.astype(np.float32)
    neutral = np.maximum(neutral, np.float32(0.05))
    even = camera / neutral  # equal in all channels where the surface is grey
    filled = camera / clip_levels
    lost = _smooth_step(filled, START)
    say = 1 - lost + np.float32(1e-4)
    target = (even * say).sum(-1, keepdims=True) / say.sum(-1, keepdims=True)
    even = even + lost * np.maximum(target - even, 0)
    # all but burnt: each channel is a lower bound of the same grey, so the largest is nearest to it
    white = lost.max(-1, keepdims=True) * _smooth_step(filled.min(-1, keepdims=True), WHITE_START)
    even += white * (even.max(-1, keepdims=True) - even)
    even -= lost.max(-1, keepdims=True) * np.maximum(even - np.float32(MOST * clip_levels.min()), 0)
    return ((even * neutral) @ srgb_from_camera.T * gain).astype(np.float32)


def _smooth_step(share: np.ndarray, start: float) -> np.ndarray:
    """0 below `start`, 1 from 1 on, without a bend at either end."""
    t = np.clip((share - np.float32(start)) / np.float32(1 - start), 0, 1)
    return t * t * (3 - 2 * t)
