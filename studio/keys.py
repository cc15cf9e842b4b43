"""Secrets that live in the data folder, readable by their owner alone."""

import os
import secrets
from collections.abc import Callable
from pathlib import Path


def new_secret() -> str:
    return secrets.token_urlsafe(50)


def read_or_make(path: Path, *, make: Callable[[], str] = new_secret) -> str:
    """Return the key in `path`; make it, with owner-only rights, if there is none.

    Two processes that start together agree: the file is made under another name and linked into place,
    which fails for the second.
    """
    try:
        return path.read_text().strip()
    except FileNotFoundError:
        path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{os.getpid()}.{secrets.token_hex(4)}")
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w") as file:
        file.write(make())
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(draft, path)
    except FileExistsError:
        pass
    finally:
        draft.unlink()
    return path.read_text().strip()
