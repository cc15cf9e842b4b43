"""`manage.py worker`: one worker process that takes one task after another."""

from __future__ import annotations

import os
import socket
import warnings
from typing import Any

from celery.exceptions import SecurityWarning
from django.conf import settings
from django.core.management import BaseCommand, CommandParser

from studio.celery import app


class Command(BaseCommand):
    help = "Do queued work, one task at a time; start as many as there are processors to spare."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--queues", default="pictures,quick", help="which queues, with a comma (default: %(default)s)"
        )
        parser.add_argument("--tied", action="store_true", help="end when standard input ends")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["tied"]:
            from studio.tied import tie_to_parent

            tie_to_parent()
        # Celery's warning about running as root is about pickled messages; only JSON is accepted here.
        warnings.filterwarnings("ignore", category=SecurityWarning)
        level = settings.LOGGING["root"]["level"]
        name = f"{os.getpid()}@{socket.gethostname()}"
        command = [
            "--quiet",
            "worker",
            "--pool=solo",
            "--concurrency=1",
            "--without-gossip",
            "--without-mingle",
        ]
        command += ["--without-heartbeat", f"--queues={options['queues']}", f"--hostname={name}"]
        app.worker_main([*command, f"--loglevel={level}"])
