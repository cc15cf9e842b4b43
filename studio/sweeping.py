"""The sweep: every half minute, rows whose work was lost are found and queued again."""

from __future__ import annotations

import datetime as dt
import logging

from django.conf import settings
from django.utils import timezone
from django.utils.module_loading import import_string

from studio.celery import app

log = logging.getLogger(__name__)


def sweep_all(now: dt.datetime) -> bool:
    """Run each floor's sweep; one that fails is logged and doesn't keep the others from running."""
    is_well = True
    for name in settings.SWEEPS:
        try:
            import_string(name)(now)
        except Exception:  # whatever it was, the next sweep tries again
            log.exception("the sweep %s failed; it runs again in %s s", name, settings.SWEEP_EVERY_S)
            is_well = False
    return is_well


@app.task(name="studio.sweep", ignore_result=True)
def sweep() -> None:
    """What beat calls in the grown set-up; `serve` sweeps by itself."""
    sweep_all(timezone.now())
