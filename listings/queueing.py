"""Ids on their way to the workers. A lost message is no loss: the sweep finds the row.

Every kind of work has a task and a row that it works on; both are named here and nowhere else.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable
from functools import partial
from typing import Any

from django.db import transaction
from django.db.models import Model, Q, QuerySet
from django.utils import timezone

from listings.models import FolderIntake, Frame, Picture, PictureCopy, VisitWork
from studio.celery import app

log = logging.getLogger(__name__)

Open = Callable[[dt.datetime], QuerySet[Any]]

_made = Q(state=Picture.State.WAITING) | Q(state=Picture.State.BEING_MADE)
_copied = Q(state=FolderIntake.State.WAITING) | Q(state=FolderIntake.State.COPYING)

# task -> the rows that it still has to work on
WORK: dict[str, Open] = {
    "copy_folder": lambda now: FolderIntake.objects.filter(_copied),
    "read_frame": lambda now: Frame.objects.filter(state=Frame.State.STORED),
    "settle_visit": lambda now: VisitWork.objects.filter(due_at__lte=now),
    "analyse_picture": lambda now: Picture.objects.filter(state=Picture.State.WAITING, analysis__isnull=True),
    "make_picture": lambda now: Picture.objects.filter(_made, analysis__isnull=False).exclude(plan_digest=""),
    "make_copy": lambda now: PictureCopy.objects.filter(state=PictureCopy.State.WAITING),
}


def queue(task: str, *pks: int) -> None:
    """Send `listings.<task>` these ids once the present transaction is committed."""
    model: type[Model] = WORK[task](timezone.now()).model
    model._default_manager.filter(pk__in=pks).update(queued_at=timezone.now())
    for pk in pks:
        transaction.on_commit(partial(_send, f"listings.{task}", pk))


def _send(name: str, pk: int) -> None:
    try:
        app.send_task(name, args=[pk], retry=False)
    except Exception as error:  # any broker's trouble: the row waits for the sweep
        log.warning("%s %s could not be queued now (%s); the sweep will", name, pk, error)
