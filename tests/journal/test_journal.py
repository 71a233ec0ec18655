"""Writing and reading hourly files: whole, torn, damaged, foreign, on a full disk.

Outside judges: DuckDB reads the files by itself, `sha256sum -c` and `zstd -t` check them where
they are installed.
"""

import errno
import json
import os
import shutil
import subprocess
from argparse import ArgumentTypeError
from pathlib import Path
from typing import Any

import duckdb
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from streamer.journal import lines as make
from streamer.journal.command import main as command
from streamer.journal.frames import MAGIC, frames
from streamer.journal.gaps import telling_gaps
from streamer.journal.lines import Line
from streamer.journal.names import FileName, files_in, folder_of_journal, parse_name, sums_of
from streamer.journal.reader import (
    JournalError,
    find_files,
    head_of,
    lines_of,
    read,
    region_of,
    scan,
    settings_text,
)
from streamer.journal.writer import AGAIN_MS, FRAME_BYTES, Retention, Writer
from tests.journal.make import FOR_EVER, begun, lines_of_messages
from tests.state.scene import START_MS, Teller, moment, region

HOUR_MS = 3_600_000
HOUR = START_MS // HOUR_MS * HOUR_MS
VIEW = region()


def marks(count: int, first: int = 0, at_ms: int = HOUR) -> list[Line]:
    """Lines that can be told apart."""
    return [make.act(at_ms + n, f"entry {n}") for n in range(first, first + count)]


def read_all(*paths: Path) -> tuple[list[Line], list[str]]:
    troubles: list[str] = []
    return list(read(paths, troubles.append)), troubles


def entries(lines: list[Line]) -> list[str]:
    return [line["entry"] for line in lines if line["kind"] == make.ACT]


class TestWriting:
    def test_what_is_written_is_read_and_the_file_says_what_it_is(self, tmp_path: Path) -> None:
        writer = begun(tmp_path, VIEW, HOUR)
        writer.write(marks(3), HOUR)
        writer.write(marks(2, 3), HOUR + 5)
        writer.close(HOUR + 9)
        (path,) = files_in(tmp_path)
        assert path.name == "scene.20270115T08Z.worker-1.000.ndjson.zst"
        lines, troubles = read_all(path)
        assert troubles == []
        assert [line["kind"] for line in lines] == ["begin", "region", *["act"] * 5, "end"]
        assert entries(lines) == [f"entry {n}" for n in range(5)]
        assert lines[-1] == {"kind": "end", "noted_ms": HOUR + 9, "lines": 7}
        report = scan(path)
        assert (report.closed, report.summed, report.damaged) == (True, True, False)
        assert (report.first_ms, report.last_ms) == (HOUR, HOUR + 9)

    def test_a_line_is_with_the_system_before_write_returns(self, tmp_path: Path) -> None:
        """A second reader sees it at once, as what is left after kill -9 would be seen."""
        writer = begun(tmp_path, VIEW, HOUR)
        for n in range(40):
            writer.write(marks(1, n), HOUR)
            lines, troubles = read_all(tmp_path)
            assert entries(lines) == [f"entry {m}" for m in range(n + 1)]
            assert [t for t in troubles if "not ended" not in t] == []

    def test_each_hour_and_each_start_has_a_file_of_its_own(self, tmp_path: Path) -> None:
        writer = begun(tmp_path, VIEW, HOUR)
        writer.write(marks(1), HOUR)
        writer.write(marks(1, 1, HOUR + HOUR_MS), HOUR + HOUR_MS)
        writer.tick(HOUR + 2 * HOUR_MS)  # an hour that is over is closed though nothing comes
        again = begun(tmp_path, VIEW, HOUR + HOUR_MS + 5)
        again.write(marks(1, 2, HOUR + HOUR_MS + 5), HOUR + HOUR_MS + 5)
        again.close(HOUR + HOUR_MS + 6)
        names = [path.name.split(".")[1:4] for path in files_in(tmp_path)]
        assert names == [
            ["20270115T08Z", "worker-1", "000"],
            ["20270115T09Z", "worker-1", "000"],
            ["20270115T09Z", "worker-1", "001"],
        ]
        assert all(scan(path).closed for path in files_in(tmp_path))
        assert entries(read_all(tmp_path)[0]) == ["entry 0", "entry 1", "entry 2"]

    def test_nothing_is_ever_written_over(self, tmp_path: Path) -> None:
        first = begun(tmp_path, VIEW, HOUR)
        first.write(marks(5), HOUR)  # and killed
        (path,) = files_in(tmp_path)
        left = path.read_bytes()
        begun(tmp_path, VIEW, HOUR).write(marks(1, 9), HOUR)
        assert path.read_bytes() == left
        assert len(files_in(tmp_path)) == 2

    def test_frames_end_so_that_damage_stays_small(self, tmp_path: Path) -> None:
        writer = begun(tmp_path, VIEW, HOUR)
        text = "x" * 10_000
        for _ in range(2 * FRAME_BYTES // 1_000_000 + 1):
            writer.write([make.act(HOUR, text)] * 100, HOUR)
        writer.close(HOUR)
        (path,) = files_in(tmp_path)
        assert path.read_bytes().count(MAGIC) == 3

    def test_the_settings_hold_no_address_and_no_place(self) -> None:
        secret = region(
            redis_url="redis://secret.example/0", journal={"folder": "/very/secret"},
            broker={"host": "secret.example", "username": "worker"},
        )  # fmt: skip
        text = settings_text(secret)
        assert "secret" not in text
        back = region_of(make.region(HOUR, text))
        assert back.policies == secret.policies
        assert back.groups == secret.groups
        assert back.sites == secret.sites

    def test_a_full_disk_costs_lines_and_is_told_but_stops_nothing(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        writer = begun(tmp_path, VIEW, HOUR)
        writer.write(marks(3), HOUR)
        real = os.write

        def full(handle: int, content: Any) -> int:
            real(handle, content[:2])
            raise OSError(errno.ENOSPC, "No space left on device")

        with monkeypatch.context() as patched:
            patched.setattr("streamer.journal.writer.os.write", full)
            writer.write(marks(4, 3), HOUR)
        assert (writer.written, writer.lost, writer.well) == (3, 4, False)
        why = "No space left on device; 4 lines lost"
        assert writer.said == f"cannot be written to {tmp_path}: {why}"
        writer.write(marks(1, 7), HOUR + 1)  # too soon to try again
        assert writer.lost == 5
        writer.write(marks(2, 8), HOUR + AGAIN_MS)
        writer.close(HOUR + AGAIN_MS)
        assert (writer.written, writer.well) == (5, True)
        assert writer.said == f"written to {tmp_path}"
        lines, troubles = read_all(tmp_path)
        assert entries(lines) == ["entry 0", "entry 1", "entry 2", "entry 8", "entry 9"]
        assert troubles  # the torn end of the first file

    def test_a_folder_that_cannot_be_made(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("")
        writer = Writer(tmp_path / "file" / "in", "scene", "w", "test", FOR_EVER)
        writer.settings_are("{}", HOUR)
        writer.write(marks(2), HOUR)
        assert (writer.lost, writer.well) == (2, False)


class TestRetention:
    def hours(self, folder: Path, count: int, retention: Retention) -> list[str]:
        writer = Writer(folder, "scene", "w", "test", retention)
        for n in range(count):
            now_ms = HOUR + n * HOUR_MS
            writer.write([make.act(now_ms, os.urandom(400).hex())], now_ms)
        writer.close(HOUR + count * HOUR_MS - 1)
        return [path.name.split(".")[1][-3:-1] for path in files_in(folder)]

    def test_older_hours_go_with_their_checksums(self, tmp_path: Path) -> None:
        foreign = tmp_path / "other.20270115T08Z.w.000.ndjson.zst"
        foreign.write_bytes(b"of another region")
        (tmp_path / "notes.txt").write_text("not ours")
        kept = self.hours(tmp_path, 6, Retention(2 * HOUR_MS, 10**9))
        # Tidied as an hour begins: the two before it are kept whole, and one that ends just then.
        assert kept == ["08", "10", "11", "12", "13"]
        assert foreign.exists()
        assert (tmp_path / "notes.txt").exists()
        assert len(list(tmp_path.glob("scene*.sha256"))) == 4

    def test_the_oldest_go_where_there_is_too_much(self, tmp_path: Path) -> None:
        kept = self.hours(tmp_path, 6, Retention(10**12, 2500))
        sizes = [path.stat().st_size for path in files_in(tmp_path)]
        assert kept[-1] == "13"
        assert len(kept) < 6
        assert sum(sizes[:-1]) <= 2500


class TestReading:
    def test_workers_are_merged_by_when_it_was_noted(self, tmp_path: Path) -> None:
        one, two = begun(tmp_path, VIEW, HOUR, "one"), begun(tmp_path, VIEW, HOUR, "two")
        for n in range(20):
            (one, two)[n % 3 == 0].write(marks(1, n), HOUR + n)
        found = read_all(tmp_path)[0]
        assert entries(found) == [f"entry {n}" for n in range(20)]
        assert [line["noted_ms"] for line in found] == sorted(line["noted_ms"] for line in found)

    def test_a_torn_file_is_read_up_to_where_it_is_torn(self, tmp_path: Path) -> None:
        writer = begun(tmp_path, VIEW, HOUR)
        (path,) = files_in(tmp_path)
        head = path.stat().st_size
        for n in range(50):
            writer.write(marks(1, n), HOUR)
        whole = path.read_bytes()
        read_before = -1
        for cut in range(head, len(whole), 7):
            path.write_bytes(whole[:cut])
            lines, troubles = read_all(path)
            found = entries(lines)
            assert found == [f"entry {n}" for n in range(len(found))]
            assert len(found) >= read_before
            assert troubles
            assert path.read_bytes() == whole[:cut]  # reading writes nothing
            read_before = len(found)
        assert read_before > 40

    def damaged(self, folder: Path) -> tuple[Path, list[int]]:
        """A closed file of three frames, and where they begin."""
        writer = begun(folder, VIEW, HOUR)
        for n in range(3):
            writer.write(marks(10, 10 * n), HOUR)
            writer.write([make.act(HOUR, os.urandom(FRAME_BYTES // 2).hex())], HOUR)
        writer.close(HOUR)
        (path,) = files_in(folder)
        content = path.read_bytes()
        at: list[int] = []
        while (found := content.find(MAGIC, at[-1] + 1 if at else 0)) >= 0:
            at.append(found)
        return path, at

    def test_a_damaged_part_costs_its_own_lines(self, tmp_path: Path) -> None:
        path, at = self.damaged(tmp_path)
        content = bytearray(path.read_bytes())
        content[at[1] + (at[2] - at[1]) // 2] ^= 0x40
        path.write_bytes(content)
        lines, troubles = read_all(path)
        short = [e for e in entries(lines) if e.startswith("entry")]
        assert short == [f"entry {n}" for n in (*range(10), *range(20, 30))]
        assert len(troubles) == 2
        assert "its SHA-256 is not that of" in troubles[0]
        assert f"byte {at[1]}" in troubles[1]
        report = scan(path)
        assert (report.damaged, report.summed) == (True, False)

    @given(st.data())
    def test_whatever_is_changed_nothing_wrong_is_read(
        self, tmp_path_factory: Any, data: Any
    ) -> None:
        """A frame's checksum finds it; what is read is a part of what was written."""
        folder = tmp_path_factory.mktemp("journal")
        writer = begun(folder, VIEW, HOUR)
        writer.write(marks(30), HOUR)
        writer.close(HOUR)
        (path,) = files_in(folder)
        content = bytearray(path.read_bytes())
        content[data.draw(st.integers(0, len(content) - 1))] ^= data.draw(st.integers(1, 255))
        path.write_bytes(content)
        try:
            lines, troubles = read_all(path)
        except JournalError:
            return
        assert set(entries(lines)) <= {f"entry {n}" for n in range(30)}
        assert len(entries(lines)) == 30 or troubles

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (b"", "it is empty"),
            (b"hello\n", "not compressed by zstd"),
            (zstandard.compress(b"hello\n"), "its first line is not that of one"),
            (zstandard.compress(b'{"kind":"begin","format":"other","v":1}\n'), "its format is"),
            (
                zstandard.compress(b'{"kind":"begin","format":"streamer-journal","v":2}\n'),
                "this reader knows v 1",
            ),
            (MAGIC + b"\0\1\2", "its first line is not that of one"),
        ],
    )
    def test_what_is_no_journal_is_said_to_be_none(
        self, tmp_path: Path, content: bytes, words: str
    ) -> None:
        path = tmp_path / "some.file"
        path.write_bytes(content)
        with pytest.raises(JournalError, match=words):
            head_of(path)
        assert words in scan(path).troubles[0]
        with pytest.raises(JournalError, match="none of the files"):
            read_all(path)
        begun(tmp_path, VIEW, HOUR).write(marks(2), HOUR)
        lines, troubles = read_all(path, *files_in(tmp_path))
        assert entries(lines) == ["entry 0", "entry 1"]
        assert words in troubles[0]

    def test_lines_that_are_none_are_counted_and_left_out(self, tmp_path: Path) -> None:
        texts = [b'{"kind":"act","noted_ms":1,"entry":"a"}', b"no json", b'{"kind":"act"}', b"[1]"]
        path = tmp_path / "f"
        path.write_bytes(zstandard.compress(b"\n".join([*texts, b'{"kind":"act","no'])))
        troubles: list[str] = []
        portions = list(lines_of(path, troubles.append))
        assert portions == [[{"kind": "act", "noted_ms": 1, "entry": "a"}]]
        assert troubles == [
            f"{path}: line 5 ends in the middle: left out",
            f"{path}: 3 lines are none of a journal, first line 2: left out",
        ]

    def test_two_regions_are_not_mixed(self, tmp_path: Path) -> None:
        begun(tmp_path, VIEW, HOUR).write(marks(1), HOUR)
        begun(tmp_path, region(region="other"), HOUR).write(marks(1), HOUR)
        with pytest.raises(JournalError, match=r"several regions \(other, scene\)"):
            read_all(tmp_path)

    def test_a_file_that_was_cut_after_it_was_closed_is_not_taken_for_a_killed_workers(
        self, tmp_path: Path
    ) -> None:
        writer = begun(tmp_path, VIEW, HOUR)
        writer.write(marks(50), HOUR)
        writer.close(HOUR)
        (path,) = files_in(tmp_path)
        path.write_bytes(path.read_bytes()[:-20])
        troubles = read_all(*tmp_path.iterdir())[1]  # as a shell's * names the checksum too
        assert any("its SHA-256 is not that of" in words for words in troubles)

    def test_a_gap_between_files_is_told(self, tmp_path: Path) -> None:
        for worker, at_ms in (("one", HOUR), ("two", HOUR + 30_000), ("one", HOUR + 600_000)):
            writer = begun(tmp_path, VIEW, at_ms, worker)
            writer.write(marks(1, at_ms=at_ms), at_ms)
            writer.close(at_ms + 1000)
        told: list[str] = []
        assert len(list(telling_gaps(read([tmp_path], told.append), told.append))) == 12
        assert told == [
            "nothing was recorded from 2027-01-15 08:00:31Z to 2027-01-15 08:10:00Z (9 min): it "
            "counts here as time in which nobody was heard"
        ]

    def test_what_is_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(JournalError, match="no such file"):
            find_files([tmp_path / "nothing"])
        with pytest.raises(JournalError, match="no journal in this folder"):
            find_files([tmp_path])

    def test_a_frame_that_unpacks_to_too_much_is_left_out(self) -> None:
        bomb = zstandard.compress(bytes(80_000_000))
        good = zstandard.compress(b"x\n")
        troubles: list[str] = []
        assert list(frames(bomb + good, troubles.append)) == [b"x\n"]
        assert "more than 64 MB" in troubles[0]


def test_no_folder_is_not_the_current_one(tmp_path: Path) -> None:
    """`--journal "$UNSET"`; of the region file: tests/config/regions/bad/empty-paths.toml."""
    assert folder_of_journal(str(tmp_path)) == tmp_path
    assert folder_of_journal(".") == Path()
    with pytest.raises(ArgumentTypeError, match="is empty; name it"):
        folder_of_journal("")


def test_names_are_read_back() -> None:
    name = FileName("scene", HOUR, "worker-1", 7)
    assert parse_name(str(name)) == name
    assert parse_name(str(FileName("scene", HOUR, "a/b c", 0))) == FileName(
        "scene", HOUR, "a_b_c", 0
    )
    for other in ("", "scene.20270115T08Z.w.000.ndjson", "scene.20271399T08Z.w.000.ndjson.zst"):
        assert parse_name(other) is None


class TestOutsideReaders:
    def journal(self, folder: Path, *, closed: bool) -> Path:
        ridge = Teller("ridge")
        writer = begun(folder, VIEW, HOUR)
        said = [
            ridge.heard(HOUR, "QA1ABC", "o1", to="RESCUE"),
            ridge.heard(
                HOUR, "QA1ABC", "o1", to="RESCUE", phase="end", duration_s=2.5, rssi_dbm=-80.5,
                sent_at=moment(HOUR + 2500),
            ),
            ridge.route(HOUR, "RESCUE", "carrying"),
            ridge.heard(HOUR, "NOBODY", "o2"),
            ridge.state(HOUR),
        ]  # fmt: skip
        writer.write(lines_of_messages(VIEW, said, HOUR + 3000), HOUR + 3000)
        if closed:
            writer.close(HOUR + 4000)
        return files_in(folder)[0]

    def ask(self, query: str) -> list[tuple[Any, ...]]:
        with duckdb.connect() as connection:
            return connection.execute(query).fetchall()

    @pytest.mark.parametrize("closed", [True, False], ids=["closed", "being written"])
    def test_duckdb_reads_it(self, tmp_path: Path, closed: bool) -> None:
        path = self.journal(tmp_path, closed=closed)
        rows = self.ask(
            f'SELECT kind, station, "to", duration_ms, epoch_ms(began_ms)::VARCHAR '
            f"FROM read_json('{path}', format = 'newline_delimited') WHERE kind = 'heard' "
            "ORDER BY seq"
        )
        assert rows == [
            ("heard", "QA1ABC", "RESCUE", None, "2027-01-15 08:00:00"),
            ("heard", "QA1ABC", "RESCUE", 2500, "2027-01-15 08:00:00"),
        ]
        count = self.ask(f"SELECT kind, count(*) FROM read_json('{path}') GROUP BY 1")
        expected = {"begin": 1, "region": 1, "heard": 2, "route": 1, "quarantined": 1, "state": 1}
        assert dict(count) == expected | ({"end": 1} if closed else {})

    def test_general_programs_check_it(self, tmp_path: Path) -> None:
        path = self.journal(tmp_path, closed=True)
        sums = subprocess.run(
            ["sha256sum", "-c", sums_of(path).name],
            check=False,
            cwd=tmp_path,
            capture_output=True,
            text=True,
        )
        assert (sums.returncode, sums.stdout) == (0, f"{path.name}: OK\n")
        if shutil.which("zstd"):
            assert subprocess.run(["zstd", "-tq", path], check=False).returncode == 0


class TestCommand:
    def run(self, capsys: Any, *paths: Path, as_json: bool = False) -> tuple[int, str, str]:
        from argparse import Namespace

        code = command(Namespace(paths=list(paths), json=as_json))
        said = capsys.readouterr()
        return code, said.out, said.err

    def test_it_says_what_there_is(self, tmp_path: Path, capsys: Any) -> None:
        writer = begun(tmp_path, VIEW, HOUR)
        writer.write(marks(3), HOUR)
        code, out, _ = self.run(capsys, tmp_path)
        assert code == 0  # a file that is being written is well
        assert "3 act" in out
        assert "not closed: being written, or its worker was killed" in out
        writer.close(HOUR)
        code, out, _ = self.run(capsys, tmp_path, as_json=True)
        said = json.loads(out)
        assert (code, said["closed"], said["checksum"], said["lines"]["act"]) == (
            0,
            True,
            "right",
            3,
        )

    def test_what_was_changed_is_found(self, tmp_path: Path, capsys: Any) -> None:
        writer = begun(tmp_path, VIEW, HOUR)
        writer.write(marks(3), HOUR)
        writer.close(HOUR)
        (path,) = files_in(tmp_path)
        path.write_bytes(path.read_bytes() + zstandard.compress(b'{"kind":"act","noted_ms":1}\n'))
        code, out, _ = self.run(capsys, path)
        assert code == 1
        assert "CHECKSUM WRONG" in out
        assert "it was changed, or cut, after it was closed" in out

    def test_wrong_use(self, tmp_path: Path, capsys: Any) -> None:
        code, _, err = self.run(capsys, tmp_path / "none")
        assert code == 2
        assert "there is no such file or folder" in err
