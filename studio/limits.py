"""How often a visitor may do something in a while; counted in the cache, by address."""

from __future__ import annotations

import hashlib
import time

from django.core.cache import cache


def has_room(kind: str, who: str, *, most: int, within_s: int) -> bool:
    """Count one more try of `who` and say whether it still is within the limit of this stretch of time."""
    name = hashlib.sha256(who.lower().encode()).hexdigest()[:24]
    # The stretch is part of the name: a cache of files forgets the timeout that a count began with.
    key = f"limit:{kind}:{name}:{int(time.time()) // within_s}"
    cache.add(key, 0, timeout=within_s)
    try:
        return int(cache.incr(key)) <= most
    except ValueError:  # ended between the two calls
        return most >= 1
