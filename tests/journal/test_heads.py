"""A file whose begin is spoilt: what stands behind it is read, searched and fed all the same."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
import zstandard

from streamer.forget.journals import forget_in_folder
from streamer.forget.name import Name
from streamer.journal import lines as make
from streamer.journal.frames import MAGIC
from streamer.journal.names import files_in
from streamer.journal.reader import JournalError, head_of, read, scan
from streamer.journal.writer import FRAME_BYTES
from tests.forget.story import PSEUDONYM
from tests.journal.make import begun
from tests.journal.test_journal import HOUR, HOUR_MS, VIEW, entries, marks, read_all

FROM_ITS_NAME = "region and worker are taken from its name"


def of_three_frames(folder: Path, at_ms: int = HOUR, worker: str = "worker-1") -> Path:
    """A closed file; ten short lines in each frame."""
    writer = begun(folder, VIEW, at_ms, worker)
    for n in range(3):
        writer.write(marks(10, 10 * n, at_ms), at_ms)
        writer.write([make.act(at_ms, os.urandom(FRAME_BYTES // 2).hex())], at_ms)
    writer.close(at_ms + 100)
    return files_in(folder)[-1]


def flip(path: Path, at: int) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= 0x40
    path.write_bytes(content)


def without_first_frame(path: Path) -> None:
    """As `streamer forget` writes a file anew whose first frame cannot be read."""
    content = path.read_bytes()
    path.write_bytes(content[content.index(MAGIC, 1) :])


def short(lines: list[make.Line]) -> list[str]:
    return [entry for entry in entries(lines) if entry.startswith("entry")]


@pytest.mark.parametrize(
    "spoil",
    [lambda path: flip(path, 0), lambda path: flip(path, 40), without_first_frame],
    ids=["its mark", "its content", "not there"],
)
def test_a_spoilt_first_frame_costs_its_own_lines(
    tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    path = of_three_frames(tmp_path)
    whole = head_of(path)
    assert not whole.from_name
    spoil(path)
    lines, troubles = read_all(path)
    assert short(lines) == [f"entry {n}" for n in range(10, 30)]
    assert sum(FROM_ITS_NAME in words for words in troubles) == 1
    head = head_of(path)
    assert (head.region, head.worker, head.from_name) == (whole.region, whole.worker, True)
    assert head.began_ms == HOUR + 10  # of the first line that can be read
    report = scan(path)
    assert (report.head, report.damaged) == (head, True)
    assert sum(FROM_ITS_NAME in words for words in report.troubles) == 1


def test_a_file_that_is_spoilt_stays_behind_the_one_before_it(tmp_path: Path) -> None:
    """Of one hour and worker: by its hour alone it would come first."""
    begun(tmp_path, VIEW, HOUR + 5).write(marks(2, 90, HOUR + 5), HOUR + 6)  # and killed
    flip(of_three_frames(tmp_path, HOUR + 1000), 40)
    other = begun(tmp_path, VIEW, HOUR + 500, "worker-2")
    other.write(marks(1, 80, HOUR + 500), HOUR + 500)
    lines, _ = read_all(tmp_path)
    assert short(lines) == [f"entry {n}" for n in (90, 91, 80, *range(10, 30))]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "it is empty"),
        (bytes(4096), "not compressed by zstd"),  # as a failure of power leaves some files
        (zstandard.compress(b"hello\n"), "its first line is not that of one"),
        (
            zstandard.compress(
                b'{"kind":"begin","format":"streamer-journal","v":2,"noted_ms":1}\n'
            ),
            "this reader knows v 1",
        ),
        (
            zstandard.compress(b'{"kind":"begin","format":"other","v":1,"noted_ms":1}\n'),
            "its format is 'other'",
        ),
    ],
)
def test_its_name_alone_makes_no_journal(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "scene.20270115T08Z.worker-1.000.ndjson.zst"
    path.write_bytes(content)
    with pytest.raises(JournalError, match=words):
        head_of(path)
    assert words in scan(path).troubles[0]


def test_the_name_of_no_journal_tells_nothing(tmp_path: Path) -> None:
    path = of_three_frames(tmp_path).rename(tmp_path / "copy.zst")
    flip(path, 40)
    with pytest.raises(JournalError, match=r"copy\.zst: not a journal"):
        head_of(path)


def test_another_region_is_told_by_the_name_too(tmp_path: Path) -> None:
    path = of_three_frames(tmp_path).rename(tmp_path / "other.20270115T08Z.w.000.ndjson.zst")
    flip(path, 40)
    begun(tmp_path, VIEW, HOUR).write(marks(1), HOUR)
    with pytest.raises(JournalError, match=r"several regions \(other, scene\)"):
        read_all(tmp_path)


def test_a_station_is_forgotten_behind_a_spoilt_begin(tmp_path: Path) -> None:
    writer = begun(tmp_path, VIEW, HOUR)
    for text in ("QA1ABC is here", os.urandom(FRAME_BYTES // 2).hex(), "QA1ABC again"):
        writer.write([make.act(HOUR, text)], HOUR)
    writer.close(HOUR)
    (path,) = files_in(tmp_path)
    flip(path, 40)
    for _ in range(2):  # the second time on what the first has written: it has no begin at all
        name = Name("QA1ABC", VIEW, PSEUDONYM)
        found = forget_in_folder(tmp_path, name, VIEW.name, {}, HOUR + 9 * HOUR_MS, dry=False)
        assert (found.failed, found.searched) == ([], 1)
        lines = list(read([path], lambda _: None))
        assert entries(lines) == [f"{PSEUDONYM} again"]
