"""A station is forgotten in journals. What must be gone is searched for as bytes in what the zstd
library reads; sums are checked by coreutils' sha256sum."""

import json
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from streamer.config import RegionView
from streamer.forget.journals import Found, forget_in_folder
from streamer.forget.name import Name
from streamer.forget.swapping import SUFFIX
from streamer.journal.names import files_in, sums_of
from streamer.journal.reader import read, scan
from streamer.lab.replay import Replay
from streamer.state.store import Store, connect
from tests.forget.recorded import HOUR_MS, NOW_MS, over, raw_lines, record, view
from tests.forget.story import ALSO, GONE, PSEUDONYM, STAYS
from tests.journal.make import lines_of_messages
from tests.servers import Redis
from tests.state.canonical import canonical
from tests.state.scene import START_MS, Teller

CLOSED_BY_MS = START_MS + HOUR_MS + 60_000


def forget(
    folder: Path, now_ms: int = NOW_MS, alive: dict[str, int] | None = None, *, dry: bool = False
) -> Found:
    name = Name(GONE, view(), PSEUDONYM)
    return forget_in_folder(folder, name, "scene", alive or {}, now_ms, dry=dry)


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def assert_summed(path: Path) -> None:
    """Source: coreutils."""
    sums = sums_of(path)
    subprocess.run(["sha256sum", "-c", "--status", sums.name], cwd=path.parent, check=True)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    record(tmp_path, view())
    return files_in(tmp_path)[0]


def named(lines: Sequence[bytes]) -> list[bytes]:
    return [line for line in lines if GONE.lower().encode() in line.lower()]


def test_nothing_names_it_and_other_lines_are_as_they_were(journal: Path) -> None:
    before = raw_lines(journal)
    assert {json.loads(line)["kind"] for line in named(before)} == {
        "heard", "route", "quarantined", "refused", "published", "act",
    }  # fmt: skip
    found = forget(journal.parent)
    after = raw_lines(journal)
    assert named(after) == []
    for word in (b"Greta", b"Hill team", b"private", b"-46.123", b"20.456"):
        assert not [line for line in after if word in line], word
    assert (found.files, found.searched, found.lines) == (1, 1, len(named(before)))
    mark, end = json.loads(after[-2]), json.loads(after[-1])
    assert mark == {
        "kind": "forgotten", "lines": len(named(before)), "done_ms": NOW_MS,
        "noted_ms": json.loads(before[-2])["noted_ms"],
    }  # fmt: skip
    assert end == json.loads(before[-1]) | {"lines": len(after) - 1}
    changed = [(a, b) for a, b in zip(before[:-1], after[:-2], strict=True) if a != b]
    assert [a for a, _ in changed] == named(before)  # so no other line was touched
    for ours, theirs in changed:
        assert json.loads(ours).keys() >= json.loads(theirs).keys()


def test_readers_find_a_whole_file(journal: Path) -> None:
    forget(journal.parent)
    report = scan(journal)
    assert (report.damaged, report.closed, report.summed, report.troubles) == (
        False,
        True,
        True,
        [],
    )
    assert report.kinds["forgotten"] == 1
    assert_summed(journal)
    assert bytes_of(journal.parent).keys() == {journal.name, sums_of(journal).name}


def sums(lines: Sequence[bytes]) -> dict[str, Any]:
    """By a few lines of its own: how many of each kind, and time on the air of each repeater."""
    read_lines = [json.loads(line) for line in lines]
    air: Counter[str] = Counter()
    for line in read_lines:
        if line["kind"] == "heard" and line["phase"] == "end":
            air[line["repeater"]] += line["ended_ms"] - line["began_ms"]
    kinds = Counter(line["kind"] for line in read_lines)
    del kinds["forgotten"]
    numbers = sorted((x["gateway"], x["boot"], x["seq"]) for x in read_lines if "seq" in x)
    return {"kinds": kinds, "air": air, "numbers": numbers}


def test_what_is_counted_stays_true(journal: Path) -> None:
    before = sums(raw_lines(journal))
    forget(journal.parent)
    assert sums(raw_lines(journal)) == before
    assert before["air"] == {"ridge/uhf": 4000, "lake/uhf": 8000}  # 2 and 4 overs of 2 s


def test_the_same_name_stands_everywhere_in_one_run(tmp_path: Path) -> None:
    for number in range(3):
        record(tmp_path, view(), start_ms=START_MS + number * HOUR_MS, worker=f"w{number}")
    assert forget(tmp_path).files == 3
    stations = {
        json.loads(line)["station"]
        for path in files_in(tmp_path)
        for line in raw_lines(path)
        if json.loads(line)["kind"] == "heard"
    }
    assert stations == {STAYS, ALSO, PSEUDONYM}


def test_a_file_that_does_not_name_it_is_not_touched(journal: Path) -> None:
    forget(journal.parent)
    before, inode = bytes_of(journal.parent), journal.stat().st_ino
    assert forget(journal.parent).files == 0
    assert (bytes_of(journal.parent), journal.stat().st_ino) == (before, inode)


def test_a_dry_run_counts_the_same_and_changes_nothing(journal: Path) -> None:
    before = bytes_of(journal.parent)
    counted = forget(journal.parent, dry=True)
    assert bytes_of(journal.parent) == before
    done = forget(journal.parent)
    assert (counted.files, counted.lines) == (done.files, done.lines)


def test_files_of_other_regions_and_other_files_are_left(journal: Path) -> None:
    other = journal.with_name(journal.name.replace("scene.", "other."))
    other.write_bytes(journal.read_bytes())
    (journal.parent / "notes.txt").write_text(GONE)
    before = other.read_bytes()
    assert forget(journal.parent).searched == 1
    assert other.read_bytes() == before
    assert (journal.parent / "notes.txt").read_text() == GONE


# -- a replay ------------------------------------------------------------------------------------


def replayed(redis: Redis, folder: Path) -> dict[str, Any]:
    redis.client().flushall()
    replay = Replay(lambda v: [Store(connect(redis.url), v)], 1000)
    for played in replay.play(read([folder], _no_trouble), START_MS + 60_000):
        assert played.troubles == []
    return canonical(redis.client(), "scene")


def _no_trouble(words: str) -> None:
    raise AssertionError(words)


PERSONAL = {"q", "lat", "lon", "position_at", "suffix", "name", "agency", "note"}
DIGESTS = {"#fanout_digest", "#reach_digest", "#conditions", "#answered", "#"}


def plain(value: Any) -> Any:
    """Without what is personal, by whatever name; lists as sets, since another name sorts to
    another place."""
    if isinstance(value, str):
        try:
            inner = json.loads(value)
        except ValueError:
            return value
        return plain(inner) if isinstance(inner, dict | list) else value
    if isinstance(value, dict):
        kept = {k: v for k, v in value.items() if k not in PERSONAL | DIGESTS}
        return {k: plain(v) for k, v in kept.items() if not k.startswith(("8", "#!"))}
    if isinstance(value, list | tuple):
        made = [plain(v) for v in value if v not in ("P",)]
        return sorted(made, key=lambda v: json.dumps(v, sort_keys=True))
    return value


def by_kind(state: dict[str, Any]) -> dict[str, Any]:
    """Keys without their partition, which follows from the name."""
    found: dict[str, Any] = {}
    for key, value in state.items():
        kind = key.partition("}:")[2]
        if kind in ("out", "log", "refused"):
            continue
        known = found.setdefault(kind, [] if isinstance(value, list) else {})
        if isinstance(value, list):
            known += value
        else:
            known |= value
    return {key: plain(value) for key, value in found.items()}


@pytest.mark.redis
def test_a_replay_comes_to_the_same_state_but_for_the_name(
    journal: Path, empty_redis: Redis
) -> None:
    before = replayed(empty_redis, journal.parent)
    assert forget(journal.parent).files == 1
    after = replayed(empty_redis, journal.parent)
    # What stood beside the name in an identity that is none goes with it.
    text = json.dumps(before).replace(f"{GONE}/MUCH/TOO/LONG", PSEUDONYM)
    renamed = json.loads(text.replace(GONE, PSEUDONYM))
    ours, theirs = by_kind(renamed), by_kind(after)
    assert ours.keys() == theirs.keys()
    for key in ours:
        assert ours[key] == theirs[key], key
    assert f"station:{PSEUDONYM}" in theirs
    # It has checked out by its text, which was kept for that.
    reach = (
        json.loads(after[next(k for k in after if k.endswith(":published"))]["x"]) if 0 else None
    )
    assert reach is None
    assert GONE not in json.dumps(after)


# -- files that are being written ----------------------------------------------------------------


def test_a_file_of_the_running_hour_is_left_and_said_until_when(tmp_path: Path) -> None:
    record(tmp_path, view(), close=False)
    (path,) = files_in(tmp_path)
    before = path.read_bytes()
    found = forget(tmp_path, START_MS + 61_000)
    assert (found.open, found.files, found.searched) == ([(path, CLOSED_BY_MS)], 0, 0)
    assert path.read_bytes() == before


def test_one_that_was_closed_within_its_hour_is_not_being_written(journal: Path) -> None:
    assert forget(journal.parent, START_MS + 61_000).files == 1


def test_a_worker_that_cannot_close_its_file_may_still_write_to_it(tmp_path: Path) -> None:
    """Its hour is over, but it lives: Redis or the disk may hold it up."""
    record(tmp_path, view(), close=False)
    found = forget(tmp_path, NOW_MS, {"worker-1": NOW_MS - 1000})
    assert [path for path, _ in found.open] == files_in(tmp_path)
    assert found.files == 0


def test_what_a_killed_worker_has_left_is_written_anew(tmp_path: Path) -> None:
    record(tmp_path, view(), close=False)
    (path,) = files_in(tmp_path)
    path.write_bytes(path.read_bytes() + b"\x00\x01")  # torn
    found = forget(tmp_path)
    assert (found.files, found.open) == (1, [])
    assert named(raw_lines(path)) == []
    assert json.loads(raw_lines(path)[-1])["kind"] == "forgotten"
    assert not sums_of(path).exists()  # nobody has closed it


def test_an_older_file_of_a_worker_that_has_begun_another_is_no_longer_written(
    tmp_path: Path,
) -> None:
    record(tmp_path, view(), close=False)
    record(tmp_path, view(), close=False, start_ms=START_MS + HOUR_MS)
    old, new = files_in(tmp_path)
    found = forget(tmp_path, NOW_MS, {"worker-1": NOW_MS})
    assert [path for path, _ in found.open] == [new]
    assert named(raw_lines(old)) == []


# -- damage --------------------------------------------------------------------------------------


def test_a_sum_that_was_wrong_does_not_become_right(journal: Path) -> None:
    sums_of(journal).write_text(f"{'0' * 64}  {journal.name}\n")
    assert forget(journal.parent).files == 1
    assert named(raw_lines(journal)) == []
    assert not sums_of(journal).exists()


def test_a_damaged_part_is_said_since_it_cannot_be_searched(journal: Path) -> None:
    content = bytearray(journal.read_bytes())
    content += b"\x28\xb5\x2f\xfd" + b"\xff" * 50
    journal.write_bytes(content)
    found = forget(journal.parent, dry=True)
    assert len(found.troubles) == 1
    assert "damaged" in found.troubles[0] or "left out" in found.troubles[0]


def test_what_is_none_of_a_journal_is_said(journal: Path) -> None:
    journal.write_bytes(b"hello")
    found = forget(journal.parent)
    assert ["not a journal" in trouble for trouble in found.troubles] == [True]
    assert journal.read_bytes() == b"hello"


# -- kill -9 -------------------------------------------------------------------------------------

STEPS = ("write", "note", "unsum", "replace", "sum", "resum", "unnote")
KILLED = """
import os, signal, sys
from pathlib import Path
from streamer.forget.journals import forget_in_folder
from streamer.forget.name import Name
from tests.forget.recorded import NOW_MS, view
from tests.forget.story import GONE, PSEUDONYM

for wanted in sys.argv[2:]:
    def step(name):
        if name == wanted:
            os.kill(os.getpid(), signal.SIGKILL)

    child = os.fork()
    if not child:
        name = Name(GONE, view(), PSEUDONYM)
        folder = Path(sys.argv[1]) / wanted
        forget_in_folder(folder, name, "scene", {}, NOW_MS, dry=False, step=step)
        os._exit(0)
    print(wanted, os.waitpid(child, 0)[1])
"""


@pytest.fixture(scope="module")
def crashed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """For each step a folder in which a process was killed just before it."""
    folder = tmp_path_factory.mktemp("crashed")
    for step in STEPS:
        record(folder / step, view())
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(folder), *STEPS],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == [word for step in STEPS for word in (step, "9")]  # SIGKILL
    return folder


def copied(crashed: Path, step: str, folder: Path) -> Path:
    """The one file of it."""
    shutil.copytree(crashed / step, folder / step)
    (path,) = files_in(folder / step)
    return path


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes]:
    """The file before, and what a run that nobody disturbs makes of it."""
    folder = tmp_path_factory.mktemp("undisturbed")
    record(folder, view())
    (path,) = files_in(folder)
    before = path.read_bytes()
    forget(folder)
    return before, path.read_bytes()


@pytest.mark.parametrize("step", STEPS)
def test_kill_9_at_each_step_leaves_the_old_or_the_new_file_whole(
    step: str, crashed: Path, tmp_path: Path, written: tuple[bytes, bytes]
) -> None:
    journal = copied(crashed, step, tmp_path)
    content = journal.read_bytes()
    assert content in written
    report = scan(journal)
    assert (report.damaged, report.closed) == (False, True)
    assert report.summed is not False  # it is never said to be wrong
    # Nobody takes what lies beside it for a journal.
    assert files_in(journal.parent) == [journal]
    # Going on ends it.
    found = forget(journal.parent)
    assert found.files == (content == written[0])
    assert journal.read_bytes() == written[1]
    assert_summed(journal)
    assert bytes_of(journal.parent).keys() == {journal.name, sums_of(journal).name}
    assert not list(journal.parent.glob(f"*{SUFFIX}"))


def test_all_steps_are_tried(journal: Path) -> None:
    seen: list[str] = []
    name = Name(GONE, view(), PSEUDONYM)
    forget_in_folder(journal.parent, name, "scene", {}, NOW_MS, dry=False, step=seen.append)
    assert tuple(seen) == STEPS


@pytest.mark.parametrize("step", STEPS)
def test_what_a_crash_has_left_is_ended_though_another_station_is_forgotten_next(
    step: str, crashed: Path, tmp_path: Path, written: tuple[bytes, bytes]
) -> None:
    journal = copied(crashed, step, tmp_path)
    content = journal.read_bytes()
    other = Name("QZ9ZZZ", view())
    forget_in_folder(journal.parent, other, "scene", {}, NOW_MS, dry=False)
    assert journal.read_bytes() == content
    assert content in written
    assert_summed(journal)
    assert bytes_of(journal.parent).keys() == {journal.name, sums_of(journal).name}


def test_rights_stay(journal: Path) -> None:
    journal.chmod(0o600)
    forget(journal.parent)
    assert journal.stat().st_mode & 0o777 == 0o600


def known_words(known: RegionView) -> set[str]:
    return set(known.check_out_words)


def test_words_that_checked_out_by_the_region_file_of_that_time_are_kept(tmp_path: Path) -> None:
    then = view(policy={"check_out_words": ["out", "leaving"], "late_after_s": 3600})
    assert "LEAVING" in known_words(then)
    assert "LEAVING" not in known_words(view())
    writer = record(tmp_path, then, close=False)
    said = over(Teller("mill"), START_MS + 50_000, GONE, "o9", to="NET", text="Leaving")
    writer.write(lines_of_messages(then, said, START_MS + 51_000), START_MS + 51_000)
    writer.close(START_MS + 60_000)
    forget(tmp_path)
    (path,) = files_in(tmp_path)
    texts = [json.loads(line).get("text") for line in raw_lines(path)]
    assert [t for t in texts if t] == ["hello", "hello", "out", "out", "Leaving", "Leaving"]
