"""`manage.py backup FILE`: database, files and keys in one archive; also while the server runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from studio import backups


class Command(BaseCommand):
    help = "Write database, files and keys into one archive, checked by its own sums. The server may go on."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="a new .tar file, or a folder to put a dated one into")

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        target: Path = options["file"]
        if target.is_dir():
            target = target / f"mullion-{now:%Y-%m-%d-%H%M%S}.tar"
        try:
            outcome = backups.make(target, now=now)
        except backups.BackupError as error:
            raise CommandError(str(error)) from error
        for name in outcome.missing:
            self.stderr.write(f"{name} was deleted while the backup was made and is not in it.")
        self.stdout.write(f"{target}: {outcome.files} files, {outcome.total_bytes / 1e6:.1f} MB.")
        self.stdout.write("It holds the keys too: keep it where only you can read it.")
        for name in backups.KEYS:
            if backups.is_from_environment(name):
                self.stdout.write(
                    f"{name} comes from the environment and is not in the archive: keep it apart."
                )
