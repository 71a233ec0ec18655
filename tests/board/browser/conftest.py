"""One Chromium for this folder; tabs that fail the test on any complaint of the browser.

The browser ends with the folder: while it runs, this thread counts as one with a running event
loop, and tests elsewhere start their own.
"""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, expect, sync_playwright

from tests.board.browser.tab import ARGUMENTS, Tab
from tests.board.rig import BoardProcess
from tests.servers import program

OpenTab = Callable[..., Tab]
WAIT_MS = 20_000
expect.set_options(timeout=WAIT_MS)


@pytest.fixture(scope="package")
def chromium() -> Iterator[Browser]:
    found = program("chromium")
    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=found, args=list(ARGUMENTS))
        yield browser
        browser.close()


@pytest.fixture
def open_tab(chromium: Browser) -> Iterator[OpenTab]:
    """`open_tab(board, **context)`: somebody opens the browser; `context` is Playwright's."""
    tabs: list[Tab] = []

    def open_one(board: BoardProcess, **context: Any) -> Tab:
        made = chromium.new_context(**{"reduced_motion": "reduce", **context})
        made.set_default_timeout(WAIT_MS)
        tabs.append(Tab(made, board.url))
        return tabs[-1]

    yield open_one
    for tab in tabs:
        tab.page.close()
    for tab in tabs:
        tab.context.close()
    for tab in tabs:
        tab.check()
