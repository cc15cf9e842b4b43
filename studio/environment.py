"""Reads the environment: each value is checked, and a wrong one stops the start and says what is accepted.

Any NAME may be given as NAME_FILE instead: the path of a file that holds the value (secrets in containers).
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from django.core.exceptions import ImproperlyConfigured


def refuse(name: str, *, need: str, got: str) -> ImproperlyConfigured:
    """Return the error that names the variable, what is accepted and what was given."""
    return ImproperlyConfigured(f"{name}: need {need}, got {got!r}")


def text(name: str, default: str = "", *, choices: Sequence[str] = ()) -> str:
    """Return NAME, or what the file named by NAME_FILE holds, or the default (also for an empty value)."""
    file = os.environ.get(f"{name}_FILE")
    value = os.environ.get(name)
    if file and value:
        raise ImproperlyConfigured(f"{name} and {name}_FILE are both set: give one of them")
    if file:
        try:
            value = Path(file).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "it is not text"
            raise ImproperlyConfigured(f"{name}_FILE: {file} can't be read ({reason})") from error
    value = value or default
    if choices and value not in choices:
        raise refuse(name, need=" or ".join(choices), got=value)
    return value


def flag(name: str, *, default: bool) -> bool:
    """Return yes or no as a bool."""
    return text(name, "yes" if default else "no", choices=("yes", "no")) == "yes"


def number(name: str, default: int, *, least: int, most: int) -> int:
    """Return a whole number within its limits."""
    value = text(name, str(default))
    need = f"a whole number from {least} to {most}"
    try:
        found = int(value)
    except ValueError as error:
        raise refuse(name, need=need, got=value) from error
    if not least <= found <= most:
        raise refuse(name, need=need, got=value)
    return found


def address(name: str, default: str = "", *, schemes: Sequence[str]) -> SplitResult | None:
    """Return an address split into its parts, or None when there is none."""
    value = text(name, default).rstrip("/")
    if not value:
        return None
    need = f"an address like {schemes[-1]}://host"
    try:
        parts = urlsplit(value)
        has_port = parts.port is None or parts.port > 0
    except ValueError as error:
        raise refuse(name, need=need, got=_without_password(value)) from error
    if parts.scheme not in schemes or not parts.hostname or not has_port:
        raise refuse(name, need=f"{need} ({', '.join(schemes)})", got=_without_password(value))
    return parts


def folders(name: str) -> list[Path]:
    """Return a list of whole paths, separated as the system separates them (`:`, on Windows `;`)."""
    found = [Path(part).expanduser() for part in text(name).split(os.pathsep) if part.strip()]
    for folder in found:
        if not folder.is_absolute():
            raise refuse(name, need=f"whole paths separated by {os.pathsep!r}", got=str(folder))
    return found


def words(name: str) -> list[str]:
    """Return a list that was given with commas."""
    return [part.strip() for part in text(name).split(",") if part.strip()]


def _without_password(value: str) -> str:
    """An address as it may be shown: the part before @ left out."""
    scheme, mark, rest = value.partition("://")
    return f"{scheme}{mark}…@{rest.rsplit('@', 1)[1]}" if "@" in rest else value
