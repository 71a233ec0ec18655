"""A spool's file that is damaged (a worn card, a power cut): found, read once more, and put aside.

Whatever of it SQLite still reads goes into a new file: the boot, how far sources were read, events.
That one is made beside it and takes its name when it is whole. Until then the damaged file stays in
its place, so that a start that is cut off, or has no room, is made again from the beginning. What
lies aside is never changed; what could not be read stays there.
"""

import contextlib
import os
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from uuid import UUID

from pydantic_core import from_json

from streamer.agent.idset import IdSet
from streamer.contract.topics import Kind

KINDS: Final = (Kind.HEARD, Kind.ROUTE)
_WAL: Final = "-wal"
_ENDINGS: Final = ("", _WAL)
_NEW: Final = ".rebuilding"
_EVENTS: Final = "SELECT id, kind, payload FROM event"
_NUMBERS: Final = "SELECT seq FROM sqlite_sequence WHERE name = 'event'"
_COUNT: Final = "SELECT count(*) FROM event"
_MOST: Final = 1_000_000
"""The newest ids that are looked for behind a damage; a spool of 256 MB holds fewer events."""
_MOST_FAILURES: Final = 10_000
_BAD_READS: Final = (266, 522, 8458)
"""SQLITE_IOERR_READ, _SHORT_READ, _CORRUPTFS (sqlite.org/rescode.html): the disk does not give what
it was given."""
_AT_ONCE: Final = 64
_FREED: Final = 4 * _AT_ONCE
_LEAVE_BYTES: Final = 8 * 1024 * 1024
"""Room on the disk that a new spool leaves: to go on, the agent needs some."""
_LEAST_PAGES: Final = 64
_MOST_PAGES: Final = 2**30


@dataclass(frozen=True, slots=True)
class Repair:
    """A spool that was put aside: where it is, how many of its events were carried over, and how
    many could be read but had no room."""

    aside: Path
    events: int
    left: int = 0


def mend(path: Path, schema: str) -> Repair | None:
    """Put a new spool in the place of a damaged one; None if it is sound, or if there is none.

    Raises sqlite3.Error or OSError when that cannot be done now; then all is as it was.
    """
    new = path.with_name(f"{path.name}{_NEW}")
    repair = None
    if not path.exists() and new.exists():  # cut off when all was done but the names
        repair = Repair(_swap(path, new), _events_in(path))
    if damage(path) is None:
        new.unlink(missing_ok=True)
        return repair
    damage(new)  # raises if another agent is at it
    new.unlink(missing_ok=True)
    db = _begun(new, schema)
    try:
        events, left = carry_over(path, db)
    finally:
        db.close()
    if (wrong := damage(new)) is not None:
        raise OSError(f"the new file of the spool, {new.name}, cannot be read: {wrong}")
    with new.open("rb") as file:
        os.fsync(file.fileno())
    return Repair(_swap(path, new), events, left)


def _begun(new: Path, schema: str) -> sqlite3.Connection:
    """A new file without a write-ahead log, which would take its size on the disk once more: if it
    is not finished it is thrown away."""
    db = sqlite3.connect(new, timeout=1.0, isolation_level=None)
    for setting in ("locking_mode = EXCLUSIVE", "journal_mode = MEMORY", "synchronous = OFF"):
        db.execute(f"PRAGMA {setting}")
    db.execute("PRAGMA cache_size = -128")
    page_bytes = int(db.execute("PRAGMA page_size").fetchone()[0])
    pages = (_free_bytes(new.parent) - _LEAVE_BYTES) // page_bytes
    db.execute(f"PRAGMA max_page_count = {min(max(pages, _LEAST_PAGES), _MOST_PAGES)}")
    db.executescript(schema)
    return db


def _free_bytes(folder: Path) -> int:
    status = os.statvfs(folder)
    return status.f_bavail * status.f_frsize


def damage(path: Path) -> str | None:
    """What is wrong with a spool's file, None if nothing is or if there is none. All of it is read,
    none of it changed: whoever opens a file to write merges its write-ahead log into it.

    Raises sqlite3.OperationalError where it cannot be read now (it is locked, there is no right).
    """
    if not path.exists():
        return None
    try:
        with contextlib.closing(_opened(path)) as db:
            return _wrong_in(db)
    except sqlite3.OperationalError as error:
        if _code(error) not in _BAD_READS:
            raise
        return str(error)
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # the second of what SQLite says
        return str(error)
    finally:
        path.with_name(f"{path.name}-shm").unlink(missing_ok=True)


def _wrong_in(db: sqlite3.Connection) -> str | None:
    found = str(db.execute("PRAGMA integrity_check(1)").fetchone()[0])
    if found != "ok":
        return found
    if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'boot'").fetchone():
        for (boot,) in db.execute("SELECT boot FROM boot"):
            if not _is_boot(boot):
                return "the boot is no UUID"
    return None


def _code(error: sqlite3.Error) -> int | None:
    """The library's extended code; errors of Python's own module have none."""
    return getattr(error, "sqlite_errorcode", None)


def _opened(path: Path, how: str = "mode=ro") -> sqlite3.Connection:
    """To read only. Raises what reading does: the first page is asked for at once."""
    db = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, timeout=1.0)
    # A text that is no UTF-8 any more must not end the reading.
    db.text_factory = lambda text: text.decode(errors="replace")
    return db


def _opened_if_possible(path: Path) -> sqlite3.Connection:
    """As `_opened`; where the disk does not give the write-ahead log, the file without it: then
    what stands in the log alone is lost, and what was deleted since comes once more."""
    db = None
    try:
        db = _opened(path)
        db.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        if db is not None:
            db.close()
        if _code(error) not in _BAD_READS:
            raise
        return _opened(path, "mode=ro&immutable=1")
    return db


def _is_boot(text: Any) -> bool:
    try:
        UUID(text)
    except (ValueError, AttributeError, TypeError):
        return False
    return True


def _swap(path: Path, new: Path) -> Path:
    """Put the damaged file aside with its write-ahead log, in which the newest events may stand,
    and the new one in its place. The file goes first: cut off after it, the next start finds none
    and goes on here; of a log that went first it would see nothing."""
    number = 1
    while (aside := _aside(path, number)).exists():
        number += 1
    if not path.exists():
        aside = _aside(path, max(1, number - 1))  # the log belongs to the file that went
    for ending in _ENDINGS:
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + ending).rename(aside.with_name(aside.name + ending))
    path.with_name(f"{path.name}-shm").unlink(missing_ok=True)
    new.rename(path)
    return aside


def _aside(path: Path, number: int) -> Path:
    return path.with_name(f"{path.name}.unreadable-{number}")


def carry_over(damaged: Path, db: sqlite3.Connection) -> tuple[int, int]:
    """Put what can be read of a damaged file into a new, empty spool; where there is no room for
    all, the oldest events stay behind. Returns how many events came and how many stayed."""
    for row in _rows(damaged, "SELECT boot FROM boot"):
        if _is_boot(row[0]):
            db.execute("INSERT OR REPLACE INTO boot VALUES (1, ?)", row)
    for row in _rows(damaged, "SELECT source, place FROM place"):
        # One whose text is spoilt goes, too: its source is told so and reads its file once more.
        if all(isinstance(value, str) for value in row):
            db.execute("INSERT OR REPLACE INTO place VALUES (?, ?)", row)
    stay, floor, rows = IdSet(), 0, []
    for row in _events(damaged):
        if isinstance(row[0], int) and row[1] in KINDS and is_event(row[2]):
            rows.append(row)
        if len(rows) == _AT_ONCE:
            floor, rows = _put(db, rows, stay, floor), []
    _put(db, rows, stay, floor)
    damaged.with_name(f"{damaged.name}-shm").unlink(missing_ok=True)
    return int(db.execute(_COUNT).fetchone()[0]), len(stay)


def _put(db: sqlite3.Connection, rows: Sequence[tuple[Any, ...]], stay: IdSet, floor: int) -> int:
    """Insert events above the id `floor`, raising it where there is no room; returns it."""
    while True:
        stay.add(row[0] for row in rows if row[0] <= floor)
        rows = [row for row in rows if row[0] > floor]
        if not rows:
            return floor
        db.execute("BEGIN IMMEDIATE")
        try:
            db.executemany("INSERT OR IGNORE INTO event VALUES (?, ?, ?)", rows)
            db.execute("COMMIT")
            return floor
        except sqlite3.OperationalError as error:
            with contextlib.suppress(sqlite3.Error):
                db.execute("ROLLBACK")
            if _code(error) != sqlite3.SQLITE_FULL:
                raise
        oldest = db.execute("SELECT id FROM event ORDER BY id LIMIT ?", (_FREED,)).fetchall()
        known = sorted({number for number, *_ in (*oldest, *rows)})[:_FREED]
        floor = known[-1]
        stay.add(known)
        db.execute("DELETE FROM event WHERE id <= ?", (floor,))


def _events_in(path: Path) -> int:
    return next((int(count) for (count,) in _rows(path, _COUNT)), 0)


def _events(damaged: Path) -> Iterator[tuple[Any, ...]]:
    """Events of a damaged file: in order up to the first damage, back from the end to the last,
    and what may stand between in ever smaller parts. Some come more than once."""
    ends: list[int | None] = []
    for order in ("", " DESC"):
        end = None
        for row in _rows(damaged, f"{_EVENTS} ORDER BY id{order}"):
            end = row[0]
            yield row
        ends.append(end)
    first, last = ends
    if last is None:  # how many there ever were
        ever = [n for (n,) in _rows(damaged, _NUMBERS) if isinstance(n, int)]
        last = max(ever) if ever else (first or _MOST)
    begin = max(1, last - _MOST) if first is None or first > last else max(first, last - _MOST)
    yield from _parts(damaged, begin, last)


def _parts(damaged: Path, begin: int, last: int) -> Iterator[tuple[Any, ...]]:
    """The events of a range of ids; where reading fails, those of its halves."""
    failures, ranges = 0, [(begin, last)]
    try:
        db = _opened_if_possible(damaged)
    except sqlite3.Error:
        return
    with contextlib.closing(db):
        while ranges and failures < _MOST_FAILURES:
            low, high = ranges.pop()
            try:
                if low == high:  # a range would be read one row further, to see its end
                    yield from db.execute(f"{_EVENTS} WHERE id = ?", (low,))
                else:
                    yield from db.execute(f"{_EVENTS} WHERE id BETWEEN ? AND ?", (low, high))
            except (sqlite3.Error, UnicodeDecodeError):
                failures += 1
                if low < high:
                    middle = (low + high) // 2
                    ranges += [(low, middle), (middle + 1, high)]


def is_event(payload: Any) -> bool:
    """Whether bytes of a spool are still an event's JSON object."""
    try:
        return isinstance(payload, bytes) and isinstance(from_json(payload), dict)
    except ValueError:
        return False


def _rows(damaged: Path, query: str) -> Iterator[tuple[Any, ...]]:
    """What a query gives up to where the file is damaged. The file is not changed."""
    try:
        with contextlib.closing(_opened_if_possible(damaged)) as db:
            yield from db.execute(query)
    except (sqlite3.Error, UnicodeDecodeError):
        return
