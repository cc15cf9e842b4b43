"""Small drawn rooms under two lights, with the truth: plain functions, fixed seeds."""

import cv2
import numpy as np

LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709
LAMP = np.array([1.45, 0.95, 0.42])  # about 2900 K seen with a daylight balance
DAY = np.array([0.95, 1.0, 1.12])  # about 6500 K, ditto


def surfaces(width: int = 480, height: int = 320, *, seed: int = 3) -> np.ndarray:
    """Reflectance (H, W, 3) float32: white ceiling, grey wall, wooden floor, a blue cupboard, clutter."""
    rng = np.random.default_rng(seed)
    room = np.empty((height, width, 3), np.float32)
    room[: height // 4] = 0.82
    room[height // 4 : height * 3 // 4] = (0.62, 0.62, 0.61)
    room[height * 3 // 4 :] = (0.36, 0.23, 0.13)
    cv2.rectangle(room, (width // 10, height // 2), (width // 3, height * 3 // 4), (0.10, 0.18, 0.42), -1)
    for _ in range(60):
        x, y = int(rng.integers(0, width)), int(rng.integers(height // 3, height))
        shade = tuple(float(v) for v in rng.uniform(0.08, 0.7, 3))
        size = int(rng.integers(2, 9))
        cv2.rectangle(room, (x, y), (x + size, y + int(rng.integers(2, 14))), shade, -1)
    return room


def lit(
    reflectance: np.ndarray, *, left: np.ndarray = DAY, right: np.ndarray = LAMP, level: float = 0.45
) -> tuple[np.ndarray, np.ndarray]:
    """Room under two lights that meet in the middle, and the light's colour (luminance 1), float32."""
    height, width = reflectance.shape[:2]
    x = np.linspace(0, 1, width)[None, :, None]
    share = 1 / (1 + np.exp(-(x - 0.5) * 8))
    light = (1 - share) * (left / (left @ LUMA)) + share * (right / (right @ LUMA))
    light = np.broadcast_to(light / (light @ LUMA)[..., None], (height, width, 3))
    fall = 0.6 + 0.4 * np.cos((x - 0.5) * 2.2)
    return (reflectance * light * fall * level).astype(np.float32), light.astype(np.float32)


def with_window(rgb_linear: np.ndarray, *, stops: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    """Add a window with a view `stops` above the room's middle: the unclipped scene and the mask."""
    height, width = rgb_linear.shape[:2]
    scene, mask = rgb_linear.copy(), np.zeros((height, width), bool)
    box = np.s_[height // 3 : height * 2 // 3, width * 9 // 20 : width * 13 // 20]
    middle = float(np.median(rgb_linear @ LUMA.astype(np.float32)))
    rows, cols = np.indices(scene[box].shape[:2])
    pattern = 0.6 + 0.4 * (((rows // 12) + (cols // 12)) % 2)
    scene[box] = (middle * 2**stops * pattern[..., None] * np.array([0.85, 1.0, 1.15])).astype(np.float32)
    mask[box] = True
    return scene, mask


def exposed(scene: np.ndarray, ev: float, *, seed: int = 0, noise: float = 4e-4) -> np.ndarray:
    """What a frame records of a linear scene at `ev` stops: noise, clipping at 1, float32."""
    rng = np.random.default_rng(seed)
    light = np.maximum(scene, 0) * 2.0**ev
    seen = light + rng.normal(0, 1, scene.shape) * np.sqrt(noise**2 + 1e-5 * light)
    return np.clip(seen, 0, 1).astype(np.float32)


def moved(rgb_linear: np.ndarray, *, right_px: float, down_px: float, turn_deg: float) -> np.ndarray:
    """The picture as if everything in it had moved and turned about the centre."""
    height, width = rgb_linear.shape[:2]
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), -turn_deg, 1.0)
    turn[:, 2] += (right_px, down_px)
    size = (width, height)
    return cv2.warpAffine(rgb_linear, turn, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
