"""Keeps test processes apart that run beside each other (`pytest -n 2`): each says which one it is."""

from __future__ import annotations

import os
from urllib.parse import urlsplit

# "gw0", "gw1" ...: set by pytest-xdist in each of its processes, inherited by what they start.
NAME = os.environ.get("PYTEST_XDIST_WORKER", "")
NUMBER = int(NAME.removeprefix("gw") or 0)


def own_redis(url: str, process: int = NUMBER) -> str:
    """Return the address with a database number of this process's own.

    The number given goes to the first process; the others count down in steps of two, because a run on Redis
    names two databases that lie side by side (14 for the cache, 15 for the commands that tests start).
    Raises ValueError where the numbers run out.

    >>> own_redis("redis://127.0.0.1:6379/15", 0), own_redis("redis://127.0.0.1:6379/15", 2)
    ('redis://127.0.0.1:6379/15', 'redis://127.0.0.1:6379/11')
    """
    if process == 0:
        return url
    parts = urlsplit(url)
    number = int(parts.path.strip("/") or 0) - 2 * process
    if number < 0:
        raise ValueError(f"{url} leaves no database to test process {process + 1}: name a higher number")
    return parts._replace(path=f"/{number}").geturl()
