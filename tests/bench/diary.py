"""How long the search for free times takes: `python -m tests.bench.diary`, on a SQLite file of its own.

90 days, 400 bookings, 3 photographers. Prints the free times found, the milliseconds of three runs and the
number of queries.
"""

import datetime as dt
import os
import random
import tempfile
import time


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studio.settings")
    with tempfile.TemporaryDirectory() as folder:
        os.environ["DATA_DIR"] = folder
        import django

        django.setup()
        from django.core.management import call_command
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        from studio import diary
        from tests import factories

        call_command("migrate", verbosity=0)
        rng = random.Random(1)
        factories.make_business(book_days_ahead=90, notice_hours=1)
        factories.make_opening_hours()
        people = [factories.make_photographer() for _ in range(3)]
        client = factories.make_client()
        for n in range(400):
            factories.make_booking(
                client=client,
                home=factories.make_home(
                    latitude_deg=54 + rng.random() * 0.3, longitude_deg=-2 + rng.random() * 0.4
                ),
                photographer=people[n % 3],
                starts_at=factories.NOW + dt.timedelta(days=n // 4.5, hours=rng.randint(1, 7)),
                lines=(),
            )
        home = factories.make_home(latitude_deg=54.1, longitude_deg=-2.1)
        for _ in range(3):
            started = time.perf_counter()
            with CaptureQueriesContext(connection) as queries:
                found = diary.free_times(home=home, minutes=90, now=factories.NOW, days=90, people=people)
            spent_ms = (time.perf_counter() - started) * 1000
            print(f"{len(found)} free times, {spent_ms:.0f} ms, {len(queries)} queries")
        connection.close()


if __name__ == "__main__":
    main()
