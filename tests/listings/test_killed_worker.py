"""A worker killed in the middle of a picture: begun again by itself, and done once, on both queues."""

from __future__ import annotations

import os
import signal
import sqlite3
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest

from tests import programs
from tests.conftest import REDIS_URL, is_available
from tests.listings import servers

pytestmark = pytest.mark.slow
BEGUN_AGAIN_WITHIN_S = 90  # the promise, with the default claim of 60 s and a sweep every 30 s


def rows(data: Path, query: str) -> list[tuple[object, ...]]:
    with sqlite3.connect(data / "mullion.sqlite3", timeout=20) as database:
        return database.execute(query).fetchall()


def state(data: Path) -> str:
    found = rows(data, "SELECT state FROM listings_picture")
    return str(found[0][0]) if found else ""


def worker_pid(serve: int) -> int:
    workers = [pid for pid, line in programs.children(serve).items() if "--queues pictures" in line]
    assert workers, programs.children(serve)
    return workers[0]


def kill_and_watch(folder: Path, demo_files: Path, more: dict[str, str]) -> Path:
    """Kill the worker that makes a picture and see it made all the same; return the data folder."""
    house = servers.prepare(folder / "data")
    port = programs.free_port()
    card = folder / "card"
    card.mkdir()
    for name in ("PL_0404.JPG", "PL_0405.JPG", "PL_0406.JPG"):
        (card / name).write_bytes((demo_files / name).read_bytes())
    with programs.running("serve", "--port", str(port), "--workers", "1", data=house.data, **more) as serve:
        serve.wait_for("Mullion is open", within_s=120)
        programs.manage("intake", str(card), "--visit", "1", data=house.data, **more)
        programs.wait_until(lambda: state(house.data) == "being_made", within_s=240, what="a picture begun")
        killed_at = time.monotonic()
        os.kill(worker_pid(serve.process.pid), signal.SIGKILL)
        first = rows(house.data, "SELECT claimed_until FROM listings_picture")
        programs.wait_until(
            lambda: rows(house.data, "SELECT claimed_until FROM listings_picture") != first,
            within_s=BEGUN_AGAIN_WITHIN_S + 30,  # the machine may be busy with other tests
            what="the picture begun again",
        )
        assert time.monotonic() - killed_at < BEGUN_AGAIN_WITHIN_S + 30
        programs.wait_until(lambda: state(house.data) == "made", within_s=180, what="the picture made")
    return house.data


@pytest.fixture(scope="module")
def killings(tmp_path_factory: pytest.TempPathFactory, demo_files: Path) -> Iterator[dict[str, Future[Path]]]:
    """One killing for each queue, at the same time: nearly all of it is waiting for a claim to run out."""
    queues = {"folder": {}, "redis": {"REDIS_URL": REDIS_URL}} if is_available("redis") else {"folder": {}}
    with ThreadPoolExecutor(len(queues)) as threads:
        yield {
            name: threads.submit(kill_and_watch, tmp_path_factory.mktemp(name), demo_files, more)
            for name, more in queues.items()
        }


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="finds the worker's process in /proc (Linux)")
@pytest.mark.parametrize("queue", ["folder", pytest.param("redis", marks=pytest.mark.redis)])
def test_a_picture_whose_worker_was_killed_is_begun_again_and_made_once(
    queue: str, killings: dict[str, Future[Path]]
) -> None:
    data = killings[queue].result()
    assert rows(data, "SELECT count(*) FROM listings_correction") == [(1,)]
    assert rows(data, "SELECT count(*) FROM listings_picture") == [(1,)]
