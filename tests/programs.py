"""Runs the product's own commands as a user would: each in a process and a data folder of its own."""

from __future__ import annotations

import contextlib
import http.client
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
KEPT = ("PATH", "HOME", "LANG", "TMPDIR", "SYSTEMROOT", "LD_LIBRARY_PATH", "VIRTUAL_ENV")


def environment(data: Path, **more: str) -> dict[str, str]:
    """Return an environment with nothing of ours in it but the data folder and what is named."""
    plain = {name: os.environ[name] for name in KEPT if name in os.environ}
    return {**plain, "DATA_DIR": str(data), "OMP_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1", **more}


def manage(*arguments: str, data: Path, code: int = 0, timeout: float = 120, **more: str) -> str:
    """Run manage.py and return what it said; the exit code must be the expected one."""
    done = subprocess.run(
        [sys.executable, str(ROOT / "manage.py"), *arguments],
        env=environment(data, **more),
        cwd=data.parent,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )
    said = done.stdout + done.stderr
    assert done.returncode == code, said[-4000:]
    return said


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Running:
    """A command that goes on until it is stopped; its words go to a file."""

    def __init__(self, process: subprocess.Popen[bytes], log: Path) -> None:
        self.process = process
        self.log = log

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace")

    def wait_for(self, text: str, *, within_s: float = 90) -> str:
        """Return all that was said once `text` is among it."""
        wait_until(
            lambda: text in self.said() or self.process.poll() is not None, within_s=within_s, what=text
        )
        assert text in self.said(), f"{text!r} never came:\n{self.said()[-4000:]}"
        return self.said()

    def stop(self, *, with_signal: int = signal.SIGINT, within_s: float = 60) -> int:
        if self.process.poll() is None:
            self.process.send_signal(with_signal)
        return self.process.wait(timeout=within_s)


@contextlib.contextmanager
def running(*arguments: str, data: Path, **more: str) -> Iterator[Running]:
    """Run manage.py until the block ends; whatever happens, no process is left."""
    log = data.parent / f"{arguments[0]}-{time.monotonic_ns()}.log"
    with log.open("wb") as file:
        process = subprocess.Popen(
            [sys.executable, str(ROOT / "manage.py"), *arguments],
            env=environment(data, **more),
            cwd=data.parent,
            stdin=subprocess.DEVNULL,
            stdout=file,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        yield Running(process, log)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(timeout=40)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def wait_until(is_so: Callable[[], object], *, within_s: float, what: str) -> None:
    """Poll a condition of another process; there is nothing to be told by."""
    until = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < until, f"not within {within_s} s: {what}"
        time.sleep(0.1)


def get(port: int, path: str, **headers: str) -> tuple[int, bytes]:
    """Fetch a page; 0 when nothing answers."""
    call = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        call.request("GET", path, headers=headers)
        answer = call.getresponse()
        return answer.status, answer.read()
    except OSError:
        return 0, b""
    finally:
        call.close()


def children(pid: int) -> dict[int, str]:
    """Return every process below one, with its command line (Linux)."""
    found: dict[int, str] = {}
    parents: dict[int, int] = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with contextlib.suppress(OSError, IndexError, ValueError):
                parents[int(folder.name)] = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
    below = [pid]
    while below:
        above = below.pop()
        for child, parent in parents.items():
            if parent == above:
                with contextlib.suppress(OSError):
                    found[child] = (
                        (Path("/proc") / str(child) / "cmdline").read_bytes().replace(b"\0", b" ").decode()
                    )
                below.append(child)
    return found
