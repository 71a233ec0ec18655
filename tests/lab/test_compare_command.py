"""`streamer compare` as it is called, on a journal in files."""

import json
from pathlib import Path
from typing import Any

import pytest

from streamer.cli import main
from streamer.journal import lines as make
from streamer.journal.reader import settings_text
from streamer.journal.writer import Retention, Writer
from streamer.lab import plot as plotting
from streamer.lab.compare_command import length_s
from streamer.lab.truth import TruthError, read_truth
from streamer.state.shapes import Keying
from tests.lab.paper import OVERS, B, T, name, region

KEEP = Retention(10 * 86_400_000, 1 << 30)
CALM = ["--presence", "10m", "--processes", "1", "--least", "1m"]


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """The day on paper as a worker would have recorded it."""
    folder = tmp_path / "journal"
    folder.mkdir()
    writer = Writer(folder, "paper", "w1", "test", KEEP)
    writer.settings_are(settings_text(region()), T - 100_000)
    for number, (begin, lasts, who, on, to, out) in enumerate(OVERS, 1):
        for seq, ended in ((2 * number - 1, False), (2 * number, True)):
            begun_ms = T + begin * 1000
            end_ms = begun_ms + (lasts * 1000 if ended else 0)
            info = (
                to or None, None, lasts * 1000 if ended else None, None, None,
                "out" if out and ended else None,
            )  # fmt: skip
            keying = Keying(
                who, begun_ms, "", name(on), f"o{number}", info, None, "", "", "", end_ms
            )
            line = make.heard(end_ms, f"g{on}", "0190000000000001", seq, ended, keying)
            writer.write([line], end_ms)
    writer.close(T + 2_100_000)
    return folder


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["compare", *words])
    out, err = capsys.readouterr()
    return code, out, err


def document(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    code, out, err = run(capsys, *words, "--json")
    assert (code, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    return found


def test_the_day_on_paper_from_its_files(capsys: pytest.CaptureFixture[str], journal: Path) -> None:
    """The figures of test_outcome."""
    found = document(capsys, str(journal), "--set", "linger_s=0", *CALM)
    keys = ("setting", "carried_s", "wasted_s", "missed", "moves", "changes", "alerts",
            "out_of_reach")  # fmt: skip
    assert [tuple(one[key] for key in keys) for one in found["settings"]] == [
        ("as it is", 280, 65, 2, 2, 8, 6, 5),
        ("linger_s=0", 230, 15, 2, 2, 8, 6, 5),
    ]
    assert found["advised"]["change"] == ["[policy] linger_s = 0 (now 60)"]
    assert (found["days"], found["overs"], found["truth_known"]) == (1, 12, False)
    there = {one["repeater"]: one["carried_s"] for one in found["settings"][0]["by_repeater"]}
    assert there == {"ga/x": 60, "gb/x": 75, "gc/x": 115, "gd/x": 30}


def test_for_people(capsys: pytest.CaptureFixture[str], journal: Path) -> None:
    code, out, err = run(capsys, str(journal), "--set", "linger_s=0,60,120", *CALM)
    assert (code, err) == (0, "")
    assert "  [policy] linger_s = 0 (now 60)" in out.splitlines()
    assert "before its first keying and after its last 10 min" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80


def test_with_the_truth(capsys: pytest.CaptureFixture[str], journal: Path, tmp_path: Path) -> None:
    told = [("gb/x", -100, 305), (None, 305, 1000), ("gb/x", 1000, 2101)]
    lines = [
        {"station": B, "from_ms": T + a * 1000, "until_ms": T + b * 1000, "repeater": on}
        for on, a, b in told
    ]
    path = tmp_path / "truth.ndjson"
    path.write_text("\n".join(map(json.dumps, [*lines, {**lines[0], "station": "QX9XYZ"}])))
    found = document(capsys, str(journal), "--set", "linger_s=0", "--truth", str(path), *CALM)
    own = found["settings"][0]
    assert (own["wasted_s"], own["missed"], own["alerts_judged"], own["false_alerts"]) == (
        75, 1, 3, 1,
    )  # fmt: skip
    assert (own["losses"], own["untold"], own["told_after_s"]) == (1, 0, 95)
    assert found["truth_known"]
    assert found["notes"] == ["1 station of the truth file never heard"]
    code, out, _ = run(capsys, str(journal), "--set", "linger_s=0", "--truth", str(path), *CALM)
    assert code == 0
    assert " 1/3 " in out
    heads = next(line for line in out.splitlines() if "TOLD AFTER" in line)
    assert heads.split() == ["SETTING", "ALERTS", "OUT", "FALSE", "LOST", "UNTOLD", "TOLD", "AFTER"]
    assert "all 6 5 1/3 1 0/1 1 min 35 s" in " ".join(out.split())


def test_six_hours_are_needed_unless_said_otherwise(
    capsys: pytest.CaptureFixture[str], journal: Path
) -> None:
    words = [str(journal), "--set", "linger_s=0", *CALM[:4]]
    code, out, err = run(capsys, *words)
    assert (code, err) == (0, "")
    assert "No advice: too little is recorded" in out
    assert "at least 6 h are needed" in " ".join(out.split())
    assert "(now 60)" not in out
    assert document(capsys, *words)["advised"]["change"] == []


@pytest.mark.parametrize("ending", ["svg", "png"])
def test_a_picture(
    capsys: pytest.CaptureFixture[str], journal: Path, tmp_path: Path, ending: str
) -> None:
    pytest.importorskip("matplotlib")
    path = tmp_path / f"front.{ending}"
    words = [str(journal), "--set", "linger_s=0,30,120", "--plot", str(path), *CALM]
    assert run(capsys, *words)[0] == 0
    begun = path.read_bytes()
    if ending == "svg":
        assert b"overs missed by members there" in begun or b"<svg" in begun
    else:
        assert begun.startswith(b"\x89PNG")
    code, _, err = run(capsys, *words)
    assert code == 2
    assert "is there already and is not overwritten" in err
    assert path.read_bytes() == begun


def test_without_matplotlib(
    capsys: pytest.CaptureFixture[str], journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(plotting, "find_spec", lambda name: None)
    code, out, err = run(capsys, str(journal), "--set", "linger_s=0", "--plot", "x.svg")
    assert (code, out) == (2, "")
    assert "pip install '.[plot]'" in err


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        ([], 2, "Give --set, such as --set linger_s=60,120,300"),
        (["--set", "lingers=3"], 2, "did you mean 'linger_s'?"),
        (["--set", "linger_s=3", "--plot", "x.gif"], 2, "must end in .svg or .png"),
        (["--set", "linger_s=3", "--truth", "none.ndjson"], 1, "none.ndjson: cannot be read"),
    ],
)
def test_used_wrongly(
    capsys: pytest.CaptureFixture[str], journal: Path, words: list[str], code: int, text: str
) -> None:
    got, out, err = run(capsys, str(journal), *words)
    assert (got, out) == (code, "")
    assert text in err


@pytest.mark.parametrize(
    "words",
    [["--presence", "soon"], ["--processes", "0"], ["--price-missed", "-1"], ["--least", "soon"]],
)
def test_wrong_words_are_refused(
    capsys: pytest.CaptureFixture[str], journal: Path, words: list[str]
) -> None:
    with pytest.raises(SystemExit) as told:
        run(capsys, str(journal), *words)
    assert told.value.code == 2


def test_a_foreign_file_is_told_and_the_rest_compared(
    capsys: pytest.CaptureFixture[str], journal: Path, tmp_path: Path
) -> None:
    foreign = tmp_path / "notes.txt"
    foreign.write_text("no journal")
    code, out, err = run(capsys, str(foreign), str(journal), "--set", "linger_s=0", *CALM)
    assert code == 1
    assert "notes.txt: not a journal" in err
    assert "[policy] linger_s = 0 (now 60)" in out
    assert foreign.read_text() == "no journal"


def test_lengths() -> None:
    assert [length_s(w) for w in ("90", "90s", "30m", "30min", "1.5h", "0")] == [
        90, 90, 1800, 1800, 5400, 0,
    ]  # fmt: skip


def test_truth_files_say_what_is_wrong(tmp_path: Path) -> None:
    path = tmp_path / "truth"
    good = {"station": B, "from_ms": 5, "until_ms": 9, "repeater": "ga/x"}
    path.write_text(
        "\n".join([
            json.dumps(good), "{", json.dumps({**good, "until_ms": 5}),
            json.dumps({**good, "repeater": "Nowhere"}), json.dumps({**good, "from_ms": 8}),
        ])
    )  # fmt: skip
    with pytest.raises(TruthError) as told:
        read_truth(path)
    text = str(told.value)
    assert "line 2: " in text
    assert "line 3: until_ms must be after from_ms" in text
    assert "line 4: repeater: must be GATEWAY/PORT" in text
    assert f"{B}: is told to be in two places at 8" in text
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(TruthError, match="is not UTF-8"):
        read_truth(path)
