"""Appends lines to hourly files that are never written to again.

A file is a row of zstd frames, each with a checksum of its content. What is written is flushed to
the operating system at once, in the middle of a frame, so that a killed worker loses nothing that
it has acknowledged, while lines of a quiet hour still compress well together. A worker that comes
back begins another file: what a crash has left is never touched.
"""

import hashlib
import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import structlog
import zstandard
from pydantic_core import to_json

from streamer.journal import lines as make
from streamer.journal.lines import Line
from streamer.journal.names import FileName, files_in, parse_name, sums_of
from streamer.state.keys import HOUR_MS

log = structlog.get_logger()

LEVEL: Final = 3
FRAME_BYTES: Final = 4_000_000
"""Of lines, before another frame is begun: what a fault of the disk can cost."""
SYNC_MS: Final = 5000
"""What a failure of power can cost; a killed worker loses nothing."""
AGAIN_MS: Final = 10_000
"""After a failure to write, tried again so much later."""


@dataclass(frozen=True, slots=True)
class Retention:
    """How long files are kept, and how many bytes at most; the hour that runs is always kept."""

    keep_ms: int
    keep_bytes: int


class _File:
    """One file that is being written; raises OSError."""

    def __init__(self, folder: Path, name: FileName) -> None:
        number = name.number
        while True:
            self.path = folder / str(FileName(name.region, name.hour_ms, name.worker, number))
            try:
                # Never over another: two workers under one name would each get a file.
                flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
                self._handle = os.open(self.path, flags, 0o640)
                break
            except FileExistsError:
                number += 1
        self.hour_ms = name.hour_ms
        self.lines = 0
        self._sum = hashlib.sha256()
        self._compressor = zstandard.ZstdCompressor(level=LEVEL, write_checksum=True)
        self._frame: zstandard.ZstdCompressionObj | None = None
        self._in_frame = 0

    def write(self, texts: Sequence[bytes]) -> None:
        """Lines as JSON."""
        raw = b"\n".join(texts) + b"\n"
        if self._frame is None:
            self._frame, self._in_frame = self._compressor.compressobj(), 0
        packed = self._frame.compress(raw)
        self._in_frame += len(raw)
        if self._in_frame >= FRAME_BYTES:
            packed += self._frame.flush(zstandard.COMPRESSOBJ_FLUSH_FINISH)
            self._frame = None
        else:
            packed += self._frame.flush(zstandard.COMPRESSOBJ_FLUSH_BLOCK)
        self._put(packed)
        self.lines += len(texts)

    def _put(self, packed: bytes) -> None:
        view = memoryview(packed)
        while view:
            view = view[os.write(self._handle, view) :]
        self._sum.update(packed)

    def sync(self) -> None:
        os.fdatasync(self._handle)

    def close(self, last: bytes) -> None:
        """End the file whole, and put its checksum beside it."""
        try:
            self.write([last])
            if self._frame is not None:
                self._put(self._frame.flush(zstandard.COMPRESSOBJ_FLUSH_FINISH))
                self._frame = None
            self.sync()
            text = f"{self._sum.hexdigest()}  {self.path.name}\n"
            sums_of(self.path).write_text(text, "ascii")
        finally:
            self.abandon()

    def abandon(self) -> None:
        """Leave it as it is."""
        with suppress(OSError):
            os.close(self._handle)


class Writer:
    """One worker's journal. Nothing here raises OSError: a full disk must not stop the worker. What
    could not be written is counted in `lost`, and said in the log."""

    def __init__(
        self, folder: Path, region: str, worker: str, software: str, retention: Retention
    ) -> None:
        self._folder = folder
        self._region = region
        self._worker = worker
        self._software = software
        self._retention = retention
        self._settings = "{}"
        self._file: _File | None = None
        self._again_ms = 0
        self._why = ""
        self._synced_ms = 0
        self.written = 0
        """Lines, those that begin and end files not counted."""
        self.lost = 0
        self.bytes_kept = 0
        """What the folder held when it was last tidied."""

    @property
    def well(self) -> bool:
        """Whether what is given goes to a file."""
        return self._file is not None or self._again_ms == 0

    @property
    def said(self) -> str:
        """Its state in words, from any thread."""
        if self.well:
            return f"written to {self._folder}"
        return f"cannot be written to {self._folder}: {self._why}; {self.lost} lines lost"

    def free_ratio(self) -> float | None:
        """Share of its folder's disk that is free; None while that cannot be said."""
        try:
            usage = shutil.disk_usage(self._folder)
        except OSError:
            return None
        return usage.free / usage.total

    def settings_are(self, settings: str, now_ms: int) -> None:
        """The region file as JSON, from now on."""
        begun = self._file is not None
        self._settings = settings
        # At once, though nothing has come yet: a replay takes its begin from this.
        if self._ready(now_ms) and begun:
            self._write([make.region(now_ms, settings)], now_ms)

    def write(self, lines: Sequence[Line], now_ms: int) -> None:
        """Have lines with the operating system before this returns; safe under kill -9."""
        if not lines:
            return
        if self._ready(now_ms) and self._write(lines, now_ms):
            self.written += len(lines)
        else:
            self.lost += len(lines)

    def tick(self, now_ms: int) -> None:
        """By the clock: end the file of an hour that is over, and have the disk take the rest."""
        if self._file is not None and self._file.hour_ms + HOUR_MS <= now_ms:
            self.close(now_ms)
        if self._file is not None and now_ms - self._synced_ms >= SYNC_MS:
            self._synced_ms = now_ms
            try:
                self._file.sync()
            except OSError as error:
                self._fail(error, now_ms)

    def close(self, now_ms: int) -> None:
        """End the file; the next line begins another."""
        file, self._file = self._file, None
        if file is None:
            return
        try:
            file.close(to_json(make.end(now_ms, file.lines)))
        except OSError as error:
            self._fail(error, now_ms)

    # -- files -----------------------------------------------------------------------------------

    def _ready(self, now_ms: int) -> bool:
        if self._file is not None and self._file.hour_ms + HOUR_MS <= now_ms:
            self.close(now_ms)
        if self._file is None and now_ms >= self._again_ms:
            self._begin(now_ms)
        return self._file is not None

    def _begin(self, now_ms: int) -> None:
        hour_ms = now_ms // HOUR_MS * HOUR_MS
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._tidy(now_ms)
            self._file = _File(self._folder, FileName(self._region, hour_ms, self._worker, 0))
        except OSError as error:
            self._fail(error, now_ms)
            return
        if self._again_ms:
            log.info("journal is written again", lost=self.lost)
        self._again_ms = 0
        first = make.begin(now_ms, self._region, self._worker, self._software)
        self._write([first, make.region(now_ms, self._settings)], now_ms)

    def _write(self, lines: Sequence[Line], now_ms: int) -> bool:
        assert self._file is not None
        try:
            self._file.write([to_json(line) for line in lines])
        except OSError as error:
            self._fail(error, now_ms)
            return False
        return True

    def _fail(self, error: OSError, now_ms: int) -> None:
        """Behind what may be torn nothing more is written: the next try begins another file."""
        file, self._file = self._file, None
        if file is not None:
            file.abandon()
        self._again_ms = now_ms + AGAIN_MS
        self._why = error.strerror or str(error)
        log.error(
            "journal cannot be written: lines are lost until it can",
            folder=str(self._folder),
            error=self._why,
            advice="give this account the right to write there, and room on the disk; [journal] "
            "folder of the region file, or --journal, names it",
        )

    def _tidy(self, now_ms: int) -> None:
        """Delete what is older, or more, than is to be kept, the oldest first. What is in the way
        of that is said and passed over: it must not cost a line."""
        try:
            paths = files_in(self._folder, self._region)
        except OSError as error:
            _say_left([error])
            return
        kept: list[tuple[Path, int]] = []
        left: list[OSError] = []
        size = 0
        for path in paths:
            name, of_file = parse_name(path.name), _size(path)
            if name is not None and name.hour_ms + HOUR_MS < now_ms - self._retention.keep_ms:
                size += 0 if _deleted(path, "older than is kept", left) else of_file
            else:
                kept.append((path, of_file))
                size += of_file
        while kept and size > self._retention.keep_bytes:
            path, freed = kept.pop(0)
            name = parse_name(path.name)
            if name is not None and name.hour_ms + HOUR_MS > now_ms:
                break
            size -= freed if _deleted(path, "more than is kept", left) else 0
        self.bytes_kept = size
        if left:
            _say_left(left)


def _size(path: Path) -> int:
    """0 for what has just gone: another worker may tidy the same folder."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _deleted(path: Path, why: str, left: list[OSError]) -> bool:
    """Whether it is gone; what hindered that is put to `left`."""
    try:
        path.unlink(missing_ok=True)
        sums_of(path).unlink(missing_ok=True)
    except OSError as error:
        left.append(error)
        return False
    log.info("journal file deleted", file=path.name, why=why)
    return True


def _say_left(left: Sequence[OSError]) -> None:
    log.warning(
        "old journal files cannot be deleted",
        times=len(left),
        first=str(left[0]),
        advice="look what stands there and move it away, or give this account the right to delete "
        "it: it counts to keep_gb, and people's data in it stay longer than keep_days",
    )
