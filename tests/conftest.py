"""Settings of all tests."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# An example has no time limit: on a busy machine any example can be slow.
# `make soak` chooses the profile of that name; it has the full counts.
settings.register_profile("sample", deadline=None, max_examples=20)
settings.register_profile("soak", deadline=None, max_examples=100)
settings.load_profile("sample")


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """One Chromium for all tests of a process; an error, never a skip, where none can be had."""
    from playwright.sync_api import sync_playwright

    from tests.page.browser.chromium import found

    with sync_playwright() as driver:
        # No sandbox: a container has no user namespaces, and the pages are our own.
        program = driver.chromium.launch(executable_path=str(found()), args=["--no-sandbox"])
        yield program
        program.close()
