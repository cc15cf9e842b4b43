"""Files to facts and linear frames: which decoder a file needs is told from its bytes, not its name."""

from pathlib import Path
from typing import Literal

import numpy as np

from . import reading_files, reading_raw
from .errors import UnreadableFile
from .facts import Facts
from .frame import Frame

RAW_NAMES = """3fr ari arw bay cr2 cr3 crw cap dcr
dcs dng drf eip erf fff gpr iiq k25 kdc mdc mef mos mrw nef nrw
obm orf pef ptx pxn r3d raf raw rw2 rwl rwz sr2 srf srw x3f"""
RAW_SUFFIXES = frozenset(f".{name}" for name in RAW_NAMES.split())
RAW_MAGIC = (b"FUJIFILMCCD-RAW", b"IIU\x00", b"IIRO", b"IIRS", b"MMOR", b"FOVb", b"\x00MRM")
DNG_VERSION, PHOTOMETRIC, COLOUR_FILTER_ARRAY = 0xC612, 0x0106, 32803
__all__ = ["Facts", "Frame", "is_raw", "read_facts", "read_frame"]


def is_raw(path: Path | str) -> bool:
    """Does this file need the raw decoder? Told from its first bytes; the name decides only among TIFFs.

    Raises
    ------
    UnreadableFile
        If the file is missing, empty or cannot be opened.
    """
    path = Path(path)
    try:
        with path.open("rb") as stream:
            head = stream.read(65536)
    except OSError as error:
        raise UnreadableFile(f"{path.name}: cannot be opened ({error.strerror})") from error
    if not head:
        raise UnreadableFile(f"{path.name}: the file is empty (0 bytes)")
    if head.startswith(RAW_MAGIC) or head[4:12] == b"ftypcrx " or head[6:14] == b"HEAPCCDR":
        return True
    if head[:4] in (b"II*\x00", b"MM\x00*"):
        return path.suffix.lower() in RAW_SUFFIXES or _tiff_holds_raw(head)
    if head[:2] == b"\xff\xd8" or head[:8] == b"\x89PNG\r\n\x1a\n" or head[4:8] == b"ftyp":
        return False
    return path.suffix.lower() in RAW_SUFFIXES


def _tiff_holds_raw(head: bytes) -> bool:
    """Does the first directory of a TIFF carry a DNG version or a colour filter array?"""
    order: Literal["little", "big"] = "little" if head[:2] == b"II" else "big"
    start = int.from_bytes(head[4:8], order)
    count = int.from_bytes(head[start : start + 2], order)
    for i in range(min(count, 200)):
        entry = head[start + 2 + 12 * i : start + 14 + 12 * i]
        tag = int.from_bytes(entry[:2], order)
        if tag == DNG_VERSION:
            return True
        if tag == PHOTOMETRIC and int.from_bytes(entry[8:10], order) == COLOUR_FILTER_ARRAY:
            return True
    return False


def read_facts(path: Path | str) -> Facts:
    """Read what a file says of itself, without decoding its pixels.

    Raises
    ------
    UnreadableFile
        Or its kind `UnreadableRaw`, with the reason in words for people.
    """
    path = Path(path)
    return reading_raw.read_facts(path) if is_raw(path) else reading_files.read_facts(path)


def read_frame(
    path: Path | str,
    *,
    half: bool = False,
    multipliers: np.ndarray | None = None,
    with_clipped: bool = False,
) -> Frame:
    """Decode a file to linear light after orientation.

    Parameters
    ----------
    path : path
    half : bool
        Half the width and height, for previews and analysis: raw files skip demosaicing.
    multipliers : (3,) array, optional
        White balance for a raw file instead of its own, so that the frames of a bracket agree.
    with_clipped : bool
        Fill in `Frame.clipped`.

    Raises
    ------
    UnreadableFile
        Or its kind `UnreadableRaw`: cut off, damaged, black, unknown. Never a partly grey picture.
    """
    path = Path(path)
    if is_raw(path):
        return reading_raw.read_frame(path, half=half, multipliers=multipliers, with_clipped=with_clipped)
    frame = reading_files.read_frame(path, half=half, with_clipped=with_clipped)
    if path.suffix.lower() in RAW_SUFFIXES:
        frame.notes.append(f"{path.name} is named like a raw file but holds a {frame.facts.kind.upper()}")
    return frame
