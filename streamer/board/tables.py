"""Tables of rows that browsers follow: each gets the rows that are newer than what it had.

Two sides. The picture's thread puts and drops rows; what really changed waits in a list of changes.
The event loop takes that list over between two ticks (`settle`) and alone reads the tables. So the
lock is held for a moment only, a row that changes often within a tick is sent once, and all
browsers see the same versions at a tick, for which one text is made.
"""

import threading
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from pydantic import BaseModel
from pydantic_core import to_json

REMOVALS_KEPT: Final = 2000
"""Removals remembered of a table; who has not looked for longer gets the whole table."""
_TEXTS_KEPT: Final = 64


@dataclass(slots=True)
class Delta:
    """One text for all who had the same: `json` is a `RowsEvent`; `dressed` is for its sender to
    keep what it made of it."""

    version: int
    json: bytes
    dressed: bytes | None = None


@dataclass(slots=True)
class _Slot:
    row: BaseModel
    version: int
    text: bytes | None = None

    def json(self) -> bytes:
        """Made when somebody first wants it, and once."""
        if self.text is None:
            self.text = self.row.model_dump_json().encode()
        return self.text


@dataclass(slots=True)
class Table:
    """Rows and removals in the order of their versions, oldest first. Only the loop touches it."""

    name: str
    most_removals: int = REMOVALS_KEPT
    version: int = 0
    """Of its newest change."""
    _rows: dict[str, _Slot] = field(default_factory=dict)
    _gone: dict[str, int] = field(default_factory=dict)
    _forgotten: int = 0
    """The version of the newest removal that is no longer remembered."""
    _texts: dict[int | None, Delta] = field(default_factory=dict)

    def apply(self, changes: Mapping[str, BaseModel | None], version: int) -> None:
        """Take rows over; None removes one."""
        for key, row in changes.items():
            known = self._rows.pop(key, None)
            self._gone.pop(key, None)
            if row is not None:
                self._rows[key] = _Slot(row, version)
            elif known is not None:
                self._gone[key] = version
        while len(self._gone) > self.most_removals:
            self._forgotten = self._gone.pop(next(iter(self._gone)))
        self.version = version
        self._texts.clear()

    def delta(self, since: int | None) -> Delta | None:
        """What is newer than `since`: None if nothing is. The whole table where `since` is None or
        so old that removals after it are forgotten."""
        if since is not None and since >= self.version:
            return None
        if since is not None and since < self._forgotten:
            since = None
        found = self._texts.get(since)
        if found is None:
            if len(self._texts) >= _TEXTS_KEPT:
                self._texts.clear()
            found = self._texts[since] = Delta(self.version, self._json(since))
        return found

    def document(self) -> bytes:
        """A `TableDocument` as JSON."""
        return b"{%s}" % self._body(self._rows.items())

    def _json(self, since: int | None) -> bytes:
        rows: Iterable[tuple[str, _Slot]] = self._rows.items()
        gone: list[str] = []
        if since is not None:
            rows = _newer(self._rows, since)
            gone = [key for key, version in self._gone.items() if version > since]
        full = b"true" if since is None else b"false"
        return b'{%s,"full":%s,"gone":%s}' % (self._body(rows), full, to_json(gone))

    def _body(self, rows: Iterable[tuple[str, _Slot]]) -> bytes:
        text = b",".join(b"%s:%s" % (to_json(key), slot.json()) for key, slot in rows)
        return b'"table":%s,"version":%d,"rows":{%s}' % (to_json(self.name), self.version, text)


def _newer(rows: dict[str, _Slot], since: int) -> list[tuple[str, _Slot]]:
    found = []
    for key, slot in reversed(rows.items()):
        if slot.version <= since:
            break
        found.append((key, slot))
    return found


class Tables:
    """All tables of a board. Unknown names are a KeyError."""

    def __init__(self, names: Iterable[str], most_removals: int = REMOVALS_KEPT) -> None:
        self._most_removals = most_removals
        self._lock = threading.Lock()
        self._names = frozenset(names)
        self._latest: dict[str, dict[str, BaseModel]] = {name: {} for name in self._names}
        self._changes: dict[str, dict[str, BaseModel | None]] = {}
        self._tables: dict[str, Table] = {}
        self._version = 0
        self.made_ms: int | None = None
        """Until when whoever keeps them has brought them up to date; None: nobody says. Of its
        thread; read by the loop."""

    # -- the picture's thread ------------------------------------------------------------------

    def put(self, table: str, key: str, row: BaseModel) -> None:
        """Set a row; nothing happens if it is as it was."""
        with self._lock:
            self._put(table, key, row)

    def drop(self, table: str, key: str) -> None:
        """Remove a row, should it be there."""
        with self._lock:
            self._drop(table, key)

    def replace(self, table: str, rows: Mapping[str, BaseModel]) -> None:
        """Have exactly these rows in the table."""
        with self._lock:
            self._replace(table, rows)

    def arrange(self, names: Collection[str]) -> None:
        """Have these tables. One that is no longer among them is emptied for those who watch it,
        and nobody new finds it."""
        with self._lock:
            self._arrange(names)

    def take_over(self, other: "Tables", but: Collection[str] = ()) -> None:
        """Have the tables and rows of another all at once, those of the tables in `but` apart."""
        with self._lock:
            self._arrange(other.names)
            for name in other.names - set(but):
                self._replace(name, other._latest[name])

    def _arrange(self, names: Collection[str]) -> None:
        for name in self._names - set(names):
            self._replace(name, {})
        self._names = frozenset(names)
        for name in names:
            self._latest.setdefault(name, {})

    def _replace(self, table: str, rows: Mapping[str, BaseModel]) -> None:
        for key in [key for key in self._latest[table] if key not in rows]:
            self._drop(table, key)
        for key, row in rows.items():
            self._put(table, key, row)

    def _put(self, table: str, key: str, row: BaseModel) -> None:
        latest = self._latest[table]
        if latest.get(key) != row:
            latest[key] = row
            self._changes.setdefault(table, {})[key] = row

    def _drop(self, table: str, key: str) -> None:
        if self._latest[table].pop(key, None) is not None:
            self._changes.setdefault(table, {})[key] = None

    # -- the event loop ------------------------------------------------------------------------

    @property
    def names(self) -> frozenset[str]:
        return self._names

    @property
    def version(self) -> int:
        """Rises with each `settle` that brought something."""
        return self._version

    def settle(self) -> bool:
        """Take over what has changed; whether anything has."""
        with self._lock:
            changes, self._changes = self._changes, {}
        if not changes:
            return False
        self._version += 1
        for name, rows in changes.items():
            self._table(name).apply(rows, self._version)
        return True

    def delta(self, table: str, since: int | None) -> Delta | None:
        """As `Table.delta`; a table that was never filled is an empty one."""
        return self._table(table).delta(since)

    def document(self, table: str) -> bytes:
        return self._table(table).document()

    def _table(self, name: str) -> Table:
        found = self._tables.get(name)
        if found is None:
            if name not in self._latest:
                raise KeyError(name)
            found = self._tables[name] = Table(name, self._most_removals)
        return found
