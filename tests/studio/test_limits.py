"""Counting a visitor's tries."""

import datetime as dt

import time_machine
from django.core.cache import cache

from studio import limits
from tests.factories import NOW


def tries(who: str, count: int) -> list[bool]:
    return [limits.has_room("trial", who, most=2, within_s=3600) for _ in range(count)]


def test_a_limit_holds_for_its_whole_time_and_then_ends() -> None:
    cache.clear()
    with time_machine.travel(NOW, tick=False) as clock:
        assert tries("a@mill.example", 3) == [True, True, False]
        clock.shift(dt.timedelta(minutes=50))
        assert tries("A@mill.example", 1) == [False]
        clock.shift(dt.timedelta(minutes=11))
        assert tries("a@mill.example", 1) == [True]


def test_a_crowd_of_others_does_not_push_a_count_out() -> None:
    cache.clear()
    assert tries("a@mill.example", 3)[-1] is False
    for n in range(400):
        limits.has_room("trial", f"{n}@mill.example", most=2, within_s=3600)
    assert tries("a@mill.example", 1) == [False]
