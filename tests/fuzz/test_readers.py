"""The properties of readers on structured input: what is nearly well gets further than bytes do."""

import copy
import json
import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from streamer.contract.examples import examples
from streamer.journal import lines as make
from streamer.journal.names import files_in
from tests.fuzz import files, kept, lines, spools, wire
from tests.fuzz.targets import REPOSITORY, folder, text_of
from tests.integration.stage import toml
from tests.journal.make import writer
from tests.state.scene import START_MS, region

SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.integers(-(10**400), 10**400),
    st.floats(allow_nan=False), st.text(max_size=30), st.sampled_from(
        ["", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59-12:00", "2026-01-01T12:00:60Z", "NaN",
         "ridge/uhf", "QA1ABC", "start", "end", "\ud800", "1e400", "\0"]
    ),
)  # fmt: skip
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)
INBOUND = {
    kind: [one.payload for one in examples() if one.inbound and one.topic.endswith(kind)]
    for kind in ("heard", "route", "state")
}


@st.composite
def spoilt(draw: st.DrawFn, whole: Any) -> Any:
    """A document in which one value, somewhere, may be another or not there."""
    content = copy.deepcopy(whole)
    inner, steps = content, draw(st.integers(0, 3))
    for _ in range(steps + 1):
        if not isinstance(inner, dict | list) or not inner:
            break
        key = draw(st.sampled_from(sorted(inner) if isinstance(inner, dict) else range(len(inner))))
        if isinstance(inner[key], dict | list) and inner[key] and draw(st.booleans()):
            inner = inner[key]
        elif draw(st.booleans()):
            inner[key] = draw(VALUES)
            break
        else:
            del inner[key]
            break
    return content


@given(data=st.data(), kind=st.sampled_from(sorted(INBOUND)))
def test_payloads(data: st.DataObject, kind: str) -> None:
    one = st.one_of(spoilt(data.draw(st.sampled_from(INBOUND[kind]))), VALUES)
    content = data.draw(one | st.lists(one, max_size=5))
    wire.payload(kind, json.dumps(content).encode())


@given(st.text(max_size=80))
def test_topics(text: str) -> None:
    wire.topic(text)
    wire.topic(f"net/{text}/gw/ridge/heard")
    wire.topic(f"net/hills/gw/{text}/heard")


@given(
    st.from_regex(
        r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2})",
        fullmatch=True,
    )
)
def test_moments(text: str) -> None:
    wire.moment(text)


FIELDS = (
    "event", "repeater", "station", "to", "over", "phase", "started_at", "ended_at", "duration_s",
    "rssi_dbm", "text", "position", "nmea", "group", "action", "at", "up", "seq", "boot",
)  # fmt: skip


@settings(max_examples=50)
@given(st.lists(st.dictionaries(st.sampled_from(FIELDS), VALUES), min_size=1, max_size=4))
def test_lines_of_json(objects: list[dict[str, Any]]) -> None:
    texts = [json.dumps(one).encode() for one in objects]
    for text in texts:
        lines.line("json", text)
    lines.lines("json", b"\n".join(texts))


PARTS = st.one_of(
    st.text(st.characters(codec="utf-8", exclude_characters="\n"), max_size=12),
    st.floats().map(str),
    st.datetimes().map(lambda moment: moment.isoformat()),
    st.sampled_from(["start", "end", "QA1ABC", "NET", "-", "0001-01-01T00:00:00+01:00", "1e400"]),
)


@given(st.sampled_from("HULFRP"), st.lists(PARTS, max_size=9))
def test_lines_of_a_log(first: str, parts: list[str]) -> None:
    line = " ".join([first, *parts]).encode()
    lines.line("pattern", line)
    lines.lines("pattern", line)


@given(
    st.sampled_from(["GPGGA", "GPRMC", "GNGLL", "GPGSV"]),
    st.lists(
        st.sampled_from(
            ["", "A", "V", "N", "S", "E", "W", "1", "0", "123519", "250000", "4807.038", "9000.01",
             "01131.000", "230394", "310299", "-5", "1e9", "\u0663"]
        ) | st.from_regex(r"[0-9]{1,7}(\.[0-9]{1,3})?", fullmatch=True),
        max_size=15,
    ),
)  # fmt: skip
def test_sentences(kind: str, fields: list[str]) -> None:
    """With the right checksum (the exclusive or of the characters), so that they are looked at."""
    body = ",".join([kind, *fields])
    total = 0
    for character in body.encode():
        total ^= character
    lines.sentence(f"${body}*{total:02X}")


@given(st.lists(st.binary(max_size=200), max_size=6), st.integers(1, 100))
def test_cutting(portions: list[bytes], limit: int) -> None:
    lines.cut(limit, portions)


@cache
def example(name: str) -> dict[str, Any]:
    return tomllib.loads((REPOSITORY / "configs" / name).read_text("utf-8"))


@settings(max_examples=60)
@given(data=st.data(), name=st.sampled_from(["agent-example.toml", "region-example.toml"]))
def test_files_of_settings(data: st.DataObject, name: str) -> None:
    content = data.draw(spoilt(example(name)))
    try:
        text = toml(content).encode()
    except (TypeError, AttributeError, UnicodeEncodeError):
        return  # nothing that TOML can say
    read = files.agent if name.startswith("agent") else files.region
    read(folder() / name, text)


@given(st.text(max_size=40))
def test_call_signs(raw: str) -> None:
    files.call(raw)


@given(st.lists(st.text(max_size=12), min_size=1, max_size=6), st.sampled_from(",;\t"))
def test_rosters(cells: list[str], parting: str) -> None:
    text = f"call{parting}name\n" + "\n".join(f"{c}{parting}{c}" for c in cells)
    files.roster(text.encode("utf-8", "surrogatepass"))


@given(st.from_regex(r"[0-9]{1,400}(\.[0-9]{1,30})?[smh]?", fullmatch=True))
def test_durations(text: str) -> None:
    files.duration(text)


@given(st.floats(-90, 90), st.floats(-180, 180), st.integers(0, 15))
def test_cells_of_places(lat: float, lon: float, resolution: int) -> None:
    files.place(lat, lon, resolution)


@given(st.binary(max_size=20))
def test_cells(data: bytes) -> None:
    files.cell(text_of(data))
    files.cell(data.hex())


@cache
def recorded() -> tuple[bytes, tuple[tuple[int, int], ...]]:
    """A journal of several frames, and after each flush its size and number of lines."""
    place = folder() / "recorded"
    made = writer(place, region())
    flushed: list[tuple[int, int]] = []
    for turn in range(30):
        made.write([make.act(START_MS + turn, f"entry {turn} {n}") for n in range(3)], START_MS)
        (path,) = files_in(place)
        # Two lines more: the file begins with who wrote it and with the region file.
        flushed.append((path.stat().st_size, 2 + 3 * (turn + 1)))
    return path.read_bytes(), tuple(flushed)


@given(st.data())
def test_torn_journals(data: st.DataObject) -> None:
    content, flushed = recorded()
    sizes = [size for size, _ in flushed]
    cut = data.draw(st.integers(0, len(content)) | st.sampled_from(sizes))
    files.torn_journal(folder() / "torn.ndjson.zst", content, flushed, cut)


@given(st.integers(0, 2**16), st.binary(min_size=1, max_size=40))
def test_damaged_journals(at: int, damage: bytes) -> None:
    content = bytearray(recorded()[0])
    at %= len(content)
    content[at : at + len(damage)] = damage
    files.journal(folder() / "damaged.ndjson.zst", bytes(content))


DAMAGE = st.tuples(
    st.sampled_from(["", "", "-wal"]), st.integers(0, 2**20), st.binary(min_size=1, max_size=5000)
)


@settings(max_examples=25)
@given(st.lists(DAMAGE, min_size=1, max_size=3), st.none() | st.integers(0, 60_000))
def test_damaged_spools(damage: list[tuple[str, int, bytes]], cut: int | None) -> None:
    place = folder() / "damaged"
    for file in place.glob("*") if place.exists() else ():
        file.unlink()
    place.mkdir(exist_ok=True)
    path = place / "spool.db"
    for ending, content in whole_spool().items():
        Path(f"{path}{ending}").write_bytes(content)
    spools.damaged(path, damage, cut)


@cache
def whole_spool() -> dict[str, bytes]:
    place = folder() / "whole-spool"
    place.mkdir()
    path = spools.filled(place, 120)
    return {ending: Path(f"{path}{ending}").read_bytes() for ending in ("", "-wal")}


@given(st.sampled_from(sorted(spools.PLACES.values())), st.integers(0, 99), st.binary(max_size=30))
def test_spoilt_places(place: str, at: int, damage: bytes) -> None:
    content = bytearray(place.encode())
    content[at : at + len(damage)] = damage
    spools.places(bytes(content))


def test_a_spool_that_is_whole_is_not_put_aside(tmp_path: Path) -> None:
    path = spools.filled(tmp_path, 120)
    assert len(spools.rows_read_alone(path)) == 120
    spools.damaged(path, [])
    assert not list(tmp_path.glob("*unreadable*"))


@pytest.mark.parametrize("read", [files.redis_address, files.broker_address])
@given(
    text=st.from_regex(
        r"[a-z+]{1,8}://([a-z]{0,4}(:[a-z]{5,8})?@)?[a-z0-9.\[\]:]{0,12}(:[a-z0-9]{0,6})?(/[a-z0-9]{0,4})?",
        fullmatch=True,
    )
)
def test_addresses(read: Any, text: str) -> None:
    read(text)


@st.composite
def of_another_version(draw: st.DrawFn, whole: Mapping[str, str]) -> dict[str, str]:
    """Some of the fields, and others that nobody here knows."""
    kept = draw(st.sets(st.sampled_from(sorted(whole))))
    strange = draw(st.dictionaries(st.from_regex(r"#x_[a-z]{1,6}", fullmatch=True), st.text()))
    return {name: whole[name] for name in kept} | strange


@given(of_another_version(kept.GATEWAY), of_another_version(kept.GROUP))
def test_what_another_version_kept(gateway: dict[str, str], group: dict[str, str]) -> None:
    kept.gateway(gateway)
    kept.group(group)
    kept.station(group)
    kept.live(',"x_new":[1]')
