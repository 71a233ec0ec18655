"""The lines of a ranking. All figures are set by hand; how they are to be rounded and which lines
are to be one was asked for by people who read such lists: common practice, no source."""

from typing import Any

import pytest

from streamer.lab.whatif import Failure, Loss, Missed, Rest, Tally
from streamer.lab.whatif_rank import Ranked, shown_min, shown_overs
from streamer.lab.whatif_report import FailureOutcome, Station, Sum
from streamer.lab.whatif_rows import (
    minutes_between,
    minutes_text,
    overs_text,
    place_of,
    rests_most_on,
    rows_of,
    without_second_way,
)
from streamer.lab.whatif_text import MOST_NAMED, _fitting, _next, _whole
from streamer.reading.text import WIDTH


def sums(lost: float = 0, **rests: float) -> Sum:
    told = {rest: rests.get(rest.value, 0.0) for rest in Rest}
    return Sum(
        touched=sum(told.values()), lost=lost, low=lost / 2, high=lost * 2,
        unknown=told[Rest.UNKNOWN], rests_on=told,
    )  # fmt: skip


def station(name: str, **more: Any) -> Station:
    told = {
        "overs": 3, "overs_elsewhere": 0, "overs_lost": 1, "overs_unknown": 0, "member_min": 5,
        "member_min_lost": 2, "member_min_unknown": 0,
    }  # fmt: skip
    return Station(station=name, **{**told, **more})


def outcome(name: str, *gone: str, minutes: float = 4, **more: Any) -> FailureOutcome:
    cut = name.endswith("cut")
    there = sums(minutes, physics=3, unknown=1)
    told: dict[str, Any] = {
        "overs": sums(2, physics=3), "missed": 7.0, "stations": (),
        "out_of_reach_min": sums() if cut else there, "blind_min": there if cut else sums(),
    }  # fmt: skip
    return FailureOutcome(
        failure=name, off=() if cut else gone, cut=gone if cut else (), missed_unknown=0,
        ranked_by_min=minutes, ranked_known_min=minutes, ranked_unknown_min=0, **{**told, **more},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("minutes", "text"),
    [(0, "0"), (0.04, "0"), (0.3, "0.3"), (3, "3.0"), (9.94, "9.9"), (9.97, "10"), (12.4, "12"),
     (1234.5, "1,234")],
)  # fmt: skip
def test_minutes_are_whole_from_ten_on(minutes: float, text: str) -> None:
    assert minutes_text(minutes) == text
    assert shown_min(minutes) == float(text.replace(",", ""))


@pytest.mark.parametrize(("overs", "text"), [(0.3, "0"), (3.2, "3"), (9.7, "10"), (1e4, "10,000")])
def test_overs_are_whole(overs: float, text: str) -> None:
    assert overs_text(overs) == text
    assert shown_overs(overs) == int(text.replace(",", ""))


def test_off_and_cut_that_read_alike_are_one_line() -> None:
    """4.02 and 4 both read 4.0; so do the ranges, 2.01 to 9.04 and 2 to 9."""
    rows = rows_of([outcome("hill cut", "hill/a", minutes=4.02), outcome("hill off", "hill/a")])
    assert [row.name for row in rows] == ["hill off or cut"]


@pytest.mark.parametrize("more", [{"missed": 6.0}, {"minutes": 3.5}])
def test_else_the_worse_one_has_the_line(more: dict[str, Any]) -> None:
    rows = rows_of([outcome("hill off", "hill/a"), outcome("hill cut", "hill/a", **more)])
    assert [row.name for row in rows] == ["hill off"]


def test_a_repeater_has_a_line_where_it_reads_otherwise() -> None:
    """a reads as the site does, b does not, nothing was on c; order as ranked."""
    both = ("hill/a", "hill/b", "hill/c")
    rows = rows_of([
        outcome("hill/a off", "hill/a"),
        outcome("hill cut", *both),
        outcome("hill off", *both),
        outcome("lake off", "lake/x", minutes=3),
        outcome("lake cut", "lake/x", minutes=2),
        outcome("hill/b off", "hill/b", minutes=1),
        outcome("hill/c off", "hill/c", minutes=0, overs=sums()),
    ])  # fmt: skip
    assert [row.name for row in rows] == ["hill off or cut", "lake off", "hill/b off"]


def test_what_a_line_says() -> None:
    """The range is 2 to 8 of what is known, and 1 minute more is unknown: 2 to 9."""
    (row,) = rows_of([outcome("hill off", "hill/a")])
    assert row.figures() == ("4.0", "2.0 to 9.0", "2", "7", "distance")
    assert minutes_between(row.outcome) == (2, 9)


def test_the_range_holds_the_minutes() -> None:
    """Whatever share of the unknown is taken: nothing known at all, all of it by elsewhere."""
    for share in (0.0, 0.5, 1.0):
        tally = Tally(30, 5, 1, 9, 10, {})
        none = Tally(0, 0, 0, 0, 0, {})
        loss = Loss(Failure("x"), tally, tally, none, Missed(0, 0), ())
        ranked = Ranked(loss, tally.likely(share))
        assert ranked.known_min == 5
        assert 1 <= ranked.minutes <= 9 + 10


@pytest.mark.parametrize(
    ("rests", "word"),
    [
        ({"day": 3, "physics": 1}, "day"),
        ({"learned": 2, "neighbours": 2, "physics": 3}, "cells"),
        ({"physics": 2, "day": 1}, "distance"),
        ({"unknown": 2, "day": 2}, "nothing"),
        ({}, "-"),
    ],
)
def test_what_a_line_rests_on(rests: dict[str, float], word: str) -> None:
    there = sums(1, **rests)
    one = outcome("hill off", "hill/a", out_of_reach_min=there, overs=sums())
    assert rests_most_on(one) == word


def test_without_members_it_rests_on_what_the_overs_do() -> None:
    one = outcome("hill off", "hill/a", out_of_reach_min=sums(), overs=sums(1, day=2))
    assert rests_most_on(one) == "day"


def test_who_needs_a_second_way() -> None:
    """Not who was heard elsewhere, nor who was there as no member, nor who loses next to nothing;
    but of whom nothing is known is in."""
    told = (
        station("QA1AA"),
        station("QB2BB", overs_elsewhere=1),
        station("QC3CC", member_min_lost=0, member_min_unknown=1),
        station("QD4DD", member_min_lost=0.04),
        station("QE5EE", member_min=0, member_min_lost=0),
    )
    one = outcome("hill off", "hill/a", stations=told)
    assert [s.station for s in without_second_way(one)] == ["QA1AA", "QC3CC"]
    assert _next(one) == ["  Next: give the members of hill/a a second way: QA1AA, QC3CC"]
    assert _next(outcome("hill off", "hill/a")) == []


def test_not_all_are_named() -> None:
    told = tuple(station(f"QA{n}AA") for n in range(MOST_NAMED + 2))
    text = " ".join(_next(outcome("hill off", "hill/a", "hill/b", stations=told)))
    assert "members of hill a second way" in text
    assert text.endswith("and 2 more")


def test_what_fails_by_name() -> None:
    assert place_of(outcome("x off", "hill/a")) == "hill/a"
    assert place_of(outcome("x off", "hill/a", "hill/b", "lake/a")) == "hill, lake"


def test_a_number_stays_with_its_unit() -> None:
    for pad in range(60, WIDTH):
        text = "\n".join(_whole("x" * pad + " 12 minutes and 30 % of it"))
        assert "12 minutes" in text
        assert "30 %" in text


def test_long_names_are_never_broken() -> None:
    heads = ["", "FAILURE", "MINUTES", "RANGE", "OVERS", "MISSED", "RESTS ON"]
    cut = {}
    for length in range(10, 60):
        name = "h" * length + "/uhf off"
        lines = _fitting(heads, [["1", name, "0.4", "10,000 to 20,000", "3", "20", "distance"]])
        assert name.split()[0] in lines[1].split()
        assert max(map(len, lines)) <= WIDTH
        cut[length] = lines[0].split()
    assert "OVERS" in cut[10]
    assert "RANGE" not in cut[59]
    assert "MINUTES" in cut[59]
