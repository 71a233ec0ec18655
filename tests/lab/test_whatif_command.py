"""`streamer whatif` on a journal of a few lines, as the command line calls it.

On paper. On ridge A keys at 0 s and at 1200 s, B at 600 s, whom lake hears too; on lake C keys at
660 s; each for 10 s, all to NET. The recording ends at 3600 s. By hindsight each was where it keyed
from 30 min before to 30 min after, and is a member from its first keying on:
A's first over stands for 0 to 605 s (halfway from its end to the next), its second for 605 to
1210 + 1800 = 3010 s; B's for 600 to 2410 s: 1810 s; C's for 660 to 2470 s.
"""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from streamer.cli import main
from streamer.reading.text import WIDTH
from tests.lab.test_gather import begin, ended, heard, settings
from tests.lab.test_load_command import write
from tests.lab.whatif_make import LAKE, RIDGE, T0_MS, A, B, C, view


def spoken(seq: int, from_s: float, *place: str, **more: Any) -> list[Any]:
    ms = T0_MS + round(from_s * 1000)
    start = heard(seq, ms, *place, to="NET", **more)
    return [start, ended(seq + 1, ms, 10_000, *place, to="NET", **more)]


def lines(**more: Any) -> list[dict[str, Any]]:
    """`more`: what A's overs say beside."""
    found = [
        begin("isle"),
        settings(view()),
        *spoken(1, 0, RIDGE, A, "o0", **more),
        *spoken(3, 600, RIDGE, B, "o1"),
        *spoken(3, 600, LAKE, B, "o1"),
        *spoken(5, 660, LAKE, C, "o2"),
        *spoken(5, 1200, RIDGE, A, "o3", **more),
        {"kind": "end", "noted_ms": T0_MS + 3_600_000, "lines": 12},
    ]
    return sorted(found, key=lambda line: line["noted_ms"])


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return write(tmp_path / "day.journal.zst", lines())


@pytest.fixture
def placed(tmp_path: Path) -> Path:
    """A says where it is: near ridge."""
    where = {"fix_ms": T0_MS + 600_000, "lat": 0.02, "lon": 20.0, "rssi_dbm": -95.0}
    return write(tmp_path / "placed.journal.zst", lines(**where))


def ask(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    capsys.readouterr()
    try:
        code = main(["whatif", *map(str, words)])
    except SystemExit as stop:
        code = int(str(stop.code))
    said = capsys.readouterr()
    return code, said.out, said.err


def test_a_repeater_off(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of A nothing is known, B is heard by lake. Missed: A misses over 1 and over 2, B and C over
    3, or not: four of which nothing is known; B hears over 2 by lake."""
    code, out, err = ask(capsys, journal, "--off", RIDGE, "--json")
    assert (code, err) == (0, "")
    found = json.loads(out)
    (loss,) = found["failures"]
    assert loss["failure"] == "ridge/uhf off"
    assert (loss["off"], loss["cut"]) == ([RIDGE], [])
    assert loss["overs"] == {
        "touched": 3, "lost": 0, "low": 0, "high": 0, "unknown": 2,
        "rests_on": {"day": 1, "learned": 0, "neighbours": 0, "physics": 0, "unknown": 2},
    }  # fmt: skip
    minutes = loss["out_of_reach_min"]
    assert minutes["touched"] == pytest.approx((605 + 2405 + 1810) / 60, abs=0.01)
    assert minutes["unknown"] == pytest.approx((605 + 2405) / 60, abs=0.01)
    assert loss["blind_min"]["touched"] == 0
    assert (loss["missed"], loss["missed_unknown"]) == (0, 4)
    assert [s["station"] for s in loss["stations"]] == [A, B]
    assert (found["overs"], found["stations"], found["placed"]) == (4, 3, 0)
    assert found["from_at"] == "2027-01-15T08:00:00Z"
    cautions = " ".join(found["cautions"])
    assert "no promise" in cautions
    assert "not in danger" in cautions


def test_a_gateway_cut(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A and B on ridge hear one another (overs 1 and 3); of over 2 to A and of over 3 to C nothing
    is known."""
    _, out, _ = ask(capsys, journal, "--cut", "ridge", "--json")
    (loss,) = json.loads(out)["failures"]
    assert (loss["off"], loss["cut"]) == ([], [RIDGE])
    assert loss["out_of_reach_min"]["touched"] == 0
    assert loss["blind_min"]["touched"] == pytest.approx(4820 / 60, abs=0.01)
    assert (loss["missed"], loss["missed_unknown"]) == (0, 2)
    _, text, _ = ask(capsys, journal, "--cut", "ridge")
    assert "member-minutes blind" in text
    assert "overs not handed on and heard nowhere else" in text
    assert "nobody hears" not in text
    assert "is seen by nobody" in " ".join(text.split())


def test_everything_off_takes_all(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody is left to hear: 3 overs were on ridge, one on lake."""
    words = [w for name in ("ridge", "lake", "mill") for w in ("--off", name)]
    _, out, _ = ask(capsys, journal, *words, "--json")
    (loss,) = json.loads(out)["failures"]
    assert (loss["overs"]["touched"], loss["overs"]["lost"]) == (4, 4)
    assert loss["missed"] == 1 + 2 + 2


def test_where_it_said_where_it_was_the_model_tells(
    placed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A's two overs are judged by the distance to lake and mill, 30 km and more: a chance."""
    _, out, _ = ask(capsys, placed, "--off", RIDGE, "--json")
    (loss,) = json.loads(out)["failures"]
    assert loss["overs"]["rests_on"]["physics"] == 2
    assert loss["overs"]["unknown"] == 0
    assert 0 < loss["overs"]["lost"] < 2
    _, text, _ = ask(capsys, placed, "--off", RIDGE)
    assert "1 on the day itself, 2 on distance alone" in " ".join(text.split())


def test_the_rank(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = ask(capsys, journal, "--rank", "--json")
    ranked = json.loads(out)["ranked"]
    assert {one["failure"] for one in ranked} == {
        "ridge off", "lake off", "mill off", "ridge cut", "lake cut", "mill cut",
    }  # fmt: skip
    minutes = [one["ranked_by_min"] for one in ranked]
    assert minutes == sorted(minutes, reverse=True)
    for one in ranked:
        parts = one["ranked_known_min"] + one["ranked_unknown_min"]
        assert parts == pytest.approx(one["ranked_by_min"], abs=0.011)
    _, text, _ = ask(capsys, journal, "--rank", "--explain")
    assert "Single failures, the worst first" in text
    # Twice (off and cut): 3 overs on ridge, one of them kept by the day, and 1 on lake, not kept.
    said = " ".join(text.split())
    assert "Of the overs rest 25 % on the day itself, 75 % on nothing: unknown." in said
    assert json.loads(out)["failures"] == []


def test_the_list_can_be_followed(placed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Minutes fall from line to line; where they are equal the overs missed do."""
    _, out, _ = ask(capsys, placed, "--rank")
    listed = re.findall(
        r"^  \d+ +(\S.*?)  +([\d.]+)  +[\d.]+(?: to [\d.]+)?  +\d+  +(\d+)  ", out, re.M
    )
    keys = [(float(minutes), int(missed)) for _, minutes, missed in listed]
    assert len(keys) == 3  # one for each site, each with one repeater
    assert keys == sorted(keys, reverse=True)
    assert keys[0][0] > keys[-1][0]
    assert "RESTS ON" in out
    assert f"Next: give the members of {RIDGE} a second way: {A}\n" in out


def test_the_end_is_short(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three lines of what to mind, and all the rest when asked for."""
    _, out, _ = ask(capsys, journal, "--rank")
    end = out[out.index("Mind:") :].splitlines()
    assert len(end) == 4
    assert end[-1].startswith("--explain")
    assert "Taken:" not in out
    _, told, _ = ask(capsys, journal, "--rank", "--explain")
    assert "Taken: Each failure" in told
    assert len(told[told.index("Mind:") :].splitlines()) == 3


def test_a_new_repeater_softens_a_failure(placed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It stands where A is, and A is heard at -95 dBm: at most as strong, so not for certain."""
    words: list[str | Path] = [placed, "--off", RIDGE, "--new", "hill,0.02,20.0,30,439"]
    code, out, _ = ask(capsys, *words, "--json")
    found = json.loads(out)
    (with_it,), (without,) = found["failures"], found["without"]
    assert code == 0
    assert with_it["overs"]["lost"] < without["overs"]["lost"]
    (new,) = found["new"]
    assert (new["repeater"], new["placed"], new["unknown"]) == ("hill/new", 2, 2)
    assert new["heard"] == pytest.approx(2, abs=0.1)
    _, text, _ = ask(capsys, *words)
    assert "With a new repeater hill/new" in text
    assert "Without the new one" in text
    assert f"It helps {A}." in text
    assert f"a second way: {A}\n" in text
    assert new["helped"] == [{"station": A, "overs": pytest.approx(2, abs=0.1)}]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "give --off, --cut or --new, or --rank"),
        (["--off", "rigde/uhf"], "did you mean 'ridge/uhf'?"),
        (["--off", "rigde"], "did you mean 'ridge'?"),
        (["--cut", "ridge/uhf"], "no such gateway"),
        (["--new", "hill,1"], "must be NAME,LAT,LON"),
        (["--new", "hill,1,2", "--new", "hill,3,4"], "choose another name"),
    ],
)
def test_used_wrongly(
    words: list[str], says: str, journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = ask(capsys, journal, *words)
    assert (code, out) == (2, "")
    assert says.lower() in err.lower()


def test_part_of_a_journal(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is there is answered, and the exit code says that it was not all."""
    foreign = tmp_path / "foreign.journal.zst"
    foreign.write_bytes(b"no journal at all")
    before = foreign.read_bytes(), journal.read_bytes()
    code, out, err = ask(capsys, journal, foreign, "--off", RIDGE)
    assert code == 1
    assert "foreign.journal.zst" in err
    assert "With ridge/uhf off" in out
    assert "part of the journal could not be read" in out
    assert (foreign.read_bytes(), journal.read_bytes()) == before


def test_no_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = ask(capsys, tmp_path / "nothing", "--rank")
    assert (code, out) == (2, "")
    assert "nothing" in err


@pytest.mark.parametrize(
    "words", [["--rank"], ["--off", RIDGE], ["--cut", "lake", "--new", "hill,0.1,20"]]
)
def test_it_fits_a_terminal(
    words: list[str], placed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = ask(capsys, placed, *words)
    assert code == 0
    assert max(map(len, out.splitlines())) <= WIDTH
    assert "no promise" in out
    assert "is not in danger" in " ".join(out.split())
