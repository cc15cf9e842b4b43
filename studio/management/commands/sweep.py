"""`manage.py sweep`: find lost work and queue it again, once."""

from typing import Any

from django.core.management import BaseCommand, CommandError
from django.utils import timezone

from studio.sweeping import sweep_all


class Command(BaseCommand):
    help = "Run the sweep once (serve and beat run it every half minute by themselves)."

    def handle(self, *args: Any, **options: Any) -> None:
        if not sweep_all(timezone.now()):
            raise CommandError("A sweep failed; the reason stands above.")
        self.stdout.write("Swept.")
