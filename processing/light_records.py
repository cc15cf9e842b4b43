"""What is known and planned about the light of one picture, as records that travel as JSON.

Light is written as log-chromaticity after the camera's white balance, u = ln(R/G), v = ln(B/G) in linear
sRGB; (0, 0) is what the camera took for white.
"""

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from .packing import bytes_of, pack, text_of, unpack

MAP_STEP = 0.001  # rounding of stored maps, in ln units: .1 %, far below what the eye sees


@dataclass(frozen=True)
class CameraColour:
    """What turns a colour of the balanced picture into an absolute one, and back.

    Attributes
    ----------
    srgb_from_camera : 3 x 3 nested tuple
        Balanced camera RGB to linear sRGB, rows sum to 1.
    white_srgb : 3 floats
        Linear sRGB, luminance 1, of the light that the camera balanced for.
    """

    srgb_from_camera: tuple[tuple[float, ...], ...]
    white_srgb: tuple[float, ...]

    def absolute_linear(self, balanced_rgb: np.ndarray) -> np.ndarray:
        """Linear sRGB (white D65) of a light that has this colour in the balanced picture."""
        matrix = np.array(self.srgb_from_camera, np.float64)
        white = np.linalg.solve(matrix, np.array(self.white_srgb, np.float64))
        return matrix @ (white * np.linalg.solve(matrix, np.asarray(balanced_rgb, np.float64)))

    def balanced_linear(self, absolute_rgb: np.ndarray) -> np.ndarray:
        """The reverse: how a light of this absolute colour looks in the balanced picture."""
        matrix = np.array(self.srgb_from_camera, np.float64)
        white = np.linalg.solve(matrix, np.array(self.white_srgb, np.float64))
        return matrix @ (np.linalg.solve(matrix, np.asarray(absolute_rgb, np.float64)) / white)


@dataclass(frozen=True)
class Area:
    """One light and where it rules: share of the frame, its colour, the cast it left before and after."""

    share: float
    uv: tuple[float, float]
    kelvin: float | None
    duv: float | None
    cast_before: tuple[float, float]
    cast_after: tuple[float, float] | None = None

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Area":
        pairs = {k: tuple(data[k]) if data[k] else None for k in ("uv", "cast_before", "cast_after")}
        return cls(**(data | pairs))


@dataclass(frozen=True)
class LightAnalysis:
    """What one picture says about its lights. `map_uv` is (h, w, 2), rounded to .001."""

    map_uv: np.ndarray = field(compare=False)
    method: str
    trust: float
    why: str
    clipped_share: float
    camera: CameraColour | None = None
    pair: np.ndarray | None = field(default=None, compare=False)  # of `lightmap.pair_planes`, float16

    def to_json(self) -> dict[str, Any]:
        plain = {k: getattr(self, k) for k in ("method", "trust", "why", "clipped_share")}
        return plain | {
            "map_uv": pack_map(self.map_uv),
            "camera": None if self.camera is None else asdict(self.camera),
            "pair": None if self.pair is None else pack(self.pair),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "LightAnalysis":
        changed = {
            "map_uv": unpack_map(data["map_uv"]),
            "camera": _camera_from(data["camera"]),
            "pair": None if data["pair"] is None else unpack(data["pair"]),
        }
        return cls(**(data | changed))


@dataclass(frozen=True)
class LightPlan:
    """What is to be done to the light of one picture; the same plan makes the same gains again."""

    map_uv: np.ndarray = field(compare=False)
    method: str
    strength: float
    warmth_kept: float
    why: str
    areas: tuple[Area, ...] = ()
    camera: CameraColour | None = None

    @property
    def mean_deg(self) -> float:
        """Mean angle of the light to the camera's white."""
        return float(cast_deg(self.map_uv).mean())

    def to_json(self) -> dict[str, Any]:
        plain = {k: getattr(self, k) for k in ("method", "strength", "warmth_kept", "why")}
        return plain | {
            "map_uv": pack_map(self.map_uv),
            "areas": [a.to_json() for a in self.areas],
            "camera": None if self.camera is None else asdict(self.camera),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "LightPlan":
        areas = tuple(Area.from_json(a) for a in data["areas"])
        changed = {
            "map_uv": unpack_map(data["map_uv"]),
            "areas": areas,
            "camera": _camera_from(data["camera"]),
        }
        return cls(**(data | changed))


def _camera_from(data: dict[str, Any] | None) -> CameraColour | None:
    if data is None:
        return None
    return CameraColour(tuple(tuple(row) for row in data["srgb_from_camera"]), tuple(data["white_srgb"]))


def pack_map(map_uv: np.ndarray) -> dict[str, Any]:
    """A light map as JSON: 16-bit steps of .001, compressed, base64."""
    steps = np.clip(np.round(map_uv / MAP_STEP), -32767, 32767).astype("<i2")
    return {"shape": list(steps.shape), "data": text_of(steps)}


def unpack_map(data: dict[str, Any]) -> np.ndarray:
    """The light map that `pack_map` wrote."""
    steps = np.frombuffer(bytes_of(data["data"]), "<i2")
    return (steps.reshape(data["shape"]) * np.float32(MAP_STEP)).astype(np.float32)


def cast_deg(map_uv: np.ndarray) -> np.ndarray:
    """Angle in degrees between the light's RGB and the camera's white, per pixel."""
    rgb = rgb_from_uv(map_uv)
    cosine = rgb.sum(-1) / np.linalg.norm(rgb, axis=-1) / np.sqrt(3)
    return np.degrees(np.arccos(np.clip(cosine, -1, 1)))


def rgb_from_uv(map_uv: np.ndarray) -> np.ndarray:
    """RGB with G = 1 of log-chromaticities."""
    return np.stack(
        [np.exp(map_uv[..., 0]), np.ones(map_uv.shape[:-1], map_uv.dtype), np.exp(map_uv[..., 1])], -1
    )
