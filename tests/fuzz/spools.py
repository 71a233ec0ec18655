"""What must hold of a spool whose file a worn card or a power cut has damaged."""

import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

from streamer.agent.config import SourceSettings
from streamer.agent.heartbeat import Heartbeat
from streamer.agent.intake import ClockWatch, Intake
from streamer.agent.logs import Log
from streamer.agent.sources.file import FileSource, Place
from streamer.agent.spool import Body, Spool, SpoolError
from streamer.agent.spool_repair import is_event
from streamer.clock import ManualClock
from streamer.contract.decode import decode
from streamer.contract.topics import Kind
from tests.fuzz.lines import SETTINGS

NOW_MS: Final = 1_800_000_000_000
_FOLLOWED: Final = SourceSettings(type="file", path=Path("/nowhere/radio.log"))
FILE: Final = f"file:{_FOLLOWED.path}"
PLACES: Final = {
    FILE: '[7, 120, "0123456789abcdef"]',
    "repeater:uhf": '{"id":"ridge/uhf","up":false,"changed_at":"2026-01-01T00:00:00Z"}',
}
_ENDINGS: Final = ("", "-wal")
_ENDS: Final = (
    "SELECT id FROM event ORDER BY id",
    "SELECT id FROM event ORDER BY id DESC",
    "SELECT seq FROM sqlite_sequence WHERE name = 'event'",
)


def header(boot: str, seq: int, _body: Body) -> bytes:
    return f'"v":1,"boot":"{boot}","seq":{seq}'.encode()


def body(number: int) -> Body:
    return Body(Kind.HEARD, f'{{"station":"QA1ABC","over":"over-{number}"}}'.encode())


def filled(folder: Path, events: int) -> Path:
    """A spool as a killed agent leaves it: some events in the file, some in its write-ahead log."""
    made, left = folder / "made.db", folder / "spool.db"
    with closing(Spool(made, NOW_MS)) as spool:
        spool.record(
            [body(n) for n in range(events // 2)], header, [(name, "1") for name in PLACES]
        )
    with closing(Spool(made, NOW_MS + 1)) as spool:
        spool.record([body(n) for n in range(events // 2, events)], header, [*PLACES.items()])
        for ending in _ENDINGS:  # while it is open: closing empties the log
            shutil.copy(f"{made}{ending}", f"{left}{ending}")
    return left


def rows_read_alone(path: Path, most: int = 200) -> dict[int, bytes]:
    """The events that SQLite alone reads of a file, asked for each by its id up to `most`; none if
    neither the first nor the last nor their number can be read: then nobody knows which ids to ask
    for. Works on copies."""
    copy = path.with_name("judge.db")
    for ending in _ENDINGS:
        Path(f"{copy}{ending}").unlink(missing_ok=True)
        if Path(f"{path}{ending}").exists():
            shutil.copy(f"{path}{ending}", f"{copy}{ending}")
    found = {}
    with closing(sqlite3.connect(copy)) as db:
        for number in range(1, most + 1) if any(_reads(db, query) for query in _ENDS) else ():
            try:
                asked = "SELECT kind, payload FROM event WHERE id = ?"
                row = db.execute(asked, (number,)).fetchone()
            except (sqlite3.Error, UnicodeDecodeError):
                continue
            if row is not None and row[0] in ("heard", "route") and is_event(row[1]):
                found[number] = bytes(row[1])
    for ending in (*_ENDINGS, "-shm"):
        Path(f"{copy}{ending}").unlink(missing_ok=True)
    return found


def _reads(db: sqlite3.Connection, query: str) -> bool:
    try:
        return db.execute(query).fetchone() is not None
    except (sqlite3.Error, UnicodeDecodeError):
        return False


def begin(spool: Spool) -> None:
    """Whatever has become of its places, the agent begins: its heartbeat tells of the repeaters, a
    followed file is followed, and from then on its place is one."""
    clock = ManualClock(NOW_MS)
    log = Log(clock)
    watch = ClockWatch(clock, log)
    heartbeat = Heartbeat(SETTINGS, spool, watch, log)
    _, problems = decode(Kind.STATE, heartbeat.beat(0.0))
    assert not problems
    intake = Intake(SETTINGS, spool, watch, log, heartbeat.repeaters_changed)
    FileSource(_FOLLOWED, intake, log, spool)._resume()
    Place.parse(spool.place(FILE) or "nothing stands there")


def places(content: bytes) -> None:
    """A worn card has left these bytes where places stood."""
    with closing(Spool(":memory:", NOW_MS)) as spool:
        for name in PLACES:
            query = "INSERT OR REPLACE INTO place VALUES (?, CAST(? AS TEXT))"
            spool._db.execute(query, (name, content))
        begin(spool)


def damaged(path: Path, damage: Sequence[tuple[str, int, bytes]], cut: int | None = None) -> None:
    """Bytes of the file or of its log are others, or the file ends early: the agent can go on
    recording, what was there is put aside unchanged, and every event that SQLite still reads is
    there (but see `rows_read_alone`). Nothing but a SpoolError is raised, and then the file is as
    it was."""
    for ending, at, what in damage:
        content = bytearray(Path(f"{path}{ending}").read_bytes())
        first = at % len(content)
        content[first : first + len(what)] = what[: len(content) - first]
        Path(f"{path}{ending}").write_bytes(content)
    if cut is not None:
        path.write_bytes(path.read_bytes()[:cut])
    before = path.read_bytes()
    expected = rows_read_alone(path)
    try:
        spool = Spool(path, NOW_MS + 2)
    except SpoolError as error:
        assert str(path) in str(error)
        assert path.read_bytes() == before
        return
    with closing(spool):
        known = {row.id: row.payload for row in spool.after(Kind.HEARD, 0, 10_000)}
        if spool.repair is not None:
            assert spool.repair.aside.read_bytes() == before
            assert spool.repair.events <= len(known) + len(spool.after(Kind.ROUTE, 0, 10_000))
        assert set(expected) <= set(known), sorted(set(expected) - set(known))
        begin(spool)
        spool.record([body(1000)], header)
        newest = spool.after(Kind.HEARD, 0, 10_000)[-1]
        assert b"over-1000" in newest.payload
        assert spool.boot.encode() in newest.payload
    Spool(path, NOW_MS + 3).close()
