"""What the fuzzer and the properties found, each kept as the input that showed it."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from streamer.agent.config import AgentConfigError, SourceSettings, load_settings
from streamer.agent.events import EventError, EventMaker
from streamer.agent.intake import ClockWatch, Intake
from streamer.agent.logs import Log
from streamer.agent.outgoing import Outgoing
from streamer.agent.spool import Spool
from streamer.alerts.cap.check import problems_of
from streamer.clock import ManualClock
from streamer.contract.topics import Kind
from streamer.domain.cells import resolution_of
from streamer.domain.durations import seconds_of
from streamer.lab.grid import GridError, _value
from streamer.mqtt.settings import broker_from_url
from tests.fuzz import lines, spools
from tests.fuzz.targets import TARGETS


def sentence(body: str) -> bytes:
    total = 0
    for character in body.encode():
        total ^= character
    return f"${body}*{total:02X}".encode()


def test_a_sentence_with_a_day_that_is_none() -> None:
    """The reader leaves such a date as text; the position stands without a time of its own."""
    text = sentence("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,310294,003.1,W")
    lines.sentence(text.decode())


@pytest.mark.parametrize(
    "line",
    [
        b"P 0001-01-01T00:00:00+01:00 up",
        b"P 9999-12-31T23:59:59-01:00 up",
        b"L 0001-01-01T00:00:00 end QA1ABC NET 1",
    ],
)
def test_a_log_line_from_before_all_time(line: bytes) -> None:
    lines.line("pattern", line)


def test_an_end_from_before_all_time() -> None:
    given = {
        "station": "QA1ABC", "phase": "end", "duration_s": 60, "ended_at": "0001-01-01T00:00:00Z",
    }  # fmt: skip
    with pytest.raises(EventError, match="ended_at"):
        EventMaker("ridge").make(given, lines.NOW_MS, "uhf")


def test_a_fault_of_ours_costs_its_line_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A followed file would be read from the same line for ever, and a datagram's other lines be
    lost."""
    clock = ManualClock(lines.NOW_MS)
    log = Log(clock)
    with closing(Spool(":memory:", lines.NOW_MS)) as spool:
        intake = Intake(lines.SETTINGS, spool, ClockWatch(clock, log), log, lambda *_: [])
        real = EventMaker.make

        def faulty(maker: EventMaker, given: object, *rest: object, **more: object) -> object:
            if isinstance(given, dict) and given.get("station") == "FAULT":
                raise ZeroDivisionError
            return real(maker, given, *rest, **more)  # type: ignore[arg-type]

        monkeypatch.setattr(EventMaker, "make", faulty)
        source = SourceSettings(type="stdin", repeater="uhf")
        texts = [
            json.dumps({"station": station, "phase": "start", "started_at": "2026-01-01T00:00:00Z"})
            for station in ("QA1ABC", "FAULT", "QB1ABC")
        ]
        intake.lines(source, [text.encode() for text in texts], ("file:x", "place"))
        assert (intake.counts["events"], intake.counts["bad"]) == (2, 1)
        assert spool.place("file:x") == "place"


@pytest.mark.parametrize(
    "content", [b"a = " + b"[" * 100_000, b"a = " + b"9" * 5000, b"\xff\xfe", b"a = \xff"]
)
def test_an_agents_file_that_the_reader_of_toml_gives_up(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "agent.toml"
    path.write_bytes(content)
    with pytest.raises(AgentConfigError, match="not TOML"):
        load_settings(path)


@pytest.mark.parametrize("word", ["[" * 100_000, "9" * 5000])
def test_a_setting_that_the_reader_of_toml_gives_up(word: str) -> None:
    with pytest.raises(GridError, match="must be a number"):
        _value("x", "linger_s", word)


@pytest.mark.parametrize("text", ["9" * 400, f"{'9' * 400}h", "3660001m0s", "87841h"])
def test_a_time_that_no_clock_can_be_moved_by(text: str) -> None:
    with pytest.raises(ValueError, match="give a time"):
        seconds_of(text)


def test_ten_years_are_taken() -> None:
    """By hand: 3660 days of 24 hours are 87,840 hours."""
    assert seconds_of("87840h") == 3660 * 24 * 3600


def test_a_cell_of_too_many_digits() -> None:
    assert resolution_of("872834728343477270") is None


def test_a_cap_time_with_a_blank_in_its_offset() -> None:
    content = TARGETS["cap"].seeds()[0].replace(b"00-00:00<", b"00-00:0 <")
    (problem,) = problems_of(content)
    assert "is no CAP time" in problem


@pytest.mark.parametrize(
    "url", ["red/is://x:secret-word@h/", "mqtt://u:secret/word@h", "ftp://u@h:secret-word@h"]
)
def test_a_brokers_address_is_shown_without_what_may_be_a_password(url: str) -> None:
    with pytest.raises(ValueError, match="broker address") as refused:
        broker_from_url(url)
    assert "secret" not in str(refused.value)


# -- spools --------------------------------------------------------------------------------------


def spoil(path: Path, query: str, *given: object) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(query, given)


def test_a_boot_that_is_none_is_damage(tmp_path: Path) -> None:
    """The agent would end at each start."""
    path = spools.filled(tmp_path, 10)
    spoil(path, "UPDATE boot SET boot = 'worn'")
    with closing(Spool(path, spools.NOW_MS)) as spool:
        assert spool.repair is not None
        assert spool.repair.events == 10
        assert {name: spool.place(name) for name in spools.PLACES} == spools.PLACES


def test_events_in_the_log_of_a_damaged_spool_are_carried_over(tmp_path: Path) -> None:
    """The newest stand in it; it used to be deleted."""
    path = spools.filled(tmp_path, 10)
    content = bytearray(path.read_bytes())
    content[-300:] = b"\xa5" * 300
    path.write_bytes(content)
    known = spools.rows_read_alone(path)
    assert max(known) == 10
    with closing(Spool(path, spools.NOW_MS)) as spool:
        assert {row.id for row in spool.after(Kind.HEARD, 0, 100)} == set(known)


def sent(path: Path) -> tuple[list[int], int]:
    """The ids that go out, and how many were buried."""
    with closing(Spool(path, spools.NOW_MS)) as spool:
        outgoing = Outgoing(spool, Log(ManualClock()), 50)
        found = []
        for token, message in enumerate(outgoing.messages(0.0)):
            json.loads(message.payload)
            outgoing.sent(message, token)
            found += [row.id for row in message.rows]
        return found, spool.dead


def test_an_event_that_a_worn_card_changed_costs_no_array(tmp_path: Path) -> None:
    """SQLite does not notice: the bytes of a payload have no checksum."""
    path = spools.filled(tmp_path, 120)
    for number in (1, 60, 61, 120):
        spoil(path, "UPDATE event SET payload = X'7B227B' WHERE id = ?", number)
    found, dead = sent(path)
    assert found == [n for n in range(1, 121) if n not in (1, 60, 61, 120)]
    assert dead == 4


def test_a_whole_chunk_of_changed_events_does_not_hold_up_those_behind(tmp_path: Path) -> None:
    path = spools.filled(tmp_path, 120)
    spoil(path, "UPDATE event SET payload = X'FF' WHERE id <= 60")
    assert sent(path) == (list(range(61, 121)), 60)
