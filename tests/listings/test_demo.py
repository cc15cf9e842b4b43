"""The demo as its first-time visitor meets it: one command, everything invented, real work."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.programs import free_port, get, manage, running

pytestmark = pytest.mark.slow


def one(data: Path, question: str) -> tuple[object, ...]:
    with closing(sqlite3.connect(data / "mullion.sqlite3")) as database:
        return tuple(database.execute(question).fetchone())


def test_the_demo_walks_a_booking_to_its_paid_invoice_and_stops_cleanly(tmp_path: Path) -> None:
    data = tmp_path / "demo data"
    options = ("--dir", str(data), "--port", str(free_port()), "--workers", "2")
    # What the shell says about other services doesn't count: the demo keeps to itself.
    with running("demo", *options, data=data, DATABASE_URL="postgres://nobody@127.0.0.1:1/none") as demo:
        said = demo.wait_for("Ctrl-C stops everything.", within_s=500)
        steps = re.findall(r"^ ?(\d+)\. ", said, re.MULTILINE)
        assert [int(step) for step in steps] == list(range(1, 10))
        assert "All 14 files of this card are stored and verified." in said
        assert "8 of 8 pictures from 14 frames" in said
        for name in ("Staff sign in", "Agent's sign-in", "Gallery", "Invoice"):
            address = re.search(rf"{name}\s+http://127.0.0.1:(\d+)(/\S+)", said)
            assert address, name
            assert get(int(address[1]), address[2])[0] in (200, 302), name
        states = one(data, "SELECT count(DISTINCT state) FROM studio_booking")
        assert states == (7,)  # seven states of a booking can be seen at once
        paid = "SELECT count(*) FROM studio_invoice JOIN studio_payment ON invoice_id = studio_invoice.id"
        assert one(data, paid) == (1,)
        assert demo.stop() == 0


def test_a_folder_that_no_demo_made_is_left_alone(tmp_path: Path) -> None:
    data = tmp_path / "mine"
    data.mkdir()
    (data / "thesis.txt").write_text("mine")
    said = manage("demo", "--dir", str(data), data=data, code=1)
    assert "nothing in it was touched" in said
    assert [path.name for path in data.iterdir()] == ["thesis.txt"]
