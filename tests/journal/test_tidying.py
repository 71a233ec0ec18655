"""Tidying an old journal away must not cost a line of the new one, whatever is in the way of it."""

import errno
from pathlib import Path

import pytest

from streamer.journal import lines as make
from streamer.journal import writer as writing
from streamer.journal.names import FileName, files_in
from streamer.journal.writer import Retention, Writer
from tests.journal.test_journal import HOUR, HOUR_MS

DAY_OLD = HOUR - 24 * HOUR_MS


def old_name(number: int) -> str:
    return str(FileName("scene", DAY_OLD, "w", number))


def written(folder: Path, retention: Retention) -> Writer:
    """A worker that begins an hour among what is in the folder, and notes a line."""
    writer = Writer(folder, "scene", "worker-1", "test", retention)
    writer.write([make.act(HOUR, "entry")], HOUR)
    assert (writer.written, writer.lost, writer.well) == (1, 0, True)
    return writer


def test_a_file_that_another_worker_has_just_deleted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / old_name(1)).write_bytes(bytes(300))
    listed = [tmp_path / old_name(0), tmp_path / old_name(1)]
    monkeypatch.setattr(writing, "files_in", lambda *_: listed)
    assert written(tmp_path, Retention(10**15, 10**15)).bytes_kept == 300


@pytest.mark.parametrize(
    "retention",
    [Retention(2 * HOUR_MS, 10**9), Retention(10**12, 0)],
    ids=["too old", "too much"],
)
def test_what_cannot_be_deleted_is_passed_over(tmp_path: Path, retention: Retention) -> None:
    """A folder of that name; and what stands behind it is deleted all the same."""
    (tmp_path / old_name(0)).mkdir()
    (tmp_path / old_name(0) / "notes.txt").write_text("somebody's")
    (tmp_path / old_name(1)).write_bytes(bytes(300))
    size = (tmp_path / old_name(0)).stat().st_size
    assert written(tmp_path, retention).bytes_kept == size
    assert [path.name for path in files_in(tmp_path)][:-1] == [old_name(0)]


def test_a_folder_that_cannot_be_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def listing(*_: object) -> list[Path]:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(writing, "files_in", listing)
    written(tmp_path, Retention(0, 0))
