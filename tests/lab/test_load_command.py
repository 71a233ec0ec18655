"""`streamer load` on a journal of a few lines, as the command line calls it."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import zstandard

from streamer.cli import main
from streamer.lab.day import Day
from streamer.lab.load import load_report
from streamer.lab.load_text import load_lines
from streamer.lab.load_weigh import weigh
from streamer.reading.text import WIDTH
from tests.lab.test_gather import begin, ended, heard, route, settings
from tests.lab.test_load import LAKE, MILL, PAPER, RIDGE, at, day, over
from tests.lab.test_load import region as paper_region
from tests.lab.test_load_advice import crowded, with_over
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
    assert lake["on_air_share"] == pytest.approx(900 / 3600)  # 600-690 lies within 0-900
    assert lake["heard_erlangs"] == pytest.approx(90 / 3600)
    assert lake["busy_hour"]["start_at"] == "2027-01-15T08:00:00Z"
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
    assert "Offered load in erlangs: air-time asked for, by the time recorded. Above 1 a" in flat
    assert "lake/uhf 2 0.275 0.025 0.250 25 % 0.275 01-15 08Z " in flat
    assert "lake/uhf 01-15 08Z 2 90 s 900 s 0.275 25 % " in flat
    assert "NET and TALK 1 90 s lake/uhf" in flat
    assert "If NET gets 1 more member like the 1 that keyed (1.0 overs each)" in flat
    assert "TALK lake/uhf 1 25.0 % 50.0 %" in flat
    assert "cannot carry it. Others find" not in flat
    assert "DARK:" not in flat
    _, out, _ = ask(capsys, journal, "--grow", "NET=+3")
    assert "lake/uhf 0.275 1.025* 1.025*" in " ".join(out.split())
    assert "*: 1 erlang or more; a single channel cannot carry it." in out


def test_few_overs_are_counted_not_listed(
    journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """NET at ridge and lake, TALK at lake: one over each, less than ten."""
    _, out, _ = ask(capsys, journal)
    assert "\n  3 more, see --json\n" in out
    assert "GROUP " not in out


def test_the_end_is_short(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = ask(capsys, journal)
    *_, last = out.split("\n\n")
    assert last.startswith("Mind: figures of the past and of models, no promise.")
    assert len(last.splitlines()) == 3
    assert "listens is not seen" in last
    _, out, _ = ask(capsys, journal, "--explain")
    *_, last = out.split("\n\n")
    assert last.startswith("What this rests on\n")
    assert last.count("\n  - ") == len(load_report(weigh(day())).cautions)


def test_dark_times_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Ten of sixty minutes are a sixth: 17 %."""
    made = day(over("QA1AA", "RESCUE", 0, 60, RIDGE), dark={RIDGE: ((at(3000), at(3600)),)})
    flat = " ".join(" ".join(load_lines(load_report(weigh(made)), by_hour=True)).split())
    assert "ridge/uhf 1 0.020 0.020 0.000 2 % 0.020 01-15 08Z 17 % " in flat
    assert "DARK: it or its gateway did not report; nothing counts as sent on to it then" in flat
    assert "ridge/uhf 01-15 08Z 1 60 s 0 s 0.020 2 % 50 min" in flat


def test_more_than_a_channel_carries_is_marked() -> None:
    """3 * 1800 s in an hour: 1.5 erlangs, 50 % of it on the air; in 20 minutes there is no busy
    hour, and no column of it."""
    overs = [over(f"Q{g[:2]}A", g, 0, 1800, LAKE) for g in ("RESCUE", "SUPPLY", "SHORE")]
    lines = load_lines(load_report(weigh(day(*overs))))
    flat = " ".join(" ".join(lines).split())
    assert "lake/uhf 3 1.500* 1.500 0.000 50 % 1.500* 01-15 08Z " in flat
    short = [replace(o, ended_ms=at(1200)) for o in overs]
    lines = load_lines(load_report(weigh(day(*short, hours=1 / 3))))
    assert not any("BUSY HOUR" in line for line in lines)
    assert "lake/uhf 3 3.000* 3.000 0.000 100 % " in " ".join(" ".join(lines).split())


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
    assert code == 2
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


def words_of(made: Day, least_s: float = 3600) -> str:
    report = load_report(weigh(made), least_s=least_s)
    return " ".join(" ".join(load_lines(report)).split())


def test_advice_in_words() -> None:
    text = words_of(crowded(MILL))
    assert (
        "1. RESCUE takes 91 % of the air-time on lake/uhf; without it 0.0 instead of 10.0 of 20 "
        "overs of other groups there would find it busy. No member of it was heard there in the "
        "1 h that count: it may be barred there. In the region file, under [[group]] name = "
        '"RESCUE": bars = ["lake/uhf"]'
    ) in text
    assert (
        "2. SUPPLY takes 9 % of the air-time on lake/uhf; without it 0.0 instead of 1.0 of 20 "
        "overs of other groups there would find it busy; 1 of its members keyed there. Not to be "
        "barred: ask for a second channel, or ask its members to use another repeater (mill/uhf, "
        "less busy, heard 100 % of its overs told there as well; what they add to it is not "
        "counted)."
    ) in text
    assert "Who only listens there is not seen in a record, and a bar cuts them off" in text
    assert text.count("bars = ") == 1
    assert "Move" not in text


def test_a_bar_that_costs_members_is_not_handed_out() -> None:
    text = words_of(with_over(crowded(), over("QA1AB", "RESCUE", 3400, 3401, LAKE)))
    assert "1 of its members keyed there. Not to be barred" in text
    assert "bars = " not in text


def test_a_short_record_hands_out_no_bar(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = words_of(crowded(), least_s=6 * 3600)
    assert (
        "No member of it was heard there, but only 1 h count, less than 6 h (--least). Not to be "
        "barred by this: take a longer record."
    ) in text
    assert "bars = " not in text


def test_three_findings_are_told_and_the_others_counted() -> None:
    """Five groups on lake's air for 10 min of the hour each, keyed 30 times, by somebody there:
    of each one's 120 others' overs more than one is spared."""
    names = [f"G{n}" for n in range(5)]
    overs = [
        over(f"QB{n}AA", name, 120 * k + 20 * n, 120 * k + 20 * n + 20, LAKE)
        for n, name in enumerate(names)
        for k in range(30)
    ]
    report = load_report(weigh(day(*overs, view=paper_region(**{n: {} for n in names}))))
    assert len(report.advice) == 5
    lines = load_lines(report)
    assert sum("takes 20 % of the air-time on lake/uhf" in line for line in lines) == 3
    assert "  and 2 more; --json has all" in lines


def test_shares_do_not_round_to_nothing_or_all() -> None:
    """On paper: 1 s of an hour is 0.03 %, all but 1 s 99.97 %."""
    for long_s, words in ((1, "< 1 %"), (3599, "99 %"), (3600, "100 %"), (54, "2 %")):
        made = day(over("QA1AA", "RESCUE", 0, long_s, RIDGE))
        (row,) = [
            line
            for line in load_lines(load_report(weigh(made)))
            if line.startswith("  ridge/uhf  1 ")
        ]
        assert f"  {words} " in row


def test_the_least_record_can_be_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """TALK keys 12 times at lake while NET, of which nobody is there, is sent on to it for half of
    the hour: 6 of 12."""
    keyed = [
        line
        for n in range(12)
        for line in spoken(
            20 + 2 * n, 100 * n, 100 * n + 5, "lake/uhf", "QA2ABC", f"t{n}", to="TALK"
        )
    ]
    lines = [
        begin(), settings(region()), route(1, T0_MS, "lake/uhf", "NET", "carrying"),
        *spoken(10, 0, 1800, "ridge/uhf", "QA1ABC", "o1", to="NET"), *keyed,
        {"kind": "end", "noted_ms": T0_MS + 3_600_000, "lines": 29},
    ]  # fmt: skip
    path = write(tmp_path / "day.journal.zst", sorted(lines, key=lambda line: line["noted_ms"]))
    for words, given in (((), False), (("--least", "1h"), True), (("--least", "61m"), False)):
        code, out, _ = ask(capsys, path, *words)
        assert (code, 'bars = ["lake/vhf", "lake/uhf"]' in out) == (0, given)
        assert "NET takes 97 % of the air-time on lake/uhf" in " ".join(out.split())
    # What is in the part that cannot be read, nobody knows; a last part without its end is whole.
    foreign = path.with_name("foreign.journal.zst")
    foreign.write_bytes(b"PK\x03\x04 something else")
    code, out, _ = ask(capsys, path, foreign, "--least", "1h")
    assert (code, "bars = " in out) == (1, False)
    assert "part of the record could not be read. Not to be barred" in " ".join(out.split())
    code, out, err = ask(capsys, path, "--least", "soon")
    assert (code, out, "give a time such as" in err) == (2, "", True)


def test_the_worst_groups_are_listed_first() -> None:
    """RESCUE is on the air in 20 spans; SUPPLY keys 20 times within them (all overlap), SHORE 20
    times in the pauses (none), and TEN nine times: not listed."""
    view = paper_region(NINE={})
    overs = [over("QA3AA", "SHORE", s, s + 2, LAKE) for s in range(100, 3600, 180)]
    overs += [over("QA4AA", "NINE", s, s + 2, LAKE) for s in range(120, 1700, 180)]
    assert sum(o.group == "NINE" for o in overs) == 9
    lines = load_lines(load_report(weigh(replace(with_over(crowded(), *overs), view=view))))
    rows = [line.split() for line in lines if "%" in line and " lake/uhf " in line]
    named = [row[0] for row in rows if row[0] in ("RESCUE", "SUPPLY", "SHORE", "NINE")]
    assert named[:3] == ["SUPPLY", "RESCUE", "SHORE"]
    assert "NINE" not in named
    assert "SUPPLY lake/uhf 1 20 " in " ".join(" ".join(lines).split())
    assert "20, 100 %" in " ".join(lines)


def test_no_more_than_fifteen_groups() -> None:
    names = [f"G{n:02}" for n in range(16)]
    overs = [
        over(f"QB{n}AA", name, 200 * k + 10 * n, 200 * k + 10 * n + 5, LAKE)
        for n, name in enumerate(names)
        for k in range(10)
    ]
    made = day(*overs, view=paper_region(**{n: {} for n in names}))
    lines = load_lines(load_report(weigh(made)))
    assert "  and 1 more, see --json" in lines


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
    """On paper (test_load): 2 met of 6 sendings of 4 overs, expected 44/79 + 23/99 + 2/36 + 1/5 =
    1.04, with waiting 0.6 + 0.25 + 2/36 + 0.2 = 1.11."""
    assert (
        "6 sendings (an over on a repeater) of 4 overs: by the record 2 began in others' air, by "
        "the formula 1.0, with waiting 1.1. The record lies outside, above both"
    ) in words_of(PAPER)


def test_a_record_outside_of_the_models_and_between_them() -> None:
    """In `crowded` all 20 overs of SUPPLY fall into RESCUE's: 20 met, 11 expected (10 and 1).
    Where they key in its pauses none does. Eleven: between, as both models are the same there."""
    text = words_of(crowded())
    assert "40 sendings" not in text  # 20 of SUPPLY, and 20 of RESCUE at ridge and at lake
    assert "60 sendings (an over on a repeater) of 40 overs: by the record 20 began" in text
    assert "by the formula 11.0, with waiting 11.0. The record lies outside, above both" in text

    def later(count: int) -> Day:
        moved = [o for o in crowded().overs if o.group == "SUPPLY"][:count]
        overs = [
            replace(o, began_ms=o.began_ms + 90_000, ended_ms=o.ended_ms + 90_000)
            if o in moved
            else o
            for o in crowded().overs
        ]
        return replace(crowded(), overs=tuple(sorted(overs, key=lambda o: o.began_ms)))

    assert "lies outside, below both: people wait for each other" in words_of(later(20))
    between = load_report(weigh(later(9))).fit
    assert between.met == 11
    assert "fits" not in text


def test_the_words_of_a_record_between_the_models() -> None:
    fit = load_report(weigh(PAPER)).fit
    report = load_report(weigh(PAPER))
    for met, words in (
        (1, "between the two models."), (2, "above both"), (0, "below both"),
    ):  # fmt: skip
        told = report.model_copy(
            update={"fit": fit.model_copy(update={"met": met, "busy": 1.0, "sendings": 1567})}
        )
        text = " ".join(" ".join(load_lines(told)).split())
        assert words in text
        assert "1,567 sendings" in text


def test_a_silent_day_in_words() -> None:
    text = "\n".join(load_lines(load_report(weigh(day())), by_hour=True))
    assert "no over to a group" in text
    assert "Nothing would spare others a busy over" in text
