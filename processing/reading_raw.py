"""Camera raw files: fixed scaling, the camera's multipliers, clipping known from the mosaic.

LibRaw unpacks, demosaics and knows the cameras. Nothing here depends on a frame's content: no automatic
brightness, no automatic maximum, so the steps of a bracket keep their ratios.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import rawpy

from . import arrays
from .errors import UnreadableRaw
from .facts import Facts
from .frame import Frame
from .reading_facts import facts_from_tags, tags_from_raw

# Our own measurement of four algorithms is in tests/bench; AHD is the sharpest that keeps the time bar
DEMOSAIC = rawpy.DemosaicAlgorithm.AHD
# LibRaw's flip (bit 0 mirror columns, bit 1 mirror rows, bit 2 swap axes last) as EXIF orientation
ORIENTATION_FROM_FLIP = {0: 1, 1: 2, 2: 4, 3: 3, 4: 5, 5: 8, 6: 6, 7: 7}
XYZ_FROM_SRGB = np.array(
    [[0.4123908, 0.3575843, 0.1804808], [0.2126390, 0.7151687, 0.0721923], [0.0193308, 0.1191948, 0.9505322]]
)
LARGEST_MULTIPLIER = 16.0  # beyond this a stored white balance is a mistake, not a light
BLACK_SHARE = 5e-4  # of the range; a picture whose 99.9th percentile is below shows nothing
SMALLEST_RAW_BYTES = 20_000  # less holds no picture of any camera
CUT_OFF_ROWS = 16  # this many rows of one single value at the end mean a cut-off file


def read_facts(path: Path) -> Facts:
    """Facts of a raw file: its tags, filled up with what LibRaw knows of the maker's own blocks."""
    with _named_errors(path), rawpy.imread(str(path)) as raw:
        return _facts(path, raw)


def read_frame(
    path: Path, *, half: bool = False, multipliers: np.ndarray | None = None, with_clipped: bool = False
) -> Frame:
    """Decode a raw file; arguments as in `reading.read_frame`."""
    with _named_errors(path), rawpy.imread(str(path)) as raw:
        facts = _facts(path, raw)
        notes: list[str] = []
        is_mosaic = _has_rggb_mosaic(raw)
        if raw.raw_type == rawpy.RawType.Flat:
            _check_content(raw, path)
        if multipliers is None:
            multipliers, note = _multipliers(raw)
            notes += note
        matrix, white_srgb, note = _matrix(raw, multipliers)
        notes += note
        own_path = raw.num_colors != 3  # four-colour filters: LibRaw's whole way to linear sRGB
        black, white = _black(raw), _white_levels(raw)
        scale = (white[:3] - black[:3]) / (raw.white_level - black[:3].mean())
        clipped = None
        if with_clipped and is_mosaic:
            # before decoding: half size changes what LibRaw says of the pattern
            clipped = _clipped_from_mosaic(raw.raw_image_visible, np.array(raw.raw_pattern), white)
        camera = _demosaic(raw, multipliers, half=half, to_srgb=own_path)
        if with_clipped and clipped is None:
            clipped = _clipped_from_pixels(camera, half=half)
    headroom = 1.0 if own_path else float(multipliers.max())
    clip_levels = np.ones(3) if own_path else multipliers * np.clip(scale, 0.1, 1.0)
    least = float(clip_levels.min())
    return Frame(
        camera_u16=arrays.orient(camera, facts.orientation),
        facts=replace(facts),
        is_raw=True,
        unit=65535.0 / headroom * least,
        clip_levels=clip_levels / least,
        clipped=None if clipped is None else arrays.orient(clipped, facts.orientation),
        multipliers=multipliers,
        srgb_from_camera=np.eye(3) if own_path else matrix,
        white_srgb=white_srgb,
        notes=notes,
    )


@contextmanager
def _named_errors(path: Path) -> Iterator[None]:
    """LibRaw's errors, whenever they show, as ours with the file's name and a reason in words."""
    try:
        yield
    except rawpy.LibRawFileUnsupportedError as error:
        raise UnreadableRaw(f"{path.name}: not a camera raw file that can be read here") from error
    except rawpy.LibRawIOError as error:
        if path.stat().st_size < SMALLEST_RAW_BYTES:
            raise UnreadableRaw(f"{path.name}: not a camera raw file") from error
        raise UnreadableRaw(f"{path.name}: the raw file is cut off; copy it from the card again") from error
    except rawpy.LibRawError as error:
        raise UnreadableRaw(f"{path.name}: the raw file is damaged ({_words(error)})") from error


def _words(error: Exception) -> str:
    first = error.args[0] if error.args else ""
    text = first.decode("utf-8", "replace") if isinstance(first, bytes) else str(first)
    return text or type(error).__name__


def _facts(path: Path, raw: rawpy.RawPy) -> Facts:
    tags = tags_from_raw(path)
    sizes = raw.sizes
    orientation = ORIENTATION_FROM_FLIP.get(sizes.flip, 1)
    size = arrays.oriented_size((sizes.iwidth, sizes.iheight), orientation)
    facts = facts_from_tags(tags, size=size, kind="raw", orientation=orientation)
    other, lens = raw.other, raw.lens
    moment = other.timestamp
    return replace(
        facts,
        iso=facts.iso or _positive(other.iso_speed),
        exposure_s=facts.exposure_s or _positive(other.shutter_speed),
        aperture=facts.aperture or _positive(other.aperture),
        focal_mm=facts.focal_mm or _positive(other.focal_length),
        lens=facts.lens or (lens.model or None),
        lens_maker=facts.lens_maker or (lens.make or None),
        taken_at=facts.taken_at or (moment.isoformat() if moment and moment.year > 1980 else None),
    )


def _positive(value: float | None) -> float | None:
    return round(float(value), 6) if value and value > 0 and np.isfinite(value) else None


def _has_rggb_mosaic(raw: rawpy.RawPy) -> bool:
    return (
        raw.raw_type == rawpy.RawType.Flat
        and raw.raw_pattern is not None
        and raw.raw_pattern.shape == (2, 2)
        and raw.num_colors == 3
    )


def _check_content(raw: rawpy.RawPy, path: Path) -> None:
    """Refuse a mosaic that decoded without an error and yet holds no picture.

    LibRaw's own memory is looked at and let go: it is gone once the file is closed.
    """
    mosaic = raw.raw_image_visible
    height = mosaic.shape[0]
    levels = mosaic[:: max(1, height // 256)]
    black = float(_black(raw).mean())
    top = float(np.percentile(levels[:, ::4], 99.9)) - black
    if levels.min() == levels.max() or top < BLACK_SHARE * max(1.0, raw.white_level - black):
        raise UnreadableRaw(
            f"{path.name}: every pixel is black; the file's compression was not understood or nothing was"
            " exposed. Use the JPEG of this frame if there is one"
        )
    tail = mosaic[-CUT_OFF_ROWS:]
    if tail.min() == tail.max() < raw.white_level:  # a blown sky at the edge is white, not missing
        flat = (mosaic.min(1) == mosaic.max(1))[::-1]
        rows = int(np.argmin(flat))
        raise UnreadableRaw(
            f"{path.name}: the last {rows} of {height} rows are empty; the file is cut off."
            " Copy it from the card again"
        )


def _black(raw: rawpy.RawPy) -> np.ndarray:
    return np.asarray(raw.black_level_per_channel, float)


def _multipliers(raw: rawpy.RawPy) -> tuple[np.ndarray, list[str]]:
    """The camera's white balance, smallest = 1; daylight when the file's own is missing or odd."""
    for source, words in (
        (raw.camera_whitebalance, None),
        (raw.daylight_whitebalance, "no usable white balance in the file; daylight was taken"),
    ):
        m = np.asarray(source, float)[:3]
        if (
            m.shape == (3,)
            and np.isfinite(m).all()
            and m.min() > 0
            and m.max() / m.min() < LARGEST_MULTIPLIER
        ):
            return m / m.min(), [words] if words else []
    return np.ones(3), ["no usable white balance in the file; none was applied"]


def _matrix(raw: rawpy.RawPy, multipliers: np.ndarray) -> tuple[np.ndarray, np.ndarray | None, list[str]]:
    """Camera -> linear sRGB for balanced colours, and the light that was balanced for."""
    matrix = np.asarray(raw.color_matrix, float)[:, :3]
    if not _usable(matrix):
        camera_from_xyz = np.asarray(raw.rgb_xyz_matrix, float)[:3]
        if np.abs(camera_from_xyz).sum() > 0 and np.isfinite(camera_from_xyz).all():
            camera_from_srgb = camera_from_xyz @ XYZ_FROM_SRGB
            sums = camera_from_srgb.sum(1, keepdims=True)
            if (sums > 1e-4).all() and abs(np.linalg.det(camera_from_srgb)) > 1e-6:
                matrix = np.linalg.inv(camera_from_srgb / sums)
    if not _usable(matrix):
        return np.eye(3), None, ["the camera is not known and the file has no colour matrix"]
    matrix = matrix / matrix.sum(1, keepdims=True)
    daylight = np.asarray(raw.daylight_whitebalance, float)[:3]
    if not (np.isfinite(daylight).all() and daylight.min() > 0):
        return matrix, None, []
    white = matrix @ (daylight / multipliers)
    level = float(white @ arrays.LUMA_709)
    return matrix, (white / level if level > 0 else None), []


def _usable(matrix: np.ndarray) -> bool:
    return bool(
        matrix.shape == (3, 3)
        and np.isfinite(matrix).all()
        and (matrix.sum(1) > 0.5).all()
        and abs(np.linalg.det(matrix)) > 1e-3
    )


def _demosaic(raw: rawpy.RawPy, multipliers: np.ndarray, *, half: bool, to_srgb: bool) -> np.ndarray:
    return raw.postprocess(
        demosaic_algorithm=DEMOSAIC if raw.num_colors == 3 else None,
        half_size=half,
        use_camera_wb=to_srgb,
        user_wb=None if to_srgb else [*multipliers, multipliers[1]],
        output_color=rawpy.ColorSpace.sRGB if to_srgb else rawpy.ColorSpace.raw,
        output_bps=16,
        gamma=(1, 1),
        no_auto_bright=True,
        adjust_maximum_thr=0.0,
        # "ignore" scales by the largest multiplier, so that no channel loses its own headroom
        highlight_mode=rawpy.HighlightMode.Clip if to_srgb else rawpy.HighlightMode.Ignore,
        user_flip=0,
    )


def _white_levels(raw: rawpy.RawPy) -> np.ndarray:
    """(4,) code at which each filter colour clips: the camera's statement, else the file's, else the data's.

    A sensor often clips below the nominal level; then many pixels pile up at one highest code.
    """
    nominal = np.full(4, float(raw.white_level))
    stated = raw.camera_white_level_per_channel
    if stated is not None:
        levels = np.asarray(stated, float)
        good = (levels > 0.5 * raw.white_level) & (levels <= raw.white_level)
        nominal = np.where(good, levels, nominal)
    pattern = raw.raw_pattern
    if pattern is None or not _has_rggb_mosaic(raw):
        return nominal
    mosaic = raw.raw_image_visible
    step = 2 * max(1, mosaic.shape[0] // 1000)  # a clipped lamp shows in every few rows
    for row in range(2):
        rows = mosaic[row::step]
        for column in range(2):
            channel = int(pattern[row, column])
            plane = np.ascontiguousarray(rows[:, column::2])
            top = float(plane.max())
            if 0.7 * nominal[channel] < top < nominal[channel]:
                piled = int(np.count_nonzero(plane >= top - 1))
                below = int(np.count_nonzero(plane >= top - 16)) - piled
                if piled > max(64, 2e-5 * plane.size) and piled > 4 * below:
                    nominal[channel] = top
    return nominal


def _clipped_from_mosaic(mosaic: np.ndarray, pattern: np.ndarray, white: np.ndarray) -> np.ndarray:
    """(H // 2, W // 2, 3) bool: does any photosite of that colour in the 2 x 2 block clip?"""
    height, width = mosaic.shape[0] // 2, mosaic.shape[1] // 2
    clipped = np.zeros((height, width, 3), bool)
    for row in range(2):
        for column in range(2):
            channel = int(pattern[row, column])
            plane = mosaic[row : 2 * height : 2, column : 2 * width : 2]
            clipped[..., 1 if channel == 3 else channel] |= plane >= white[channel] - 1
    return clipped


def _clipped_from_pixels(camera: np.ndarray, *, half: bool) -> np.ndarray:
    pixels = camera if half else camera[: camera.shape[0] // 2 * 2 : 2, : camera.shape[1] // 2 * 2 : 2]
    tops = pixels.reshape(-1, 3).max(0)
    return pixels >= np.where(tops >= 0.98 * tops.max(), tops * 0.995, 65536)
