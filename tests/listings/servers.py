"""The product in processes of its own, with rows put into its data folder beforehand."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests import programs

PREPARE = """
import json, os, sys
sys.path.insert(0, {root!r})
os.environ["DJANGO_SETTINGS_MODULE"] = "studio.settings"
import django
django.setup()
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from tests import factories
"""

VISIT = """
factories.make_business()
staff = factories.make_owner(email="odile@plumb-lantern.example")
booking = factories.make_booking(photographer=staff)
session = SessionStore()
session[SESSION_KEY] = str(staff.pk)
session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
session[HASH_SESSION_KEY] = staff.get_session_auth_hash()
session.save()
print(json.dumps({"visit": str(booking.public_id), "session": session.session_key}))
"""

TOKEN = "a" * 32  # the forgery token: cookie and header must agree


@dataclasses.dataclass
class House:
    """A data folder with one visit and a signed-in member of staff."""

    data: Path
    visit: str
    session: str
    port: int = 0

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def headers(self) -> dict[str, str]:
        return {"Cookie": f"sessionid={self.session}; csrftoken={TOKEN}", "X-CSRFToken": TOKEN}

    def ask(self, code: str) -> Any:
        """Run a few lines in the data folder's own Django; what they print as JSON comes back."""
        return run(code, self.data)


def run(code: str, data: Path) -> Any:
    script = PREPARE.format(root=str(programs.ROOT)) + textwrap.dedent(code)
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=programs.environment(data),
        cwd=programs.ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout.strip().splitlines()[-1])


def prepare(data: Path) -> House:
    """Make a fresh data folder with a visit in it."""
    data.mkdir()
    programs.manage("migrate", "-v0", data=data)
    return House(data=data, **run(VISIT, data))


@contextlib.contextmanager
def pages(house: House, **more: str) -> Iterator[House]:
    """Serve the pages alone, on a real socket."""
    house.port = programs.free_port()
    with programs.running("web", "--port", str(house.port), data=house.data, **more):
        programs.wait_until(
            lambda: programs.get(house.port, "/health/")[0] == 200, within_s=90, what="the pages answer"
        )
        yield house
