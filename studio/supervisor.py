"""Web and workers as children of one command: started, started again after a crash, stopped together."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from django.conf import settings

# A child that ends sooner than this after its start counts as not having come up.
CAME_UP_S = 10
LONGEST_PAUSE_S = 30
MOST_FAILED_STARTS = 5


class GaveUp(Exception):
    """A part that the rest can't do without does not come up."""


@dataclasses.dataclass
class Part:
    """One child: a command of manage.py, and how its starts went."""

    name: str
    arguments: list[str]
    is_needed: bool = False
    process: subprocess.Popen[bytes] | None = None
    started: float = 0.0
    failed_starts: int = 0
    start_again_at: float = 0.0

    def start(self) -> None:
        manage = Path(settings.BASE_DIR) / "manage.py"
        environment = {**os.environ, "PUBLIC_URL": settings.PUBLIC_URL, "DATA_DIR": str(settings.DATA_DIR)}
        self.process = subprocess.Popen(
            [sys.executable, str(manage), *self.arguments, "--tied"],
            stdin=subprocess.PIPE,
            cwd=settings.BASE_DIR,
            env=environment,
            # A group of its own: Ctrl-C in the terminal reaches only the parent, which stops all in order.
            start_new_session=os.name == "posix",
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self.started = time.monotonic()

    def is_running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def ask_to_stop(self) -> None:
        if self.process and self.process.stdin and not self.process.stdin.closed:
            self.process.stdin.close()

    def end_group(self) -> None:
        """Make sure that neither the child nor anything it started is left."""
        if self.process is None:
            return
        if os.name == "posix":
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(self.process.pid, signal.SIGKILL)
        elif self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self.ask_to_stop()


def how_it_ended(code: int) -> str:
    """Say an exit status in words."""
    if code < 0:
        try:
            return f"was killed ({signal.Signals(-code).name})"
        except ValueError:
            return f"was killed (signal {-code})"
    return f"ended with status {code}"


class Supervisor:
    """Keeps the parts running until `stop`."""

    def __init__(self, parts: list[Part], *, say: Callable[[str], None]) -> None:
        self.parts = parts
        self.say = say

    def start(self) -> None:
        for part in self.parts:
            part.start()

    def look(self) -> None:
        """Start again what ended; to be called about twice a second."""
        now = time.monotonic()
        for part in self.parts:
            if part.is_running():
                if now - part.started > CAME_UP_S:
                    part.failed_starts = 0
            elif part.start_again_at == 0.0:
                self._note_end(part, now)
            elif now >= part.start_again_at:
                part.start_again_at = 0.0
                part.start()

    def _note_end(self, part: Part, now: float) -> None:
        assert part.process is not None
        part.end_group()
        if now - part.started < CAME_UP_S:
            part.failed_starts += 1
        if part.is_needed and part.failed_starts >= MOST_FAILED_STARTS:
            raise GaveUp(f"{part.name} ended {part.failed_starts} times right after its start")
        pause_s = min(LONGEST_PAUSE_S, 2 ** max(0, part.failed_starts - 1)) if part.failed_starts else 0
        when = f"starting it again in {pause_s} s" if pause_s else "starting it again"
        self.say(f"{part.name} {how_it_ended(part.process.returncode)}; {when}")
        part.start_again_at = now + pause_s

    def stop(self, *, within_s: float, at_once: Callable[[], bool] = lambda: False) -> None:
        """Let each part finish what it has in hand, then end what is still there."""
        for part in self.parts:
            part.ask_to_stop()
        until = time.monotonic() + within_s
        while any(part.is_running() for part in self.parts):
            if time.monotonic() > until or at_once():
                break
            time.sleep(0.05)
        for part in self.parts:
            part.end_group()
