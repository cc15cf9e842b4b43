"""JPEG, TIFF, PNG, HEIF, AVIF and WebP: decoded whole or refused, profiles turned into linear light."""

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from PIL import Image, UnidentifiedImageError

from . import arrays, profiles
from .errors import UnreadableFile
from .facts import Facts
from .frame import Frame
from .reading_facts import COLOUR_SPACE, INTEROP_INDEX, ORIENTATION, Tags, facts_from_tags, tags_from_exif

pillow_heif.register_heif_opener()

KINDS = {
    "JPEG": "jpeg",
    "MPO": "jpeg",
    "TIFF": "tiff",
    "PNG": "png",
    "HEIF": "heif",
    "AVIF": "heif",
    "WEBP": "webp",
}
LARGEST_PIXELS = 170_000_000  # more than any camera's single frame; a "bomb" of zeros says far more
SMALLEST_EDGE_PX = 16
CLIPPED_CODE = 254  # of 255: an encoded picture clips a little below its top
HDR_TRANSFERS = (16, 18)  # ITU-T H.273: PQ and HLG


def read_facts(path: Path) -> Facts:
    """Facts of an encoded picture, from its header alone."""
    with _quiet(), _opened(path) as image:
        facts, _ = _facts(image)
        return facts


def read_frame(path: Path, *, half: bool = False, with_clipped: bool = False) -> Frame:
    """Decode an encoded picture to linear light in its own primaries; `half` area-averages by two."""
    with _quiet(), _opened(path) as image:
        deep = _is_deep(image)
        facts, tags = _facts(image)
        space = _space(image, tags)
        try:
            image.load()
        except Image.DecompressionBombError as error:
            raise UnreadableFile(_too_large(path, image.size)) from error
        except (OSError, SyntaxError, ValueError, EOFError, MemoryError, RuntimeError) as error:
            raise UnreadableFile(f"{path.name}: {_damage(error)}") from error
        codes = _sixteen_bit(path, image) if deep else None
        if codes is None:
            if space is None:
                image, space = profiles.convert_by_cmm(image, image.info.get("icc_profile")), profiles.srgb()
            codes = np.asarray(_flat_rgb(image))
    space = space or profiles.srgb()
    codes = arrays.orient(codes, facts.orientation)
    top = 65535 if codes.dtype == np.uint16 else 255
    clipped = _blocks_any(codes, CLIPPED_CODE * (257 if top == 65535 else 1)) if with_clipped else None
    linear = _linearise(codes, space)
    if half:
        linear = arrays.shrink(linear, (max(1, linear.shape[1] // 2), max(1, linear.shape[0] // 2)))
    return Frame(
        camera_u16=linear,
        facts=facts,
        is_raw=False,
        clipped=clipped,
        srgb_from_camera=space.srgb_from_source,
    )


@contextmanager
def _quiet() -> Iterator[None]:
    """Without Pillow's warnings: broken EXIF costs only itself, sizes are judged here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        yield


def _opened(path: Path) -> Image.Image:
    try:
        image = Image.open(path)
    except UnidentifiedImageError as error:
        raise UnreadableFile(f"{path.name}: not a picture file that can be read here") from error
    except Image.DecompressionBombError as error:
        raise UnreadableFile(_too_large(path, None)) from error
    except (OSError, SyntaxError, ValueError, EOFError, RuntimeError, TypeError) as error:
        raise UnreadableFile(f"{path.name}: {_damage(error)}") from error
    kind = KINDS.get(image.format or "")
    reason = None
    if kind is None:
        reason = f"{image.format} files are not used for photographs here; JPEG, TIFF, PNG, HEIC or raw are"
    elif image.size[0] * image.size[1] > LARGEST_PIXELS:
        image.close()
        raise UnreadableFile(_too_large(path, image.size))
    elif min(image.size) < SMALLEST_EDGE_PX:
        reason = f"only {image.size[0]} x {image.size[1]} pixels"
    if reason:
        image.close()
        raise UnreadableFile(f"{path.name}: {reason}")
    return image


def _too_large(path: Path, size: tuple[int, int] | None) -> str:
    words = f"{size[0]} x {size[1]} pixels, " if size else ""
    limit = f"more than {LARGEST_PIXELS // 1_000_000} megapixels"
    return f"{path.name}: {words}{limit}: refused, to protect this computer"


def _damage(error: BaseException) -> str:
    text = str(error) or type(error).__name__
    if "truncated" in text.lower() or "end of" in text.lower() or isinstance(error, EOFError):
        return f"the file is cut off ({text}); copy it again"
    return f"the file is damaged ({text})"


def _facts(image: Image.Image) -> tuple[Facts, Tags]:
    try:
        tags = tags_from_exif(image.getexif())
    except Exception:  # noqa: BLE001 - a broken EXIF block must not cost the picture
        tags = {}
    orientation = tags.get(ORIENTATION, 1)  # for HEIF and AVIF what the decoder left to turn
    kind = KINDS[image.format or ""]
    if orientation not in range(1, 9):
        orientation = 1
    size = arrays.oriented_size(image.size, orientation)
    return facts_from_tags(tags, size=size, kind=kind, orientation=orientation), tags


def _space(image: Image.Image, tags: Tags) -> profiles.SourceSpace | None:
    """The file's own colour space; None when only the CMM can tell (tables, CMYK, Lab)."""
    icc = image.info.get("icc_profile")
    if image.mode in ("CMYK", "LAB"):
        return None
    if icc:
        return profiles.read_matrix_profile(icc)
    nclx = image.info.get("nclx_profile") or {}
    if int(nclx.get("transfer_characteristics", 0)) in HDR_TRANSFERS:
        raise UnreadableFile(
            f"{Path(getattr(image, 'filename', '') or 'picture').name}: coded for HDR screens (PQ or HLG);"
            " save it as an ordinary picture or use the raw file"
        )
    primaries = {12: profiles.P3_PRIMARIES, 11: profiles.P3_PRIMARIES, 9: profiles.BT2020_PRIMARIES}.get(
        int(nclx.get("color_primaries", 0))
    )
    if primaries:
        return profiles.from_primaries("nclx", primaries)
    if tags.get(INTEROP_INDEX) == "R03" or tags.get(COLOUR_SPACE) == 2:
        return profiles.oprgb()
    return profiles.srgb()


def _is_deep(image: Image.Image) -> bool:
    """More than 8 bits a channel? Asked before loading, while the decoder's raw mode is still known."""
    tiles = getattr(image, "tile", None) or []
    return image.mode.startswith("I") or any(re.search(r"[;:]1[0-6]", str(tile[3])) for tile in tiles)


def _sixteen_bit(path: Path, image: Image.Image) -> np.ndarray | None:
    """(H, W, 3) uint16 of a deep file that Pillow has already read through without complaint."""
    flags = cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION
    codes = cv2.imdecode(np.fromfile(path, np.uint8), flags)
    if codes is None or codes.dtype != np.uint16 or codes.shape[:2] != (image.size[1], image.size[0]):
        if image.mode.startswith("I;16"):
            return np.repeat(np.asarray(image).astype(np.uint16)[..., None], 3, 2)
        return None
    if codes.ndim == 2:
        return np.repeat(codes[..., None], 3, 2)
    return np.ascontiguousarray(codes[..., 2::-1]) if codes.shape[2] >= 3 else None


def _flat_rgb(image: Image.Image) -> Image.Image:
    """8-bit RGB; transparency is laid on white, as on paper."""
    if image.mode in ("RGBA", "LA", "PA") or (image.mode == "P" and "transparency" in image.info):
        layered = image.convert("RGBA")
        paper = Image.new("RGBA", layered.size, (255, 255, 255, 255))
        return Image.alpha_composite(paper, layered).convert("RGB")
    return image if image.mode == "RGB" else image.convert("RGB")


def _linearise(codes: np.ndarray, space: profiles.SourceSpace) -> np.ndarray:
    tables = space.tables_u16(levels=65536 if codes.dtype == np.uint16 else 256)
    if (tables == tables[0]).all():
        return arrays.lookup(codes, tables[0])
    return np.stack([arrays.lookup(codes[..., c], tables[c]) for c in range(3)], axis=-1)


def _blocks_any(codes: np.ndarray, threshold: int) -> np.ndarray:
    """(H // 2, W // 2, 3) bool: does any pixel of the 2 x 2 block reach `threshold`?"""
    height, width = max(1, codes.shape[0] // 2), max(1, codes.shape[1] // 2)
    high = codes >= threshold
    blocks = high[0 : 2 * height : 2, 0 : 2 * width : 2].copy()
    for row, column in ((0, 1), (1, 0), (1, 1)):
        blocks |= high[row : 2 * height : 2, column : 2 * width : 2]
    return blocks
