"""Chromium for the browser tests: the system's own, driven by Playwright."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.conftest import chromium_path

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def chromium() -> Iterator[object]:
    """A running browser; each person of a test gets a context of their own in it.

    For one module only: Playwright can't be started a second time in a process while it still runs.
    """
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=ARGUMENTS)
        yield browser
        browser.close()
