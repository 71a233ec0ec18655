"""Files that nobody else may read, put in place as a whole; one writer at a time."""

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

if sys.platform != "win32":
    import fcntl


def write_private(path: Path, content: bytes) -> None:
    """Put a file in place as a whole, mode 0600, safe against a loss of power; raises OSError.

    It stays its owner's: what root writes must be readable for the program whose file it was.
    """
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)  # mode 0600
    try:
        with os.fdopen(handle, "wb") as file:
            _keep_owner(path, handle)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _keep_owner(path: Path, handle: int) -> None:
    if sys.platform == "win32" or not path.is_file():
        return
    before, now = path.stat(), os.fstat(handle)
    if (before.st_uid, before.st_gid) != (now.st_uid, now.st_gid):
        with suppress(PermissionError):  # nobody but root gives files away
            os.fchown(handle, before.st_uid, before.st_gid)


@contextmanager
def locked_folder(folder: Path) -> Iterator[None]:
    """One writer at a time: reading, changing and writing must not cross. POSIX alone."""
    if sys.platform == "win32":
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
