"""Puts another content in the place of a closed file of a journal, so that whatever happens the old
or the new one is there whole.

The sums are what tells the two apart after a crash: both stand in a note beside the file, from
before the old sum is taken away until the new one is there.
"""

import hashlib
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from streamer.journal.names import files_in, sums_of

SUFFIX: Final = ".forgetting"
"""Of what is only there while a file is changed; no reader of a journal takes it for one."""
Step = Callable[[str], None]
"""Told before each step, by its name; a test ends the process there."""


def _nothing(_: str) -> None:
    pass


def swap(path: Path, content: bytes, *, summed: bool, step: Step = _nothing) -> None:
    """Put `content` in the place of a file; with a sum beside it if `summed`. Raises OSError."""
    new, note = _new_of(path), _note_of(path)
    old_sum, new_sum = _sum(path.read_bytes()), _sum(content)
    step("write")
    _write(new, content, path)
    step("note")
    _write(note, f"{new_sum if summed else '-'} {old_sum if summed else '-'}\n".encode(), path)
    _sync_folder(path)
    step("unsum")
    sums_of(path).unlink(missing_ok=True)
    step("replace")
    new.replace(path)
    _sync_folder(path)
    step("sum")
    _end(path, new_sum if summed else None, step)


def recover(folder: Path, region: str) -> list[Path]:
    """End what a crash has left in the middle; returns the files concerned. Raises OSError."""
    found = []
    for path in files_in(folder, region):
        note, new = _note_of(path), _new_of(path)
        if note.exists():
            sums = note.read_text("ascii").split()
            own = _sum(path.read_bytes())
            # Neither: somebody else has changed it meanwhile, and nothing is said of it.
            _end(path, own if own in sums else None, _nothing)
            found.append(path)
        elif new.exists():
            found.append(path)
        new.unlink(missing_ok=True)
    return found


def beside(path: Path) -> tuple[Path, ...]:
    """What is put beside a file while it is changed, or stays there."""
    return _new_of(path), _note_of(path), sums_of(path), _resum_of(path)


def _end(path: Path, own_sum: str | None, step: Step) -> None:
    if own_sum is not None:
        made = _resum_of(path)
        _write(made, f"{own_sum}  {path.name}\n".encode(), path)
        step("resum")
        made.replace(sums_of(path))
    step("unnote")
    _note_of(path).unlink(missing_ok=True)
    _sync_folder(path)


def _new_of(path: Path) -> Path:
    return path.with_name(path.name + SUFFIX)


def _note_of(path: Path) -> Path:
    return path.with_name(path.name + ".sums" + SUFFIX)


def _resum_of(path: Path) -> Path:
    return path.with_name(sums_of(path).name + SUFFIX)


def _sum(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _write(path: Path, content: bytes, like: Path) -> None:
    """A file on the disk, with the rights and the owner of another."""
    old = like.stat()
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        view = memoryview(content)
        while view:
            view = view[os.write(handle, view) :]
        os.fchmod(handle, old.st_mode & 0o7777)
        with suppress(PermissionError):  # only who may give files away
            os.fchown(handle, old.st_uid, old.st_gid)
        os.fsync(handle)
    finally:
        os.close(handle)


def _sync_folder(path: Path) -> None:
    handle = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
