"""Ids on their way to the workers. A lost message is no loss: the sweep finds the row."""

from __future__ import annotations

import logging
from functools import partial
from typing import Any

from django.db import transaction

from studio.celery import app

log = logging.getLogger(__name__)


def queue(task: str, *args: Any) -> None:
    """Send `studio.<task>` these ids once the present transaction is committed."""
    transaction.on_commit(partial(_send, f"studio.{task}", args))


def _send(name: str, args: tuple[Any, ...]) -> None:
    try:
        app.send_task(name, args=list(args), retry=False)
    except Exception as error:  # any broker's trouble: the row waits for the sweep
        log.warning("%s %s could not be queued now (%s); the sweep will", name, args, error)
