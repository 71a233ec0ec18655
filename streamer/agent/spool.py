"""The agent's only queue: a SQLite file in which every event is stored before it is sent.

A row leaves the file some time after the broker's acknowledgement, not with it: Mosquitto
acknowledges before it writes to its disk (autosave_interval, 30 s advised), so a row stays for a
grace time and is sent again if the connection is lost meanwhile. Which rows are in their grace
time is kept in memory alone: after a crash of the agent they are all sent again, and the readers
know an event by (boot, seq).

Safe for use from several threads. One process at a time: the file is locked.
"""

import contextlib
import json
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

from streamer.agent.boot import next_boot
from streamer.agent.idset import IdSet
from streamer.agent.spool_repair import Repair, mend
from streamer.contract.common import MAX_SEQ
from streamer.contract.topics import Kind

_DEAD_ROWS: Final = 1000
_WAL_BYTES: Final = 4 * 1024 * 1024
_BUCKET_S: Final = 1.0
_RESENDS: Final = 2  # so often a row acknowledged is sent again for the same reason

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS event (
  id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, payload BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS event_by_kind ON event (kind, id);
CREATE TABLE IF NOT EXISTS dead (
  id INTEGER PRIMARY KEY, kind TEXT NOT NULL, payload BLOB NOT NULL, why TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS boot (one INTEGER PRIMARY KEY CHECK (one = 1), boot TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS place (source TEXT PRIMARY KEY, place TEXT NOT NULL);
"""


class SpoolError(Exception):
    """The spool cannot be used; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Row:
    id: int
    kind: Kind
    payload: bytes


@dataclass(frozen=True, slots=True)
class Body:
    """An event that waits for its number: its kind and its own fields as a JSON object."""

    kind: Kind
    fields: bytes
    over: str | None = None
    """The over that a heard event tells of."""
    ends: bool = False


Header = Callable[[str, int, Body], bytes]
"""From (boot, seq, event) to the common fields as JSON, `"v":1,...`, without braces."""


@dataclass(frozen=True, slots=True)
class Resent:
    """How often rows that the broker had taken are sent again: because a connection was `lost`, and
    because the server `asked` for what it misses."""

    lost: int = 0
    asked: int = 0

    def __bool__(self) -> bool:
        return bool(self.lost or self.asked)


FIRST: Final = Resent()


@dataclass(slots=True)
class _Held:
    """Rows acknowledged within a second of `at_s`, or to be sent again."""

    at_s: float
    resent: Resent
    ids: IdSet


class Spool:
    """See the module's text. `path` may be ":memory:" for a spool that survives nothing."""

    def __init__(
        self,
        path: Path | str,
        now_ms: int,
        *,
        max_bytes: int = 256 * 1024 * 1024,
        sync: Literal["full", "normal"] = "full",
    ) -> None:
        self._path = path
        self._max_bytes = max_bytes
        self._lock = threading.RLock()
        self._held: deque[_Held] = deque()
        self._again: deque[_Held] = deque()
        self.repair: Repair | None = None
        self._db = self._open(sync)
        with self._transaction():
            row = self._db.execute("SELECT boot FROM boot").fetchone()
            self.boot = next_boot(row[0] if row else None, now_ms)
            self._db.execute("INSERT OR REPLACE INTO boot VALUES (1, ?)", (self.boot,))
        self._rows = int(self._db.execute("SELECT count(*) FROM event").fetchone()[0])
        last = self._db.execute("SELECT max(id) FROM event").fetchone()[0]
        self.newest_id = int(last or 0)
        self._seq = 0
        self.dropped = 0
        self.dead = 0

    # -- opening ---------------------------------------------------------------------------

    def _open(self, sync: str) -> sqlite3.Connection:
        try:
            if str(self._path) != ":memory:":
                # A worn card, a power cut: better a new spool than no agent.
                self.repair = mend(Path(self._path), _SCHEMA)
            return self._connect(sync)
        except (sqlite3.Error, OSError) as error:
            hint = "is another agent using it?" if "locked" in str(error) else "check the path"
            hint = "make room on its disk" if "full" in str(error) else hint
            raise SpoolError(f"spool {self._path}: {error}; {hint}") from error

    def _connect(self, sync: str) -> sqlite3.Connection:
        # Transactions are ours (isolation_level None); the lock makes threads take turns.
        db = sqlite3.connect(self._path, timeout=1.0, isolation_level=None, check_same_thread=False)
        try:
            db.execute("PRAGMA locking_mode = EXCLUSIVE")
            db.execute("PRAGMA journal_mode = WAL")
            # FULL: a commit is on the disk when it returns, also through a power cut. NORMAL would
            # survive a killed process but not a power cut.
            db.execute(f"PRAGMA synchronous = {'FULL' if sync == 'full' else 'NORMAL'}")
            db.execute(f"PRAGMA journal_size_limit = {_WAL_BYTES}")
            db.execute("PRAGMA cache_size = -128")
            db.execute("PRAGMA temp_store = MEMORY")
            db.executescript(_SCHEMA)
            db.execute("BEGIN IMMEDIATE")
            db.execute("COMMIT")
        except sqlite3.Error:
            db.close()
            raise
        return db

    def close(self) -> None:
        """Free the file; safe to call twice."""
        with self._lock:
            self._db.close()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._lock:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield
                self._db.execute("COMMIT")
            except BaseException as error:
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                if isinstance(error, sqlite3.Error):
                    raise SpoolError(
                        f"spool {self._path}: {error}; is the disk full or not writable?"
                    ) from error
                raise

    # -- recording -------------------------------------------------------------------------

    def record(
        self, bodies: Sequence[Body], header: Header, places: Sequence[tuple[str, str]] = ()
    ) -> list[int]:
        """Store events, number them, and keep texts under names for `place`, such as how far a
        source was read, all or nothing.

        Returns the sequence numbers. Raises SpoolError when the disk does not take them.
        """
        with self._lock:
            self._make_room()
            seq, last = self._seq, self.newest_id
            with self._transaction():
                for body in bodies:
                    seq += 1
                    payload = _joined(header(self.boot, seq, body), body.fields)
                    last = self._insert(body.kind, payload)
                self._keep(places)
            first, self._seq = self._seq + 1, seq
            self._rows += len(bodies)
            self.newest_id = last
            return list(range(first, seq + 1))

    def keep(self, places: Sequence[tuple[str, str]]) -> None:
        """Keep texts under names, for `place` to find after a restart."""
        with self._transaction():
            self._keep(places)

    def _keep(self, places: Sequence[tuple[str, str]]) -> None:
        self._db.executemany("INSERT OR REPLACE INTO place VALUES (?, ?)", places)

    def _insert(self, kind: Kind, payload: bytes) -> int:
        cursor = self._db.execute(
            "INSERT INTO event (kind, payload) VALUES (?, ?)", (str(kind), payload)
        )
        return int(cursor.lastrowid or 0)

    def place(self, source: str) -> str | None:
        """The text that `record` was given under a name; or what a worn card has made of it."""
        with self._lock:
            # As bytes: what a worn card left may be no UTF-8, which SQLite's module refuses.
            asked = "SELECT CAST(place AS BLOB) FROM place WHERE source = ?"
            row = self._db.execute(asked, (source,)).fetchone()
        return bytes(row[0]).decode(errors="replace") if row else None

    def _used_bytes(self) -> int:
        pages, free, size = (
            int(self._db.execute(f"PRAGMA {name}").fetchone()[0])
            for name in ("page_count", "freelist_count", "page_size")
        )
        return (pages - free) * size

    def _make_room(self) -> None:
        """Last resort at the disk limit: rows already acknowledged go first, then the oldest."""
        if self._used_bytes() < self._max_bytes:
            return
        while self._held:
            self._delete(self._held.popleft().ids)
        while self._rows and self._used_bytes() >= self._max_bytes:
            with self._transaction():
                gone = self._db.execute(
                    "DELETE FROM event WHERE id IN (SELECT id FROM event ORDER BY id LIMIT ?)",
                    (max(16, self._rows // 100),),
                ).rowcount
            self._rows -= gone
            self.dropped += gone

    # -- sending ---------------------------------------------------------------------------

    def after(self, kind: Kind, cursor: int, limit: int, newest: int = MAX_SEQ) -> list[Row]:
        """At most `limit` rows of a kind, ids above `cursor` up to `newest`, oldest first."""
        with self._lock:
            found = self._db.execute(
                "SELECT id, payload FROM event WHERE kind = ? AND id > ? AND id <= ?"
                " ORDER BY id LIMIT ?",
                (str(kind), cursor, newest, limit),
            ).fetchall()
        return [Row(number, kind, payload) for number, payload in found]

    def rows(self, ids: Sequence[int]) -> list[Row]:
        """The rows with these ids that are still there, oldest first."""
        with self._lock:
            found = self._db.execute(
                "SELECT id, kind, payload FROM event"
                " WHERE id IN (SELECT value FROM json_each(?)) ORDER BY id",
                (json.dumps(list(ids)),),
            ).fetchall()
        return [Row(number, Kind(kind), payload) for number, kind, payload in found]

    def acknowledged(self, ids: Sequence[int], monotonic_s: float, resent: Resent = FIRST) -> None:
        """The broker has taken these rows; they stay until `sweep`."""
        with self._lock:
            newest = self._held[-1] if self._held else None
            if newest and newest.resent == resent and monotonic_s - newest.at_s < _BUCKET_S:
                newest.ids.add(ids)
            else:
                self._held.append(_Held(monotonic_s, resent, IdSet(ids)))

    def sweep(self, monotonic_s: float, grace_s: float) -> None:
        """Delete what was acknowledged more than `grace_s` ago."""
        with self._lock:
            while self._held and monotonic_s - self._held[0].at_s > grace_s + _BUCKET_S:
                self._delete(self._held[0].ids)
                self._held.popleft()

    def connection_lost(self) -> None:
        """The broker may have crashed: rows in their grace time are to be sent once more.

        Not for ever, though: a line that drops every few seconds would never get rid of them.
        """
        self._hold_again(lambda resent: replace(resent, lost=resent.lost + 1))

    def send_held_again(self) -> None:
        """The server misses events: rows in their grace time are to be sent once more.

        Not for ever: while one of several workers is away more is missing with every heartbeat,
        and what is sent again is in its grace time again.
        """
        self._hold_again(lambda resent: replace(resent, asked=resent.asked + 1))

    def _hold_again(self, once_more: Callable[[Resent], Resent]) -> None:
        with self._lock:
            stay: deque[_Held] = deque()
            for held in self._held:
                resent = once_more(held.resent)
                if max(resent.lost, resent.asked) > _RESENDS:
                    stay.append(held)
                else:
                    self._again.append(replace(held, resent=resent))
            self._held = stay

    def take_again(self, limit: int) -> tuple[list[Row], Resent]:
        """At most `limit` rows to send once more, and how often that is then."""
        with self._lock:
            while self._again:
                held = self._again[0]
                ids = held.ids.take(limit)
                if not len(held.ids):
                    self._again.popleft()
                if found := self.rows(ids):
                    return found, held.resent
            return [], FIRST

    def give_back(self, ids: Sequence[int], resent: Resent) -> None:
        """Rows from `take_again` whose answer never came."""
        with self._lock:
            self._again.appendleft(_Held(0.0, resent, IdSet(ids)))

    def bury(self, row: Row, why: str) -> None:
        """Move a row that can never be accepted out of the way; the newest 1,000 are kept."""
        with self._transaction():
            self._db.execute(
                "INSERT OR REPLACE INTO dead VALUES (?, ?, ?, ?)",
                (row.id, str(row.kind), row.payload, why),
            )
            self._db.execute(
                "DELETE FROM dead WHERE id NOT IN (SELECT id FROM dead ORDER BY id DESC LIMIT ?)",
                (_DEAD_ROWS,),
            )
            gone = self._db.execute("DELETE FROM event WHERE id = ?", (row.id,)).rowcount
        with self._lock:
            self._rows -= gone
            self.dead += gone

    def _delete(self, ids: IdSet) -> None:
        with self._transaction():
            gone = self._db.executemany(
                "DELETE FROM event WHERE id BETWEEN ? AND ?", ids.ranges()
            ).rowcount
        self._rows -= gone

    @property
    def waiting(self) -> int:
        """Rows that the broker has not acknowledged."""
        with self._lock:
            taken = sum(len(h.ids) for h in self._held) + sum(len(h.ids) for h in self._again)
            return max(0, self._rows - taken)

    @property
    def held(self) -> int:
        """Rows acknowledged and still in their grace time."""
        with self._lock:
            return sum(len(h.ids) for h in self._held)

    @property
    def last_seq(self) -> int:
        with self._lock:
            return self._seq


def _joined(header: bytes, fields: bytes) -> bytes:
    return b"{" + header + (b"," if len(fields) > 2 else b"") + fields[1:]
