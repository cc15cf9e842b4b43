"""`manage.py restore FILE`: put a backup back, after checking all of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandError, CommandParser, call_command
from django.utils import timezone

from studio import backups
from studio.one_at_a_time import InUse, hold


class Command(BaseCommand):
    help = "Put a backup back. Nothing is touched before the whole archive has been checked."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--replace-all",
            action="store_true",
            help="also when there is data already: it is moved aside, not deleted",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["file"].is_file():
            raise CommandError(f"{options['file']} is not there.")
        try:
            with hold(settings.DATA_DIR):
                outcome, aside = backups.restore(
                    options["file"], replace_all=options["replace_all"], now=timezone.now()
                )
        except (backups.BackupError, InUse) as error:
            raise CommandError(str(error)) from error
        call_command("migrate", interactive=False, verbosity=0)
        self.stdout.write(
            f"Restored {outcome.files} files, {outcome.total_bytes / 1e6:.1f} MB, each as it was."
        )
        if aside:
            self.stdout.write(f"What was here before lies in {aside}: delete it when you no longer need it.")
