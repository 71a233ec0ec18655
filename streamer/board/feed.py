"""The live feed: server-sent events (WHATWG HTML, 9.2) with the newest rows of tables.

A client is the versions that it has been sent and nothing else: no queue. Whoever is slow is asked
again only when its last send is through, and then gets the newest state; whoever takes longer than
`SEND_WITHIN_S` for one send is dropped and comes back. One ticker wakes all; it runs while there
are clients.
"""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Annotated, Final, cast

import structlog
from fastapi import APIRouter, Depends, Query
from sse_starlette import EventSourceResponse, ServerSentEvent
from sse_starlette.sse import SendTimeoutError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import Receive, Scope, Send

from streamer.board.access import FEED_PATH, Role, Who, need, still
from streamer.board.attempts import network_of
from streamer.board.making import moment_of
from streamer.board.problems import RETRY_AFTER_S, responses
from streamer.board.rows import PUBLIC_TABLE, Beat, RowsEvent
from streamer.board.tables import Delta, Tables
from streamer.clock import Clock, from_ms

log = structlog.get_logger()

TICK_S: Final = 0.25
BEAT_TICKS: Final = 20
"""5 s"""
LIFE_TICKS: Final = 2400
"""10 min, so that a reverse proxy or a changed right never meets a stream for ever."""
SEND_WITHIN_S: Final = 10.0
MOST_STREAMS: Final = 1000
"""Of those who are signed in."""
MOST_PUBLIC_STREAMS: Final = 200
"""Of the public, beside the others: whoever is not signed in takes no stream from who is."""
MOST_PUBLIC_OF_ADDRESS: Final = 50
"""Many people may share an address, as the board sees them; none gets all that there are."""
MOST_TABLES: Final = 64
_RETRY_MS: Final = 1000
_LINE: Final = "\n"

router = APIRouter(tags=["feed"])


class FeedResponse(EventSourceResponse):
    """A stream that ends quietly when its client does not take it."""

    media_type = "text/event-stream"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        except SendTimeoutError:
            log.info("a page was too slow and was dropped", within_s=SEND_WITHIN_S)


class Feed:
    """All streams of one app. Used in the event loop alone."""

    def __init__(self, tables: Tables, clock: Clock) -> None:
        self._tables = tables
        self._clock = clock
        self._task: asyncio.Task[None] | None = None
        self._wake = asyncio.Event()
        self._turn = 0
        self._told = -1
        self._tick = 0
        self._public: Counter[str] = Counter()
        self.streams = 0
        """All of them."""

    def full(self, public_from: str | None) -> bool:
        """Whether one more would be too many. `public_from`: the address of one of the public;
        None: of who is signed in."""
        public = self._public.total()
        if public_from is None:
            return self.streams - public >= MOST_STREAMS
        of_address = self._public[network_of(public_from)]
        return public >= MOST_PUBLIC_STREAMS or of_address >= MOST_PUBLIC_OF_ADDRESS

    def unknown(self, names: Sequence[str]) -> list[str]:
        """Those that are no tables."""
        return [name for name in names if name not in self._tables.names]

    async def stream(
        self,
        names: Sequence[str],
        still_allowed: Callable[[], bool],
        public_from: str | None = None,
    ) -> AsyncIterator[bytes]:
        """Events as bytes: every table as a whole, then what changes, with a beat now and then.
        `public_from` as in `full`."""
        self._enter(public_from)
        try:
            self._tables.settle()
            turn, ends = self._turn, self._tick + LIFE_TICKS
            since: dict[str, int | None] = dict.fromkeys(names)
            beat: int | None = None
            while True:
                for name in names:
                    delta = self._tables.delta(name, since[name])
                    if delta is not None:
                        since[name] = delta.version
                        yield _dressed(delta)
                if self._tick // BEAT_TICKS != beat:
                    if beat is not None and (self._tick >= ends or not still_allowed()):
                        return
                    # The first one, behind the tables, tells a page that it has them all.
                    yield self._beat(first=beat is None)
                    beat = self._tick // BEAT_TICKS
                # A turn that came while something was being sent is not waited for again.
                if self._turn == turn:
                    await self._wake.wait()
                turn = self._turn
        finally:
            self._leave(public_from)

    def _beat(self, first: bool) -> bytes:
        made_at = moment_of(self._tables.made_ms)
        text = Beat(at=from_ms(self._clock.now_ms()), made_at=made_at).model_dump_json()
        retry_ms = _RETRY_MS if first else None
        return ServerSentEvent(text, event="beat", retry=retry_ms, sep=_LINE).encode()

    # -- the ticker ----------------------------------------------------------------------------

    def _enter(self, public_from: str | None) -> None:
        self.streams += 1
        if public_from is not None:
            self._public[network_of(public_from)] += 1
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._run(), name="feed")

    def _leave(self, public_from: str | None) -> None:
        self.streams -= 1
        if public_from is not None:
            self._public -= Counter([network_of(public_from)])  # drops what comes to nothing
        if not self.streams and self._task is not None:
            self._task.cancel()
            self._task = None

    async def _run(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            self._tick += 1
            self._tables.settle()
            if self._tables.version != self._told or self._tick % BEAT_TICKS == 0:
                self._told = self._tables.version
                self._turn += 1
                woken, self._wake = self._wake, asyncio.Event()
                woken.set()


def _dressed(delta: Delta) -> bytes:
    """As an event; one for all who get the same."""
    if delta.dressed is None:
        event = ServerSentEvent(delta.json.decode(), event="rows", sep=_LINE)
        delta.dressed = event.encode()
    return delta.dressed


# -- the route -----------------------------------------------------------------------------------


def _asked(request: Request, tables: str) -> list[str]:
    names = list(dict.fromkeys(tables.split(",")))
    if len(names) > MOST_TABLES:
        raise HTTPException(422, f"tables: {len(names)} of them; at most {MOST_TABLES} are given")
    unknown = feed_of(request).unknown(names)
    if unknown:
        raise HTTPException(
            422,
            f"tables: no table {unknown[0]!r}; there are head, alerts, gateways, groups, places, "
            "public, and fanout/GROUP and roster/GROUP for each group",
        )
    return names


def _address_of(request: Request) -> str:
    return request.client.host if request.client else ""


def feed_of(request: Request) -> Feed:
    return cast(Feed, request.app.state.feed)


@router.get(
    FEED_PATH,
    response_class=FeedResponse,
    responses={
        200: {
            "description": "`rows` events with a RowsEvent as data, `beat` events with a Beat.",
            "model": RowsEvent,
        },
        **responses(401, 403, 421, 422, 503),
    },
)
async def feed(
    request: Request,
    who: Annotated[Who, Depends(need(Role.PUBLIC))],
    tables: Annotated[
        str,
        Query(
            description="names of tables, parted by commas; `public` alone needs no role",
            min_length=1,
            max_length=4000,
            examples=["head,alerts,fanout/SHORE"],
        ),
    ],
) -> FeedResponse:
    """Tables as they change. First every asked table as a whole, also an empty one.

    A stream lives for at most ten minutes; then, or when it is cut off, come again.
    """
    names = tables.split(",")
    if names != [PUBLIC_TABLE]:
        await need(Role.VIEW)(request)
    names = _asked(request, tables)
    streams = feed_of(request)
    public_from = _address_of(request) if who.role is Role.PUBLIC else None
    if streams.full(public_from):
        raise HTTPException(
            503, "as many pages are open as may be", headers={"Retry-After": str(RETRY_AFTER_S)}
        )
    events = streams.stream(names, lambda: still(request), public_from)
    return FeedResponse(events, ping=0, send_timeout=SEND_WITHIN_S, sep=_LINE)
