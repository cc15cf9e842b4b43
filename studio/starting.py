"""What `serve` and `demo` decide before the settings are read: the public address, the demo's own folder."""

from __future__ import annotations

import argparse
import os
import shutil
import socket
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


def add_serve_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that `serve` and `demo` share."""
    parser.add_argument(
        "--host",
        default="127.0.0.1",
        help="address to listen on; 0.0.0.0 for the whole network (default: %(default)s, this machine alone)",
    )
    parser.add_argument("--port", type=int, default=8000, help="default: %(default)s")
    parser.add_argument(
        "--workers", type=int, default=0, help="picture workers (default: by the processors and memory here)"
    )
    parser.add_argument("--tls-cert", help="certificate (PEM, whole chain): serve https by itself")
    parser.add_argument("--tls-key", help="its private key (PEM)")


def for_serve(arguments: list[str]) -> None:
    """Let PUBLIC_URL follow the options, unless the environment gives one."""
    if os.environ.get("PUBLIC_URL") or os.environ.get("PUBLIC_URL_FILE"):
        return
    parser = argparse.ArgumentParser(add_help=False, exit_on_error=False)
    add_serve_options(parser)
    try:
        options, _ = parser.parse_known_args(arguments)
    except (argparse.ArgumentError, SystemExit):
        return  # the command's own parser says what is wrong
    scheme = "https" if options.tls_cert else "http"
    os.environ["PUBLIC_URL"] = f"{scheme}://{_reachable(options.host)}:{options.port}"


def _reachable(host: str) -> str:
    """Return the address by which others reach what listens on `host`."""
    if host not in ("0.0.0.0", "::"):
        return f"[{host}]" if ":" in host else host
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # documentation address (RFC 5737): nothing is sent
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def for_demo(arguments: list[str]) -> None:
    """Point DATA_DIR at the demo's folder, made fresh, and put outside services aside."""
    for name in list(os.environ):
        if name.removesuffix("_FILE") in NOT_FOR_THE_DEMO or name.startswith(("S3_", "SMTP_")):
            del os.environ[name]
    parser = argparse.ArgumentParser(add_help=False, exit_on_error=False)
    parser.add_argument("--dir")
    options, _ = parser.parse_known_args(arguments)
    folder = (
        Path(options.dir or Path(__file__).resolve().parent.parent / "data" / "demo").expanduser().resolve()
    )
    os.environ["DATA_DIR"] = str(folder)
    if not {"-h", "--help"} & set(arguments):
        _make_fresh(folder)
    for_serve(arguments)


def _make_fresh(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
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
