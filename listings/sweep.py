"""Every half minute: rows whose claim ran out, or whose message was lost, are queued again."""

from __future__ import annotations

import datetime as dt

from django.db.models import Q, QuerySet

from listings import claims, uploads
from listings.models import FolderIntake, Frame, Picture, PictureCopy, VisitWork
from listings.queueing import WORK, queue

# A message may wait this long behind others; if no worker is busy at all, it was lost.
PATIENCE = dt.timedelta(minutes=10)
PATIENCE_WHEN_QUIET = dt.timedelta(seconds=30)

STOPPED_WORDS = (
    "The worker was stopped in the middle of it three times. Nothing is lost: the originals are stored. "
    "Try again."
)
# task -> what a row becomes whose worker was lost too often
GIVEN_UP: dict[str, dict[str, object]] = {
    "copy_folder": {"state": FolderIntake.State.FAILED},
    "read_frame": {"state": Frame.State.UNREADABLE},
    "settle_visit": {"due_at": None},
    "analyse_picture": {"state": Picture.State.FAILED},
    "make_picture": {"state": Picture.State.FAILED},
    "make_copy": {"state": PictureCopy.State.FAILED},
}


def run(now: dt.datetime) -> None:
    """Queue again what was lost; give up on what has lost its worker three times; tidy the uploads."""
    is_busy = any(_held(now, task) for task in WORK)
    for task in WORK:
        _give_up(task, now=now)
        if lost := list(_lost(task, is_busy=is_busy, now=now).values_list("pk", flat=True)):
            queue(task, *lost)
    uploads.sweep(now=now)


def _held(now: dt.datetime, task: str) -> bool:
    return WORK[task](now).filter(claimed_until__gte=now).exists()


def _ran_out(task: str, *, now: dt.datetime) -> QuerySet[VisitWork]:
    return WORK[task](now).filter(claimed_until__lt=now)


def _give_up(task: str, *, now: dt.datetime) -> None:
    spent = _ran_out(task, now=now).filter(attempts__gte=claims.MOST_ATTEMPTS)
    changes: dict[str, object] = {"reason": STOPPED_WORDS, "claimed_until": None}
    for pk in spent.values_list("pk", flat=True):
        spent.filter(pk=pk).update(**(changes | GIVEN_UP[task]))


def _lost(task: str, *, is_busy: bool, now: dt.datetime) -> QuerySet[VisitWork]:
    patience = PATIENCE if is_busy else PATIENCE_WHEN_QUIET
    unheard = Q(queued_at__isnull=True) | Q(queued_at__lt=now - patience)
    never_taken = Q(claimed_until__isnull=True) & unheard
    # A claim that ran out is queued at once, and not at every sweep while its message waits.
    ran_out = Q(claimed_until__lt=now) & (
        Q(queued_at__isnull=True) | Q(queued_at__lt=now - PATIENCE_WHEN_QUIET)
    )
    return WORK[task](now).filter(never_taken | ran_out)
