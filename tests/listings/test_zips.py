"""The ZIP of a set: read back by Python's own zipfile, byte for byte at any range, the same every time."""

import io
import random
import tracemalloc
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from listings.files import Part
from listings.zips import Archive, Entry, entry_of

GIB = 1024**3


def make(count: int = 5) -> Archive:
    rng = random.Random(7)
    files = [entry_of(f"{n:02d}-küche.jpg", rng.randbytes(rng.randrange(1, 5000))) for n in range(count)]
    return Archive([*files, entry_of("manifest.json", b"{}")])


def whole(archive: Archive) -> bytes:
    return b"".join(archive.read(Part(0, archive.size)))


def test_python_reads_it_back_and_finds_every_sum_right() -> None:
    archive = make()
    content = whole(archive)
    assert len(content) == archive.size
    with zipfile.ZipFile(io.BytesIO(content)) as read:
        assert read.testzip() is None
        assert read.namelist() == [entry.name for entry in archive.entries]
        assert {info.compress_type for info in read.infolist()} == {zipfile.ZIP_STORED}
        assert {info.date_time for info in read.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        for entry in archive.entries:
            assert read.read(entry.name) == b"".join(entry.read(Part(0, entry.size)))


def test_the_same_set_gives_the_same_bytes_and_tag_in_whatever_order_it_is_named() -> None:
    one, other = make(), Archive(list(reversed(make().entries)))
    assert whole(one) == whole(other)
    assert one.etag == other.etag
    assert make(4).etag != one.etag


def test_every_range_is_that_part_of_the_whole() -> None:
    archive = make()
    content, rng = whole(archive), random.Random(3)
    for _ in range(400):
        start = rng.randrange(archive.size)
        end = rng.randrange(start, archive.size) + 1
        assert b"".join(archive.read(Part(start, end))) == content[start:end]


def test_only_the_files_in_the_range_are_read() -> None:
    opened = []

    def entry(name: str) -> Entry:
        content = name.encode() * 100

        def read(part: Part) -> Iterator[bytes]:
            opened.append(name)
            yield content[part.start : part.end]

        return Entry(name, len(content), zlib.crc32(content), read)

    archive = Archive([entry("a"), entry("b"), entry("c")])
    tail = list(archive.read(Part(archive.size - 30, archive.size)))
    assert len(b"".join(tail)) == 30
    assert opened == []


def test_a_large_set_passes_through_in_little_memory() -> None:
    block = bytes(256 * 1024)

    def zeros(part: Part) -> Iterator[bytes]:
        left = part.length
        while left:
            yield block[: min(left, len(block))]
            left -= min(left, len(block))

    archive = Archive([Entry(f"{n:03d}.jpg", 4 * 1024**2, 0, zeros) for n in range(200)])
    tracemalloc.start()
    read = sum(len(piece) for piece in archive.read(Part(0, archive.size)))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert read == archive.size > 800 * 1024**2
    assert peak < 2 * 1024**2  # bytes held at once; the set is eight hundred megabytes


def test_a_file_shorter_than_its_record_breaks_the_download_instead_of_passing_for_whole() -> None:
    short = Entry("a.jpg", 10, 0, lambda part: iter([b"12345"]))
    with pytest.raises(OSError, match="5 bytes shorter"):
        whole(Archive([short]))


def test_names_that_clash_are_refused() -> None:
    with pytest.raises(ValueError, match="distinct"):
        Archive([entry_of("a", b""), entry_of("a", b"1")])


def test_files_beyond_four_gigabytes_are_found_where_zipfile_looks_for_them(tmp_path: Path) -> None:
    # Headers only, on a file with holes: six gigabytes are laid out without being written.
    def zeros(part: Part) -> Iterator[bytes]:
        raise AssertionError("the picture's own bytes are not needed")
        yield b""

    archive = Archive(
        [Entry("a.tif", 5 * GIB, 1, zeros), Entry("b.tif", GIB, 2, zeros), entry_of("c", b"text")]
    )
    path = tmp_path / "large.zip"
    with path.open("wb") as file:
        file.truncate(archive.size)
        place = 0
        for length, part in archive._parts:
            if isinstance(part, bytes) or part.name == "c":
                file.seek(place)
                file.write(part if isinstance(part, bytes) else b"text")
            place += length
    assert path.stat().st_size == archive.size == place
    with zipfile.ZipFile(path) as read:
        assert [(info.filename, info.file_size, info.CRC) for info in read.infolist()[:2]] == [
            ("a.tif", 5 * GIB, 1),
            ("b.tif", GIB, 2),
        ]
        assert read.read("c") == b"text"
        with read.open("b.tif") as second:
            assert second.read(1) == b"\0"


def test_more_files_than_sixteen_bits_can_count() -> None:
    archive = Archive([entry_of(f"{n}", b"") for n in range(66_000)])
    with zipfile.ZipFile(io.BytesIO(whole(archive))) as read:
        assert len(read.infolist()) == 66_000
