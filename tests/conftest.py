"""What every test stands on: its own file folders, and loud words about what could not run."""

import os
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from tests import beside

IN_CI = os.environ.get("CI") == "true"
POSTGRES_URL = os.environ.get("TEST_POSTGRES_URL", "postgres://postgres@127.0.0.1:5432/postgres")
REDIS_URL = beside.own_redis(os.environ.get("TEST_REDIS_URL", "redis://127.0.0.1:6379/15"))
HOW_TO_GET = {
    "browser": "install Chromium (Debian: apt-get install chromium) or name it in CHROMIUM",
    "postgres": "start PostgreSQL and name it in TEST_POSTGRES_URL (postgres://user@host:5432/postgres)",
    "redis": "start Redis and name it in TEST_REDIS_URL (redis://host:6379/15)",
}


def chromium_path() -> str | None:
    """Return the browser that the tests drive, or None."""
    named = os.environ.get("CHROMIUM")
    return (
        named or shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    )


def answers(url: str) -> bool:
    """Say whether something listens at the address."""
    parts = urlsplit(url)
    try:
        with socket.create_connection((parts.hostname or "", parts.port or 0), timeout=2):
            return True
    except OSError:
        return False


AVAILABLE: dict[str, bool] = {}


def is_available(need: str) -> bool:
    """Look once a run whether the program behind a marker is there."""
    if need not in AVAILABLE:
        AVAILABLE[need] = {
            "browser": lambda: chromium_path() is not None,
            "postgres": lambda: answers(POSTGRES_URL),
            "redis": lambda: answers(REDIS_URL),
        }[need]()
    return AVAILABLE[need]


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip what can't run here, and fail it in CI, where nothing may be missing."""
    for need, how in HOW_TO_GET.items():
        if item.get_closest_marker(need) and not is_available(need):
            if IN_CI:
                pytest.fail(f"{need} is missing; in CI nothing is skipped. To get it: {how}", pytrace=False)
            pytest.skip(f"{need} is missing: {how}")


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: object) -> None:
    """Take over what a test process beside this one looked for (see `pytest_sessionfinish`)."""
    for need, is_there in getattr(node, "workeroutput", {}).get("available", {}).items():
        AVAILABLE[need] = AVAILABLE.get(need, True) and is_there


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say loudly what was left out."""
    missing = [need for need, there in AVAILABLE.items() if not there]
    if missing:
        terminalreporter.section("NOT TRIED", sep="!", red=True)
        for need in missing:
            terminalreporter.line(f"tests marked {need}: to run them, {HOW_TO_GET[need]}")


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """In CI a skipped test is a failure; a test process beside others leaves that to the one that reports."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["available"] = AVAILABLE
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if IN_CI and reporter and reporter.stats.get("skipped") and exitstatus == 0:
        reporter.write_line(
            f"{len(reporter.stats['skipped'])} skipped: in CI nothing may be skipped", red=True
        )
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.fixture(autouse=True)
def _own_folders(settings: object, tmp_path: Path) -> None:
    """Give each test its own place for files, so that none sees another's."""
    for name, folder in (
        ("MEDIA_ROOT", "files"),
        ("PARTIAL_DIR", "partial"),
        ("CACHE_DIR", "cache"),
        ("QUEUE_DIR", "queue"),
    ):
        setattr(settings, name, tmp_path / folder)
        (tmp_path / folder).mkdir()


@pytest.fixture(autouse=True)
def _empty_cache() -> Iterator[None]:
    """Forget what an earlier test put into the cache (password tries, rate limits)."""
    from django.core.cache import cache

    yield
    cache.clear()


@pytest.fixture(scope="session")
def demo_files() -> Path:
    """The folder of real files that the repo carries: see its README."""
    return Path(__file__).resolve().parent.parent / "listings" / "demo_files"
