"""Settings that only make sense together: each finding has an id and says what to do."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register

from studio import environment


def _given(*names: str) -> list[str]:
    """Return the names that the environment gives, as themselves or as NAME_FILE."""
    return [name for name in names if environment.text(name)]


@register()
def check_storage(**_: Any) -> list[CheckMessage]:
    """S3: a bucket needs its keys together, and keys need a bucket."""
    keys = _given("S3_ACCESS_KEY", "S3_SECRET_KEY")
    if settings.S3_BUCKET and len(keys) == 1:
        return [
            Error(
                f"S3_BUCKET is set with {keys[0]} alone.",
                hint="Give S3_ACCESS_KEY and S3_SECRET_KEY both, or neither if the machine has a role.",
                id="mullion.E001",
            )
        ]
    others = _given("S3_ENDPOINT_URL", "S3_REGION", "S3_ACCESS_KEY", "S3_SECRET_KEY", "S3_PREFIX")
    if others and not settings.S3_BUCKET:
        return [
            Error(
                f"{', '.join(others)} without S3_BUCKET: files would go to {settings.MEDIA_ROOT}.",
                hint="Name the bucket in S3_BUCKET, or leave all S3 settings out to keep files here.",
                id="mullion.E002",
            )
        ]
    return []


@register()
def check_mail(**_: Any) -> list[CheckMessage]:
    """SMTP: name, password and sender belong to a host."""
    found: list[CheckMessage] = []
    orphans = _given("SMTP_USER", "SMTP_PASSWORD", "SMTP_PORT", "SMTP_SECURITY")
    if not settings.SMTP_HOST and orphans:
        found.append(
            Error(
                f"{', '.join(orphans)} without SMTP_HOST: no mail would leave.",
                hint="Name the mail server in SMTP_HOST, or leave all SMTP settings out.",
                id="mullion.E003",
            )
        )
    if settings.SMTP_HOST and bool(settings.EMAIL_HOST_USER) != bool(settings.EMAIL_HOST_PASSWORD):
        found.append(
            Error(
                "SMTP_USER and SMTP_PASSWORD: one is set without the other.",
                hint="Give both, or neither for a server that takes mail without signing in.",
                id="mullion.E004",
            )
        )
    if settings.SMTP_HOST and not _given("MAIL_FROM"):
        found.append(
            Error(
                f"SMTP_HOST is set, but mail would come from {settings.DEFAULT_FROM_EMAIL}.",
                hint="Set MAIL_FROM to an address that your mail server may send from.",
                id="mullion.E005",
            )
        )
    if (
        settings.SMTP_HOST
        and settings.EMAIL_HOST_PASSWORD
        and not (settings.EMAIL_USE_TLS or settings.EMAIL_USE_SSL)
    ):
        found.append(
            Warning(
                "SMTP_SECURITY is none: the mail server's password travels in the clear.",
                hint="Use SMTP_SECURITY=starttls or tls unless the mail server is this very machine.",
                id="mullion.W001",
            )
        )
    return found


@register()
def check_addresses(**_: Any) -> list[CheckMessage]:
    """The public address: https as soon as others can reach it."""
    found: list[CheckMessage] = []
    if not settings.IS_HTTPS and not settings.PUBLIC_IS_LOCAL:
        found.append(
            Warning(
                f"PUBLIC_URL is {settings.PUBLIC_URL}: links, passwords and pictures travel in the clear.",
                hint="Use an https address: serve --tls-cert and --tls-key, or a proxy that speaks TLS.",
                id="mullion.W002",
            )
        )
    if settings.BEHIND_PROXY and not settings.IS_HTTPS:
        found.append(
            Warning(
                "BEHIND_PROXY is yes, but PUBLIC_URL is an http address.",
                hint="Set PUBLIC_URL to the https address that the proxy answers.",
                id="mullion.W003",
            )
        )
    return found


@register()
def check_queue(**_: Any) -> list[CheckMessage]:
    """Database and queue: one machine's with one machine's."""
    is_sqlite = settings.DATABASES["default"]["ENGINE"].endswith("sqlite3")
    if settings.REDIS_URL and is_sqlite:
        return [
            Warning(
                "REDIS_URL is set, but the database is SQLite: workers on other machines would not see it.",
                hint="Set DATABASE_URL too, or leave REDIS_URL out.",
                id="mullion.W004",
            )
        ]
    if not settings.REDIS_URL and not is_sqlite:
        return [
            Warning(
                "DATABASE_URL is set without REDIS_URL: the queue is a folder of this machine.",
                hint="Set REDIS_URL to let workers run elsewhere.",
                id="mullion.W005",
            )
        ]
    return []


@register()
def check_intake_folders(**_: Any) -> list[CheckMessage]:
    """Folders that pictures are taken in from must not be the folder they are kept in."""
    data = settings.DATA_DIR
    return [
        Error(
            f"INTAKE_DIRS names {folder}, which shares a path with the data folder {data}.",
            hint="Name the card reader's or drop folder's own path.",
            id="mullion.E006",
        )
        for folder in settings.INTAKE_DIRS
        if _one_holds_other(folder.resolve(), data)
    ]


def _one_holds_other(one: Path, other: Path) -> bool:
    return one == other or one in other.parents or other in one.parents


@register(Tags.security, deploy=True)
def check_key_rights(**_: Any) -> list[CheckMessage]:
    """Keys in the data folder: readable by their owner alone."""
    return [
        Warning(
            f"{path} can be read by others (mode {path.stat().st_mode & 0o777:o}).",
            hint=f"chmod 600 {path}",
            id="mullion.W006",
        )
        for path in sorted(settings.DATA_DIR.glob("*.key"))
        if os.name == "posix" and path.stat().st_mode & 0o077
    ]
