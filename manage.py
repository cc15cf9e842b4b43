#!/usr/bin/env python3
"""Mullion's command line: demo, serve, backup, restore, intake and Django's own commands."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studio.settings")
    os.umask(0o077)  # database, originals, keys: for the one who runs this, and nobody else on the machine
    try:
        from django.core.exceptions import ImproperlyConfigured
        from django.core.management import execute_from_command_line
    except ImportError:
        sys.exit(
            "Mullion's packages are not installed in this Python. Make a virtual environment, activate it "
            "and run 'python -m pip install -r requirements.txt'; README.md has it as one line."
        )
    if sys.argv[1:2] in (["serve"], ["demo"]):
        from studio import starting

        decide = starting.for_demo if sys.argv[1] == "demo" else starting.for_serve
        decide(sys.argv[2:])
    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        sys.exit(f"Mullion can't start. {error}")


if __name__ == "__main__":
    main()
