"""`streamer report`, as people call it."""

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from streamer.cli import main
from streamer.forget.journals import forget_in_folder
from streamer.forget.name import Name
from streamer.journal import lines as make
from streamer.journal.names import files_in
from tests.journal.make import begun
from tests.report.conftest import Recorded
from tests.report.paper import LINES, B, at
from tests.state.scene import region

DUTY = "duty-1"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The day of paper.py as a worker wrote it, which began twice: the first time just before the
    hour, so these are three files."""
    view = region()
    where = tmp_path / "journal"
    lines = sorted(LINES, key=lambda line: line["noted_ms"])
    for from_s, until_s in ((-60, 300), (420, 560)):
        writer = begun(where, view, at(from_s))
        for line in lines:
            inside = at(from_s) <= line["noted_ms"] <= at(until_s)
            if inside and line["kind"] not in ("begin", "region", "end"):
                writer.write([line], line["noted_ms"])
        writer.close(at(until_s))
    assert len(files_in(where)) == 3
    return where


def run(capsys: Any, *words: Any) -> tuple[int, str, str]:
    code = main(["report", *map(str, words)])
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.fixture
def no_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawing the page takes a second, and what is looked at stands in the tables too."""
    monkeypatch.setattr("streamer.report.command.write_page", lambda *_, **__: ())


def test_without_a_duty_it_lists_them(folder: Path, capsys: Any) -> None:
    code, out, err = run(capsys, folder)
    assert (code, err) == (0, "")
    assert "2 duties in this record (2027-01-15 07:59:00Z to 2027-01-15 08:09:20Z)" in out
    assert "duty-1" in out
    assert "still running" in out
    code, out, _ = run(capsys, folder, "--json")
    said = json.loads(out)
    assert [(d["id"], d["kind"], d["ended_at"]) for d in said["duties"]] == [
        ("duty-1", "actual", "2027-01-15T08:09:10Z"), ("duty-2", "exercise", None),
    ]  # fmt: skip
    assert [d["expected"] for d in said["duties"]] == [3, 0]


def test_it_writes_the_report(folder: Path, tmp_path: Path, capsys: Any) -> None:
    out_folder = tmp_path / "new" / "report"
    code, out, err = run(capsys, DUTY, folder, "--out", out_folder)
    assert (code, err) == (0, "")
    assert "Search: 6 overs, 0 alerts" in out
    report = json.loads((out_folder / "report.json").read_text("utf-8"))
    assert report["record"]["files"] == [path.name for path in files_in(folder)]
    assert report["record"]["gaps"][0]["length_s"] == 120
    with (out_folder / "overs.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == 6
    assert "Search" in (out_folder / "report.html").read_text("utf-8")
    # No folder of this machine stands in what is handed on.
    for path in out_folder.iterdir():
        assert str(tmp_path) not in path.read_text("utf-8")


def test_it_is_the_same_each_time(folder: Path, tmp_path: Path, capsys: Any) -> None:
    for name in ("one", "two"):
        assert run(capsys, DUTY, folder, "--out", tmp_path / name)[0] == 0
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


@pytest.mark.usefixtures("no_page")
def test_json_says_what_was_written(folder: Path, tmp_path: Path, capsys: Any) -> None:
    code, out, _ = run(capsys, DUTY, folder, "--out", tmp_path / "r", "--json")
    said = json.loads(out)
    assert (code, said["duty"], said["overs"]) == (0, DUTY, 6)
    assert set(said["files"]) == {path.name for path in (tmp_path / "r").iterdir()}


@pytest.mark.usefixtures("no_page")
def test_coarse_and_no_positions(folder: Path, tmp_path: Path, capsys: Any) -> None:
    def position(*more: Any) -> Any:
        assert run(capsys, DUTY, folder, "--out", tmp_path / "r", *more)[0] == 0
        report = json.loads((tmp_path / "r" / "report.json").read_text("utf-8"))
        return next((r["lat"], r["lon"]) for r in report["check_ins"] if r["station"] == "QC3GHI")

    assert position() == (-46.123456, 20.234567)
    rounded = position("--coarse", "5")
    assert rounded != (-46.123456, 20.234567)
    assert abs(rounded[0] + 46.123456) < 0.04  # 5 km are 0.045 degrees of latitude
    assert position("--no-positions") == (None, None)
    for path in (tmp_path / "r").iterdir():
        assert "46.1234" not in path.read_text("utf-8")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("duty-3", "{j}", "--out", "{o}"), 1, "no duty 'duty-3' in the record; did you mean"),
        (("{j}", "--out", "{o}"), 2, "which duty?"),
        ((DUTY, "{j}"), 2, "Give --out FOLDER"),
        ((DUTY,), 2, "there is no such file or folder; if it is a duty"),
        ((DUTY, "{j}/none", "--out", "{o}"), 2, "there is no such file or folder"),
        ((DUTY, "{o}", "--out", "{o}"), 2, "no journal in this folder"),
        ((DUTY, "{j}", "--out", "{o}", "--zone", "Nowhere/At_All"), 2, "no such zone"),
        ((DUTY, "{j}", "--out", "{o}", "--coarse", "1", "--no-positions"), 2, "give one of them"),
        ((DUTY, "{j}", "--out", "{o}", "--region", "{r}"), 1, "region file is of 'other'"),
    ],
)
def test_what_goes_wrong_is_said(
    folder: Path, tmp_path: Path, capsys: Any, words: tuple[str, ...], code: int, said: str
) -> None:
    other = tmp_path / "other.toml"
    other.write_text('region = "other"\n[[gateway]]\nid = "a"\n[[gateway.repeater]]\nid = "b"\n'
                     '[[group]]\nname = "NET"\n')  # fmt: skip
    empty = tmp_path / "empty"
    empty.mkdir()
    filled = [w.format(j=folder, o=empty, r=other) for w in words]
    found, _, err = run(capsys, *filled)
    assert (found, said in err) == (code, True), err
    assert list(empty.iterdir()) == []


@pytest.mark.parametrize("word", ["0", "-1", "much", "nan", "1000"])
def test_a_size_that_cannot_be(folder: Path, capsys: Any, word: str) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["report", DUTY, str(folder), "--out", "x", f"--coarse={word}"])
    assert ended.value.code == 2
    assert "kilometres" in capsys.readouterr().err


@pytest.mark.usefixtures("no_page")
def test_a_torn_journal_is_told_and_the_rest_is_used(
    folder: Path, tmp_path: Path, capsys: Any
) -> None:
    *first, last = files_in(folder)
    content = bytearray(last.read_bytes())
    content[len(content) // 2] ^= 0xFF
    last.write_bytes(content)
    code, _, err = run(capsys, DUTY, folder, "--out", tmp_path / "r")
    assert code == 1
    assert last.name in err
    report = json.loads((tmp_path / "r" / "report.json").read_text("utf-8"))
    told = [words for words in report["limits"] if last.name in words]
    assert told
    assert not any(str(tmp_path) in words for words in report["limits"])
    assert len(report["overs"]) == 4  # those of before the gap
    assert report["duty"]["ended_at"] is None
    assert len(first) == 2


def test_a_record_without_a_duty(tmp_path: Path, capsys: Any) -> None:
    begun(tmp_path / "j", region(), at(0)).close(at(10))
    code, out, _ = run(capsys, tmp_path / "j")
    assert (code, out.startswith("No duty began in this record")) == (0, True)
    code, _, err = run(capsys, DUTY, tmp_path / "j", "--out", tmp_path / "r")
    assert (code, "none began in this record" in err) == (1, True)


@pytest.mark.redis
@pytest.mark.usefixtures("no_page")
def test_a_day_in_the_demo(recorded: Recorded, tmp_path: Path, capsys: Any) -> None:
    shutil.copytree(recorded.folder, tmp_path / "j")
    words = [recorded.day.duty_id, tmp_path / "j", "--out", tmp_path / "r"]
    code, out, err = run(capsys, *words)
    assert (code, err) == (0, "")
    assert f"{len(recorded.report.overs)} overs" in out
    written = json.loads((tmp_path / "r" / "report.json").read_text("utf-8"))
    assert written == json.loads(recorded.report.model_dump_json())


@pytest.mark.usefixtures("no_page")
def test_of_a_journal_in_which_somebody_was_forgotten(
    folder: Path, tmp_path: Path, capsys: Any
) -> None:
    """The same counts, nowhere the name; by the code that rewrites journals."""
    assert run(capsys, DUTY, folder, "--out", tmp_path / "before")[0] == 0
    name = Name(B, region())
    found = forget_in_folder(folder, name, "scene", {}, at(10_000), dry=False)
    assert found.lines > 5
    code, _, err = run(capsys, DUTY, folder, "--out", tmp_path / "after")
    assert (code, err) == (0, "")
    before, after = (
        json.loads((tmp_path / part / "report.json").read_text("utf-8"))
        for part in ("before", "after")
    )
    assert len(before["overs"]) == len(after["overs"])
    for part in ("accountability", "groups", "availability"):
        assert json.dumps(before[part]).replace(B, name.pseudonym) == json.dumps(after[part])
    assert any("Somebody was forgotten on request" in words for words in after["limits"])
    for path in (tmp_path / "after").iterdir():
        assert B not in path.read_text("utf-8")
        assert "=1+1" not in path.read_text("utf-8")  # the name that the roster had


@pytest.mark.parametrize(
    "entry",
    [
        {"act": "start_duty", "subject": "duty-9", "details": {"title": "x", "groups": ["NET"]}},
        {"act": "set_roster", "subject": "duty-1", "details": {"roster": [{"call": 5}]}},
        {"act": "set_roster", "subject": "duty-1", "details": {}},
    ],
    ids=["no kind", "no call sign", "no roster"],
)
def test_acts_of_an_unknown_form_are_told(folder: Path, capsys: Any, entry: Any) -> None:
    line = {"at": "2027-01-15T08:00:01Z", "by": "x", **entry}
    writer = begun(folder, region(), at(400), "w-2")
    writer.write([make.act(at(400), json.dumps(line))], at(400))
    writer.close(at(400))
    code, out, err = run(capsys, folder)
    assert (code, out) == (1, "")
    assert "is not of a form that this version reads" in err
    assert len(err.splitlines()) == 1
