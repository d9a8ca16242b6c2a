"""One Chromium for all tests of a process."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.page.browser.chromium import found


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as driver:
        # No sandbox: a container has no user namespaces, and the pages are our own.
        program = driver.chromium.launch(executable_path=str(found()), args=["--no-sandbox"])
        yield program
        program.close()
