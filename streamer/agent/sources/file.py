"""A followed file: rotation by rename, by truncation and by copy; resumed after a restart.

A place is (inode, offset, the last bytes before the offset). It is stored with the events of its
lines in one transaction, so a restart neither loses nor repeats a line. The remembered bytes tell
whether a file at the path is still the one that was read: an inode may be used again, and a
truncated file may have grown past the offset before anyone looked. When the path shows another
file, its neighbours (`name.1`, `name-20260101` ...) are searched for the rest of the old one.
"""

import hashlib
import json
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from streamer.agent.config import SourceSettings
from streamer.agent.intake import Intake
from streamer.agent.logs import Log
from streamer.agent.sources.base import READ_BYTES, Source
from streamer.agent.spool import Spool, SpoolError

_POLL_S: Final = 0.1
_TAIL: Final = 256
_END: Final = 65_536
_SETTLED: Final = 10  # polls without a new line after which a renamed file is taken to be complete
_LIVE_S: Final = 5.0
"""Lines are of now if the file's end was seen so shortly before they were read."""
_PACKED: Final = (".gz", ".bz2", ".xz", ".zst", ".zip", ".tmp", ".swp")


@dataclass(frozen=True, slots=True)
class Place:
    """How far a file was read: `offset` bytes, the last of which hash to `tail`."""

    inode: int
    offset: int
    tail: str

    def text(self) -> str:
        return json.dumps([self.inode, self.offset, self.tail])

    @staticmethod
    def parse(text: str) -> "Place":
        """Raises ValueError where a text is none, as a worn card may leave it."""
        try:
            inode, offset, tail = json.loads(text)
        except (TypeError, RecursionError) as error:
            raise ValueError(str(error)) from error
        if type(inode) is not int or type(offset) is not int or offset < 0:
            raise ValueError("an inode and an offset are expected")
        return Place(inode, offset, str(tail))


def _tail(file: BinaryIO, offset: int) -> str:
    start = max(0, offset - _TAIL)
    data = os.pread(file.fileno(), offset - start, start)
    return _digest(data)


def _digest(data: bytes) -> str:
    return hashlib.blake2b(data, digest_size=8).hexdigest()


class FileSource(Source):
    def __init__(self, settings: SourceSettings, intake: Intake, log: Log, spool: Spool) -> None:
        super().__init__(settings, intake, log)
        assert settings.path is not None
        self._path = settings.path.absolute()
        self._key = f"file:{self._path}"
        self._spool = spool
        self._file: BinaryIO | None = None
        self._offset = 0
        self._block = max(READ_BYTES, settings.max_line_bytes + 2)  # a whole line always fits
        self._skipping = False  # inside a line that is too long
        self._quiet = 0
        self._end_s: float | None = None  # when the end of the file at the path was last seen

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def run(self) -> None:
        try:
            self._resume()
            while not self.stopping:
                if self._file is None:
                    self._open_next(0)
                elif self._truncated():
                    self._read_copy()
                    self._open_next(0)
                elif self._read():
                    self._quiet = 0
                    continue
                else:
                    self._look_for_rotation()
                self.pause(_POLL_S)
        finally:
            self.close()

    # -- where to begin --------------------------------------------------------------------

    def _resume(self) -> None:
        self._skipping, self._quiet = False, 0
        stored = self._spool.place(self._key)
        if stored is None:
            self._open_next(0)
            if self._file is not None and self.settings.start == "end":
                self._offset = _end_of_lines(self._file)
                self._store([])
            return
        try:
            place = Place.parse(stored)
        except ValueError:
            self._resume_anywhere(stored)
            return
        if self._is_at(self._path, place, same_inode=True):
            self._open_next(place.offset)
            return
        if not self._read_rest(place):
            self.log.warning(
                "file_replaced",
                source=self.settings.label,
                why="the file that was read is gone: lines written to it since may be lost",
            )
        self._open_next(0)

    def _resume_anywhere(self, spoilt: str) -> None:
        """Nobody knows how far it was read: rather twice than not at all."""
        self.log.warning(
            "place_unreadable",
            source=self.settings.label,
            place=spoilt[:100],
            why="the spool's word on how far it was read is spoilt: the file is read from its "
            "beginning, so lines of it may be told again. Look at the disk",
        )
        self._note_beginning()
        self._open_next(0)

    def _open_next(self, offset: int) -> None:
        """Open what is at the path; without a file, wait for one and then begin at its start."""
        self.close()
        try:
            self._file = self._path.open("rb", buffering=0)
        except OSError as error:
            if self._spool.place(self._key) is None:
                # Whatever will be written to it is new, also if the agent is started again first.
                self._note_beginning()
            self.log.seldom("file_not_there", self._key, source=self.settings.label, why=str(error))
            return
        self._offset, self._quiet = offset, 0

    def _note_beginning(self) -> None:
        place = Place(0, 0, _digest(b""))
        self.intake.lines(self.settings, [], (self._key, place.text()))

    def _is_at(self, path: Path, place: Place, *, same_inode: bool) -> bool:
        try:
            with path.open("rb", buffering=0) as file:
                status = os.fstat(file.fileno())
                return (
                    stat.S_ISREG(status.st_mode)
                    and (not same_inode or status.st_ino == place.inode)
                    and status.st_size >= place.offset
                    and _tail(file, place.offset) == place.tail
                )
        except OSError:
            return False

    def _neighbours(self) -> list[Path]:
        """Files beside the path that a rotation may have made, oldest first."""
        found: list[tuple[int, Path]] = []
        for path in self._path.parent.glob(f"{self._path.name}[.-]*"):
            if path.suffix not in _PACKED and path.is_file():
                found.append((path.stat().st_mtime_ns, path))
        return [path for _, path in sorted(found)]

    def _read_rest(self, place: Place) -> bool:
        """Read what was written to the old file, and to later ones, while nobody looked.

        False when the old file is gone.
        """
        neighbours = self._neighbours()
        for same_inode in (True, False):
            for number, path in enumerate(neighbours):
                if place.offset and self._is_at(path, place, same_inode=same_inode):
                    self._read_to_end(path, place.offset)
                    for later in neighbours[number + 1 :]:
                        self._read_to_end(later, 0)
                    return True
        return place.offset == 0

    def _read_copy(self) -> None:
        """The file was cut short in place; a copy of it may hold lines not read yet."""
        assert self._file is not None
        stored = self._spool.place(self._key)
        if stored is not None:
            place = Place.parse(stored)
            for path in self._neighbours():
                if place.offset and self._is_at(path, place, same_inode=False):
                    self._read_to_end(path, place.offset)
                    break
        self.log.info("file_truncated", source=self.settings.label)

    def _read_to_end(self, path: Path, offset: int) -> None:
        self.close()
        self._file = path.open("rb", buffering=0)
        self._offset = offset
        while not self.stopping and self._read():
            pass
        self._read_unended()

    # -- following -------------------------------------------------------------------------

    def _truncated(self) -> bool:
        assert self._file is not None
        if os.fstat(self._file.fileno()).st_size < self._offset:
            return True
        stored = self._spool.place(self._key)
        if not stored or self._skipping:
            return False
        place = Place.parse(stored)
        return place.offset == self._offset and _tail(self._file, self._offset) != place.tail

    def _look_for_rotation(self) -> None:
        """Leave a renamed or deleted file once nobody writes to it any more."""
        assert self._file is not None
        try:
            same = self._path.stat().st_ino == os.fstat(self._file.fileno()).st_ino
        except OSError:
            same = False  # renamed, and the new one is not there yet
        if same:
            self._end_s = self.intake.now()[1]
        self._quiet = 0 if same else self._quiet + 1
        if self._quiet >= _SETTLED:
            self._read_unended()
            self.log.info("file_rotated", source=self.settings.label)
            if (stored := self._spool.place(self._key)) is not None:
                self._read_rest(Place.parse(stored))  # it may have been rotated more than once
            self._open_next(0)

    def _read(self) -> bool:
        """Take in the whole lines of the next block; False when there are none."""
        assert self._file is not None
        block = os.pread(self._file.fileno(), self._block, self._offset)
        end = block.rfind(b"\n") + 1
        if not end:
            if len(block) <= self.settings.max_line_bytes and not (self._skipping and block):
                return False
            # A line without an end that is too long already: pass over it, count it once.
            if not self._skipping:
                self.intake.bad(self.settings, block, "a line longer than max_line_bytes")
            self._skipping = True
            self._offset += len(block)
            return True
        lines = block[: end - 1].split(b"\n")
        if self._skipping:
            lines = lines[1:]
        self._offset += end
        self._skipping = False
        self._store(lines)
        return True

    def _read_unended(self) -> None:
        """A last line without its end, in a file that nobody writes to any more."""
        assert self._file is not None
        block = os.pread(self._file.fileno(), self._block, self._offset)
        if block and not self._skipping:
            self._offset += len(block)
            self._store([block])
        self._skipping = False

    def _store(self, lines: list[bytes]) -> None:
        assert self._file is not None
        status = os.fstat(self._file.fileno())  # after the reading: no line of it is younger
        place = Place(status.st_ino, self._offset, _tail(self._file, self._offset))
        written_ms, monotonic_s = self.intake.now()
        if self._end_s is None or monotonic_s - self._end_s > _LIVE_S:
            written_ms = status.st_mtime_ns // 1_000_000
        while True:
            try:
                self.intake.lines(self.settings, lines, (self._key, place.text()), written_ms)
                return
            except SpoolError as error:
                # The file keeps the lines: wait for the disk rather than lose them.
                self.log.seldom("spool_failed", source=self.settings.label, why=str(error))
                if self.stopping:
                    raise
                self.pause(2.0)


def _end_of_lines(file: BinaryIO) -> int:
    """The offset behind the last whole line."""
    size = os.fstat(file.fileno()).st_size
    start = max(0, size - _END)
    return start + os.pread(file.fileno(), size - start, start).rfind(b"\n") + 1
