"""`streamer forget` where not all can be done: journals of other regions, files that may not be
changed, names of which nothing is known. Common practice, no source."""

import os
import shutil
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from streamer.forget import journals
from streamer.forget.rights import faults_of
from streamer.forget.swapping import SUFFIX, swap
from streamer.forget.task import Task
from streamer.journal.names import files_in, sums_of
from streamer.state.base import StoreUnavailable
from streamer.state.entries import Act
from tests.forget.conftest import Called
from tests.forget.recorded import HOUR_MS, record, view
from tests.forget.story import GONE, everything, where_named
from tests.reading.conftest import Answered, must_fit
from tests.state.scene import START_MS

BY = ("--by", "Data Officer")
NOBODY = 65534
"""A user without rights (Debian's nobody)."""
DRY = pytest.mark.parametrize("words", [BY, ("--dry-run",)], ids=["done", "dry"])


def flat(said: Answered) -> str:
    must_fit(said)
    return " ".join(said.out.split())


def acts(call: Called) -> list[str]:
    return [e.by for e in call.story.acts.log() if e.act is Act.FORGET]


# -- journals of others --------------------------------------------------------------------------


@DRY
def test_a_journal_of_another_region_is_said(call: Called, words: tuple[str, ...]) -> None:
    (path,) = files_in(call.journal)
    path.rename(path.with_name(path.name.replace("scene.", "farisle.")))
    before = [p.read_bytes() for p in files_in(call.journal)]
    done = call(GONE, *words, "--journal", str(call.journal))
    text = flat(done)
    assert done.code == 1
    assert "1 file of the journal is of region farisle: not searched, left as it is" in text
    assert "give that region's file" in text
    assert "lines of the journal" not in text
    assert [p.read_bytes() for p in files_in(call.journal)] == before
    document = call(GONE, "--dry-run", "--journal", str(call.journal), json=True).document
    assert (document["other_regions"], document["searched_files"]) == ({"farisle": 1}, 0)


@DRY
def test_a_folder_without_a_journal_is_said(call: Called, words: tuple[str, ...]) -> None:
    empty = call.folder / "day2"
    empty.mkdir()
    (empty / "notes.txt").write_text(GONE)
    done = call(GONE, *words, "--journal", str(empty), "--journal", str(call.journal))
    text = flat(done)
    assert done.code == 1
    # However the lines are broken where the folder's name is long.
    assert "day2holdsnojournal" in "".join(text.split())
    assert "in 1 file of 1" in text  # the other folder is searched all the same


def test_nothing_known_and_a_foreign_journal_are_both_said(call: Called) -> None:
    (path,) = files_in(call.journal)
    path.rename(path.with_name(path.name.replace("scene.", "farisle.")))
    done = call("QZ9ZZZ", *BY, "--journal", str(call.journal))
    assert done.code == 1
    assert "Nothing is known of QZ9ZZZ in Redis. " in flat(done)
    assert "of region farisle" in flat(done)


# -- what may not be changed ---------------------------------------------------------------------


def refused(call: Called, *why: str) -> None:
    """Nothing at all is changed, in Redis neither."""
    before = everything(call.story.client)
    files = {p: p.read_bytes() for p in call.journal.iterdir() if p.is_file()}
    done = call(GONE, *BY, "--journal", str(call.journal))
    assert (done.code, done.out) == (1, "")
    for words in (*why, "nothing was changed"):
        assert words in done.err
    assert everything(call.story.client) == before
    assert {p: p.read_bytes() for p in call.journal.iterdir() if p.is_file()} == files


def may_not(monkeypatch: pytest.MonkeyPatch, path: Path, what: int) -> None:
    """Tests may run as root, whom nothing is refused."""
    real = os.access
    monkeypatch.setattr(
        os, "access", lambda p, mode, **k: not (Path(p) == path and mode & what) and real(p, mode)
    )


def test_a_folder_that_may_not_be_written_to_is_found_before(
    call: Called, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_not(monkeypatch, call.journal, os.W_OK)
    refused(call, f"{call.journal}: ", "may not write into this folder")
    counted = call(GONE, "--dry-run", "--journal", str(call.journal))
    assert counted.code == 1
    assert "in 1 file of 1" in flat(counted)
    assert "may not write into this folder" in flat(counted)


@pytest.mark.parametrize("second", [False, True], ids=["the only one", "one of two"])
def test_a_file_that_may_not_be_read_is_found_before(
    call: Called, monkeypatch: pytest.MonkeyPatch, second: bool
) -> None:
    if second:
        record(call.journal, view(), start_ms=START_MS + HOUR_MS)
    path = files_in(call.journal)[-1]
    may_not(monkeypatch, path, os.R_OK)
    refused(call, f"{path}: ", "may not read it")


def test_a_folder_in_the_place_of_a_file_is_found_before(call: Called) -> None:
    (path,) = files_in(call.journal)
    path.with_name(path.name + SUFFIX).mkdir()
    refused(call, "a folder stands where a file is to be")
    path.with_name(path.name + SUFFIX).rmdir()
    sums_of(path).unlink()
    path.unlink()
    path.mkdir()
    refused(call, f"{path}: it is no file")


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """One that any user can reach, unlike `tmp_path`, with a journal in it."""
    folder = Path(tempfile.mkdtemp())
    record(folder, view())
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


CHECK = f"""
import os, pathlib, sys
from streamer.forget.rights import faults_of
faults_of(pathlib.Path(sys.argv[1]), "scene")  # modules are loaded while they may be read
if os.geteuid() == 0:
    os.setgroups([])
    os.setgid({NOBODY})
    os.setuid({NOBODY})
print(*faults_of(pathlib.Path(sys.argv[1]), "scene"), sep="\\n")
"""


@pytest.mark.parametrize(
    ("mode", "why"), [(0o555, "may not write into"), (0o000, "may not read this folder")]
)
def test_rights_are_found_out_as_a_user_without_them(
    open_folder: Path, mode: int, why: str
) -> None:
    """By the operating system itself."""
    open_folder.chmod(mode)
    done = subprocess.run(
        [sys.executable, "-c", CHECK, str(open_folder)], capture_output=True, text=True, check=True
    )
    assert why in done.stdout


def test_files_of_others_in_a_folder_with_the_sticky_bit(
    open_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: POSIX, rename(): EPERM or EACCES where S_ISVTX is set and the caller owns neither
    (from memory)."""
    open_folder.chmod(0o777 | stat.S_ISVTX)
    assert faults_of(open_folder, "scene") == []
    monkeypatch.setattr(os, "geteuid", lambda: NOBODY)
    (fault,) = faults_of(open_folder, "scene")
    assert "sticky bit" in fault


def test_without_files_of_the_region_nothing_need_be_changed(tmp_path: Path) -> None:
    assert faults_of(tmp_path, "scene") == []


# -- what fails in the middle --------------------------------------------------------------------


def test_a_failure_in_the_middle_lists_what_is_done_and_what_not(
    call: Called, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of three files the second does not go."""
    for hour in (1, 2):
        record(call.journal, view(), start_ms=START_MS + hour * HOUR_MS)
    first, second, third = files_in(call.journal)
    before, real = second.read_bytes(), swap

    def full(path: Path, *words: Any, **more: Any) -> None:
        if path == second:
            raise OSError(28, "No space left on device")
        real(path, *words, **more)

    monkeypatch.setattr(journals, "swap", full)
    done = call(GONE, *BY, "--journal", str(call.journal))
    text = flat(done)
    assert done.code == 1
    assert "Forgotten:" in text
    assert "in 2 files of 2" in text
    assert "! could not be changed: " in text
    assert f"{second.name}: No space left on device" in text
    assert "Mend that, do this again." in text
    assert second.read_bytes() == before
    assert not [p for p in (first, third) if GONE.encode() in p.read_bytes()]
    assert acts(call) == ["Data Officer"]
    assert any("station" not in p for p in where_named(call.story.client, GONE))
    monkeypatch.setattr(journals, "swap", real)
    again = call(GONE, *BY, "--journal", str(call.journal), json=True).document
    assert (again["failed"], again["journal_files"], again["searched_files"]) == ([], 1, 3)


def test_redis_that_goes_away_in_the_middle_is_said(
    call: Called, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_: Any) -> None:
        raise StoreUnavailable("Connection refused")

    monkeypatch.setattr(Task, "log", away)
    done = call(GONE, *BY, "--journal", str(call.journal))
    assert done.code == 1
    assert "only a part may be done" in done.err
    assert "of 1 file): do all of it again when Redis answers; Connection refused" in done.err


# -- names of which nothing is known -------------------------------------------------------------


@DRY
def test_a_station_of_which_nothing_is_known(call: Called, words: tuple[str, ...]) -> None:
    done = call("QZ9ZZZ", *words, "--journal", str(call.journal))
    assert done.code == 0
    text = flat(done)
    assert "Nothing is known of QZ9ZZZ in Redis and in 1 file of the journal." in text
    assert "Forgotten" not in text
    assert "Found" not in text
    assert acts(call) == []  # nothing was done that a log could tell of
    found = call("QZ9ZZZ", *words, "--journal", str(call.journal), json=True).document
    assert (found["known"], found["station"], found["places"]) == (False, "QZ9ZZZ", {})


@DRY
def test_what_is_no_call_sign_and_known_nowhere_is_used_wrongly(
    call: Called, words: tuple[str, ...]
) -> None:
    """Letters alone are no call sign (RR 19.68, by the rules of `domain/callsign.py`)."""
    before = everything(call.story.client)
    done = call("HILLTOP", *words, "--journal", str(call.journal))
    assert (done.code, done.out) == (2, "")
    assert "HILLTOP is neither a call sign by the rules of this region" in done.err
    assert "nothing is known of it in Redis and in 1 file of the journal" in done.err
    assert everything(call.story.client) == before


def test_what_is_no_call_sign_but_was_heard_is_forgotten(call: Called) -> None:
    """NOBODY stands in quarantine, BASECAMP was accepted."""
    for call_sign, part in (("NOBODY", "quarantined identities"), ("BASECAMP", "accepted iden")):
        done = call(call_sign, "--dry-run", "--journal", str(call.journal))
        assert (done.code, part in flat(done)) == (0, True)


def test_no_call_sign_and_not_all_searched_is_not_said_to_be_known_nowhere(call: Called) -> None:
    (path,) = files_in(call.journal)
    path.rename(path.with_name(path.name.replace("scene.", "farisle.")))
    done = call("HILLTOP", "--dry-run", "--journal", str(call.journal))
    assert (done.code, "of region farisle" in flat(done)) == (1, True)


def test_a_denied_identity_may_be_forgotten(call: Called) -> None:
    text = call.file.read_text()
    call.file.write_text(f'denied_calls = ["HILLTOP"]\n{text}')
    done = call("HILLTOP", "--dry-run", "--journal", str(call.journal))
    assert done.code == 0
    assert "strike it there" in flat(done)
