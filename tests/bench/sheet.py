"""How long the sheet of a large visit takes: `python -m tests.bench.sheet [PICTURES]`, in fresh data.

Rows are as large as real ones (an analysis of 390 kB, a plan of 90 kB): size is what slows a database down.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time


def main(pictures: int) -> None:
    os.environ["DATA_DIR"] = tempfile.mkdtemp(prefix="mullion-bench-")
    os.environ["DJANGO_SETTINGS_MODULE"] = "studio.settings"
    import django

    django.setup()
    from django.core.management import call_command
    from django.utils import timezone

    call_command("migrate", verbosity=0)
    from listings import progress, sheets
    from listings.models import Correction, Picture
    from tests import factories
    from tests.listings.factories import make_room

    booking = factories.make_booking()
    rooms = [make_room(booking, name=f"Room {n}", position=n) for n in range(12)]
    analysis, plan = {"filler": "a" * 390_000}, {"filler": "b" * 90_000}
    for n in range(pictures):
        picture = Picture.objects.create(
            booking=booking,
            room=rooms[n * 12 // pictures],
            position=n,
            state="made",
            analysis=analysis,
            plan=plan,
        )
        version = Correction.objects.create(
            picture=picture,
            plan=plan,
            report={},
            width=3,
            height=2,
            needs_look=["Soft."] if n % 5 == 0 else [],
        )
        Picture.objects.filter(pk=picture.pk).update(correction=version)
    seconds = {}
    for shows in ("all", "look", "failed"):
        started = time.perf_counter()
        sheets.build(booking, shows=shows, room="", page=1)
        progress.of(booking, now=timezone.now())
        seconds[shows] = round(time.perf_counter() - started, 3)
    print(json.dumps({"pictures": pictures, "seconds": seconds}))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 600)
