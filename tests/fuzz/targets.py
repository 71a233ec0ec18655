"""Every reader of bytes by name: from the bytes of a fuzzer to its property, and its first inputs.

`python -m tests.fuzz` runs them guided by coverage; a smoke test runs each on its seeds and on some
hundred changes of them.
"""

import atexit
import json
import shutil
import struct
import tempfile
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple

import zstandard

from streamer.contract.examples import examples
from tests.fuzz import files, lines, spools, wire

REPOSITORY: Final = Path(__file__).parents[2]


class Target(NamedTuple):
    """`seeds` gives inputs from which the fuzzer sets out."""

    run: Callable[[bytes], None]
    seeds: Callable[[], Sequence[bytes]]


@cache
def folder() -> Path:
    made = Path(tempfile.mkdtemp(prefix="streamer-fuzz-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def text_of(data: bytes) -> str:
    """Any text, lone surrogates among it: what is no UTF-8 becomes one of those."""
    return data.decode("utf-8", "surrogateescape")


# -- the wire ------------------------------------------------------------------------------------


def _payloads(kind: str) -> Callable[[], list[bytes]]:
    def seeds() -> list[bytes]:
        found = [
            json.dumps(one.payload).encode()
            for one in examples()
            if one.inbound and one.topic.endswith(f"/{kind}")
        ]
        return [*found, b"[" + b",".join(found[:2]) + b"]", b'{"v":2}']

    return seeds


def _payload(kind: str) -> Target:
    return Target(lambda data: wire.payload(kind, data), _payloads(kind))


def _published() -> list[bytes]:
    return [json.dumps(one.payload).encode() for one in examples() if not one.inbound]


# -- files ---------------------------------------------------------------------------------------


def _in_file(name: str, read: Callable[[Path, bytes], object]) -> Callable[[bytes], None]:
    def run(data: bytes) -> None:
        read(folder() / name, data)

    return run


def _journal(data: bytes) -> None:
    """First byte odd: what follows is a journal's text, packed; else the file itself."""
    packed = data[:1] and data[0] % 2
    content = zstandard.compress(data[1:]) if packed else data[1:]
    files.journal(folder() / "journal.ndjson.zst", content)


_HEAD: Final = (
    b'{"kind":"begin","noted_ms":1800000000000,"format":"streamer-journal","v":1,"region":"hills",'
    b'"worker":"w","software":"s"}\n{"kind":"act","noted_ms":1800000000001,"entry":"e"}\n'
)


def _journals() -> list[bytes]:
    return [b"\x01" + _HEAD, b"\x00" + zstandard.compress(_HEAD) * 2, b"\x00" + _HEAD]


@cache
def _whole_spool() -> tuple[bytes, bytes]:
    made = folder() / "whole"
    made.mkdir(exist_ok=True)
    path = spools.filled(made, 60)
    return path.read_bytes(), Path(f"{path}-wal").read_bytes()


_DAMAGE: Final = struct.Struct("<BHB")
"""Which file, where, how many of the bytes that follow."""


def _spool(data: bytes) -> None:
    place = folder() / "spool"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    path = place / "spool.db"
    for ending, content in zip(("", "-wal"), _whole_spool(), strict=True):
        Path(f"{path}{ending}").write_bytes(content)
    damage: list[tuple[str, int, bytes]] = []
    cut = None
    while len(data) >= _DAMAGE.size and len(damage) < 8:
        which, at, count = _DAMAGE.unpack_from(data)
        data = data[_DAMAGE.size :]
        if which >= 250:
            cut = at
        damage.append(("-wal" if which % 2 else "", at, data[:count]))
        data = data[count:]
    spools.damaged(path, damage, cut)


def _from_repository(*names: str) -> Callable[[], list[bytes]]:
    return lambda: [(REPOSITORY / name).read_bytes() for name in names]


_ROSTERS: Final = (
    b"call,name,agency,assignment,group\nQA1ABC,Some Body,Base,Runner,NET\nqb2def/p,,,,\n",
    b'\xef\xbb\xbfStation;Operator\nQA1ABC;"Body; Some"\n',
)
_LINES: Final = (
    b'{"event":"heard","station":"QA1ABC","phase":"start","started_at":"2026-01-01T12:00:00Z"}',
    b'{"station":"QA1ABC","phase":"end","duration_s":2.5,"ended_at":"2026-01-01T12:00:00+02:00",'
    b'"to":"NET","rssi_dbm":-90,"text":"out","nmea":"$GPGLL,4600.00,S,02000.00,E,120000,A*3B"}',
    b'{"group":"NET","action":"carrying","over":"a-1"}',
    b'{"up":false,"at":"2026-01-01T12:00:00Z"}',
)
_LOGGED: Final = (
    b"H 2026-01-01T12:00:00+01:00 end QA1ABC NET 2500 -90 -46.1 20.2",
    b"U 1767268800.5 start QA1ABC NET", b"L 2026-01-01T12:00:00 end QA1ABC NET 1",
    b"F 01.01.2026-12:00:00 end QA1ABC - 3", b"R 2026-01-01T12:00:00Z NET 0.2",
    b"P 2026-01-01T12:00:00Z down",
)  # fmt: skip
_SENTENCES: Final = (
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    b"$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
)
_USER: Final = (
    b'[[user]]\nname = "a"\nrole = "view"\n'
    b'hash = "$argon2id$v=19$m=65536,t=3,p=4$YWFhYWFhYWE$YWFhYWFhYWFhYWFhYWFhYQ"\n'
)
_CAP: Final = (
    b'<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>a-1</identifier>'
    b"<sender>s@example.org</sender><sent>2026-01-01T12:00:00-00:00</sent><status>Actual</status>"
    b"<msgType>Alert</msgType><scope>Public</scope></alert>",
)
_ADDRESSES: Final = (
    b"redis://127.0.0.1:6379/0", b"rediss+cluster://user@h1:1,h2:2", b"unix:///run/r.sock?db=1",
    b"redis+sentinel://h1:26379,[::1]/main/2", b"mqtts://user@broker.example:8883",
    b"redis://:secret-word@h/0",
)  # fmt: skip


def _cut(data: bytes) -> None:
    """Parted where the first bytes say."""
    limit, *sizes = (*data[:5], 0, 0, 0, 0, 0)[:5]
    rest, portions = data[5:], []
    for size in sizes:
        portions.append(rest[:size])
        rest = rest[size:]
    lines.cut(64 + limit, [*portions, rest])


def _text(read: Callable[[str], None], *seeds: bytes) -> Target:
    return Target(lambda data: read(text_of(data)), lambda: seeds)


def _line(form: str, *seeds: bytes) -> Target:
    def run(data: bytes) -> None:
        lines.lines(form, data)
        for one in data.split(b"\n")[:20]:
            lines.line(form, one)

    return Target(run, lambda: [*seeds, b"\n".join(seeds)])


TARGETS: Final[dict[str, Target]] = {
    "heard": _payload("heard"),
    "route": _payload("route"),
    "state": _payload("state"),
    "published": Target(wire.published, _published),
    "topic": _text(wire.topic, b"net/hills/gw/ridge/heard", b"net/hills/gw/ridge/x\n"),
    "moment": _text(wire.moment, b"2026-01-01T12:00:00.250Z", b"1990-12-31T15:59:60-08:00"),
    "json_line": _line("json", *_LINES),
    "log_line": _line("pattern", *_LOGGED),
    "nmea_line": _line("nmea", *_SENTENCES),
    "sentence": _text(lines.sentence, *_SENTENCES),
    "cut": Target(_cut, lambda: [b"\x00\x05\x01\x00\x09one\ntwo\nthree" + b"x" * 300]),
    "agent_file": Target(
        _in_file("agent.toml", files.agent), _from_repository("configs/agent-example.toml")
    ),
    "region_file": Target(
        _in_file("region.toml", files.region), _from_repository("configs/region-example.toml")
    ),
    "users_file": Target(
        _in_file("users.toml", files.users),
        lambda: [_USER],
    ),
    "journal": Target(_journal, _journals),
    "spool": Target(_spool, lambda: [_DAMAGE.pack(0, 9000, 3) + b"abc", _DAMAGE.pack(251, 20, 0)]),
    "places": Target(
        spools.places, lambda: [place.encode() for place in (*spools.PLACES.values(), "[1, 2, 3")]
    ),
    "call": _text(files.call, b"QA1ABC", b"qd/qa1abc-p", b"QHILL100"),
    "roster": Target(files.roster, lambda: _ROSTERS),
    "duration": _text(files.duration, b"20s", b"2.5h", b"9" * 320),
    "cap": Target(files.cap, lambda: _CAP),
    "redis_address": _text(files.redis_address, *_ADDRESSES),
    "broker_address": _text(files.broker_address, *_ADDRESSES),
    "cell": _text(files.cell, b"87283472bffffff", b"8001fffffffffff"),
}


def _broken(data: bytes) -> None:
    assert not data.startswith(b"x"), "as it should"


KNOWN: Final = {**TARGETS, "broken": Target(_broken, lambda: [b"a", b"xa"])}
"""With one that fails, to see that a failure is seen."""
