"""What must hold of the agent's readers of lines, for whatever a radio or a log writes."""

import json
from datetime import UTC, datetime
from functools import cache
from typing import Any, Final

from streamer.agent.config import AgentSettings, SourceSettings
from streamer.agent.events import EventError
from streamer.agent.intake import ClockWatch, Intake
from streamer.agent.logs import Log
from streamer.agent.nmea import NmeaError, position_from
from streamer.agent.patterns import PatternError
from streamer.agent.sources.base import LineCutter
from streamer.agent.spool import Spool
from streamer.clock import ManualClock
from streamer.contract.decode import decode

NOW_MS: Final = 1_800_000_000_000
_LINE = (
    r"^(?P<time>\S+) (?P<phase>start|end) (?P<station>[^ ]*) (?P<to>[^ ]*) ?"
    r"(?P<duration_s>[^ ]*) ?(?P<rssi_dbm>[^ ]*) ?(?P<lat>[^ ]*) ?(?P<lon>[^ ]*)"
)
PATTERNS: Final[tuple[dict[str, Any], ...]] = (
    {"map": "m", "event": "heard", "regex": "^H " + _LINE[1:], "scale": {"duration_s": 0.001}},
    {"map": "m", "event": "heard", "regex": "^U " + _LINE[1:], "time_format": "unix"},
    {"map": "m", "event": "heard", "regex": "^L " + _LINE[1:], "time_zone": "local"},
    {"map": "m", "event": "heard", "regex": "^F " + _LINE[1:], "time_format": "%d.%m.%Y-%H:%M:%S"},
    {"map": "m", "event": "route", "regex": r"^R (?P<at>\S+) (?P<group>\S+) (?P<latency_s>\S*)",
     "fields": {"action": "sent"}},
    {"map": "m", "event": "repeater", "regex": r"^P (?P<time>\S+) (?P<up>\S+)"},
)  # fmt: skip
SETTINGS: Final = AgentSettings.model_validate(
    {
        "region": "hills", "gateway": "ridge", "repeater": [{"id": "uhf"}],
        "pattern": list(PATTERNS),
        "source": [
            {"type": "stdin", "name": form, "format": form, "repeater": "uhf", "patterns": "m"}
            for form in ("json", "pattern", "nmea")[:1]
        ],
    }
)  # fmt: skip
_SOURCES: Final = {
    form: SourceSettings(type="stdin", format=form, repeater="uhf", patterns="m")
    for form in ("json", "pattern", "nmea")
}


@cache
def _spool() -> Spool:
    return Spool(":memory:", NOW_MS)


def _intake() -> Intake:
    """One that knows of no over, so that what a line gives depends on the line alone."""
    clock = ManualClock(NOW_MS)
    log = Log(clock)
    return Intake(SETTINGS, _spool(), ClockWatch(clock, log), log, lambda *_: [])


def line(form: str, content: bytes) -> None:
    """A line gives an event, or one of the three errors that are told and passed over: any other
    would be met again at the same line for ever. What is stored the workers take."""
    intake, source = _intake(), _SOURCES[form]
    try:
        made = intake.try_line(source, content)
    except (EventError, PatternError, NmeaError) as error:
        assert str(error)
        str(error).encode()
        return
    if made is None:
        return
    intake = _intake()
    spool = _spool()
    before = spool.newest_id
    intake.lines(source, [content])
    for kind in ("heard", "route"):
        for row in spool.after(kind, before, 10):  # type: ignore[arg-type]
            events, problems = decode(kind, row.payload)
            assert (len(events), problems) == (1, []), (problems, row.payload)
    assert not intake.counts["bad"]


def lines(form: str, content: bytes) -> None:
    """Of many lines each is counted once: as an event, bad, unmatched, or nothing to store."""
    intake = _intake()
    parts = content.split(b"\n")
    intake.lines(_SOURCES[form], parts)
    counts = intake.counts
    assert counts["events"] + counts["bad"] + counts["unmatched"] <= counts["lines"] <= len(parts)


def cut(limit: int, portions: list[bytes]) -> None:
    """Portions of any size give the lines of the whole; one that is too long stays so, and no more
    of it is kept than shows that."""
    cutter = LineCutter(limit)
    found = [one for portion in portions for one in cutter.feed(portion)] + cutter.finish()
    whole = b"".join(portions)
    expected = whole.split(b"\n")
    if not expected[-1]:
        expected.pop()
    assert [one[: limit + 2] for one in expected] == found


def sentence(text: str) -> None:
    """A position on the globe and near its time, or what is wrong."""
    near = datetime(2026, 1, 1, 23, 59, tzinfo=UTC)
    try:
        found = position_from(text, near)
    except NmeaError as error:
        assert str(error)
        return
    assert abs(found.lat) <= 90
    assert abs(found.lon) <= 180
    assert found.at is None or abs((found.at - near).total_seconds()) <= 86_400
    json.loads(found.model_dump_json())
