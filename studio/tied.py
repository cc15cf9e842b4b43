"""A child process that never outlives its parent: it ends when the pipe on its standard input closes."""

from __future__ import annotations

import os
import signal
import sys
import threading


def tie_to_parent() -> None:
    """Watch standard input, on which nothing comes: its end means that the parent stops us or is gone."""
    threading.Thread(target=_wait_for_end, name="tied-to-parent", daemon=True).start()


def _wait_for_end() -> None:
    try:
        while os.read(sys.stdin.fileno(), 1024):
            pass
    except (OSError, ValueError):
        pass
    if os.name == "posix":
        os.kill(os.getpid(), signal.SIGTERM)
    else:
        import _thread

        _thread.interrupt_main()
