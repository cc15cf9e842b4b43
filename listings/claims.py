"""Who is working on a row: a claim that runs out by itself unless its worker renews it.

The database is the truth. A claim is the moment until which a worker holds the row; that very moment is also
its token, so a worker whose claim ran out and was taken over can neither renew it nor write its result.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

from django.conf import settings
from django.db.models import F, Model, Q, QuerySet
from django.utils import timezone

MOST_ATTEMPTS = 3


@dataclasses.dataclass
class Claim:
    """One worker's hold on one row."""

    model: type[Model]
    pk: int
    until: dt.datetime

    def renew(self) -> bool:
        """Hold on for another while; False: the row is gone or someone else has it."""
        until = timezone.now() + dt.timedelta(seconds=settings.CLAIM_S)
        kept = self._mine().update(claimed_until=until)
        if kept:
            self.until = until
        return bool(kept)

    def end(self, only_if: Q | None = None, **changes: Any) -> bool:
        """Let go, writing `changes` in the same step; False if the row was no longer ours (or as wanted)."""
        return bool(self._mine().filter(only_if or Q()).update(claimed_until=None, **changes))

    def _mine(self) -> QuerySet[Any]:
        return self.model._default_manager.filter(pk=self.pk, claimed_until=self.until)


def free(now: dt.datetime) -> Q:
    """Rows that nobody holds."""
    return Q(claimed_until__isnull=True) | Q(claimed_until__lt=now)


def take(rows: QuerySet[Any], pk: int, *, now: dt.datetime, **changes: Any) -> Claim | None:
    """Take the row if it is among `rows` and nobody holds it; each taking counts as an attempt."""
    until = timezone.now() + dt.timedelta(seconds=settings.CLAIM_S)
    taken = (
        rows.filter(pk=pk)
        .filter(free(now))
        .update(claimed_until=until, attempts=F("attempts") + 1, **changes)
    )
    return Claim(rows.model, pk, until) if taken else None
