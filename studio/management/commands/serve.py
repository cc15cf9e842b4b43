"""`manage.py serve`: everything in one command."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandError, CommandParser

from studio import set_up
from studio.one_at_a_time import InUse, hold
from studio.serving import Server, check_port, check_tls, notice_of_http, prepare, say_plainly
from studio.starting import add_serve_options


class Command(BaseCommand):
    help = "Start web and workers together; Ctrl-C stops all of it."

    def add_arguments(self, parser: CommandParser) -> None:
        add_serve_options(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        check_tls(options["tls_cert"], options["tls_key"])
        check_port(options["host"], options["port"])
        try:
            with hold(settings.DATA_DIR):
                prepare(say_plainly)
                with Server(options, say_plainly) as server:
                    server.wait_until_up()
                    if not server.stop_asked.is_set():
                        greet()
                    server.wait()
        except InUse as error:
            raise CommandError(str(error)) from error


def greet() -> None:
    """Say where to go."""
    say_plainly(f"\nMullion is open at {settings.PUBLIC_URL}/  (files: {settings.DATA_DIR})")
    if set_up.is_needed():
        say_plainly(f"First start. Make the owner's account here, once: {set_up.address()}")
    if notice := notice_of_http():
        say_plainly(notice)
    say_plainly("Ctrl-C stops everything.\n")
