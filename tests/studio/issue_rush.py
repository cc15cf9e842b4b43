"""A rush of invoices by real processes, on the product's own settings: `python -m tests.studio.issue_rush`.

The environment names the database (DATABASE_URL, or DATA_DIR for SQLite). Each process issues its bookings as
fast as it can; every fifth issue breaks off after the number was taken; every process also tries one booking
that all of them want; and one process is killed in the middle of an issue. Prints one line of JSON.
"""

import json
import multiprocessing
import os
import signal
import sys
from collections import Counter
from multiprocessing.synchronize import Barrier as BarrierType
from typing import Any

PROCESSES = 4
EACH = 15
BROKEN_EACH = EACH // 5


def make_rows() -> tuple[list[list[int]], int, int]:
    from tests import factories

    factories.make_business(time_zone="UTC")
    client, photographer = factories.make_client(), factories.make_photographer()

    def booking() -> int:
        return factories.make_booking(client=client, photographer=photographer).pk

    return [[booking() for _ in range(EACH)] for _ in range(PROCESSES)], booking(), booking()


def issue_all(booking_pks: list[int], wanted_by_all: int, start: BarrierType, answers: Any) -> None:
    import django

    django.setup()
    from studio import invoicing, records
    from studio.errors import AlreadyIssued
    from studio.models import Booking
    from tests.factories import NOW

    note = records.note

    def break_off(*_: Any, **__: Any) -> None:
        raise ConnectionError("broken off after the number was taken")

    start.wait(timeout=60)
    got = []
    for place, pk in enumerate([*booking_pks, wanted_by_all]):
        is_broken = place % 5 == 4 and pk != wanted_by_all
        records.note = break_off if is_broken else note  # type: ignore[assignment]
        try:
            got.append(invoicing.issue(Booking.objects.get(pk=pk), by=None, now=NOW).number)
        except AlreadyIssued:
            got.append("already issued")
        except ConnectionError:
            got.append("broken off")
        except Exception as error:  # whatever it is, the test must see it
            got.append(repr(error))
    answers.put(got)


def die_in_the_middle(booking_pk: int, start: BarrierType) -> None:
    """Be killed with the number taken and nothing committed."""
    import django

    django.setup()
    from studio import invoicing, records
    from studio.models import Booking
    from tests.factories import NOW

    def die(*_: Any, **__: Any) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    records.note = die  # type: ignore[assignment]
    start.wait(timeout=60)
    invoicing.issue(Booking.objects.get(pk=booking_pk), by=None, now=NOW)


def main() -> None:
    import django

    django.setup()
    from django.core.management import call_command
    from django.db import connection
    from django.utils import timezone

    from studio import documents, tasks
    from studio.models import Invoice

    call_command("migrate", verbosity=0)
    wants, wanted_by_all, doomed = make_rows()
    connection.close()
    context = multiprocessing.get_context("spawn")
    start, answers = context.Barrier(PROCESSES + 1), context.Queue()
    runs = [context.Process(target=issue_all, args=(mine, wanted_by_all, start, answers)) for mine in wants]
    killed = context.Process(target=die_in_the_middle, args=(doomed, start))
    for run in [*runs, killed]:
        run.start()
    got = [answers.get(timeout=150) for _ in runs]
    for run in [*runs, killed]:
        run.join(timeout=60)
    without_pdf = documents.missing_pdfs(timezone.now())
    for kind, pk in without_pdf[:3] * 2:  # the second time each is there already
        tasks.make_pdf(kind, pk)
    rows = list(Invoice.objects.order_by("sequence"))
    found = {
        "sequences": [row.sequence for row in rows],
        "answers": Counter(
            answer if not answer.startswith("I-") else "issued" for mine in got for answer in mine
        ),
        "intact": sum(documents.is_intact(row) for row in rows),
        "killed": killed.exitcode,
        "without_pdf": len(without_pdf),
        "with_pdf": sum(bool(row.pdf) for row in rows),
        "doomed_billed": Invoice.objects.filter(booking=doomed).count(),
    }
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    main()
