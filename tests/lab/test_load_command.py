"""`streamer load` on a journal of a few lines, as the command line calls it."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import zstandard

from streamer.cli import main
from streamer.lab.load import load_report
from streamer.lab.load_text import load_lines
from streamer.lab.load_weigh import weigh
from streamer.reading.text import WIDTH
from tests.lab.test_gather import begin, ended, heard, route, settings
from tests.lab.test_load import LAKE, MILL, PAPER, crowded, day, over
from tests.lab.test_load import region as paper_region
from tests.state.scene import region

T0_MS = 1_800_000_000_000
"""2027-01-15 08:00 UTC."""


def spoken(seq: int, from_s: float, until_s: float, *place: str, **more: Any) -> list[Any]:
    """The start and the end of an over."""
    began_ms, long_ms = T0_MS + round(from_s * 1000), round((until_s - from_s) * 1000)
    return [heard(seq, began_ms, *place, **more), ended(seq + 1, began_ms, long_ms, *place, **more)]


def lines_of_the_hour() -> list[dict[str, Any]]:
    """On ridge NET talks from 0 to 900 s and is sent on to lake; TALK keys there at 600 for 90."""
    found = [
        begin(),
        settings(region()),
        route(1, T0_MS, "lake/uhf", "NET", "carrying"),
        *spoken(10, 0, 900, "ridge/uhf", "QA1ABC", "o1", to="NET"),
        *spoken(20, 600, 690, "lake/uhf", "QA2ABC", "o2", to="TALK"),
        {"kind": "end", "noted_ms": T0_MS + 3_600_000, "lines": 7},
    ]
    return sorted(found, key=lambda line: line["noted_ms"])


def write(path: Path, lines: list[dict[str, Any]]) -> Path:
    text = "".join(json.dumps(line) + "\n" for line in lines)
    path.write_bytes(zstandard.compress(text.encode()))
    return path


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return write(tmp_path / "day.journal.zst", lines_of_the_hour())


def ask(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    capsys.readouterr()
    try:
        code = main(["load", *map(str, words)])
    except SystemExit as stop:
        code = int(str(stop.code))
    said = capsys.readouterr()
    return code, said.out, said.err


def test_the_document(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """On paper: lake 900 s sent on and 90 s heard of an hour, 0.275; TALK finds it busy with NET,
    alone there, for as long as that is: 0.25, and it did."""
    code, out, err = ask(capsys, journal, "--json")
    assert (code, err) == (0, "")
    found = json.loads(out)
    (lake,) = [one for one in found["repeaters"] if one["repeater"] == "lake/uhf"]
    assert lake["erlangs"] == pytest.approx(990 / 3600)
    assert lake["heard_erlangs"] == pytest.approx(90 / 3600)
    assert lake["busiest"]["start_at"] == "2027-01-15T08:00:00Z"
    (team,) = [g for g in found["groups"] if g["group"] == "TALK"]
    assert (team["repeater"], team["busy"], team["met"]) == ("lake/uhf", pytest.approx(0.25), 1)
    assert found["clashes"][0]["both_s"] == 90
    assert "no promise" in " ".join(found["cautions"])
    assert "cuts off the members" in " ".join(found["cautions"])
    # lake said what it carries; the other gateways of the region never did.
    assert "lake" not in found["routes_unknown"]
    assert "ridge" in found["routes_unknown"]


def test_the_text(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = ask(capsys, journal, "--hour", "--grow", "net=+1")
    assert code == 0
    assert all(len(line) <= WIDTH for line in out.splitlines())
    assert "Region scene, 2 overs in 1 h: 2027-01-15 08:00Z to 2027-01-15 09:00Z" in out
    flat = " ".join(out.split())
    assert "lake/uhf 2 0.275 0.025 0.250 0.275 01-15 08:00Z" in flat
    assert "TALK lake/uhf 1 1 25.0 % 25.0 % 100.0 % 1 1 " in flat
    assert "lake/uhf 01-15 08:00Z 2 90 s 900 s 0.275" in flat
    assert "NET and TALK 1 90 s lake/uhf" in flat
    assert "If NET gets 1 more member like the 1 that keyed (1.0 overs each)" in flat
    assert "TALK lake/uhf 1 25.0 % 50.0 %" in flat
    assert "does not fit on the air" not in flat
    _, out, _ = ask(capsys, journal, "--grow", "NET=+3")
    assert "lake/uhf 0.275 1.025 1.025" in " ".join(out.split())
    assert "does not fit on the air" in out


def test_the_rules_speak_where_no_gateway_does(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """RESCUE is pinned at mill/vhf, which hears nobody: 360 s at ridge are 0.1 erlang there too."""
    lines = [
        begin(),
        settings(region()),
        *spoken(1, 0, 360, "ridge/uhf", "QA1ABC", "o1", to="RESCUE"),
        {"kind": "end", "noted_ms": T0_MS + 3_600_000, "lines": 4},
    ]
    path = write(tmp_path / "day.journal.zst", lines)
    loads = {}
    for words in ((), ("--said-only",)):
        code, out, _ = ask(capsys, path, "--json", *words)
        found = json.loads(out)
        assert (code, found["routes_ruled"]) == (0, not words)
        assert found["routes_unknown"] == ["lake", "mill", "ridge"]
        loads[words] = {one["repeater"]: one["erlangs"] for one in found["repeaters"]}
    assert loads[()]["mill/vhf"] == pytest.approx(0.1)
    assert loads["--said-only",]["mill/vhf"] == 0
    assert loads[()]["ridge/uhf"] == loads["--said-only",]["ridge/uhf"] == pytest.approx(0.1)
    _, out, _ = ask(capsys, path)
    assert "the fan-out by the rules is taken" in " ".join(out.split())
    _, out, _ = ask(capsys, path, "--said-only")
    assert "only what they heard is counted" in " ".join(out.split())


def test_what_cannot_be_read_is_told_and_the_rest_is_used(
    journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    foreign = journal.with_name("foreign.journal.zst")
    foreign.write_bytes(b"PK\x03\x04 something else")
    before = journal.read_bytes(), foreign.read_bytes()
    code, out, err = ask(capsys, journal, foreign, "--json")
    assert code == 1
    assert "foreign.journal.zst" in err
    assert json.loads(out)["overs"] == 2
    assert "foreign.journal.zst" in json.loads(out)["notes"][0]
    assert (journal.read_bytes(), foreign.read_bytes()) == before
    code, out, err = ask(capsys, foreign)
    assert (code, out) == (1, "")
    assert "not a journal" in err


@pytest.mark.parametrize("word", ["NET", "NET=", "NET=+0", "NET=-3", "NET=x", "=+3", "NET=1000001"])
def test_a_growth_that_is_none(
    journal: Path, capsys: pytest.CaptureFixture[str], word: str
) -> None:
    code, out, err = ask(capsys, journal, "--grow", word)
    assert (code, out) == (2, "")
    assert "must be GROUP=+N" in err


def test_other_mistakes(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = ask(capsys, journal, "--grow", "NTE=+3")
    assert code == 1
    assert "no group 'NTE'; did you mean 'NET'" in err
    code, _, err = ask(capsys, journal, "--grow", "NET=+3", "--grow", "net=+4")
    assert (code, "give each group once" in err) == (2, True)
    code, _, err = ask(capsys, journal.with_name("none"))
    assert code == 1
    assert "no such file or folder" in err
    code, _, err = ask(capsys, journal, "--region", journal.with_name("none.toml"))
    assert code == 1
    assert "cannot be read" in err


def test_a_journal_that_ends_in_the_middle(
    journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal.write_bytes(journal.read_bytes()[:-20])
    code, _, err = ask(capsys, journal)
    assert code == 1
    assert journal.name in err


# -- words -----------------------------------------------------------------------------------------


def test_advice_in_words() -> None:
    text = " ".join(" ".join(load_lines(load_report(weigh(crowded(MILL))))).split())
    assert (
        "1. Bar RESCUE on lake/uhf: of 20 overs of other groups there 0.0 instead of 10.0 would "
        "find it busy. No station that keyed to it was there; whoever only listens there is cut "
        "off."
    ) in text
    assert 'In the region file, under [[group]] name = "RESCUE": bars = ["lake/uhf"]' in text
    assert (
        "2. Move SUPPLY off lake/uhf to mill/uhf, which heard 100.0 % of its overs there as well, "
        "then bar it"
    ) in text
    assert "1 station must follow, or will be cut off" in text


def test_a_bar_that_costs_members_says_so() -> None:
    made = crowded()
    heard = over("QA1AB", "RESCUE", 3400, 3401, LAKE)
    overs = tuple(sorted((*made.overs, heard), key=lambda o: o.began_ms))
    text = " ".join(" ".join(load_lines(load_report(weigh(replace(made, overs=overs))))).split())
    assert "It cuts off 1 station there that keyed to it: only with their consent" in text


def test_long_lists_are_cut() -> None:
    """Sixteen other groups where RESCUE grows, fifteen of them told."""
    names = [f"G{n:02}" for n in range(16)]
    overs = [over(f"QB{n}AA", name, 10 * n, 10 * n + 5, LAKE) for n, name in enumerate(names)]
    made = day(
        over("QA1AA", "RESCUE", 0, 200, LAKE), *overs, view=paper_region(**{n: {} for n in names})
    )
    report = load_report(weigh(made), {"RESCUE": 1})
    assert len(report.growth[0].others) == len(report.clashes) == 16
    lines = load_lines(report)
    assert "  and 1 more; --json has all" in lines  # of the 15 groups
    assert "  and 6 more; --json has all" in lines  # of the 10 pairs
    assert all(len(line) <= WIDTH for line in lines)


def test_the_model_is_judged_in_words() -> None:
    """On paper (test_load): 2 met of 6, expected 44/79 + 23/99 + 2/36 + 1/5 = 1.04, with waiting
    0.6 + 0.25 + 2/36 + 0.2 = 1.11."""
    text = " ".join(" ".join(load_lines(load_report(weigh(PAPER)))).split())
    assert (
        "Together 2 of 6 overs began in others' air; the formula expects 1.0, with waiting 1.1, by "
        "chance alone 1.8 more or less: it fits."
    ) in text


def test_a_model_that_does_not_fit_is_told() -> None:
    """In `crowded` all 20 overs of SUPPLY fall into RESCUE's: 20 met, 11 expected (10 and 1), 2
    standard deviations are 2 * sqrt(20 * 1/4 + 20 * 0.0475) = 4.9. Where they key in its pauses
    none does."""
    text = " ".join(" ".join(load_lines(load_report(weigh(crowded())))).split())
    assert "expects 11.0, with waiting 11.0, by chance alone 4.9 more or less" in text
    assert "it says too few here: overs come in bursts" in text
    overs = [
        replace(o, began_ms=o.began_ms + 90_000, ended_ms=o.ended_ms + 90_000)
        if o.group == "SUPPLY"
        else o
        for o in crowded().overs
    ]
    ordered = tuple(sorted(overs, key=lambda o: o.began_ms))
    text = " ".join(
        " ".join(load_lines(load_report(weigh(replace(crowded(), overs=ordered))))).split()
    )
    assert "it says too many here: people wait for each other" in text


def test_a_silent_day_in_words() -> None:
    text = "\n".join(load_lines(load_report(weigh(day())), by_hour=True))
    assert "no over to a group" in text
    assert "Nothing would spare others a busy over" in text
