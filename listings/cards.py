"""Cards and folders on this machine: copied in, read back, and answered for file by file."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from django.conf import settings
from django.utils import timezone

from listings import claims, intake, storing, uploads
from listings.errors import DiskFull, MakerLost, NotTaken
from listings.models import FolderIntake, Upload
from listings.queueing import WORK, queue
from studio.models import Booking, User

DEPTH = 3
MOST_FOLDERS = 200
RENEW_S = 20
LONGEST_NAME = 255
GONE_WORDS = "The card or folder is gone. Put it in again, then go on; what was stored is safe."


@dataclasses.dataclass(frozen=True)
class FolderFound:
    """A folder that could be taken in: its place under one of the INTAKE_DIRS and what is in it."""

    root: int
    relative: str
    name: str
    picture_count: int
    byte_count: int
    newest_at: dt.datetime | None


@dataclasses.dataclass(frozen=True)
class Summary:
    """What became of the files of one card or folder."""

    total: int
    stored: int
    known: int
    coming: int
    refused: list[Upload]
    left: list[Upload]

    @property
    def is_complete(self) -> bool:
        return not self.coming and not self.refused and self.total > 0

    @property
    def sentence(self) -> str:
        safe = self.stored + self.known
        were = "was" if self.known == 1 else "were"
        again = f" {self.known} of them {were} stored before." if self.known else ""
        if self.is_complete:
            count = "The one file" if self.total == 1 else f"All {self.total} files"
            verb = "is" if self.total == 1 else "are"
            return f"{count} of this card {verb} stored and verified.{again}"
        if self.total == 0:
            return "No picture files were found in this folder."
        return f"{safe} of {self.total} files of this card are stored and verified.{again}"


def folders() -> Iterator[FolderFound]:
    """List what could be taken in: each of the INTAKE_DIRS and the folders in them that hold pictures."""
    count = 0
    for index, root in enumerate(settings.INTAKE_DIRS):
        for folder in _candidates(root):
            if count >= MOST_FOLDERS:
                return
            if found := _describe(index, root, folder):
                count += 1
                yield found


def _candidates(root: Path) -> Iterator[Path]:
    if not root.is_dir():
        return
    yield root
    for path, names, _ in os.walk(root):
        depth = len(Path(path).relative_to(root).parts)
        names[:] = sorted(name for name in names if not name.startswith(".")) if depth < DEPTH else []
        yield from (Path(path) / name for name in names)


def _describe(index: int, root: Path, folder: Path) -> FolderFound | None:
    sizes, newest = [], 0.0
    for path in picture_files(folder):
        try:
            facts = path.stat()
        except OSError:
            continue
        sizes.append(facts.st_size)
        newest = max(newest, facts.st_mtime)
    if not sizes:
        return None
    relative = folder.relative_to(root).as_posix()
    newest_at = dt.datetime.fromtimestamp(newest, tz=dt.UTC)
    name = root.name if relative == "." else f"{root.name}/{relative}"
    return FolderFound(index, relative, name, len(sizes), sum(sizes), newest_at)


def files(folder: Path) -> Iterator[Path]:
    """List every file below the folder in a steady order, hidden ones and links that lead out left aside."""
    for path, names, found in os.walk(folder):
        names[:] = sorted(name for name in names if not name.startswith("."))
        for name in sorted(found):
            file = Path(path) / name
            if not name.startswith(".") and file.is_file() and not file.is_symlink():
                yield file


def picture_files(folder: Path) -> Iterator[Path]:
    wanted = storing.PLAIN_SUFFIXES | storing.RAW_SUFFIXES
    return (path for path in files(folder) if storing.suffix_of(path.name) in wanted)


def resolve(root: int, relative: str) -> Path:
    """Return the chosen folder; nothing outside the INTAKE_DIRS can be reached."""
    roots = settings.INTAKE_DIRS
    if not 0 <= root < len(roots):
        raise NotTaken("That folder is not one of the folders named in INTAKE_DIRS.")
    base = roots[root].resolve()
    folder = (base / relative).resolve()
    if not folder.is_relative_to(base) or not folder.is_dir():
        raise NotTaken("That folder is not there any more. Put the card in again and reload the page.")
    return folder


def begin(booking: Booking, folder: Path, *, by: User | None, now: dt.datetime) -> FolderIntake:
    """Start to take a folder in, or go on with one that stopped; a worker does the copying."""
    running = FolderIntake.objects.filter(booking=booking, folder=str(folder)).exclude(
        state=FolderIntake.State.DONE
    )
    row = running.first() or FolderIntake.objects.create(
        booking=booking, folder=str(folder), started_by=by, started_at=now
    )
    go_on(row)
    return row


def go_on(row: FolderIntake) -> None:
    """Let the workers have it again, with the files that did not make it the last time."""
    state = FolderIntake.State
    changed = FolderIntake.objects.filter(pk=row.pk).exclude(state__in=[state.DONE, state.COPYING])
    if changed.update(state=state.WAITING, attempts=0, reason=""):
        Upload.objects.filter(folder_intake=row, state=Upload.State.REFUSED).update(
            state=Upload.State.COMING, reason=""
        )
        queue("copy_folder", row.pk)


def copy_folder(pk: int) -> None:
    """Copy a folder under a claim; what stops it is written down, and what was stored stays stored."""
    now, state = timezone.now(), FolderIntake.State
    claim = claims.take(WORK["copy_folder"](now), pk, now=now, state=state.COPYING)
    if claim is None:
        return
    row = FolderIntake.objects.select_related("booking", "started_by").get(pk=pk)
    try:
        copy(row, renew=claim.renew)
    except MakerLost:
        return
    except (NotTaken, DiskFull) as error:
        claim.end(state=state.FAILED, reason=str(error)[:300], ended_at=timezone.now())
    else:
        claim.end(state=state.DONE, reason="", ended_at=timezone.now(), attempts=0)


def copy(
    row: FolderIntake, *, renew: Callable[[], bool], tell: Callable[[Upload], None] | None = None
) -> None:
    """Copy every file that is not stored yet, reading each back; ends with a row for every file.

    `renew` is asked at least every 20 seconds whether the work is still ours. Raises DiskFull, or NotTaken
    when the card is gone; what was stored stays, and the next call goes on from there.
    """
    folder, keep = Path(row.folder), _Keep(renew)
    if not folder.is_dir():
        raise NotTaken(GONE_WORDS)
    _list(row, folder)
    for upload in row.files.filter(state=Upload.State.COMING).order_by("name"):
        upload.booking, upload.folder_intake = row.booking, row
        _take(upload, folder / upload.name, folder, keep)
        if tell:
            tell(upload)
    intake.due_now(row.booking, now=timezone.now())


def _list(row: FolderIntake, folder: Path) -> None:
    """Write down every file once, so that none can be forgotten."""
    now = timezone.now()
    found = {path.relative_to(folder).as_posix(): path.stat().st_size for path in files(folder)}
    _refuse_long_names(row, folder, [name for name in found if len(name) > LONGEST_NAME], now=now)
    rows = [
        Upload(
            booking=row.booking,
            folder_intake=row,
            batch=row.public_id,
            name=name,
            size=size,
            started_by=row.started_by,
            started_at=now,
            touched_at=now,
        )
        for name, size in found.items()
        if len(name) <= LONGEST_NAME
    ]
    Upload.objects.bulk_create(rows, ignore_conflicts=True, batch_size=500)
    FolderIntake.objects.filter(pk=row.pk).update(
        file_count=row.files.count(), byte_count=sum(found.values())
    )


def _refuse_long_names(row: FolderIntake, folder: Path, names: list[str], *, now: dt.datetime) -> None:
    """Name the files that lie too deep for a row, each under a short name, so that the count stays true."""
    for name in names:
        digest = hashlib.sha256(name.encode(errors="surrogateescape")).hexdigest()[:8]
        Upload.objects.update_or_create(
            folder_intake=row,
            name=f"{digest}...{name[-200:]}",
            defaults={
                "booking": row.booking,
                "batch": row.public_id,
                "size": (folder / name).stat().st_size,
                "state": Upload.State.REFUSED,
                "reason": f"Its path here is longer than {LONGEST_NAME} letters: move it up, then go on.",
                "started_by": row.started_by,
                "started_at": now,
                "touched_at": now,
            },
        )


def _take(upload: Upload, source: Path, folder: Path, keep: _Keep) -> None:
    try:
        storing.check_name(upload.name, upload.size)
        storing.check_room(Path(settings.PARTIAL_DIR), upload.size)
        _copy_verified(upload, source, keep)
        uploads.finish(upload, now=timezone.now())
        return
    except NotTaken as error:
        reason = str(error)
    except OSError as error:
        if storing.is_full(error):
            raise DiskFull(uploads.FULL_WORDS) from error
        if not folder.is_dir():
            raise NotTaken(
                "The card was taken out. Put it in again, then go on; what was stored is safe."
            ) from error
        reason = f"It can't be read from the card: {error.strerror or error}."
    uploads.partial_path(upload).unlink(missing_ok=True)
    uploads.drop(upload, reason=reason, now=timezone.now())


def _copy_verified(upload: Upload, source: Path, keep: _Keep) -> None:
    """Copy into the partial file, synced, and compare what the disk gives back with what was read."""
    target = uploads.partial_path(upload)
    target.parent.mkdir(parents=True, exist_ok=True)
    for _ in range(2):
        sum_read = hashlib.sha256()
        with source.open("rb") as read, target.open("wb") as write:
            while block := read.read(storing.BLOCK):
                sum_read.update(block)
                write.write(block)
                keep.ours()
            write.flush()
            os.fsync(write.fileno())
            _forget_cached(write.fileno())
        if storing.hash_file(target) == sum_read.hexdigest():
            upload.expected_sha256 = sum_read.hexdigest()
            upload.size = target.stat().st_size
            upload.save(update_fields=["expected_sha256", "size"])
            return
    raise NotTaken(
        f"{storing.base_name(upload.name)}: read back from the disk, it differs from the card, twice"
    )


def _forget_cached(handle: int) -> None:
    """Ask the system to read the file from the disk the next time, where it can be asked."""
    if hasattr(os, "posix_fadvise"):
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)


class _Keep:
    """Renews the claim from inside the copying, not more often than needed."""

    def __init__(self, renew: Callable[[], bool]) -> None:
        self.renew = renew
        self.last_s = time.monotonic()

    def ours(self) -> None:
        if time.monotonic() - self.last_s > RENEW_S:
            if not self.renew():
                raise MakerLost("Another worker has taken over.")
            self.last_s = time.monotonic()


def summary(row: FolderIntake) -> Summary:
    """Count what became of the files; those that are no pictures stay on the card and are named apart."""
    state = Upload.State
    rows = list(row.files.order_by("name"))
    wanted = storing.PLAIN_SUFFIXES | storing.RAW_SUFFIXES
    pictures = [upload for upload in rows if storing.suffix_of(upload.name) in wanted]
    return Summary(
        total=len(pictures),
        stored=sum(upload.state == state.STORED for upload in pictures),
        known=sum(upload.state == state.KNOWN for upload in pictures),
        coming=sum(upload.state == state.COMING for upload in pictures),
        refused=[upload for upload in pictures if upload.state == state.REFUSED],
        left=[upload for upload in rows if storing.suffix_of(upload.name) not in wanted],
    )
