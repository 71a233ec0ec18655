"""A page in a real browser that keeps every complaint which it has: errors, failed requests,
requests to anywhere but its board."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final
from urllib.parse import urlsplit

from playwright.sync_api import BrowserContext, ConsoleMessage, Page, Request, Response

ARGUMENTS: Final = (
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",  # in a container it may be too small for a browser
)
GIVEN_UP: Final = "net::ERR_ABORTED"
"""The page itself ended the request: it went elsewhere, or closed its feed."""
SETTLED: Final = "#content[aria-busy=false]"
FEED: Final = "/api/v1/feed"
QUIET: Final = """() => new Promise(done => {
    let quiet = null;
    const restart = () => { clearTimeout(quiet); quiet = setTimeout(finish, 200); };
    const observer = new MutationObserver(restart);
    const finish = () => {
        observer.disconnect();
        clearTimeout(latest);
        clearTimeout(quiet);
        done();
    };
    const latest = setTimeout(finish, 3000);
    observer.observe(document.body, {childList: true, subtree: true});
    restart();
})"""
"""Nothing has been put in or taken out for 0.2 s; ages tick once a second."""


class Tab:
    """One page of a board in a browser context of its own."""

    def __init__(self, context: BrowserContext, base: str) -> None:
        self.context = context
        self.base = base
        self.complaints: list[str] = []
        self._forgiven: list[re.Pattern[str]] = []
        self.page: Page = context.new_page()
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self._complain(f"uncaught: {error}"))
        self.page.on("requestfailed", self._failed)
        self.page.on("request", self._request)
        self.page.on("response", self._response)
        self.page.on("requestfinished", self._answered)
        self._unanswered: set[Request] = set()

    def go(self, path: str) -> Page:
        """Open a page of the board and wait until it has drawn itself."""
        self.page.goto(self.base + path)
        self.page.wait_for_selector(SETTLED)
        return self.page

    def whole(self, path: str) -> Page:
        """The same, and wait until what the page asks for after its first drawing is drawn too."""
        self.go(path)
        self.page.evaluate(QUIET)
        while self._unanswered:  # each request has a time limit of its own
            self.page.evaluate(QUIET)
        return self.page

    @contextmanager
    def forgiving(self, *patterns: str) -> Iterator[None]:
        """What the browser complains about meanwhile is expected, if it matches one of these.

        What it still has to say about it may come late: nothing is forgotten at the end.
        """
        self._forgiven += [re.compile(pattern) for pattern in patterns]
        yield

    def check(self) -> None:
        """Fails on the first complaint, showing all."""
        left = [c for c in self.complaints if not any(f.search(c) for f in self._forgiven)]
        assert not left, f"{self.page.url}: " + "\n".join(left)

    def _complain(self, text: str) -> None:
        self.complaints.append(text)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning", "assert"):
            where = message.location.get("url", "")
            self._complain(f"console {message.type}: {message.text} ({where})")

    def _answered(self, request: Request) -> None:
        self._unanswered.discard(request)

    def _failed(self, request: Request) -> None:
        self._unanswered.discard(request)
        if request.failure != GIVEN_UP:
            self._complain(f"failed: {request.method} {request.url}: {request.failure}")

    def _request(self, request: Request) -> None:
        if FEED not in request.url:
            self._unanswered.add(request)
        parts = urlsplit(request.url)
        if parts.scheme not in ("data", "blob") and not request.url.startswith(f"{self.base}/"):
            self._complain(f"asked another host: {request.url}")

    def _response(self, response: Response) -> None:
        if response.status >= 400:
            request = response.request
            self._complain(f"answer {response.status}: {request.method} {request.url}")
