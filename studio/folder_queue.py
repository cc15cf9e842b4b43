"""The queue as a folder on disk: kombu's filesystem transport, whose messages appear whole and vanish whole.

Kombu writes a message under its final name, so a worker may move it away half written and then fail on it,
and it takes messages through the system's temporary folder, which may be another disk, where a move is a
copy. Here a message is written under another name and renamed, and taken by a rename inside the same folder:
exactly one worker gets it. A message that can't be read is dropped: the database knows the work, and the
sweep queues it again.
"""

from __future__ import annotations

import json
import os
import time
import uuid
from pathlib import Path
from queue import Empty
from typing import Any

from kombu.transport import filesystem
from kombu.utils.encoding import bytes_to_str, str_to_bytes
from kombu.utils.json import dumps, loads


class Channel(filesystem.Channel):
    """Puts and takes by renaming."""

    def _put(self, queue: str, payload: dict[str, Any], **kwargs: Any) -> None:  # type: ignore[override]
        folder = Path(self.data_folder_out)
        name = f"{time.time_ns():020d}_{uuid.uuid4()}.{queue}.msg"
        draft = folder / f"{name}.part"
        try:
            draft.write_bytes(str_to_bytes(dumps(payload)))
            os.replace(draft, folder / name)
        except OSError as error:
            draft.unlink(missing_ok=True)
            raise filesystem.ChannelError(f"Cannot add a message to {folder}: {error.strerror}") from error

    def _get(self, queue: str, timeout: float | None = None) -> dict[str, Any]:
        folder = Path(self.data_folder_in)
        for name in sorted(os.listdir(folder)):
            if name.partition(".")[2] != f"{queue}.msg":
                continue
            taken = Path(self.processed_folder) / name
            try:
                os.rename(folder / name, taken)
            except OSError:
                continue  # another worker was faster
            try:
                return dict(loads(bytes_to_str(taken.read_bytes())))
            except (json.JSONDecodeError, ValueError, OSError):
                continue
            finally:
                taken.unlink(missing_ok=True)
        raise Empty

    def _size(self, queue: str) -> int:
        return sum(name.partition(".")[2] == f"{queue}.msg" for name in os.listdir(self.data_folder_in))


class Transport(filesystem.Transport):
    """Named in CELERY_BROKER_TRANSPORT."""

    Channel = Channel


def prepare(app: Any, folders: list[Path], queues: list[str]) -> None:
    """Make the folders and bind the queues before the first process comes.

    Kombu writes its table of queues in place; two processes that start together could read it half written.
    """
    for folder in folders:
        folder.mkdir(parents=True, exist_ok=True)
    with app.connection_for_write() as connection:
        for name in queues:
            app.amqp.queues[name](connection.default_channel).declare()
