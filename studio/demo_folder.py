"""Where the demo lives: a data folder of its own, chosen before the settings are read."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

# A folder is emptied only when this file says that an earlier demo made it.
MARK = "this-is-a-demo.txt"
# The demo is the embedded set-up, whatever the shell says.
NOT_FOR_THE_DEMO = (
    "DATABASE_URL",
    "REDIS_URL",
    "PUBLIC_URL",
    "SECRET_KEY",
    "ACCESS_KEY",
    "INTAKE_DIRS",
    "MAIL_FROM",
)


def choose(arguments: list[str]) -> None:
    """Point DATA_DIR at the demo's folder and put outside services aside."""
    for name in list(os.environ):
        if name.removesuffix("_FILE") in NOT_FOR_THE_DEMO or name.startswith(("S3_", "SMTP_")):
            del os.environ[name]
    folder = _option(arguments, "--dir") or str(Path(__file__).resolve().parent.parent / "data" / "demo")
    os.environ["DATA_DIR"] = str(Path(folder).expanduser().resolve())
    if not {"-h", "--help"} & set(arguments):
        _make_fresh(Path(os.environ["DATA_DIR"]))


def _option(arguments: list[str], name: str) -> str:
    for place, argument in enumerate(arguments):
        if argument == name and place + 1 < len(arguments):
            return arguments[place + 1]
        if argument.startswith(f"{name}="):
            return argument.partition("=")[2]
    return ""


def _make_fresh(folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()):
        if not (folder / MARK).exists():
            sys.exit(
                f"{folder} is not empty and no demo made it, so nothing in it was touched.\n"
                "Name an empty or new folder: manage.py demo --dir FOLDER"
            )
        from studio.one_at_a_time import InUse, hold

        try:
            with hold(folder):
                pass
        except InUse as error:
            sys.exit(str(error))
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARK).write_text(
        "Made by manage.py demo. The next demo empties this folder.\n", encoding="utf-8"
    )
