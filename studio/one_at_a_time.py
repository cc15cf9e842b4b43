"""One server a data folder: a lock that the system lets go of when its holder ends, however it ends."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from studio.errors import StudioError


class InUse(StudioError):
    """Another server works in this data folder."""


@contextlib.contextmanager
def hold(folder: Path) -> Iterator[None]:
    """Hold the folder while the block runs; InUse if another process holds it."""
    folder.mkdir(parents=True, exist_ok=True)
    handle = os.open(folder / "serve.lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        if not _try_lock(handle):
            raise InUse(
                f"Mullion already runs in {folder}. Stop it there (Ctrl-C), or choose another "
                "folder with DATA_DIR."
            )
        yield
    finally:
        os.close(handle)


def _try_lock(handle: int) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
