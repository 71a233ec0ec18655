"""A damaged spool is made anew: also where that is cut off, or has no room."""

import contextlib
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from streamer.agent import spool_repair
from streamer.agent.spool import Body, Spool, SpoolError
from streamer.contract.topics import Kind
from tests.fuzz import spools

NOW_MS = spools.NOW_MS
EVENTS = 1000


def worn(folder: Path, events: int = EVENTS) -> tuple[Path, str]:
    """A spool with a damage that leaves all of its events readable (two tables claim one page), and
    the boot that is to be surpassed."""
    path = spools.filled(folder, events)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("CREATE TABLE more (x)")
        db.execute("PRAGMA writable_schema = 1")
        db.execute("UPDATE sqlite_master SET rootpage = 2 WHERE name = 'more'")
        (boot,) = db.execute("SELECT boot FROM boot").fetchone()
    assert spool_repair.damage(path) is not None
    return path, boot


def ids(spool: Spool) -> list[int]:
    return [row.id for row in spool.after(Kind.HEARD, 0, 1_000_000)]


def files_in(folder: Path) -> set[str]:
    """Those of the spool. An empty write-ahead log, which reading leaves, does not count."""
    return {file.name for file in folder.glob("spool*") if file.stat().st_size}


def whole(spool: Spool, boot: str) -> None:
    """All that the damaged one held, and it goes on."""
    assert ids(spool) == list(range(1, EVENTS + 1))
    assert spool.waiting == EVENTS
    assert spool.place(spools.FILE) == spools.PLACES[spools.FILE]
    assert spool.boot > boot
    spool.record([spools.body(5000)], spools.header)
    assert len(ids(spool)) == EVENTS + 1


def test_what_lies_aside_is_as_it_was_and_nothing_else_is_left(tmp_path: Path) -> None:
    path, boot = worn(tmp_path)
    before = path.read_bytes()
    with closing(Spool(path, NOW_MS)) as spool:
        whole(spool, boot)
        assert spool.repair is not None
        assert (spool.repair.events, spool.repair.left) == (EVENTS, 0)
        assert spool.repair.aside.read_bytes() == before
    assert files_in(tmp_path) == {"spool.db", "spool.db.unreadable-1"}


class Cut(BaseException):
    """The agent is killed here: nothing that follows is done."""


@contextlib.contextmanager
def cut_at(monkeypatch: pytest.MonkeyPatch, step: int) -> Any:
    """Killed before the first, some, and more events are carried over, before they are on the
    disk, and after each of the three renames."""
    with monkeypatch.context() as patch:
        if step < 3:
            put, done = spool_repair._put, [0]
            at = (1, 9, 20)[step]

            def putting(*given: Any) -> int:
                done[0] += 1
                if done[0] == at:
                    raise Cut
                return put(*given)

            patch.setattr(spool_repair, "_put", putting)
        elif step == 3:

            def syncing(_: int) -> None:
                raise Cut

            patch.setattr(os, "fsync", syncing)
        else:
            rename, renamed = Path.rename, [0]

            def renaming(path: Path, target: Path) -> Path:
                moved = rename(path, target)  # one that is not there does not count
                renamed[0] += 1
                if renamed[0] == step - 3:
                    raise Cut
                return moved

            patch.setattr(Path, "rename", renaming)
        yield


@pytest.mark.parametrize("step", range(7))
@pytest.mark.parametrize("log", [False, True])
def test_a_repair_that_is_cut_off_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int, log: bool
) -> None:
    path, boot = worn(tmp_path)
    if log:  # the newest events stand in the write-ahead log
        with closing(sqlite3.connect(path)) as db:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA wal_autocheckpoint = 0")
            db.execute("UPDATE place SET place = place")
            db.execute("DELETE FROM event WHERE id > 500")
            db.executemany(
                "INSERT INTO event VALUES (?, 'heard', ?)",
                [(n, b'{"boot":"b","seq":%d}' % n) for n in range(501, EVENTS + 1)],
            )
            db.commit()
            kept = {ending: Path(f"{path}{ending}").read_bytes() for ending in ("", "-wal")}
        for ending, content in kept.items():
            Path(f"{path}{ending}").write_bytes(content)
    with cut_at(monkeypatch, step), pytest.raises(Cut):
        Spool(path, NOW_MS)
    with closing(Spool(path, NOW_MS)) as spool:
        whole(spool, boot)
    aside = {"spool.db.unreadable-1", *(["spool.db.unreadable-1-wal"] if log else [])}
    assert files_in(tmp_path) == {"spool.db"} | aside
    with closing(Spool(path, NOW_MS)) as spool:
        assert spool.repair is None
        assert len(ids(spool)) == EVENTS + 1


def test_a_disk_that_takes_nothing_leaves_all_in_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, boot = worn(tmp_path)
    before = path.read_bytes()

    def full(*_: Any) -> int:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(spool_repair, "_put", full)
        for _ in range(2):
            with pytest.raises(SpoolError, match="make room on its disk"):
                Spool(path, NOW_MS)
            assert path.read_bytes() == before
    with closing(Spool(path, NOW_MS)) as spool:
        whole(spool, boot)


def test_without_room_for_all_the_newest_events_come(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, boot = worn(tmp_path)
    monkeypatch.setattr(spool_repair, "_free_bytes", lambda _: 0)
    monkeypatch.setattr(spool_repair, "_LEAST_PAGES", 25)
    with closing(Spool(path, NOW_MS)) as spool:
        known = ids(spool)
        assert 64 <= len(known) < EVENTS
        assert known == list(range(EVENTS + 1 - len(known), EVENTS + 1))
        assert spool.place(spools.FILE) == spools.PLACES[spools.FILE]
        assert spool.boot > boot
        assert spool.repair is not None
        assert (spool.repair.events, spool.repair.left) == (len(known), EVENTS - len(known))
        spool.record([spools.body(5000)], spools.header)


def test_where_both_ends_are_read_those_without_room_are_counted_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A damage in the middle: the older half is read up to it, the newer one back from its end."""
    path = spools.filled(tmp_path, EVENTS)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        pages = db.execute("PRAGMA page_count").fetchone()[0]
        size = db.execute("PRAGMA page_size").fetchone()[0]
    content = bytearray(path.read_bytes())
    middle = pages // 2 * size
    content[middle : middle + size] = b"\xa5" * size
    path.write_bytes(content)
    readable = sorted(spools.rows_read_alone(path, EVENTS))
    assert 100 < len(readable) < EVENTS
    monkeypatch.setattr(spool_repair, "_free_bytes", lambda _: 0)
    monkeypatch.setattr(spool_repair, "_LEAST_PAGES", 20)
    with closing(Spool(path, NOW_MS)) as spool:
        known = ids(spool)
        assert 32 <= len(known) < len(readable)
        assert known == readable[-len(known) :]
        assert spool.repair is not None
        assert spool.repair.left == len(readable) - len(known)


def test_a_new_spool_that_another_agent_makes_is_left_alone(tmp_path: Path) -> None:
    path, _ = worn(tmp_path)
    new = path.with_name("spool.db.rebuilding")
    with closing(spool_repair._begun(new, "CREATE TABLE event (id)")):
        with pytest.raises(SpoolError, match="another agent"):
            Spool(path, NOW_MS)
        assert new.exists()


def test_a_new_spool_that_is_not_needed_is_taken_away(tmp_path: Path) -> None:
    """The first reading failed, the next did not."""
    path = spools.filled(tmp_path, 10)
    new = path.with_name("spool.db.rebuilding")
    new.write_bytes(b"half of it")
    with closing(Spool(path, NOW_MS)) as spool:
        assert spool.repair is None
        assert len(ids(spool)) == 10
    assert not new.exists()


# -- disks that do not give what they were given ---------------------------------------------------


def failing(code: int) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = code
    return error


class BadSector:
    """A connection whose check of all pages ends with an error of the disk."""

    def __init__(self, db: sqlite3.Connection, code: int) -> None:
        self._db = db
        self._code = code

    def execute(self, query: str, *given: Any) -> sqlite3.Cursor:
        if "integrity_check" in query:
            raise failing(self._code)
        return self._db.execute(query, *given)

    def close(self) -> None:
        self._db.close()


@pytest.fixture
def bad_sector(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path, int], None]:
    opened = spool_repair._opened

    def set_up(bad: Path, code: int) -> None:
        def opening(path: Path, *how: str) -> Any:
            db = opened(path, *how)
            return BadSector(db, code) if path == bad and bad.exists() else db

        monkeypatch.setattr(spool_repair, "_opened", opening)

    return set_up


# sqlite.org/rescode.html: SQLITE_IOERR_READ, _SHORT_READ, _CORRUPTFS.
@pytest.mark.parametrize("code", [266, 522, 8458])
def test_a_disk_that_does_not_read_is_damage(
    tmp_path: Path, bad_sector: Callable[[Path, int], None], code: int
) -> None:
    path = spools.filled(tmp_path, 10)
    bad_sector(path, code)
    with closing(Spool(path, NOW_MS)) as spool:
        assert spool.repair is not None
        assert ids(spool) == list(range(1, 11))


@pytest.mark.parametrize("code", [266, 8458])
def test_a_first_page_that_is_not_read_is_damage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    """Seen with a disk that gave EIO, and ETIMEDOUT: it fails as the file is opened, and nothing of
    it can be carried over."""
    path = spools.filled(tmp_path, 10)
    before, opened = path.read_bytes(), spool_repair._opened
    inode = path.stat().st_ino

    def opening(given: Path, *how: str) -> sqlite3.Connection:
        if given.stat().st_ino == inode:
            raise failing(code)
        return opened(given, *how)

    monkeypatch.setattr(spool_repair, "_opened", opening)
    with closing(Spool(path, NOW_MS)) as spool:
        assert spool.repair is not None
        assert spool.repair.aside.read_bytes() == before
        spool.record([spools.body(1)], spools.header)
    Spool(path, NOW_MS).close()


def test_a_log_that_is_not_read_costs_what_stands_in_it_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of the events; the other half stands in the file. Seen with a disk that gave EIO."""
    path = spools.filled(tmp_path, 10)
    opened = spool_repair._opened
    inode = path.stat().st_ino

    def opening(given: Path, *how: str) -> sqlite3.Connection:
        if given.stat().st_ino == inode and "immutable" not in "".join(how):
            raise failing(8458)
        return opened(given, *how)

    monkeypatch.setattr(spool_repair, "_opened", opening)
    with closing(Spool(path, NOW_MS + 2)) as spool:
        assert spool.repair is not None
        assert ids(spool) == [1, 2, 3, 4, 5]
        assert spool.place(spools.FILE) == "1"
        assert spool.repair.aside.with_name("spool.db.unreadable-1-wal").stat().st_size


# There: SQLITE_BUSY, SQLITE_CANTOPEN, SQLITE_IOERR_WRITE, SQLITE_IOERR_NOMEM, SQLITE_IOERR_LOCK.
@pytest.mark.parametrize("code", [5, 14, 778, 3082, 3850])
def test_what_may_pass_is_no_damage(
    tmp_path: Path, bad_sector: Callable[[Path, int], None], code: int
) -> None:
    path = spools.filled(tmp_path, 10)
    before = path.read_bytes()
    bad_sector(path, code)
    with pytest.raises(SpoolError):
        Spool(path, NOW_MS)
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*unreadable*"))


def test_numbers_of_errors_are_those_of_the_library() -> None:
    assert spool_repair._BAD_READS[:2] == (
        sqlite3.SQLITE_IOERR_READ,
        sqlite3.SQLITE_IOERR_SHORT_READ,
    )


def test_a_body_is_an_event() -> None:
    """Or nothing here would be carried over."""
    made = spools.body(1)
    assert isinstance(made, Body)
    assert spool_repair.is_event(made.fields)
