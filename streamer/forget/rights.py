"""Whether the files of a journal can be put anew by whoever asks, found out before anything is
changed: half a forgetting is worse than one that did not begin."""

import os
import stat
from pathlib import Path

from streamer.forget.swapping import beside
from streamer.journal.names import files_in


def faults_of(folder: Path, region: str) -> list[str]:
    """What stands against changing the files of a region in a folder, in words; nothing is
    changed. Full disks and what changes meanwhile cannot be told from here."""
    if not os.access(folder, os.R_OK | os.X_OK):
        return [f"{folder}: {_who()} may not read this folder"]
    try:
        paths = files_in(folder, region)
        found = [fault for path in paths for fault in _faults_of_file(folder, path)]
    except OSError as error:
        return [f"{error.filename or folder}: {error.strerror or error}"]
    if paths and not os.access(folder, os.W_OK):
        found.insert(0, f"{folder}: {_who()} may not write into this folder")
    return found


def _faults_of_file(folder: Path, path: Path) -> list[str]:
    if not path.is_file():
        return [f"{path}: it is no file"]
    if not os.access(path, os.R_OK):
        return [f"{path}: {_who()} may not read it"]
    if _is_held_by_its_owner(folder, path):
        return [f"{path}: it is somebody else's, in a folder with the sticky bit"]
    return [
        f"{other}: a folder stands where a file is to be"
        for other in beside(path)
        if other.is_dir()
    ]


def _is_held_by_its_owner(folder: Path, path: Path) -> bool:
    """The sticky bit: only who owns the file, or the folder, may rename it (POSIX S_ISVTX)."""
    of_folder, me = folder.stat(), os.geteuid()
    if not of_folder.st_mode & stat.S_ISVTX:
        return False
    return me not in (0, of_folder.st_uid, path.stat().st_uid)


def _who() -> str:
    return f"the user of id {os.geteuid()}"
