"""The queue over a folder: whole messages, each taken once."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path
from queue import Empty
from typing import Any

import pytest
from kombu import Connection

from studio import celery  # noqa: F401 (registers the transport)


@pytest.fixture
def channels(tmp_path: Path) -> Iterator[list[Any]]:
    """Two connections, as two workers have them."""
    folders = {name: tmp_path / name for name in ("messages", "control", "taken")}
    for folder in folders.values():
        folder.mkdir(exist_ok=True)
    options = {
        "data_folder_in": str(folders["messages"]),
        "data_folder_out": str(folders["messages"]),
        "control_folder": str(folders["control"]),
        "processed_folder": str(folders["taken"]),
    }
    connections = [Connection("folder://here", transport_options=options) for _ in range(2)]
    yield [connection.channel() for connection in connections]
    for connection in connections:
        connection.release()


def test_messages_come_out_whole_and_in_order(channels: list[Any], tmp_path: Path) -> None:
    for number in range(20):
        channels[0]._put("work", {"number": number})
    assert channels[1]._size("work") == 20
    assert [channels[1]._get("work")["number"] for _ in range(20)] == list(range(20))
    with pytest.raises(Empty):
        channels[1]._get("work")
    assert not os.listdir(tmp_path / "messages")
    assert not os.listdir(tmp_path / "taken")


def test_two_workers_never_take_the_same_message(channels: list[Any]) -> None:
    for number in range(300):
        channels[0]._put("work", {"number": number})
    taken: list[list[int]] = [[], []]

    def take(which: int) -> None:
        while True:
            try:
                taken[which].append(channels[which]._get("work")["number"])
            except Empty:
                return

    threads = [threading.Thread(target=take, args=(which,)) for which in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(taken[0] + taken[1]) == list(range(300))


def test_a_message_being_written_is_not_taken_and_a_broken_one_holds_nothing_up(
    channels: list[Any], tmp_path: Path
) -> None:
    (tmp_path / "messages" / "00_half.work.msg.part").write_text('{"number":')
    (tmp_path / "messages" / "01_broken.work.msg").write_text('{"number":')
    channels[0]._put("work", {"number": 7})
    channels[0]._put("other", {"number": 8})
    assert channels[1]._get("work") == {"number": 7}
    with pytest.raises(Empty):
        channels[1]._get("work")
    assert (tmp_path / "messages" / "00_half.work.msg.part").exists()
