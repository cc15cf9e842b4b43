"""Numbers without gaps, whoever issues at once and whatever breaks off: real processes, both databases."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import uuid
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest

from tests.conftest import POSTGRES_URL
from tests.studio.issue_rush import BROKEN_EACH, EACH, PROCESSES

ROOT = Path(__file__).resolve().parents[2]


def rush(**environment: str) -> dict[str, Any]:
    kept = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL")}
    done = subprocess.run(
        [sys.executable, "-m", "tests.studio.issue_rush"],
        env=kept | {"DJANGO_SETTINGS_MODULE": "studio.settings"} | environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def check(found: dict[str, Any]) -> None:
    issued = PROCESSES * (EACH - BROKEN_EACH) + 1
    assert found["answers"] == {
        "issued": issued,
        "broken off": PROCESSES * BROKEN_EACH,
        "already issued": PROCESSES - 1,
    }
    assert found["sequences"] == list(range(1, issued + 1))
    assert found["intact"] == issued
    assert (found["killed"], found["doomed_billed"]) == (-signal.SIGKILL, 0)
    assert found["without_pdf"] == issued
    assert found["with_pdf"] == 3


@pytest.mark.slow
def test_numbers_have_no_gaps_on_sqlite(tmp_path: Path) -> None:
    check(rush(DATA_DIR=str(tmp_path)))


@pytest.mark.slow
@pytest.mark.postgres
def test_numbers_have_no_gaps_on_postgresql(tmp_path: Path) -> None:
    name = f"issue_rush_{uuid.uuid4().hex[:8]}"
    with psycopg.connect(POSTGRES_URL, autocommit=True) as admin:
        admin.execute(f'CREATE DATABASE "{name}"')
        try:
            address = urlunsplit(urlsplit(POSTGRES_URL)._replace(path=f"/{name}"))
            check(rush(DATA_DIR=str(tmp_path), DATABASE_URL=address))
        finally:
            admin.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
