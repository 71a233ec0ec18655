"""A spool's file that is damaged (a worn card, a power cut): found, put aside, and read once more.

What lies aside is never changed. Whatever of it SQLite still reads goes into the new spool: events,
how far sources were read, the boot. What it does not read stays in the file that was put aside.
"""

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from uuid import UUID

from pydantic_core import from_json

from streamer.contract.topics import Kind

KINDS: Final = (Kind.HEARD, Kind.ROUTE)
_WAL: Final = "-wal"
_ENDINGS: Final = ("", _WAL)
_EVENTS: Final = "SELECT id, kind, payload FROM event"
_NUMBERS: Final = "SELECT seq FROM sqlite_sequence WHERE name = 'event'"
_MOST: Final = 1_000_000
"""The newest ids that are looked for behind a damage; a spool of 256 MB holds fewer events."""
_MOST_FAILURES: Final = 10_000


@dataclass(frozen=True, slots=True)
class Repair:
    """A spool that was put aside: where it is, and how many of its events were carried over."""

    aside: Path
    events: int


def damage(path: Path) -> str | None:
    """What is wrong with a spool's file, None if nothing is or if there is none. All of it is read,
    none of it changed: whoever opens a file to write merges its write-ahead log into it.

    Raises sqlite3.OperationalError where it cannot be read now (it is locked, there is no right).
    """
    if str(path) == ":memory:" or not path.exists():
        return None
    db = _opened(path)
    try:
        found = str(db.execute("PRAGMA integrity_check(1)").fetchone()[0])
        if found != "ok":
            return found
        if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'boot'").fetchone():
            for (boot,) in db.execute("SELECT boot FROM boot"):
                if not _is_boot(boot):
                    return "the boot is no UUID"
    except sqlite3.OperationalError:
        raise
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # the second of what SQLite says
        return str(error)
    finally:
        db.close()
        path.with_name(f"{path.name}-shm").unlink(missing_ok=True)
    return None


def _opened(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)
    # A text that is no UTF-8 any more must not end the reading.
    db.text_factory = lambda text: text.decode(errors="replace")
    return db


def _is_boot(text: Any) -> bool:
    try:
        UUID(text)
    except (ValueError, AttributeError, TypeError):
        return False
    return True


def put_aside(path: Path) -> Path:
    """Rename the file and its write-ahead log, in which the newest events may stand."""
    number = 1
    while (aside := path.with_name(f"{path.name}.unreadable-{number}")).exists():
        number += 1
    for ending in _ENDINGS:
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + ending).rename(aside.with_name(aside.name + ending))
    path.with_name(f"{path.name}-shm").unlink(missing_ok=True)
    return aside


def carry_over(aside: Path, db: sqlite3.Connection) -> Repair:
    """Put what can be read of a file that lies aside into a new, empty spool, all at once."""
    db.execute("BEGIN IMMEDIATE")
    for row in _events(aside):
        if isinstance(row[0], int) and row[1] in KINDS and is_event(row[2]):
            db.execute("INSERT OR IGNORE INTO event VALUES (?, ?, ?)", row)
    for row in _rows(aside, "SELECT source, place FROM place"):
        if all(isinstance(value, str) for value in row):
            db.execute("INSERT OR REPLACE INTO place VALUES (?, ?)", row)
    for row in _rows(aside, "SELECT boot FROM boot"):
        if _is_boot(row[0]):
            db.execute("INSERT OR REPLACE INTO boot VALUES (1, ?)", row)
    db.execute("COMMIT")
    aside.with_name(f"{aside.name}-shm").unlink(missing_ok=True)
    return Repair(aside, int(db.execute("SELECT count(*) FROM event").fetchone()[0]))


def _events(aside: Path) -> Iterator[tuple[Any, ...]]:
    """Events of a damaged file: in order up to the first damage, back from the end to the last,
    and what may stand between in ever smaller parts. Some come more than once."""
    ends: list[int | None] = []
    for order in ("", " DESC"):
        end = None
        for row in _rows(aside, f"{_EVENTS} ORDER BY id{order}"):
            end = row[0]
            yield row
        ends.append(end)
    first, last = ends
    if last is None:  # how many there ever were
        ever = [n for (n,) in _rows(aside, _NUMBERS) if isinstance(n, int)]
        last = max(ever) if ever else (first or _MOST)
    begin = max(1, last - _MOST) if first is None or first > last else max(first, last - _MOST)
    yield from _parts(aside, begin, last)


def _parts(aside: Path, begin: int, last: int) -> Iterator[tuple[Any, ...]]:
    """The events of a range of ids; where reading fails, those of its halves."""
    failures, ranges = 0, [(begin, last)]
    db = _opened(aside)
    try:
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
    finally:
        db.close()


def is_event(payload: Any) -> bool:
    """Whether bytes of a spool are still an event's JSON object."""
    try:
        return isinstance(payload, bytes) and isinstance(from_json(payload), dict)
    except ValueError:
        return False


def _rows(aside: Path, query: str) -> Iterator[tuple[Any, ...]]:
    """What a query gives up to where the file is damaged. The file is not changed."""
    db = _opened(aside)
    try:
        yield from db.execute(query)
    except (sqlite3.Error, UnicodeDecodeError):
        return
    finally:
        db.close()
