"""The live feed over a real uvicorn, read by httpx-sse (an outside reader of event streams).

Where the form of the stream matters, the judge is the WHATWG HTML standard, 9.2.6, 'Interpreting an
event stream': UTF-8, lines `field: value`, an empty line ends an event.
"""

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from streamer.board import feed
from streamer.board.feed import Feed
from streamer.board.picture import Picture
from streamer.board.rows import Beat, RowsEvent
from streamer.board.settings import BoardSettings
from streamer.board.users import load_users, write_users
from streamer.clock import ManualClock, from_ms
from streamer.contract.published import Alert
from tests.board.desk import Stream, app_of, served, settings_in
from tests.board.seen import Seen
from tests.board.test_picture import ALERT, NOW, alert, fanout
from tests.servers import Redis, wait_until
from tests.state.scene import region

pytestmark = pytest.mark.redis


class Show:
    """A served app, its picture, and pages that follow it."""

    def __init__(self, seen: Seen, app: FastAPI, address: str, ends: ExitStack) -> None:
        self.seen, self.app, self.address = seen, app, address
        self.picture: Picture = seen.picture
        self.feed: Feed = app.state.feed
        self._ends = ends

    def page(self, name: str | None = "watch") -> httpx.Client:
        client = httpx.Client(base_url=self.address, timeout=10)
        self._ends.callback(client.close)
        if name is not None:
            body = {"name": name, "password": "seven lamps on the ridge"}
            assert client.post("/api/v1/session", json=body).status_code == 200
        return client

    def stream(self, tables: str, name: str | None = "watch") -> Stream:
        stream = Stream(self.page(name), tables)
        self._ends.callback(stream.close)
        return stream

    def alerts(self, version: int, *names: str) -> None:
        for name in names:
            self.give(f"net/scene/alert/{name}", alert(version, name=name))

    def give(self, topic: str, message: Alert | Any) -> None:
        """As the picture's thread does; the event loop settles by itself."""
        payload = message.model_dump_json().encode() if message is not None else b""
        self.picture.take(topic, payload, NOW)
        self.picture.make(NOW)


@pytest.fixture
def ends() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


@pytest.fixture
def show(empty_redis: Redis, tmp_path: Path, ends: ExitStack) -> Show:
    return start(Seen(empty_redis.url), settings_in(tmp_path, public=True), ends)


def start(seen: Seen, settings: BoardSettings, ends: ExitStack) -> Show:
    app = app_of(seen, settings)
    seen.picture.make(NOW)
    return Show(seen, app, ends.enter_context(served(app)), ends)


def read_until(stream: Stream, check: Callable[[], object], most: int = 200) -> None:
    """Events are waited for by the client's own timeout."""
    for _ in range(most):
        if check():
            return
        stream.next()
    pytest.fail(f"not within {most} events: {[e.event for e in stream.events]}")


# -- what comes --------------------------------------------------------------------------------


def test_first_every_table_as_a_whole_then_a_beat_then_what_changes(show: Show) -> None:
    show.alerts(1, "a-1")
    stream = show.stream("alerts,groups,places,fanout/TALK")
    for name in ("alerts", "groups", "places", "fanout/TALK"):
        event = stream.next()
        said = RowsEvent.model_validate(event.json())
        assert (event.event, said.table, said.full) == ("rows", name, True)
    assert stream.rows["alerts"].keys() == {"a-1"}
    assert stream.rows["places"] == {}
    beat = stream.next()
    assert (beat.event, beat.retry) == ("beat", 1000)
    Beat.model_validate_json(beat.data)
    show.alerts(1, "a-2")
    event = stream.next()
    said = RowsEvent.model_validate(event.json())
    assert (said.table, said.full, list(said.rows)) == ("alerts", False, ["a-2"])
    show.give(ALERT, None)
    event = stream.next()
    assert event.json()["gone"] == ["a-1"]
    assert stream.rows["alerts"].keys() == {"a-2"}


def test_rows_are_those_of_the_documents(show: Show) -> None:
    stream = show.stream("head,groups,public")
    show.alerts(1, "a-1", "a-2")
    show.give("net/scene/fanout/TALK", fanout(1, "ridge/uhf"))
    read_until(stream, lambda: len(stream.rows) == 3)
    read_until(stream, lambda: stream.rows["groups"]["TALK"]["wanted"] == 1)
    read_until(stream, lambda: stream.rows["public"]["group:TALK"]["wanted"] == 1)
    page = show.page()
    for table in ("head", "groups", "public"):
        assert stream.rows[table] == page.get(f"/api/v1/{table}").json()["rows"]


def test_the_stream_has_the_form_of_the_standard(show: Show) -> None:
    """WHATWG HTML 9.2.5 and 9.2.6; nothing may store or hold it back (RFC 9111)."""
    name = 'odd "name" \u2028 \u0085 line'
    show.give(ALERT, alert(1).model_copy(update={"title": f"first\nsecond\r\n{name}"}))
    stream = show.stream("alerts")
    assert stream.headers["content-type"].split(";")[0] == "text/event-stream"
    assert stream.headers["cache-control"] == "no-store"
    assert stream.headers["x-accel-buffering"] == "no"
    raw = raw_bytes(show, "alerts", 2)
    text = raw.decode("utf-8")
    for block in text.split("\n\n")[:2]:
        for line in block.split("\n"):
            field, colon, value = line.partition(": ")
            assert (field in ("event", "data", "retry"), colon) == (True, ": "), line
            assert "\r" not in value
    assert stream.next().json()["rows"]["a-1"]["title"] == f"first\nsecond\r\n{name}"


def raw_bytes(show: Show, tables: str, events: int) -> bytes:
    found = b""
    with show.page().stream("GET", f"/api/v1/feed?tables={tables}") as said:
        for chunk in said.iter_raw():
            found += chunk
            if found.count(b"\n\n") >= events:
                break
    return found


def test_beats_come_while_nothing_changes(show: Show, monkeypatch: pytest.MonkeyPatch) -> None:
    quick(monkeypatch)
    stream = show.stream("places")
    for _ in range(5):
        stream.next()
    assert [e.event for e in stream.events] == ["rows", "beat", "beat", "beat", "beat"]


def test_a_beat_tells_when_the_picture_was_made(
    show: Show, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It comes by the time that it is, so it alone would make an old picture look fresh."""
    quick(monkeypatch)
    stream = show.stream("head")
    read_until(stream, lambda: stream.events and stream.events[-1].event == "beat")
    assert stream.events[-1].json()["made_at"] is None  # nobody keeps this picture
    tables, at_ms = show.picture.tables, show.seen.now_ms
    for made_ms in (at_ms, at_ms - 9_000):
        tables.made_ms = made_ms
        wanted = Beat(at=from_ms(at_ms), made_at=from_ms(made_ms))
        read_until(
            stream,
            lambda w=wanted: (  # type: ignore[misc]
                stream.events[-1].event == "beat"
                and Beat.model_validate_json(stream.events[-1].data) == w
            ),
        )


def quick(monkeypatch: pytest.MonkeyPatch, life: int = 10**9) -> None:
    monkeypatch.setattr(feed, "TICK_S", 0.01)
    monkeypatch.setattr(feed, "BEAT_TICKS", 2)
    monkeypatch.setattr(feed, "LIFE_TICKS", life)


def test_a_stream_ends_after_its_life_and_the_next_begins_anew(
    show: Show, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick(monkeypatch, life=6)
    for _ in range(2):
        stream = show.stream("alerts")
        events = list_all(stream)
        assert events[0] == "rows"
        assert 2 <= events.count("beat") <= 5
    wait_until(lambda: show.feed.streams == 0, "streams to be counted out")


def list_all(stream: Stream) -> list[str]:
    while True:
        try:
            stream.next()
        except StopIteration:
            return [e.event for e in stream.events]


def test_what_changed_often_between_two_ticks_is_sent_once(show: Show) -> None:
    stream = show.stream("alerts")
    read_until(stream, lambda: stream.events and stream.events[-1].event == "beat")
    before = len(stream.events)
    for version in range(1, 400):
        show.alerts(version, "a-1")
    read_until(stream, lambda: stream.rows["alerts"].get("a-1", {}).get("version") == 399)
    assert len(stream.events) - before < 40


def test_what_changes_while_something_is_sent_is_sent_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The stream is not waiting when the tick comes; no further tick may be needed."""
    monkeypatch.setattr(feed, "TICK_S", 0.01)
    picture = Picture(region(), NOW)
    own = Feed(picture.tables, ManualClock())

    async def follow() -> str:
        stream = aiter(own.stream(["alerts"], lambda: True))
        assert b"event: rows" in await anext(stream)
        assert b"event: beat" in await anext(stream)
        turn = own._turn
        picture.take(ALERT, alert(1).model_dump_json().encode(), NOW)
        while own._turn == turn:
            await asyncio.sleep(0.01)
        assert own._task is not None
        own._task.cancel()  # no more ticks
        async with asyncio.timeout(10):
            return (await anext(stream)).decode()

    assert '"a-1"' in asyncio.run(follow())


# -- many and slow -----------------------------------------------------------------------------


def test_all_who_are_in_step_get_the_same_text(show: Show) -> None:
    streams = [show.stream("alerts,groups") for _ in range(5)]
    show.alerts(1, *(f"a-{n}" for n in range(20)))
    for stream in streams:
        read_until(stream, lambda s=stream: len(s.rows.get("alerts", {})) == 20)  # type: ignore[misc]
    assert all(s.rows["alerts"] == streams[0].rows["alerts"] for s in streams)
    assert show.feed.streams == 5


def test_a_slow_page_holds_nobody_back_and_is_dropped(
    show: Show, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feed, "SEND_WITHIN_S", 0.5)
    monkeypatch.setattr(feed, "TICK_S", 0.02)
    token = next(iter(show.page().cookies.jar))
    with stuck(show.address, f"{token.name}={token.value}"):
        wait_until(lambda: show.feed.streams == 1, "the slow page")
        good = show.stream("alerts")
        version = 0

        def more() -> bool:
            """More than socket buffers hold, until the slow page's send is stuck."""
            nonlocal version
            version += 1
            big = alert(version).model_copy(update={"title": f"{version} " + "x" * 300_000})
            show.give(ALERT, big)
            read_until(good, lambda: good.rows["alerts"]["a-1"]["version"] == version)
            return show.feed.streams == 1

        read_until(good, lambda: "alerts" in good.rows)
        good.rows["alerts"].setdefault("a-1", {"version": 0})
        wait_until(more, "the slow page to be dropped")
        assert version > 3
        read_until(good, lambda: good.rows["alerts"]["a-1"]["version"] == version)


@contextmanager
def stuck(address: str, cookie: str) -> Iterator[None]:
    """A page that asks for the feed and never reads of it."""
    host, port = address.removeprefix("http://").split(":")
    with socket.socket() as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.connect((host, int(port)))
        head = f"GET /api/v1/feed?tables=alerts HTTP/1.1\r\nHost: {host}:{port}\r\n"
        sock.sendall(f"{head}Cookie: {cookie}\r\n\r\n".encode())
        yield


def test_nothing_runs_while_nobody_watches(show: Show) -> None:
    assert show.feed._task is None
    show.alerts(1, "a-1")
    assert show.picture.tables.version == 0  # noted, and not taken over
    stream = show.stream("alerts")
    assert stream.next().json()["rows"].keys() == {"a-1"}
    assert show.feed._task is not None
    stream.close()
    show.alerts(2, "a-1")
    wait_until(lambda: show.feed.streams == 0, "the page to be gone")
    wait_until(lambda: show.feed._task is None, "the ticker to stop")


def test_as_many_pages_as_there_may_be(show: Show, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed, "MOST_STREAMS", 1)
    first = show.stream("head")
    first.next()
    said = show.page().get("/api/v1/feed?tables=head")
    assert (said.status_code, said.json()["status"]) == (503, 503)
    assert int(said.headers["retry-after"]) > 0
    first.close()
    wait_until(lambda: show.feed.streams == 0, "the page to be gone")
    show.stream("head").next()


def test_strangers_take_the_feed_from_nobody_else(
    show: Show, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One page more than each bound, from one address and from several."""
    monkeypatch.setattr(feed, "MOST_STREAMS", 2)
    monkeypatch.setattr(feed, "MOST_PUBLIC_STREAMS", 4)
    monkeypatch.setattr(feed, "MOST_PUBLIC_OF_ADDRESS", 3)
    for _ in range(3):
        show.stream("public", name=None).next()
    said = show.page(None).get("/api/v1/feed?tables=public")
    assert (said.status_code, said.json()["status"]) == (503, 503)
    assert int(said.headers["retry-after"]) > 0
    monkeypatch.setattr(feed, "MOST_PUBLIC_OF_ADDRESS", 9)
    last = show.stream("public", name=None)
    last.next()
    assert show.page(None).get("/api/v1/feed?tables=public").status_code == 503
    mine = [show.stream(tables) for tables in ("head", "public")]
    assert [stream.status for stream in mine] == [200, 200]
    for stream in mine:
        stream.next()
    assert show.page().get("/api/v1/feed?tables=head").status_code == 503
    assert show.feed.streams == 6
    last.close()
    wait_until(lambda: show.feed.streams == 5, "the page to be gone")
    show.stream("public", name=None).next()


def test_of_each_address_a_few_strangers() -> None:
    """An IPv6 network of 64 bits is one address, as for attempts to sign in. The addresses are
    those for documents (RFC 3849, RFC 5737)."""
    own = Feed(Picture(region(), NOW).tables, ManualClock())
    near, far, other = "2001:db8:0:1::5", "2001:db8:0:1:ffff::9", "2001:db8:0:2::5"

    async def follow() -> None:
        streams = [own.stream(["public"], lambda: True, near) for _ in range(50)]
        for stream in streams:
            await anext(stream)
        assert [own.full(a) for a in (near, far, other, "192.0.2.1", None)] == [
            True, True, False, False, False,
        ]  # fmt: skip
        for stream in streams:
            await stream.aclose()  # type: ignore[attr-defined]
        assert not own.full(near)
        assert own.streams == 0

    asyncio.run(follow())


def test_the_app_ends_although_pages_are_open(show: Show) -> None:
    """`served` waits for the server's end, at the end of every test here."""
    for _ in range(3):
        show.stream("head").next()
    assert show.feed.streams == 3


# -- who may -----------------------------------------------------------------------------------


def test_unknown_tables_are_named(show: Show) -> None:
    page = show.page()
    for tables in ("nope", "head,fanout/NOPE", "head,", "fanout/talk", ","):
        said = page.get("/api/v1/feed", params={"tables": tables})
        assert said.status_code == 422, tables
        assert said.headers["content-type"] == "application/problem+json"
    many = ",".join(f"fanout/G{n}" for n in range(65))
    assert page.get("/api/v1/feed", params={"tables": many}).status_code == 422
    assert page.post("/api/v1/feed?tables=head").status_code in (403, 405)


def test_the_public_gets_its_own_table_alone(show: Show) -> None:
    stream = show.stream("public", name=None)
    assert stream.next().json()["rows"]["region"]["kind"] == "region"
    for tables in ("head", "public,head", "places"):
        said = show.page(None).get("/api/v1/feed", params={"tables": tables})
        assert said.status_code == 401, tables


def test_the_public_gets_nothing_where_it_is_not_wanted(
    empty_redis: Redis, tmp_path: Path, ends: ExitStack
) -> None:
    show = start(Seen(empty_redis.url), settings_in(tmp_path), ends)
    assert show.page(None).get("/api/v1/feed?tables=public").status_code == 401


def test_a_removed_user_loses_the_stream(
    show: Show, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick(monkeypatch)
    gone, stays = show.stream("head", "desk"), show.stream("head", "watch")
    for stream in (gone, stays):
        read_until(stream, lambda s=stream: s.events and s.events[-1].event == "beat")  # type: ignore[misc]
    file = tmp_path / "users.toml"
    users = load_users(file)
    del users["desk"]
    write_users(file, users)
    events = list_all(gone)
    assert events[-1] == "beat"
    assert stays.next().event in ("beat", "rows")
    assert show.feed.streams == 1
