"""Two at once never both get a time: real processes, the product's settings, both databases."""

import json
import os
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest

from tests.conftest import POSTGRES_URL
from tests.studio.slot_rush import PROCESSES, SLOTS

ROOT = Path(__file__).resolve().parents[2]


def rush(**environment: str) -> dict[str, dict[str, int]]:
    kept = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL")}
    done = subprocess.run(
        [sys.executable, "-m", "tests.studio.slot_rush"],
        env=kept | {"DJANGO_SETTINGS_MODULE": "studio.settings"} | environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=200,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    found: dict[str, dict[str, int]] = json.loads(done.stdout)
    return found


def check(found: dict[str, dict[str, int]]) -> None:
    assert found["answers"] == {"taken": SLOTS, "not free": SLOTS * (PROCESSES - 1)}
    assert set(found["starts"].values()) == {1}
    assert len(found["starts"]) == SLOTS


@pytest.mark.slow
def test_of_many_processes_one_gets_each_time_on_sqlite(tmp_path):
    check(rush(DATA_DIR=str(tmp_path)))


@pytest.mark.slow
@pytest.mark.postgres
def test_of_many_processes_one_gets_each_time_on_postgresql(tmp_path):
    name = f"mullion_rush_{os.getpid()}"
    url = urlunsplit(urlsplit(POSTGRES_URL)._replace(path=f"/{name}"))
    with psycopg.connect(POSTGRES_URL, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}"')
        try:
            check(rush(DATA_DIR=str(tmp_path), DATABASE_URL=url))
        finally:
            server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')
