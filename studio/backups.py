"""One archive with all that can't be made again: database, files, keys; hashed, and checked before use.

The archive is a plain tar (pictures don't compress): `database.sqlite3` or `database.dump`, `files/...`,
`keys/...` and `manifest.json` with the size and SHA-256 of each. The database is copied first, files after
it: rows point to files only once these are whole, so every file that the copied rows name is there.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import io
import json
import os
import shutil
import sqlite3
import subprocess
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path, PurePosixPath
from typing import IO, Any

from django.conf import settings
from django.core.files.base import File
from django.core.files.storage import default_storage
from django.db import connection, connections
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder

from studio import moving
from studio.errors import StudioError

FORMAT = 1
MANIFEST = "manifest.json"
SQLITE_COPY = "database.sqlite3"
POSTGRES_DUMP = "database.dump"
BLOCK = 1024 * 1024
KEYS = ("SECRET_KEY", "ACCESS_KEY")


class BackupError(StudioError):
    """What went wrong, and what was left as it was."""


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What an archive holds."""

    files: int
    total_bytes: int
    missing: tuple[str, ...] = ()


# --- making --------------------------------------------------------------------------------------------


def make(target: Path, *, now: dt.datetime) -> Outcome:
    """Write the archive under another name, and rename it once it is whole and on the disk."""
    if target.exists():
        raise BackupError(f"{target} is there already and was left alone. Give another name.")
    target.parent.mkdir(parents=True, exist_ok=True)
    draft = target.with_name(f"{target.name}.part")
    try:
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "wb") as file:
            outcome = _write(file, now)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, target)
    except OSError as error:
        raise BackupError(f"{target} could not be written ({error.strerror}). No backup was made.") from error
    finally:
        draft.unlink(missing_ok=True)
    return outcome


def _write(file: IO[bytes], now: dt.datetime) -> Outcome:
    entries: dict[str, dict[str, Any]] = {}
    missing: list[str] = []
    with tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as archive:
        with tempfile.TemporaryDirectory() as folder:
            for path in (_copy_database(Path(folder)), *sorted(settings.DATA_DIR.glob("*.key"))):
                name = f"keys/{path.name}" if path.suffix == ".key" else path.name
                with path.open("rb") as source:
                    entries[name] = _add(archive, name, source, path.stat().st_size, now)
        for stored in _stored_files():
            try:
                with default_storage.open(stored) as source:
                    entries[f"files/{stored}"] = _add(archive, f"files/{stored}", source, source.size, now)
            except FileNotFoundError:
                missing.append(stored)  # deleted since it was listed
        manifest = {
            "format": FORMAT,
            "made_at": now.isoformat(),
            "database": connection.vendor,
            "migrations": sorted(f"{app}.{name}" for app, name in _applied()),
            "keys_in_environment": [name for name in KEYS if is_from_environment(name)],
            "entries": entries,
        }
        content = json.dumps(manifest, indent=1).encode()
        _add(archive, MANIFEST, io.BytesIO(content), len(content), now)
    return Outcome(len(entries), sum(entry["size"] for entry in entries.values()), tuple(missing))


def _add(
    archive: tarfile.TarFile, name: str, source: IO[bytes] | File, size: int, now: dt.datetime
) -> dict[str, Any]:
    """Put one file into the archive, summing its bytes on the way."""
    reader = _Summing(source)
    info = tarfile.TarInfo(name)
    info.size, info.mode, info.mtime = size, 0o600, int(now.timestamp())
    archive.addfile(info, reader)
    return {"size": size, "sha256": reader.sha256.hexdigest()}


class _Summing:
    """A reader that hashes what passes."""

    def __init__(self, source: IO[bytes] | File) -> None:
        self.source = source
        self.sha256 = hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        block = bytes(self.source.read(size))
        self.sha256.update(block)
        return block


def _copy_database(folder: Path) -> Path:
    if connection.vendor == "sqlite":
        path = folder / SQLITE_COPY
        with (
            closing(sqlite3.connect(settings.DATABASES["default"]["NAME"])) as source,
            closing(sqlite3.connect(path)) as copy,
        ):
            source.backup(copy)
            if (answer := copy.execute("PRAGMA integrity_check").fetchone()[0]) != "ok":
                raise BackupError(f"The database is damaged ({answer}). No backup was made.")
        return path
    path = folder / POSTGRES_DUMP
    _postgres("pg_dump", "--format=custom", "--no-owner", "--no-privileges", f"--file={path}")
    return path


def _stored_files(folder: str = "") -> Iterator[str]:
    """Yield the name of every stored file, in the folder or in the S3 bucket."""
    try:
        folders, files = default_storage.listdir(folder)
    except FileNotFoundError:
        return
    for name in sorted(files):
        if name:
            yield f"{folder}/{name}" if folder else name
    for name in sorted(folders):
        if name:
            yield from _stored_files(f"{folder}/{name}" if folder else name)


def _applied() -> set[tuple[str, str]]:
    return set(MigrationRecorder(connection).applied_migrations())


def is_from_environment(name: str) -> bool:
    return bool(os.environ.get(name) or os.environ.get(f"{name}_FILE"))


# --- putting back --------------------------------------------------------------------------------------


def restore(source: Path, *, replace_all: bool, now: dt.datetime) -> tuple[Outcome, Path | None]:
    """Check the whole archive beside the data, then move it into place; what was there is kept aside."""
    if not replace_all and (found := _what_is_there()):
        raise BackupError(
            f"{settings.DATA_DIR} is in use already ({found}); nothing was changed. Restore into an empty "
            "folder (DATA_DIR=...), or give --replace-all: what is there is then moved aside, not deleted."
        )
    settings.DATA_DIR.mkdir(parents=True, exist_ok=True)
    staged = Path(tempfile.mkdtemp(prefix="restoring-", dir=settings.DATA_DIR))
    try:
        manifest = _unpack(source, staged)
        _check_versions(manifest)
        aside = _move_aside(now) if replace_all else None
        _put_in_place(staged, manifest)
    except OSError as error:
        raise BackupError(f"{source} could not be restored: {error}") from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    sizes = [entry["size"] for entry in manifest["entries"].values()]
    return Outcome(len(sizes), sum(sizes)), aside


def _what_is_there() -> str:
    """Say what a restore would overwrite; empty when there is nothing."""
    has_database = connection.vendor != "sqlite" or _sqlite_path().exists()
    if has_database and "studio_user" in connection.introspection.table_names():
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM studio_user")
            if people := cursor.fetchone()[0]:
                return f"{people} staff accounts"
    if next(_stored_files(), None):
        return "stored files"
    return ""


def _unpack(source: Path, staged: Path) -> dict[str, Any]:
    """Unpack next to the data and compare every size and hash with the manifest."""
    sums: dict[str, dict[str, Any]] = {}
    try:
        with tarfile.open(source, mode="r:") as archive:
            for member in archive:
                name = PurePosixPath(member.name)
                if not member.isfile() or name.is_absolute() or ".." in name.parts:
                    raise BackupError(f"{source} holds {member.name!r}: not a backup. Nothing was changed.")
                content = archive.extractfile(member)
                assert content is not None
                target = staged / name
                target.parent.mkdir(parents=True, exist_ok=True)
                sums[member.name] = _copy_summing(content, target)
    except (tarfile.TarError, EOFError) as error:
        raise BackupError(f"{source} is not a whole backup ({error}). Nothing was changed.") from error
    if sums.pop(MANIFEST, None) is None:
        raise BackupError(f"{source} has no manifest: it is cut short or not a backup. Nothing was changed.")
    manifest = json.loads((staged / MANIFEST).read_text(encoding="utf-8"))
    wrong = [
        name for name in {*sums, *manifest["entries"]} if sums.get(name) != manifest["entries"].get(name)
    ]
    if wrong:
        raise BackupError(
            f"{source} is damaged: {', '.join(sorted(wrong)[:5])} differ from the manifest. Nothing changed."
        )
    return dict(manifest)


def _copy_summing(content: IO[bytes], target: Path) -> dict[str, Any]:
    sha256, size = hashlib.sha256(), 0
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        while block := content.read(BLOCK):
            file.write(block)
            sha256.update(block)
            size += len(block)
        file.flush()
        os.fsync(file.fileno())
    return {"size": size, "sha256": sha256.hexdigest()}


def _check_versions(manifest: dict[str, Any]) -> None:
    if manifest["format"] != FORMAT:
        raise BackupError(f"The backup has format {manifest['format']}; this version reads format {FORMAT}.")
    known = {
        f"{app}.{name}" for app, name in MigrationLoader(None, ignore_no_migrations=True).disk_migrations
    }
    if newer := sorted(set(manifest["migrations"]) - known):
        raise BackupError(
            f"The backup comes from a newer version (it has {newer[0]}). Install that; nothing was changed."
        )
    if manifest["database"] == "postgresql" and connection.vendor == "sqlite":
        raise BackupError(
            "The backup holds a PostgreSQL database; set DATABASE_URL to a PostgreSQL server to restore it. "
            "Nothing was changed."
        )


def _move_aside(now: dt.datetime) -> Path:
    """Move what is there now into a folder of its own; with PostgreSQL, dump the database into it first."""
    aside = settings.DATA_DIR / f"replaced-{now:%Y-%m-%d-%H%M%S}"
    aside.mkdir()
    if connection.vendor == "sqlite":
        connections.close_all()
        for path in settings.DATA_DIR.glob(f"{_sqlite_path().name}*"):
            path.rename(aside / path.name)
    else:
        _copy_database(aside)
    for path in settings.DATA_DIR.glob("*.key"):
        path.rename(aside / path.name)
    if not settings.S3_BUCKET and settings.MEDIA_ROOT.exists():
        settings.MEDIA_ROOT.rename(aside / "files")
    return aside


def _put_in_place(staged: Path, manifest: dict[str, Any]) -> None:
    for folder in (settings.CACHE_DIR, settings.QUEUE_DIR):
        shutil.rmtree(folder, ignore_errors=True)  # made again by themselves
    for path in (staged / "keys").glob("*.key"):
        os.replace(path, settings.DATA_DIR / path.name)
    if settings.S3_BUCKET:
        for name in manifest["entries"]:
            if name.startswith("files/"):
                stored = name.removeprefix("files/")
                default_storage.delete(stored)
                with (staged / name).open("rb") as content:
                    default_storage.save(stored, File(content))
    elif (staged / "files").exists():
        settings.MEDIA_ROOT.parent.mkdir(parents=True, exist_ok=True)
        if settings.MEDIA_ROOT.exists():
            shutil.rmtree(settings.MEDIA_ROOT)  # known to hold no file
        os.replace(staged / "files", settings.MEDIA_ROOT)
    if connection.vendor == "sqlite":
        connections.close_all()
        for path in settings.DATA_DIR.glob(f"{_sqlite_path().name}-*"):
            path.unlink()
        os.replace(staged / SQLITE_COPY, _sqlite_path())
    elif manifest["database"] == "sqlite":
        moving.move_in(staged / SQLITE_COPY)
    else:
        _postgres(
            "pg_restore",
            "--clean",
            "--if-exists",
            "--no-owner",
            "--no-privileges",
            "--single-transaction",
            "--dbname={name}",
            str(staged / POSTGRES_DUMP),
        )


def _sqlite_path() -> Path:
    return Path(settings.DATABASES["default"]["NAME"])


def _postgres(program: str, *arguments: str) -> None:
    """Run a program of PostgreSQL's own against our database; the password goes by the environment."""
    if shutil.which(program) is None:
        raise BackupError(
            f"{program} is not installed here (Debian: apt-get install postgresql-client). Nothing changed."
        )
    place = settings.DATABASES["default"]
    environment = {
        **os.environ,
        "PGHOST": place.get("HOST") or "",
        "PGPORT": str(place.get("PORT") or 5432),
        "PGUSER": place.get("USER") or "",
        "PGPASSWORD": place.get("PASSWORD") or "",
        "PGDATABASE": place["NAME"],
    }
    connections.close_all()
    command = [program, *(argument.format(name=place["NAME"]) for argument in arguments)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BackupError(f"{program} failed: {done.stderr.strip()[-400:]}")
