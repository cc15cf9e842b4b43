"""A rush for free times by real processes, on the product's own settings: `python -m tests.studio.slot_rush`.

The environment names the database (DATABASE_URL, or DATA_DIR for SQLite). Prints one line of JSON: what each
taker got, and what stands in the database afterwards.
"""

import datetime as dt
import json
import multiprocessing
import sys
from collections import Counter
from multiprocessing.synchronize import Barrier as BarrierType
from typing import Any

PROCESSES = 4
SLOTS = 10
DAY = dt.date(2027, 6, 3)


def slot(number: int) -> dt.datetime:
    """The hours from eight on two days."""
    on = DAY + dt.timedelta(days=number // 5)
    return dt.datetime.combine(on, dt.time(8 + number % 5), tzinfo=dt.UTC)


def make_rows() -> tuple[int, list[list[int]]]:
    from tests import factories

    factories.make_business(
        time_zone="UTC", travel_minutes_default=0, setup_minutes=0, shortest_visit_minutes=60
    )
    factories.make_opening_hours(opens=dt.time(8), closes=dt.time(18))
    photographer = factories.make_photographer()
    client = factories.make_client()
    wants = [
        [
            factories.make_booking(
                state="asked", starts_at=None, photographer=None, client=client, lines=()
            ).pk
            for _ in range(SLOTS)
        ]
        for _ in range(PROCESSES)
    ]
    return photographer.pk, wants


def rush(photographer_pk: int, booking_pks: list[int], start: BarrierType, answers: Any) -> None:
    """Take every slot for one's own bookings, all processes in the same order at the same moment."""
    import django

    django.setup()
    from studio import diary
    from studio.errors import NotFree
    from studio.models import Booking, User
    from tests.factories import NOW

    photographer = User.objects.get(pk=photographer_pk)
    start.wait(timeout=60)
    got = []
    for number, pk in enumerate(booking_pks):
        booking = Booking.objects.select_related("home").get(pk=pk)
        try:
            diary.take(booking, slot(number), photographer, now=NOW)
            got.append("taken")
        except NotFree:
            got.append("not free")
        except Exception as error:  # whatever it is, the test must see it
            got.append(repr(error))
    answers.put(got)


def main() -> None:
    import django

    django.setup()
    from django.core.management import call_command
    from django.db import connection

    from studio.models import Booking

    call_command("migrate", verbosity=0)
    photographer_pk, wants = make_rows()
    connection.close()
    context = multiprocessing.get_context("spawn")
    start, answers = context.Barrier(PROCESSES), context.Queue()
    takers = [context.Process(target=rush, args=(photographer_pk, mine, start, answers)) for mine in wants]
    for taker in takers:
        taker.start()
    got = [answers.get(timeout=120) for _ in takers]
    for taker in takers:
        taker.join(timeout=60)
    starts = Counter(
        at.isoformat() for at in Booking.objects.exclude(starts_at=None).values_list("starts_at", flat=True)
    )
    json.dump({"answers": Counter(answer for mine in got for answer in mine), "starts": starts}, sys.stdout)


if __name__ == "__main__":
    main()
