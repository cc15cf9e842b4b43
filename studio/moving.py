"""From one kind of database to the other: an SQLite backup's rows into PostgreSQL, when a studio grows.

Row by row through the models, so that every value arrives as its column's own type. Foreign keys are checked
when the transaction ends; the numbers of the sequences follow the rows.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.apps import apps
from django.core.management import call_command
from django.core.management.color import no_style
from django.db import connection, connections, models, transaction

COPY = "backup"
BATCH = 500


def move_in(sqlite_file: Path) -> int:
    """Replace the rows of the present database by those of the file; return how many came."""
    call_command("migrate", interactive=False, verbosity=0)
    with _opened(sqlite_file):
        call_command("migrate", database=COPY, interactive=False, verbosity=0)
        tables = [model for model in apps.get_models(include_auto_created=True) if model._meta.managed]
        with transaction.atomic():
            call_command("flush", interactive=False, verbosity=0, inhibit_post_migrate=True)
            count = sum(_move_table(model) for model in tables)
            with connection.cursor() as cursor:
                for statement in connection.ops.sequence_reset_sql(no_style(), tables):
                    cursor.execute(statement)
    return count


@contextlib.contextmanager
def _opened(sqlite_file: Path) -> Iterator[None]:
    """Open the file as a second database while the block runs."""
    place = {"ENGINE": "django.db.backends.sqlite3", "NAME": str(sqlite_file)}
    connections.settings[COPY] = connections.configure_settings({"default": {}, COPY: place})[COPY]
    try:
        yield
    finally:
        connections[COPY].close()
        del connections[COPY]
        del connections.settings[COPY]


def _move_table(model: type[models.Model]) -> int:
    """Copy one table, times and keys as they are."""
    copied: models.QuerySet[Any] = models.QuerySet(model, using=COPY)
    rows = copied.order_by("pk").iterator(chunk_size=BATCH)
    count = 0
    with _times_kept(model):
        for batch in _batches(rows):
            models.QuerySet(model, using="default").bulk_create(batch)
            count += len(batch)
    return count


def _batches(rows: Iterator[Any]) -> Iterator[list[Any]]:
    batch: list[Any] = []
    for row in rows:
        batch.append(row)
        if len(batch) == BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


@contextlib.contextmanager
def _times_kept(model: type[models.Model]) -> Iterator[None]:
    """Keep fields that set themselves to the present moment from doing so."""
    own = [field for field in model._meta.concrete_fields if getattr(field, "auto_now", False)]
    for field in own:
        field.auto_now = False  # type: ignore[attr-defined]
    try:
        yield
    finally:
        for field in own:
            field.auto_now = True  # type: ignore[attr-defined]
