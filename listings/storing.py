"""Files in and out of the storage: synced, renamed, checked; the same for a folder and for S3.

A file gets its name only when all its bytes are on the disk. Names are made from content or plan, so doing
it twice gives the same name and the same bytes.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from django.conf import settings
from django.core.files import File
from django.core.files.storage import default_storage
from django.db.models.fields.files import FieldFile

from listings.errors import DiskFull, NotTaken

BLOCK = 1024 * 1024
# Free space that stays untouched, so that the database can still be written when files no longer fit.
RESERVE_BYTES = 256 * 1024 * 1024


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


PLAIN_SUFFIXES = _words("jpg jpeg jpe tif tiff png heic heif hif avif")
# Endings of raw files that LibRaw opens (its list of supported cameras, by file ending).
RAW_SUFFIXES = _words(
    "3fr ari arw bay cap cr2 cr3 crw dcr dcs dng erf fff gpr iiq k25 kdc mdc mef mos mrw nef nrw orf pef ptx "
    "pxn raf raw rw2 rwl rwz sr2 srf srw x3f"
)


def suffix_of(name: str) -> str:
    return PurePosixPath(name.replace("\\", "/")).suffix.lower().lstrip(".")


def base_name(name: str) -> str:
    """Return the last part of a name that may carry folders of either kind of slash, fit to be shown."""
    return plain(PurePosixPath(name.replace("\\", "/")).name) or "file"


def plain(name: str) -> str:
    """Leave out what can't be seen: line breaks, zero bytes, marks that turn the writing round."""
    return "".join(letter for letter in name if letter.isprintable())


def check_name(name: str, size: int) -> None:
    """Refuse what can't be a picture, before its bytes are sent."""
    suffix = suffix_of(name)
    if suffix not in PLAIN_SUFFIXES | RAW_SUFFIXES:
        what = f"Files ending in .{suffix}" if suffix else "Files without an ending"
        raise NotTaken(f"{what} are not pictures that can be read here.")
    if size <= 0:
        raise NotTaken("The file is empty.")
    if size > settings.UPLOAD_MAX_MB * 1024 * 1024:
        raise NotTaken(f"{size / 1e6:.0f} MB is more than the {settings.UPLOAD_MAX_MB} MB taken here.")


def check_room(folder: Path, size: int) -> None:
    """Refuse what would not fit, with the reserve kept free."""
    folder.mkdir(parents=True, exist_ok=True)
    free = shutil.disk_usage(folder).free
    if free - size < RESERVE_BYTES:
        raise DiskFull(
            f"The disk of the studio's machine is full: {max(0, free - RESERVE_BYTES) / 1e6:.0f} MB left, "
            f"{size / 1e6:.0f} MB are needed. Everything stored so far is safe. Free some space, then go on."
        )


def is_full(error: OSError) -> bool:
    return error.errno in (errno.ENOSPC, errno.EDQUOT)


def sync_folder(folder: Path) -> None:
    """Make a rename last; where folders can't be opened (Windows), the system does it by itself."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except (OSError, AttributeError):
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


def hash_file(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def is_folder_storage() -> bool:
    try:
        default_storage.path("probe")
    except NotImplementedError:
        return False
    return True


def put(path: Path, name: str) -> str:
    """Move a finished local file into the storage under exactly this name, synced; return the name."""
    if not is_folder_storage():
        _put_remote(path, name)
        path.unlink(missing_ok=True)
        return name
    target = Path(default_storage.path(name))
    target.parent.mkdir(parents=True, exist_ok=True)
    with path.open("rb+") as file:
        os.fsync(file.fileno())
    try:
        os.replace(path, target)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        _copy_synced(path, target)
        path.unlink(missing_ok=True)
    sync_folder(target.parent)
    return name


def _copy_synced(source: Path, target: Path) -> None:
    """Copy between two file systems: under another name first, renamed when synced."""
    draft = target.with_name(f".{target.name}.{secrets.token_hex(4)}")
    try:
        with source.open("rb") as read, draft.open("wb") as write:
            shutil.copyfileobj(read, write, BLOCK)
            write.flush()
            os.fsync(write.fileno())
        os.replace(draft, target)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise


def _put_remote(path: Path, name: str) -> None:
    with path.open("rb") as file:
        saved = default_storage.save(name, File(file, name=name))
    if saved != name:
        raise OSError(f"the storage kept {name} as {saved}")
    if default_storage.size(name) != path.stat().st_size:
        raise OSError(f"the storage kept another size for {name}")


def exists(file: FieldFile) -> bool:
    return bool(file.name) and default_storage.exists(str(file.name))


@contextlib.contextmanager
def local_copies(*files: FieldFile) -> Iterator[list[Path]]:
    """Give paths that a program can open: the files themselves, or copies for as long as they are needed."""
    if is_folder_storage():
        yield [Path(file.path) for file in files]
        return
    with work_folder() as folder:
        paths = []
        for index, file in enumerate(files):
            name = str(file.name)
            path = folder / f"{index}-{base_name(name)}"
            with file.storage.open(name, "rb") as read, path.open("wb") as write:
                shutil.copyfileobj(read, write, BLOCK)
            paths.append(path)
        yield paths


@contextlib.contextmanager
def work_folder() -> Iterator[Path]:
    """Give an empty folder that is gone afterwards; on the same disk as the files, so renames are cheap."""
    parent = Path(settings.PARTIAL_DIR) / "work"
    parent.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(dir=parent))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
