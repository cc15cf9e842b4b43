"""The parent's side of the child process that reads and makes pictures.

The child works on one job at a time and is kept for the next, because starting it costs a second. It is
thrown away when it crashes, takes too long, outgrows its memory, or after a number of jobs. So a decoder
that fails takes one picture with it, never the worker.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from typing import Any

from django.conf import settings

from listings.errors import CannotMake, MakerLost

JOBS_A_CHILD = 60
STARTED: dict[int, Child] = {}
_lock = threading.Lock()


def run(kind: str, *, renew: Callable[[], bool], **job: Any) -> dict[str, Any]:
    """Have the child do one job; `renew` is asked every third of CLAIM_S whether the work is still ours.

    Raises CannotMake if the file is at fault, MakerLost if the child crashed, hung or outgrew its limits.
    """
    with _lock:
        child = STARTED.get(os.getpid())
        if child is None or not child.is_alive or child.jobs_done >= JOBS_A_CHILD:
            stop()
            child = STARTED[os.getpid()] = Child()
        try:
            answer = child.do({"kind": kind, **job}, renew=renew)
        except MakerLost:
            stop()
            raise
        if "lost" in answer:
            stop()
            raise MakerLost(answer["lost"])
    if "file_fault" in answer:
        raise CannotMake(answer["file_fault"])
    result: dict[str, Any] = answer["result"]
    return result


def stop() -> None:
    """End this process's child, if it has one."""
    if child := STARTED.pop(os.getpid(), None):
        child.end()


atexit.register(stop)


class Child:
    """One child process and the thread that reads its answers."""

    def __init__(self) -> None:
        self.jobs_done = 0
        self.answers: queue.Queue[str | None] = queue.Queue()
        single = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "listings.making_child", str(settings.MAKE_MEMORY_MB)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=settings.BASE_DIR,
            env=os.environ | single | {"PYTHONUNBUFFERED": "1"},
            text=True,
            encoding="utf-8",
        )
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def is_alive(self) -> bool:
        return self.process.poll() is None

    def _listen(self) -> None:
        assert self.process.stdout
        for line in self.process.stdout:
            self.answers.put(line)
        self.answers.put(None)

    def do(self, job: dict[str, Any], *, renew: Callable[[], bool]) -> dict[str, Any]:
        assert self.process.stdin
        try:
            self.process.stdin.write(json.dumps(job) + "\n")
            self.process.stdin.flush()
        except OSError as error:
            raise MakerLost(self._last_words()) from error
        line = self._wait(renew)
        self.jobs_done += 1
        answer: dict[str, Any] = json.loads(line)
        return answer

    def _wait(self, renew: Callable[[], bool]) -> str:
        ends_at_s = time.monotonic() + settings.MAKE_TIMEOUT_S
        while (left_s := ends_at_s - time.monotonic()) > 0:
            try:
                line = self.answers.get(timeout=min(settings.CLAIM_S / 3, left_s))
            except queue.Empty:
                if not renew():
                    raise MakerLost("Another worker has taken over.") from None
                continue
            if line is None:
                raise MakerLost(self._last_words())
            return line
        raise MakerLost(f"It took longer than {settings.MAKE_TIMEOUT_S} s (MAKE_TIMEOUT_S) and was stopped.")

    def _last_words(self) -> str:
        code = self.process.wait()
        how = f"signal {-code}" if code < 0 else f"code {code}"
        return f"The process that makes pictures ended in the middle ({how})."

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        if self.process.stdin:
            with contextlib.suppress(OSError):
                self.process.stdin.close()
