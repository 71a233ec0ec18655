"""Lines without a time of their own that are read long after they were written, stores that fail
and are tried again, and places that are spoilt: what is stored in the end."""

import json
import logging
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from streamer.agent.agent import Agent
from streamer.agent.sources.file import FileSource
from streamer.agent.spool import SpoolError
from streamer.agent.spool_repair import KINDS
from streamer.clock import ManualClock
from streamer.mqtt.settings import BrokerSettings
from tests.servers import free_port

from .tools import settings_for, until

PATTERNS = [
    {
        "map": "m", "event": "heard", "fields": {"phase": "start"},
        "regex": r"^key down (?P<station>\S+)$",
    },
    {
        "map": "m", "event": "heard", "fields": {"phase": "end"},
        "regex": r"^key up (?P<station>\S+) after (?P<duration_s>\S+)$",
    },
    {"map": "m", "event": "route", "regex": r"^(?P<group>\S+) (?P<action>carrying|released)$"},
    {"map": "m", "event": "repeater", "regex": r"^transmitter (?P<up>up|down)$"},
    {
        "map": "m", "event": "heard", "fields": {"phase": "end"},
        "regex": r"^(?P<time>\S+) key up (?P<station>\S+) after (?P<duration_s>\S+)$",
    },
]  # fmt: skip
HOUR_S = 3600
Begin = Callable[[], Agent]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "radio.log"


@pytest.fixture
def clock() -> ManualClock:
    """2026-01-01T00:00:00Z."""
    return ManualClock()


@pytest.fixture
def agent(tmp_path: Path, log: Path, clock: ManualClock) -> Iterator[Begin]:
    """Agents that follow the log from its beginning, one after the other; no broker. They are not
    started: the test reads (`read`), so that its clock stands still meanwhile."""
    made: list[Agent] = []

    def begin() -> Agent:
        for before in made:
            before.stop(abrupt=True)
        source = {
            "type": "file", "path": log, "start": "begin", "format": "pattern", "patterns": "m",
            "repeater": "uhf",
        }  # fmt: skip
        nowhere = BrokerSettings(port=free_port(), connect_timeout_s=0.2)
        settings = settings_for(tmp_path, nowhere, source=[source], pattern=PATTERNS)
        made.append(Agent(settings, clock))
        return made[-1]

    yield begin
    for one in made:
        one.stop(abrupt=True)


def followed(agent: Agent) -> FileSource:
    (source,) = agent.sources
    assert isinstance(source, FileSource)
    if source._file is None:
        source._resume()
    return source


def read(agent: Agent) -> None:
    """What the source's thread does in one turn, up to the file's end."""
    source = followed(agent)
    while source._read():
        pass
    source._look_for_rotation()


def written(path: Path, text: str, clock: ManualClock, ago_s: float = 0.0) -> None:
    """Append lines, `ago_s` before the clock's time."""
    with path.open("a") as file:
        file.write(text)
    at_ns = round((clock.now_ms() - ago_s * 1000) * 1e6)
    os.utime(path, ns=(at_ns, at_ns))


def stored(agent: Agent) -> list[dict[str, Any]]:
    rows = [row for kind in KINDS for row in agent._spool.after(kind, 0, 100_000)]
    return [json.loads(row.payload) for row in sorted(rows, key=lambda row: row.id)]


def remembered(agent: Agent) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(agent._spool.place("repeater:uhf") or "{}")
    return found


def beat(agent: Agent) -> dict[str, Any]:
    """The repeater `uhf` as the next heartbeat tells of it."""
    found: dict[str, Any] = json.loads(agent._heartbeat.beat(0.0))["repeaters"][0]
    return found


# -- late ----------------------------------------------------------------------------------------


def test_a_line_read_after_a_stop_is_of_its_files_time(
    agent: Begin, log: Path, clock: ManualClock
) -> None:
    """By hand: written 22:00, read 00:00."""
    written(log, "key down QA1ABC\nNET-1 carrying\ntransmitter down\n", clock, 2 * HOUR_S)
    one = agent()
    read(one)
    heard, route = stored(one)
    assert (heard["sent_at"], heard["started_at"]) == (
        "2026-01-01T00:00:00.000Z",
        "2025-12-31T22:00:00Z",
    )
    assert route["at"] == "2025-12-31T22:00:00Z"
    assert beat(one)["changed_at"] == "2025-12-31T22:00:00Z"


def test_an_end_read_late_began_so_long_before(agent: Begin, log: Path, clock: ManualClock) -> None:
    """By hand: at the latest it ended at 22:00, after 150 s."""
    written(log, "key up QA1ABC after 150\nkey up QA1ABC after 2\n", clock, 2 * HOUR_S)
    one = agent()
    read(one)
    long, short = stored(one)
    assert long["started_at"] == "2025-12-31T21:57:30Z"
    assert short["started_at"] == "2025-12-31T21:59:58Z"
    assert long["over"] != short["over"]


def test_start_and_end_read_late_are_one_over(agent: Begin, log: Path, clock: ManualClock) -> None:
    overs = "key down {0}\nkey up {0} after 2\n"
    text = overs.format("QA1ABC") + overs.format("QA1ABC") + overs.format("QB1ABC")
    written(log, text, clock, 2 * HOUR_S)
    one = agent()
    read(one)
    found = [event["over"] for event in stored(one)]
    assert found[::2] == found[1::2]
    assert len(set(found)) == 3
    assert {event["started_at"] for event in stored(one)} == {"2025-12-31T22:00:00Z"}


def test_a_time_of_its_own_stands(agent: Begin, log: Path, clock: ManualClock) -> None:
    """And it makes the over's name, so that a line that is read twice tells of one over."""
    written(log, "2025-12-31T20:00:10Z key up QA1ABC after 10\n" * 2, clock, 2 * HOUR_S)
    one = agent()
    read(one)
    first, second = stored(one)
    assert first["started_at"] == second["started_at"] == "2025-12-31T20:00:00Z"
    assert first["over"] == second["over"]


def test_lines_read_as_they_come_are_of_now(agent: Begin, log: Path, clock: ManualClock) -> None:
    """Whatever the file's clock says: it may lie on another machine."""
    written(log, "", clock)
    one = agent()
    read(one)
    clock.advance_s(1)
    written(log, "key down QA1ABC\n", clock, 2 * HOUR_S)
    read(one)
    (event,) = stored(one)
    assert event["sent_at"] == "2026-01-01T00:00:01.000Z"
    assert "started_at" not in event


def test_a_file_of_the_future_is_of_now(agent: Begin, log: Path, clock: ManualClock) -> None:
    """The clock was set back since."""
    written(log, "key down QA1ABC\nNET-1 carrying\n", clock, -2 * HOUR_S)
    one = agent()
    read(one)
    heard, route = stored(one)
    assert "started_at" not in heard
    assert route["at"] == "2026-01-01T00:00:00Z"


def test_what_waited_for_the_disk_is_of_when_it_was_read(
    agent: Begin, log: Path, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    written(log, "", clock)
    one = agent()
    read(one)
    clock.advance_s(1)
    written(log, "key down QA1ABC\n", clock)
    record = one._spool.record

    def full_for_an_hour(*given: Any) -> list[int]:
        monkeypatch.setattr(one._spool, "record", record)
        clock.advance_s(HOUR_S)
        raise SpoolError("the disk is full")

    monkeypatch.setattr(one._spool, "record", full_for_an_hour)
    monkeypatch.setattr(followed(one), "pause", lambda _: None)
    read(one)
    (event,) = stored(one)
    assert event["sent_at"] == "2026-01-01T01:00:01.000Z"
    assert event["started_at"] == "2026-01-01T00:00:01Z"


def test_what_came_meanwhile_is_of_its_files_time(
    agent: Begin, log: Path, clock: ManualClock
) -> None:
    """Nobody looked at the file for an hour; it was last written half an hour ago."""
    written(log, "", clock)
    one = agent()
    read(one)
    clock.advance_s(HOUR_S)
    written(log, "key down QA1ABC\n", clock, HOUR_S / 2)
    read(one)
    assert stored(one)[0]["started_at"] == "2026-01-01T00:30:00Z"


def test_the_rest_of_a_rotated_file_and_what_follows(
    agent: Begin, log: Path, clock: ManualClock
) -> None:
    """Each is of its own file's time; that the end of the first was seen says nothing of the
    second."""
    written(log, "key down QA1ABC\n", clock)
    one = agent()
    read(one)
    clock.advance_s(5 * HOUR_S)
    written(log, "key down QB1ABC\n", clock, 3 * HOUR_S)
    log.rename(log.with_name("radio.log.1"))
    written(log, "key down QC1ABC\n", clock, 2 * HOUR_S)
    one = agent()
    read(one)
    found = {event["station"]: event.get("started_at") for event in stored(one)}
    assert found == {
        "QA1ABC": None,
        "QB1ABC": "2026-01-01T02:00:00Z",
        "QC1ABC": "2026-01-01T03:00:00Z",
    }


# -- stores that fail ------------------------------------------------------------------------------


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[Agent, str, str], None]:
    """The next write of a row to `table`, whose first column begins with `name`, fails as on a full
    disk: by a trigger, so that SQLite itself takes back what went before."""

    def set_up(one: Agent, table: str, name: str) -> None:
        db = one._spool._db
        column = "kind" if table == "event" else "source"
        db.execute(
            f"CREATE TEMP TRIGGER full BEFORE INSERT ON {table} WHEN NEW.{column} LIKE '{name}%' "
            "BEGIN SELECT RAISE(ROLLBACK, 'database or disk is full'); END"
        )

        def emptied(_: float) -> None:
            db.execute("DROP TRIGGER full")

        monkeypatch.setattr(followed(one), "pause", emptied)

    return set_up


@pytest.mark.parametrize("table", ["event", "place"])
def test_an_over_is_not_torn_apart(
    agent: Begin,
    log: Path,
    clock: ManualClock,
    failing: Callable[[Agent, str, str], None],
    table: str,
) -> None:
    """Neither its start nor its end is stored at once."""
    written(log, "", clock)
    one = agent()
    read(one)
    for text in ("key down QA1ABC\n", "key up QA1ABC after 2\n"):
        clock.advance_s(2)
        written(log, text, clock)
        failing(one, table, "heard" if table == "event" else "file:")
        clock.advance_s(1)
        read(one)
    start, end = stored(one)
    assert (start["phase"], end["phase"]) == ("start", "end")
    assert start["over"] == end["over"]
    assert one.status().last_seq == 2


def test_the_end_keeps_its_starts_time_and_correction(
    agent: Begin, log: Path, clock: ManualClock, failing: Callable[[Agent, str, str], None]
) -> None:
    written(log, "key down QA1ABC\n", clock, 2 * HOUR_S)
    one = agent()
    read(one)
    (start,) = stored(one)
    one._intake._offsets[start["over"]] = 7.0  # as if it had been known then
    written(log, "key up QA1ABC after 2\n", clock, HOUR_S)
    failing(one, "place", "file:")
    read(one)
    end = stored(one)[1]
    assert (end["over"], end["started_at"]) == (start["over"], start["started_at"])
    assert end["clock_offset_s"] == 7.0


def test_what_a_program_gives_once_more_is_the_same_over(
    agent: Begin, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = agent()
    given = {"repeater": "uhf", "station": "QA1ABC", "started_at": "2025-12-31T23:59:00Z"}
    one.submit({**given, "phase": "start"})
    end = {"repeater": "uhf", "station": "QA1ABC", "phase": "end", "duration_s": 2}
    with pytest.raises(ValueError, match="dance"):
        one.submit_many([end, {"event": "dance"}])
    one.submit(end)
    first, second = stored(one)
    assert (first["over"], first["started_at"]) == (second["over"], second["started_at"])


def test_a_repeaters_change_and_the_events_beside_it_are_stored_once(
    agent: Begin, log: Path, clock: ManualClock, failing: Callable[[Agent, str, str], None]
) -> None:
    written(log, "", clock)
    one = agent()
    read(one)
    written(log, "key down QA1ABC\ntransmitter down\n", clock)
    failing(one, "place", "repeater:")
    read(one)
    assert len(stored(one)) == 1
    assert remembered(one)["up"] is False
    assert beat(one)["up"] is False
    one = agent()
    assert beat(one)["up"] is False
    read(one)
    assert len(stored(one)) == 1


def test_a_change_that_is_not_stored_has_not_happened(
    agent: Begin, failing: Callable[[Agent, str, str], None], log: Path
) -> None:
    log.touch()
    one = agent()
    failing(one, "place", "repeater:")
    with pytest.raises(SpoolError, match="full"):
        one.set_repeater("uhf", up=False)
    assert beat(one)["up"] is True
    assert not one._heartbeat._changed
    one._spool._db.execute("DROP TRIGGER full")
    assert one.set_repeater("uhf", up=False)
    assert one._heartbeat._changed
    assert beat(one)["up"] is False
    assert one.set_repeater("uhf", up=False)  # as it is already
    assert not one._heartbeat._changed
    assert not one.set_repeater("nowhere", up=False)


# -- places ----------------------------------------------------------------------------------------


def spoil(folder: Path, name: str, place: bytes) -> None:
    with closing(sqlite3.connect(folder / "spool.db")) as db, db:
        changed = db.execute(
            "UPDATE place SET place = CAST(? AS TEXT) WHERE source = ?", (place, name)
        )
        assert changed.rowcount == 1


@pytest.mark.parametrize("place", [b"worn", b"[1, 2", b"\xff\xfe", b"[1, -2, 3]", b"2", b""])
@pytest.mark.parametrize("there", [True, False])
def test_an_agent_begins_with_spoilt_places(
    agent: Begin,
    log: Path,
    clock: ManualClock,
    caplog: pytest.LogCaptureFixture,
    place: bytes,
    there: bool,
) -> None:
    """Started in full, with its threads, whether the file is there or comes later."""
    written(log, "key down QA1ABC\ntransmitter down\n", clock)
    one = agent()
    read(one)
    one.stop(abrupt=True)
    spoil(log.parent, f"file:{log}", place)
    spoil(log.parent, "repeater:uhf", place)
    text = log.read_text()
    if not there:
        log.unlink()
    with caplog.at_level(logging.WARNING):
        one = agent()
        assert beat(one)["up"] is True
        one.start()
        if not there:
            until(lambda: "file_not_there" in caplog.messages, "a look for the file")
            log.write_text(text)
        until(lambda: len(stored(one)) == 2, "the file read once more")
        with log.open("a") as file:
            file.write("key down QB1ABC\n")
        until(lambda: len(stored(one)) == 3, "the file followed")
    assert caplog.messages.count("place_unreadable") == 1
    assert caplog.messages.count("repeater_unreadable") == 1
    assert "source_failed" not in caplog.messages
    assert beat(one)["up"] is False
    caplog.clear()
    one = agent()
    read(one)
    assert len(stored(one)) == 3
    assert not [text for text in caplog.messages if "unreadable" in text]


def test_the_clock_of_these_tests() -> None:
    moment = datetime.fromtimestamp(ManualClock().now_ms() / 1000, UTC)
    assert moment == datetime(2026, 1, 1, tzinfo=UTC)
