"""CAP messages as files in a folder, which any web server can hand on.

A message that is out never changes: whoever finds its file there leaves it as it is. Several
workers may write the same folder. Files are put in place as a whole, so a reader never sees half of
one.
"""

import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from streamer.alerts.cap.message import CapMessage
from streamer.alerts.notice import Undelivered

_NAMED: Final = re.compile(r"([0-9]{8}T[0-9]{6}Z)\.[A-Za-z0-9._@=-]+\.xml")
_TIMED: Final = "%Y%m%dT%H%M%SZ"
_TEMPORARY: Final = ".streamer-"
_FORGOTTEN: Final = timedelta(days=1)
"""A temporary file so old was left by a worker that died over it."""


class CapFolder:
    """The files of a folder, which is made if it is not there. All methods raise Undelivered."""

    def __init__(self, folder: Path, keep_days: float) -> None:
        self._folder = folder
        self._keep = timedelta(days=keep_days)

    def put(self, message: CapMessage) -> bytes:
        """Put a message there, and return what its file holds: of one that was there already that,
        even if it differs (settings may have changed between a crash and the second try)."""
        name = file_name(message)
        found = self.read(name)
        if found is not None:
            return found
        self.write(name, message.content)
        return message.content

    def names(self) -> list[str]:
        """Our messages, the newest first; whatever else lies there is left alone."""
        with self._told():
            if not self._folder.is_dir():
                return []
            found = [p.name for p in self._folder.iterdir() if _NAMED.fullmatch(p.name)]
        return sorted(found, reverse=True)

    def read(self, name: str) -> bytes | None:
        """What a file holds; None if there is none."""
        with self._told():
            try:
                return (self._folder / name).read_bytes()
            except FileNotFoundError:
                return None

    def write(self, name: str, content: bytes) -> None:
        """Put a file in place as a whole, safe against a loss of power."""
        with self._told():
            self._folder.mkdir(parents=True, exist_ok=True)
            temporary = self._folder / f"{_TEMPORARY}{os.getpid()}-{secrets.token_hex(4)}"
            try:
                # Readable as the umask has it: a web server reads it under another name.
                with temporary.open("xb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                temporary.replace(self._folder / name)
            except BaseException:
                temporary.unlink(missing_ok=True)
                raise
            self._keep_names()

    def sweep(self, now: datetime) -> None:
        """Delete messages sent longer ago than they are kept, and what dead workers left."""
        for name in self.names():
            found = _NAMED.fullmatch(name)
            sent = _sent(found[1]) if found else None
            if sent is not None and sent < now - self._keep:
                with self._told():
                    (self._folder / name).unlink(missing_ok=True)
        with self._told():
            for path in self._folder.glob(f"{_TEMPORARY}*"):
                with suppress(FileNotFoundError):  # another worker has put it in place just now
                    if path.stat().st_mtime < (now - _FORGOTTEN).timestamp():
                        path.unlink()

    def faults(self) -> list[str]:
        """Why nothing could be written, found without writing."""
        # A folder that is not there yet is made in the nearest one that is.
        place = next((p for p in (self._folder, *self._folder.parents) if p.exists()), Path())
        if not place.is_dir():
            return [f"folder {str(self._folder)!r}: {str(place)!r} is no folder"]
        if not os.access(place, os.W_OK | os.X_OK):
            return [
                f"folder {str(self._folder)!r}: {str(place)!r} may not be written; mend its rights"
            ]
        return []

    def _keep_names(self) -> None:
        """The folder's own entry of a file has to reach the disk, too; POSIX alone knows how."""
        if os.name == "posix":
            handle = os.open(self._folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise Undelivered(
                f"folder {str(self._folder)!r} cannot be used: {error.strerror or error}; "
                "mend its path, its rights or make room"
            ) from error


def file_name(message: CapMessage) -> str:
    """`20260101T120000Z.IDENTIFIER.xml`: by its time, so that the newest sort last."""
    return f"{message.at.astimezone(UTC).strftime(_TIMED)}.{message.identity.identifier}.xml"


def _sent(text: str) -> datetime | None:
    try:
        return datetime.strptime(text, _TIMED).replace(tzinfo=UTC)
    except ValueError:
        return None  # no moment of the calendar, so none of ours
