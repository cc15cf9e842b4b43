"""How often a visitor may do something in a while; counted in the cache, by address."""

from __future__ import annotations

import hashlib

from django.core.cache import cache


def has_room(kind: str, who: str, *, most: int, within_s: int) -> bool:
    """Count one more try of `who` and say whether it still is within the limit."""
    name = hashlib.sha256(who.lower().encode()).hexdigest()[:24]
    key = f"limit:{kind}:{name}"
    if cache.add(key, 1, timeout=within_s):
        return most >= 1
    try:
        return int(cache.incr(key)) <= most
    except ValueError:  # ended between the two calls
        cache.set(key, 1, timeout=within_s)
        return most >= 1
