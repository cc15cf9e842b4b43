"""Files coming in over the network, piece by piece (tus 1.0): what has arrived is on the disk at once.

The truth about an upload's offset is the size of its partial file. Every block is appended under a lock, and
only where the sender believes the file ends: two senders of one upload can never mix their bytes, and one
that was cut off leaves what had arrived.
"""

from __future__ import annotations

import base64
import contextlib
import datetime as dt
import hashlib
import logging
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO
from uuid import UUID

from django.conf import settings
from django.core.files import locks
from django.core.files.storage import default_storage
from django.db.models import QuerySet

from listings import intake, storing
from listings.errors import DiskFull, Ended, NotTaken, OffsetConflict
from listings.models import Frame, Upload
from studio.models import Booking, User

BLOCK = 64 * 1024
log = logging.getLogger(__name__)
FULL_WORDS = (
    "The disk of the studio's machine is full. What has arrived is kept, everything stored before is safe. "
    "Free some space there, then go on: the upload continues where it stopped."
)


def partial_path(upload: Upload) -> Path:
    return Path(settings.PARTIAL_DIR) / f"{upload.public_id}.part"


def expires_at(upload: Upload) -> dt.datetime:
    return upload.touched_at + dt.timedelta(days=settings.UPLOAD_KEEP_DAYS)


def begin(
    booking: Booking,
    *,
    name: str,
    size: int,
    batch: UUID | None = None,
    modified_at: dt.datetime | None = None,
    expected_sha256: str = "",
    by: User | None,
    now: dt.datetime,
) -> Upload:
    """Open an upload for one file, refusing at once what can't be a picture or would not fit."""
    storing.check_name(name, size)
    storing.check_room(Path(settings.PARTIAL_DIR), size)
    upload = Upload(
        booking=booking,
        batch=batch,
        name=storing.plain(name)[-255:],
        size=size,
        modified_at=modified_at,
        expected_sha256=expected_sha256,
        started_by=by,
        started_at=now,
        touched_at=now,
    )
    partial_path(upload).touch(mode=0o600)
    upload.save()
    return upload


def refuse(
    booking: Booking,
    *,
    name: str,
    size: int,
    batch: UUID | None,
    reason: str,
    by: User | None,
    now: dt.datetime,
) -> Upload:
    """Keep a row for a file that was not taken, so that the page can name it with its reason."""
    upload, _ = Upload.objects.update_or_create(
        booking=booking,
        batch=batch,
        name=storing.plain(name)[-255:],
        state=Upload.State.REFUSED,
        defaults={
            "size": max(size, 0),
            "reason": reason[:300],
            "started_by": by,
            "started_at": now,
            "touched_at": now,
        },
    )
    return upload


def offset_of(upload: Upload) -> int:
    """Return how many bytes have arrived."""
    if upload.state in (Upload.State.STORED, Upload.State.KNOWN):
        return upload.size
    try:
        return partial_path(upload).stat().st_size
    except FileNotFoundError:
        return upload.offset if upload.sha256 else 0


def receive(
    upload: Upload,
    stream: BinaryIO,
    *,
    offset: int,
    length: int | None,
    checksum: tuple[str, bytes] | None = None,
) -> int:
    """Append what the stream gives at `offset`; return the new offset, also when the stream is cut short.

    With a checksum the piece counts as a whole or not at all, as the protocol asks.
    """
    if upload.state != Upload.State.COMING:
        raise Ended(upload.reason or "This upload is over.")
    if offset != offset_of(upload):
        raise OffsetConflict(f"{offset_of(upload)} bytes have arrived, not {offset}.")
    most = upload.size - offset
    if length is not None and length > most:
        raise NotTaken(f"More bytes came than the {upload.size} that were announced.")
    most = most if length is None else length
    path = partial_path(upload)
    storing.check_room(path.parent, most)  # others may have filled it since this one began
    try:
        if checksum is None:
            return _append(path, stream.read, offset=offset, most=most)
        return _append_checked(path, stream.read, offset=offset, most=most, length=length, checksum=checksum)
    except OSError as error:
        if storing.is_full(error):
            raise DiskFull(FULL_WORDS) from error
        raise


def _append(path: Path, read: Callable[[int], bytes], *, offset: int, most: int) -> int:
    end = offset
    with path.open("ab", buffering=0) as file:
        try:
            while end - offset < most and (block := _read(read, min(BLOCK, most - (end - offset)))):
                end = _append_block(file, block, at=end)
        except BaseException:
            with contextlib.suppress(OSError):  # the first trouble is the one to tell
                os.fsync(file.fileno())
            raise
        os.fsync(file.fileno())
    return end


def _append_block(file: BinaryIO, block: bytes, *, at: int) -> int:
    """Write one block where the file must end; a disk that fills up keeps what fitted."""
    locks.lock(file, locks.LOCK_EX)
    try:
        if (size := os.fstat(file.fileno()).st_size) != at:
            raise OffsetConflict(f"{size} bytes have arrived, not {at}: the file is being sent twice.")
        view = memoryview(block)
        while view:
            written = file.write(view)
            view = view[written:]
            at += written
        return at
    finally:
        locks.unlock(file)


def _read(read: Callable[[int], bytes], size: int) -> bytes:
    """Read, taking a broken connection for the end: what came before it counts."""
    try:
        return read(size)
    except (ConnectionError, EOFError, TimeoutError):
        return b""


def _append_checked(
    path: Path,
    read: Callable[[int], bytes],
    *,
    offset: int,
    most: int,
    length: int | None,
    checksum: tuple[str, bytes],
) -> int:
    """Collect the piece beside the file and append it only if its sum is right."""
    method, expected = checksum
    side = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    try:
        side.touch(mode=0o600)
        size = _append(side, read, offset=0, most=most)
        with side.open("rb") as file:
            found = hashlib.file_digest(file, method).digest()
            if found != expected or (length is not None and size != length):
                raise NotTaken("The piece arrived damaged and was not kept; send it again.")
            file.seek(0)
            return _append(path, file.read, offset=offset, most=size)
    finally:
        side.unlink(missing_ok=True)


def parse_checksum(header: str) -> tuple[str, bytes]:
    """Read an Upload-Checksum header: the method and the sum."""
    method, _, encoded = header.strip().partition(" ")
    if method not in ("sha1", "sha256"):
        raise NotTaken(f"Sums of the kind {method!r} are not known here; sha1 and sha256 are.")
    try:
        return method, base64.b64decode(encoded, validate=True)
    except ValueError as error:
        raise NotTaken("The sum is not in base64.") from error


def pause(upload: Upload, *, offset: int, now: dt.datetime, reason: str = "") -> None:
    """Write down how far the upload is."""
    _coming(upload).update(offset=offset, touched_at=now, reason=reason[:300])
    upload.offset, upload.touched_at, upload.reason = offset, now, reason


@contextlib.contextmanager
def _sole(upload: Upload) -> Iterator[None]:
    """Let one process at a time finish an upload: the request that brought its last byte, or the sweep."""
    path = Path(settings.PARTIAL_DIR) / f"finishing-{upload.public_id.hex[0]}.lock"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("ab") as file:
        locks.lock(file, locks.LOCK_EX)
        try:
            yield
        finally:
            locks.unlock(file)


def finish(upload: Upload, *, now: dt.datetime) -> Upload:
    """Make a complete upload an original of the visit; safe to run again after a stop at any point."""
    with _sole(upload):
        upload.refresh_from_db()
        if upload.state != Upload.State.COMING:
            return upload
        return _finish(upload, now=now)


def _finish(upload: Upload, *, now: dt.datetime) -> Upload:
    path = partial_path(upload)
    sha256 = storing.hash_file(path) if path.exists() else upload.sha256
    if not sha256:
        return _close(upload, Upload.State.REFUSED, reason="Its bytes are gone; send it again.", now=now)
    if upload.expected_sha256 and sha256 != upload.expected_sha256:
        path.unlink(missing_ok=True)
        reason = "It arrived damaged: its sum (SHA-256) is not the one that was sent. Send it again."
        return _close(upload, Upload.State.REFUSED, reason=reason, now=now)
    _coming(upload).update(sha256=sha256, offset=upload.size, touched_at=now)
    upload.sha256 = sha256
    if not path.exists() and not _is_stored(upload, sha256):
        return _close(upload, Upload.State.REFUSED, reason="Its bytes are gone; send it again.", now=now)
    frame, is_new = _store(upload, path, sha256, now=now)
    state = Upload.State.STORED if is_new or not _was_there(upload, frame) else Upload.State.KNOWN
    reason = "" if state == Upload.State.STORED else f"The same bytes are stored as {frame.name}."
    return _close(upload, state, frame=frame, reason=reason, now=now)


def _store(upload: Upload, path: Path, sha256: str, *, now: dt.datetime) -> tuple[Frame, bool]:
    by, booking = upload.started_by, upload.booking
    if path.exists():
        return intake.store(path, booking=booking, name=upload.name, sha256=sha256, by=by, now=now)
    stored = intake.original_name(booking, sha256, upload.name)
    return intake.record(
        booking, sha256=sha256, name=upload.name, size=upload.size, stored=stored, by=by, now=now
    )


def _is_stored(upload: Upload, sha256: str) -> bool:
    """Say whether the bytes lie under their name already, as after a stop between file and row."""
    stored = intake.original_name(upload.booking, sha256, upload.name)
    return intake.known(upload.booking, sha256) is not None or default_storage.exists(stored)


def _was_there(upload: Upload, frame: Frame) -> bool:
    """Say whether another upload brought the frame: after a stop between frame and upload row, none did."""
    others = Upload.objects.filter(frame=frame).exclude(pk=upload.pk)
    return others.exists() or frame.stored_at < upload.started_at


def _close(
    upload: Upload, state: Upload.State, *, frame: Frame | None = None, reason: str = "", now: dt.datetime
) -> Upload:
    _coming(upload).update(state=state, frame=frame, reason=reason[:300], touched_at=now)
    upload.refresh_from_db()
    return upload


def _coming(upload: Upload) -> QuerySet[Upload]:
    return Upload.objects.filter(pk=upload.pk, state=Upload.State.COMING)


def take_whole(
    booking: Booking, file: BinaryIO, *, name: str, size: int, by: User | None, now: dt.datetime
) -> Upload:
    """Take a file that came in one piece (a plain form); what can't be taken keeps a row with its reason."""
    try:
        upload = begin(booking, name=name, size=size, by=by, now=now)
    except NotTaken as error:
        return refuse(booking, name=name, size=size, batch=None, reason=str(error), by=by, now=now)
    end_at = receive(upload, file, offset=0, length=size)
    pause(upload, offset=end_at, now=now)
    return finish(upload, now=now)


def note_known(
    booking: Booking, files: list[dict[str, Any]], *, batch: UUID | None, by: User | None, now: dt.datetime
) -> list[str]:
    """Return the names of those files whose bytes the visit has already; each is written down as known."""
    sums = [file["sha256"] for file in files]
    found = Frame.objects.filter(booking=booking, sha256__in=sums).only("pk", "name", "sha256")
    frames = {frame.sha256: frame for frame in found}
    matches = [(file, frames[file["sha256"]]) for file in files if file["sha256"] in frames]
    Upload.objects.bulk_create(
        Upload(
            booking=booking,
            batch=batch,
            name=file["name"],
            size=file["size"],
            offset=file["size"],
            sha256=frame.sha256,
            state=Upload.State.KNOWN,
            reason=f"The same bytes are stored as {frame.name}.",
            frame=frame,
            started_by=by,
            started_at=now,
            touched_at=now,
        )
        for file, frame in matches
    )
    return [file["name"] for file, _ in matches]


def drop(upload: Upload, *, reason: str, now: dt.datetime) -> None:
    """Close an upload that can't be taken."""
    _close(upload, Upload.State.REFUSED, reason=reason, now=now)


def end(upload: Upload, *, now: dt.datetime, reason: str = "Taken back by the sender.") -> None:
    """Give up an unfinished upload and free its space; a finished one stays."""
    with _sole(upload):  # never while its bytes are being moved
        upload.refresh_from_db()
        if upload.state == Upload.State.COMING:
            partial_path(upload).unlink(missing_ok=True)
            drop(upload, reason=reason, now=now)


def sweep(*, now: dt.datetime) -> None:
    """Finish what was complete when the process stopped; drop what nobody has gone on with for days."""
    coming = Upload.objects.filter(state=Upload.State.COMING, folder_intake__isnull=True)
    quiet = coming.filter(touched_at__lt=now - dt.timedelta(seconds=settings.CLAIM_S))
    for upload in quiet.select_related("booking", "started_by"):
        try:
            _go_on(upload, now=now)
        except Exception:  # one that can't be finished must not keep the others from it
            log.exception("the upload %s could not be finished; the next sweep tries again", upload.public_id)
    _drop_leftovers(now=now)


def _go_on(upload: Upload, *, now: dt.datetime) -> None:
    if offset_of(upload) == upload.size:
        finish(upload, now=now)
    elif expires_at(upload) < now:
        days = settings.UPLOAD_KEEP_DAYS
        end(upload, now=now, reason=f"Not complete after {days} days without news; send it again.")


def _drop_leftovers(*, now: dt.datetime) -> None:
    """Remove work folders and side files of processes that were killed a day ago."""
    root = Path(settings.PARTIAL_DIR)
    old = (now - dt.timedelta(days=1)).timestamp()
    for path in [*root.glob("work/*"), *root.glob("*.part.*")]:
        if path.stat().st_mtime < old:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)


def most_bytes() -> int:
    return int(settings.UPLOAD_MAX_MB) * 1024 * 1024
