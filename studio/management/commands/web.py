"""`manage.py web`: the pages alone, as `serve` and containers start them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandParser
from granian.constants import Interfaces
from granian.log import LogLevels
from granian.server import Server
from granian.utils import proxies  # noqa: F401 (fails here, not at the first visitor, if it is missing)


class Command(BaseCommand):
    help = "Serve the pages (no workers, no sweep: see serve)."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--tls-cert")
        parser.add_argument("--tls-key")
        parser.add_argument("--tied", action="store_true", help="end when standard input ends")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["tied"]:
            from studio.tied import tie_to_parent

            tie_to_parent()
        server = Server(
            "studio.wsgi:application",
            address=options["host"],
            port=options["port"],
            interface=Interfaces.WSGI,
            workers=settings.WEB_PROCESSES,
            blocking_threads=settings.WEB_THREADS,
            ssl_cert=Path(options["tls_cert"]) if options["tls_cert"] else None,
            ssl_key=Path(options["tls_key"]) if options["tls_key"] else None,
            log_level=LogLevels.error,
            respawn_failed_workers=True,
            workers_kill_timeout=10,
            working_dir=settings.BASE_DIR,
        )
        server.serve()
