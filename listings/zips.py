"""A whole set as one ZIP: stored, the same bytes every time, its length known before the first byte.

Nothing is compressed (JPEGs don't shrink) and every file's sum is known, so each byte's place follows from
the names and sizes alone. That is what lets a download be resumed anywhere without reading what came before,
in constant memory. Layout: PKWARE's APPNOTE 6.3 (local headers, central directory, ZIP64 where a size,
place or count needs it).
"""

from __future__ import annotations

import hashlib
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from listings.files import Part

# 1 January 1980, the earliest the format knows: the same set gives the same bytes whenever it is asked for.
DOS_DATE, DOS_TIME = 0x0021, 0x0000
UTF8_NAMES = 1 << 11
VERSION, VERSION_64 = 20, 45
MADE_ON_UNIX = 3 << 8
PLAIN_FILE = 0o100644 << 16
MOST_32, MOST_16 = 0xFFFFFFFF, 0xFFFF


@dataclass(frozen=True)
class Entry:
    """A file of the archive: its sums are known; `read` yields any stretch of it when it is needed."""

    name: str
    size: int
    crc32: int
    read: Callable[[Part], Iterator[bytes]] = field(compare=False, repr=False)
    sha256: str = ""


def entry_of(name: str, content: bytes) -> Entry:
    """Make an entry of bytes that are at hand."""
    sha256 = hashlib.sha256(content).hexdigest()
    return Entry(
        name, len(content), zlib.crc32(content), lambda part: iter([content[part.start : part.end]]), sha256
    )


class Archive:
    """The layout of a ZIP over entries in the order of their names."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self.entries = sorted(entries, key=lambda entry: entry.name)
        if len({entry.name for entry in self.entries}) != len(self.entries):
            raise ValueError("entries: need distinct names")
        self._parts: list[tuple[int, bytes | Entry]] = []
        place = 0
        places = []
        for entry in self.entries:
            places.append(place)
            header = _local_header(entry)
            self._parts += [(len(header), header), (entry.size, entry)]
            place += len(header) + entry.size
        directory = b"".join(map(_directory_header, self.entries, places))
        tail = directory + _ends(len(self.entries), len(directory), place)
        self._parts.append((len(tail), tail))
        self.size = place + len(tail)

    @property
    def etag(self) -> str:
        """A strong validator: other bytes, another tag."""
        text = "\n".join(f"{e.name} {e.size} {e.crc32:08x} {e.sha256}" for e in self.entries)
        return hashlib.sha256(text.encode()).hexdigest()[:40]

    def read(self, wanted: Part) -> Iterator[bytes]:
        """Yield the wanted bytes."""
        place = 0
        for length, part in self._parts:
            begin, stop = max(wanted.start - place, 0), min(wanted.end - place, length)
            if begin < stop:
                if isinstance(part, bytes):
                    yield part[begin:stop]
                else:
                    yield from _whole(part, Part(begin, stop))
            place += length
            if place >= wanted.end:
                return


def _whole(entry: Entry, part: Part) -> Iterator[bytes]:
    """Yield a stretch of a file; a file that is shorter than its record must not pass for whole."""
    left = part.length
    for block in entry.read(part):
        left -= len(block)
        yield block
    if left:
        raise OSError(f"{entry.name}: the file is {left} bytes shorter than its record says")


def _local_header(entry: Entry) -> bytes:
    name = entry.name.encode()
    size, extra = entry.size, b""
    if entry.size >= MOST_32:
        size, extra = MOST_32, struct.pack("<HHQQ", 1, 16, entry.size, entry.size)
    head = struct.pack(
        "<4s5H3L2H",
        *(b"PK\x03\x04", VERSION_64 if extra else VERSION, UTF8_NAMES, 0, DOS_TIME, DOS_DATE),
        *(entry.crc32, size, size, len(name), len(extra)),
    )
    return head + name + extra


def _directory_header(entry: Entry, place: int) -> bytes:
    name = entry.name.encode()
    wide = []
    size = entry.size
    if entry.size >= MOST_32:
        wide += [entry.size, entry.size]
        size = MOST_32
    if place >= MOST_32:
        wide.append(place)
        place = MOST_32
    extra = struct.pack(f"<HH{len(wide)}Q", 1, 8 * len(wide), *wide) if wide else b""
    version = VERSION_64 if wide else VERSION
    head = struct.pack(
        "<4s6H3L5H2L",
        *(b"PK\x01\x02", MADE_ON_UNIX | version, version, UTF8_NAMES, 0, DOS_TIME, DOS_DATE),
        *(entry.crc32, size, size, len(name), len(extra), 0, 0, 0, PLAIN_FILE, place),
    )
    return head + name + extra


def _ends(count: int, length: int, place: int) -> bytes:
    """Return what follows the directory: the end record, before it the ZIP64 ones where needed."""
    wide = b""
    if count >= MOST_16 or length >= MOST_32 or place >= MOST_32:
        wide = struct.pack(
            "<4sQ2H2L4Q",
            *(b"PK\x06\x06", 44, MADE_ON_UNIX | VERSION_64, VERSION_64, 0, 0, count, count, length, place),
        )
        wide += struct.pack("<4sLQL", b"PK\x06\x07", 0, place + length, 1)
    least_count = min(count, MOST_16)
    return wide + struct.pack(
        "<4s4H2LH",
        *(b"PK\x05\x06", 0, 0, least_count, least_count, min(length, MOST_32), min(place, MOST_32), 0),
    )
