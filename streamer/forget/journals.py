"""Forgets a station in a journal's closed files: each is written anew under a pseudonym for it.

Lines that do not name it stay as they are, byte by byte, and none is left out: what was counted
stays true. A file that is being written is left alone.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import zstandard
from pydantic_core import from_json, to_json

from streamer.forget.name import Name
from streamer.forget.swapping import Step, recover, swap
from streamer.journal import lines as journal
from streamer.journal.frames import NOT_ENDED, frames
from streamer.journal.names import FileName, files_in, parse_name
from streamer.journal.reader import JournalError, head_of, region_of, scan
from streamer.journal.writer import LEVEL
from streamer.state.keys import HOUR_MS

ALIVE_MS: Final = 60_000
"""A worker says every second that it lives; so long after, it may still write."""
CLOSED_WITHIN_MS: Final = 60_000
"""After its hour a worker closes its file at once."""


@dataclass(slots=True)
class Found:
    """What came of a folder. `open` are files that are being written, with the time in ms from
    which on they are not; `troubles` what could not be read, and so not be searched; `failed` what
    could not be changed, or opened. `others` counts files of other regions, by region, which are
    left alone; `empty` are folders without any file of a journal."""

    files: int = 0
    lines: int = 0
    searched: int = 0
    open: list[tuple[Path, int]] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    others: Counter[str] = field(default_factory=Counter)
    empty: list[Path] = field(default_factory=list)
    recovered: list[Path] = field(default_factory=list)

    def add(self, other: "Found") -> None:
        self.files += other.files
        self.lines += other.lines
        self.searched += other.searched
        self.open += other.open
        self.troubles += other.troubles
        self.failed += other.failed
        self.others += other.others
        self.empty += other.empty
        self.recovered += other.recovered


def forget_in_folder(
    folder: Path,
    name: Name,
    region: str,
    alive: Mapping[str, int],
    now_ms: int,
    *,
    dry: bool,
    step: Step = lambda _: None,
) -> Found:
    """Forget in every closed file of a region; with `dry` only count.

    `alive` says when each worker last said that it lives. What goes wrong with a file is told in
    `failed`, and the others are gone on with: each is whole, old or new.
    """
    found = Found()
    try:
        _note_others(folder, region, found)
        if not dry:
            found.recovered = recover(folder, region)
        paths = files_in(folder, region)
    except OSError as error:
        found.failed.append(_told(folder, error))
        return found
    newest = {_worker_of(path): path for path in paths}  # they come by hour and number
    for path in paths:
        try:
            until_ms = _written_until_ms(path, newest, alive, now_ms)
            if until_ms is not None:
                found.open.append((path, until_ms))
                continue
            _forget_in_file(path, name, found, now_ms, dry, step)
            found.searched += 1
        except (OSError, JournalError) as error:
            found.failed.append(_told(path, error))
    return found


def _note_others(folder: Path, region: str, found: Found) -> None:
    """What of a folder is none of this region's, so that nobody takes it for searched."""
    paths = files_in(folder)
    names = [name for path in paths if (name := parse_name(path.name)) is not None]
    found.others.update(name.region for name in names if name.region != region)
    if not paths:
        found.empty.append(folder)


def _told(path: Path, error: OSError | JournalError) -> str:
    if isinstance(error, OSError):
        return f"{path}: {error.strerror or error}"
    return str(error)


def _worker_of(path: Path) -> str:
    name = parse_name(path.name)
    return name.worker if name is not None else ""


def _written_until_ms(
    path: Path, newest: Mapping[str, Path], alive: Mapping[str, int], now_ms: int
) -> int | None:
    """Until when a file may still be written to; None if it is closed, or was left by a worker
    that was killed."""
    name = parse_name(path.name)
    if name is None or _is_closed(path):
        return None
    until_ms = name.hour_ms + HOUR_MS + CLOSED_WITHIN_MS
    if until_ms > now_ms:
        return until_ms
    seen_ms = max((ms for worker, ms in alive.items() if _is_of(name, worker)), default=0)
    if newest.get(name.worker) == path and now_ms - seen_ms <= ALIVE_MS:
        return now_ms + CLOSED_WITHIN_MS
    return None


def _is_of(name: FileName, worker: str) -> bool:
    """Names of files leave out what a name of a file cannot hold."""
    return str(FileName(name.region, name.hour_ms, worker, name.number)) == str(name)


def _is_closed(path: Path) -> bool:
    last = b""
    for text in frames(path.read_bytes(), lambda _: None):
        last = text.rstrip(b"\n").rpartition(b"\n")[2] or last
    return _kind(last) == journal.END


def _kind(line: bytes) -> str:
    try:
        value = from_json(line)
    except ValueError:
        return ""
    return str(value.get("kind", "")) if isinstance(value, dict) else ""


def _forget_in_file(
    path: Path, name: Name, found: Found, now_ms: int, dry: bool, step: Step
) -> None:
    try:
        head_of(path)
    except JournalError as error:
        found.troubles.append(str(error))
        return
    said: list[str] = []
    content = path.read_bytes()
    made = _Rewriting(name, now_ms)
    written = made.content(content, said.append)
    found.troubles += [f"{path}: {words}" for words in said if NOT_ENDED not in words]
    if not made.changed:
        return
    if not dry:
        _put(path, name, written, step)
    found.files += 1
    found.lines += made.changed


def _put(path: Path, name: Name, written: bytes, step: Step) -> None:
    said: list[str] = []
    left = [line for text in frames(written, said.append) for line in text.split(b"\n")]
    if any(name.in_text(line.decode("utf-8", "replace")) for line in left):
        raise JournalError(f"{path}: a name was left in what was written anew: it stays as it was")
    # A sum that was wrong, or never there, must not become right by this.
    swap(path, written, summed=scan(path).summed is True, step=step)


class _Rewriting:
    def __init__(self, name: Name, now_ms: int) -> None:
        self._name = name
        self._now_ms = now_ms
        self._noted_ms = 0
        self._ended = False
        self.changed = 0
        """Lines that named the station."""

    def content(self, content: bytes, on_trouble: Callable[[str], None]) -> bytes:
        """The whole file anew, frame by frame."""
        packed = []
        for text in frames(content, on_trouble):
            # What ends in the middle is no line: readers leave it out, and half a name in it could
            # not be told.
            whole = text.split(b"\n")[:-1]
            packed.append(_packed(list(self._lines(whole))))
        if self.changed and not self._ended:
            packed.append(_packed([self._mark()]))
        return b"".join(packed)

    def _lines(self, lines: Sequence[bytes]) -> Iterator[bytes]:
        for line in lines:
            kind = _kind(line) if self._is_special(line) else ""
            if kind == journal.REGION:
                self._learn(line)
            if kind == journal.END and self.changed:
                yield self._mark()
                self._ended = True
                end: dict[str, Any] = from_json(line)
                yield to_json(end | {"lines": int(end["lines"]) + 1})
                continue
            made = self._line(line)
            self._noted_ms = _noted_ms(made, self._noted_ms)
            yield made

    def _line(self, line: bytes) -> bytes:
        if not self._name.may_be_in(line):
            return line
        text = line.decode("utf-8", "surrogateescape")
        made = self._name.cleared(text, drop=False)
        if made == text:
            return line
        self.changed += 1
        return made.encode("utf-8", "surrogateescape")

    @staticmethod
    def _is_special(line: bytes) -> bool:
        return b'"region"' in line or b'"end"' in line

    def _learn(self, line: bytes) -> None:
        """The region file of that time may have had other words that check out."""
        try:
            view = region_of(from_json(line))
        except (JournalError, ValueError):
            return
        self._name.also_check_outs(view.check_out_words)

    def _mark(self) -> bytes:
        return to_json(journal.forgotten(self._noted_ms, self.changed, self._now_ms))


def _noted_ms(line: bytes, before_ms: int) -> int:
    """When a line was noted; they come in that order."""
    begins = line.find(b'"noted_ms":')
    digits = line[begins + 11 : begins + 30].split(b",")[0].split(b"}")[0]
    return int(digits) if begins >= 0 and digits.isdigit() else before_ms


def _packed(lines: Sequence[bytes]) -> bytes:
    if not lines:
        return b""
    compressor = zstandard.ZstdCompressor(level=LEVEL, write_checksum=True)
    return compressor.compress(b"\n".join(lines) + b"\n")
