"""What must hold of the readers of files and of what people type, for whatever stands there."""

import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from streamer.agent.config import AgentConfigError, load_settings
from streamer.alerts.cap.check import MAX_BYTES, identity_in, problems_of, time_problem
from streamer.board.users import load_users
from streamer.config import ConfigError, load_region
from streamer.domain.callsign import Accepted, CallSignRules, normalise
from streamer.domain.cells import boundary, cell_at, resolution_of
from streamer.domain.durations import seconds_of
from streamer.domain.roster import (
    LONGEST,
    MOST_LINES,
    RosterFault,
    read_roster,
    roster_from,
    roster_text,
)
from streamer.journal.lines import Line
from streamer.journal.reader import Report, head_of, lines_of, scan
from streamer.mqtt.settings import broker_from_url
from streamer.redis_settings import parse_redis_url

RULES: Final = CallSignRules(["Q"], ["QHILL100"], ["QX9BAD"])
GROUPS: Final = ("NET", "RESCUE")


def toml(read: Callable[[Path], object], path: Path, content: bytes) -> None:
    """A file of settings is taken, or each fault is told in one line with the path before it."""
    path.write_bytes(content)
    path.chmod(0o600)
    try:
        read(path)
    except (ConfigError, AgentConfigError) as error:
        told = str(error).split("\n")
        assert len(told) >= len(error.problems) >= 1
        assert told[0].startswith(f"{path}: ")
        assert all(problem.strip() for problem in error.problems)
        str(error).encode(errors="strict")


def region(path: Path, content: bytes) -> None:
    toml(load_region, path, content)


def agent(path: Path, content: bytes) -> None:
    toml(load_settings, path, content)


def users(path: Path, content: bytes) -> None:
    toml(load_users, path, content)


def call(raw: str) -> None:
    """Judged without an error; a part and its suffix part again alike, and what is accepted is
    accepted exactly as it comes out, upper case, letters and digits alone."""
    name, suffix = normalise(raw)
    assert normalise(f"{name} {suffix}") == (name, suffix)
    verdict = RULES.judge(raw)
    str(verdict.detail if not isinstance(verdict, Accepted) else verdict.call).encode()
    if isinstance(verdict, Accepted):
        assert re.fullmatch("[A-Z0-9]{3,}", verdict.call)
        again = RULES.judge_exact(verdict.call)
        assert isinstance(again, Accepted)
        assert again.call == verdict.call
        assert verdict.call not in RULES.denied_calls


def roster(content: bytes) -> None:
    """Everybody once and within the bounds, written and read back the same; or every fault told in
    a line that can be shown."""
    try:
        found = read_roster(content, RULES, GROUPS)
    except RosterFault as error:
        assert error.faults
        for fault in error.faults:
            assert fault.strip()
            fault.encode()
        return
    calls = [line.call for line in found.lines]
    assert 1 <= len(calls) == len(set(calls)) <= MOST_LINES
    for line in found.lines:
        assert isinstance(RULES.judge_exact(line.call), Accepted)
        assert line.group in ("", *GROUPS)
        assert all(len(text) <= LONGEST for text in (line.name, line.agency, line.assignment))
    assert roster_from(roster_text(found.lines)) == found.lines


def duration(text: str) -> None:
    """Some seconds that a clock can be moved by, or what is expected."""
    try:
        seconds = seconds_of(text)
    except ValueError as error:
        assert "give a time" in str(error)
        return
    assert 0 < seconds < math.inf
    assert isinstance(round(seconds * 1000), int)


def cap(content: bytes) -> None:
    """Faults in words, or a message whose identity can be told."""
    faults = problems_of(content)
    for fault in faults:
        assert fault.strip()
    if len(content) <= MAX_BYTES and not faults:
        found = identity_in(content)
        assert time_problem(found.sent) is None
        assert all(found)


def address(read: Callable[[str], Any], text: str) -> None:
    """An address is taken or refused by a ValueError, which does not show a password in it: it says
    the same whatever the password is, or something that the password is no part of."""
    told = _refusal(read, text)
    found = re.search(r"://[^@/?#]*:(?P<word>[^@/?#:]{5,})@", text)
    if told is None or found is None:
        return
    begin, end = found.span("word")
    other = _refusal(read, f"{text[:begin]}{'z' * (end - begin)}{text[end:]}")
    assert told == other or found["word"] not in told, told


def _refusal(read: Callable[[str], Any], text: str) -> str | None:
    try:
        read(text)
    except ValueError as error:
        return str(error)
    return None


def redis_address(text: str) -> None:
    address(parse_redis_url, text)


def broker_address(text: str) -> None:
    address(broker_from_url, text)


def cell(text: str) -> None:
    """A text is a cell of some resolution with an outline, or it is none."""
    found = resolution_of(text)
    if found is not None:
        assert 0 <= found <= 15
        ring = boundary(text)
        assert ring[0] == ring[-1]


def place(lat: float, lon: float, resolution: int) -> None:
    """Every place lies in a cell of the resolution asked for."""
    assert resolution_of(cell_at(lat, lon, resolution)) == resolution


def journal(path: Path, content: bytes) -> Report:
    """A file of any content is read as far as it can be: no error, and what is wrong in words."""
    path.write_bytes(content)
    troubles: list[str] = []
    lines = [line for portion in lines_of(path, troubles.append) for line in portion]
    report = scan(path)
    if report.head is not None:
        assert head_of(path) == report.head
        assert sum(report.kinds.values()) == len(lines)
    else:
        assert report.troubles
    for text in (*troubles, *report.troubles):
        text.encode()
    return report


def torn_journal(path: Path, content: bytes, flushed: Sequence[tuple[int, int]], cut: int) -> None:
    """Of a file cut at a byte, every line is read that was flushed before the tear, and none that
    was not written. `flushed`: size of the file and number of lines in it after each flush."""
    path.write_bytes(content[:cut])
    troubles: list[str] = []
    found = [line for portion in lines_of(path, troubles.append) for line in portion]
    least = max((lines for size, lines in flushed if size <= cut), default=0)
    assert least <= len(found) <= flushed[-1][1]
    whole = [line for portion in _portions(path, content) for line in portion]
    assert found == whole[: len(found)]


def _portions(path: Path, content: bytes) -> list[list[Line]]:
    path.write_bytes(content)
    return list(lines_of(path, lambda _: None))
