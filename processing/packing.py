"""Arrays as text inside JSON: deflated, base64. What one module packs any other reads."""

import base64
import zlib
from typing import Any

import numpy as np

__all__ = ["bytes_of", "pack", "pack_mask", "text_of", "unpack", "unpack_mask"]


def text_of(array: np.ndarray, *, level: int = 6) -> str:
    """The array's bytes, deflated, as text."""
    return base64.b64encode(zlib.compress(np.ascontiguousarray(array).tobytes(), level)).decode("ascii")


def bytes_of(text: str) -> bytes:
    """The bytes that `text_of` wrote."""
    return zlib.decompress(base64.b64decode(text))


def pack(array: np.ndarray) -> dict[str, Any]:
    """A float16 array with its shape."""
    return {"shape": list(array.shape), "float16": text_of(array.astype("<f2"))}


def unpack(data: dict[str, Any]) -> np.ndarray:
    """The float16 array that `pack` wrote."""
    return np.frombuffer(bytes_of(data["float16"]), "<f2").reshape(data["shape"])


def pack_mask(mask: np.ndarray) -> str:
    """A mask as text: size, then deflated bits."""
    return f"{mask.shape[1]}x{mask.shape[0]}:{text_of(np.packbits(mask), level=9)}"


def unpack_mask(text: str) -> np.ndarray:
    """The mask that `pack_mask` wrote."""
    size, _, bits = text.partition(":")
    width, height = (int(v) for v in size.split("x"))
    flat = np.unpackbits(np.frombuffer(bytes_of(bits), np.uint8))
    return flat[: width * height].reshape(height, width).astype(bool)
