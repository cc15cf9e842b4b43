"""`manage.py first_owner`: print the one-time address of the set-up page, for set-ups without `serve`."""

from typing import Any

from django.core.management import BaseCommand

from studio import set_up


class Command(BaseCommand):
    help = "Print the address on which the first owner's account is made; it works until there is one."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(set_up.address() if set_up.is_needed() else "There is an owner already.")
