"""When a line to paste is given, and when not: a bar must never cut off somebody who was heard.

Sources: arithmetic written out beside each number.
"""

import json
from dataclasses import replace
from typing import Any

import pytest

from streamer.journal.frames import NOT_ENDED
from streamer.lab.day import CarriedSpan, Day, Hearing
from streamer.lab.load import load_report
from streamer.lab.load_advice import LEAST_S, Advice, advice_of
from streamer.lab.load_ruled import ruled_spans
from streamer.lab.load_weigh import weigh
from streamer.state.entries import Entry
from tests.lab.test_load import HOUR_S, LAKE, MILL, RIDGE, at, day, over, region


def crowded(*also: str, **groups: dict[str, Any]) -> Day:
    """RESCUE talks on ridge for half of the hour and is sent on to lake, where nobody of it is;
    SUPPLY keys there 20 times for 9 s, 180 s in all: 0.05. `also` hear SUPPLY as well."""
    long = [over("QA1AA", "RESCUE", s, s + 90, RIDGE) for s in range(0, 3600, 180)]
    short = [over("QA2AA", "SUPPLY", s, s + 9, LAKE, *also) for s in range(5, 3600, 180)]
    return day(
        *long, *short, carried=[("RESCUE", LAKE, 0, HOUR_S)], view=region(**groups)
    )  # fmt: skip


def with_over(made: Day, *more: Any) -> Day:
    return replace(made, overs=tuple(sorted((*made.overs, *more), key=lambda o: o.began_ms)))


def advice(made: Day, least_s: float = HOUR_S) -> dict[str, Advice]:
    """By group; all of it is of lake."""
    found = advice_of(weigh(made), least_s)
    assert {one.repeater for one in found} <= {LAKE}
    return {one.group: one for one in found}


def test_a_line_where_nobody_was_heard() -> None:
    """SUPPLY's 20 overs find lake busy with RESCUE by 1/2: 10, all of which a bar of RESCUE spares
    them. Of 1800 + 180 s of air-time there 1800 are RESCUE's. SUPPLY, whose member keyed there,
    spares RESCUE 20 * 0.05 = 1: a finding, without a line, and after the other."""
    first, second = advice_of(weigh(crowded()), HOUR_S)
    assert (first.group, first.repeater, first.members) == ("RESCUE", LAKE, 0)
    assert (first.others_overs, first.instead) == (20, None)
    assert first.others_busy == pytest.approx(10)
    assert first.others_busy_after == 0
    assert first.air_share == pytest.approx(1800 / 1980)
    assert first.lines == ('bars = ["lake/uhf"]',)
    assert (second.group, second.repeater, second.members) == ("SUPPLY", LAKE, 1)
    assert second.others_busy == pytest.approx(1)
    assert (second.others_busy_after, second.lines) == (0, ())


@pytest.mark.parametrize(
    ("group", "repeaters"),
    [("RESCUE", (LAKE,)), ("RESCUE", (RIDGE, LAKE)), ("SHORE", (LAKE,)), ("", (LAKE,))],
)
def test_no_line_where_one_member_was_heard_once(group: str, repeaters: tuple[str, ...]) -> None:
    """However short, as the best or not, to whomever it spoke: it keyed to RESCUE, and lake heard
    it."""
    heard = over("QA1AA", group, 3590, 3591, *repeaters)
    found = advice(with_over(crowded(), heard))["RESCUE"]
    assert (found.members, found.lines) == (1, ())


def test_no_line_from_a_short_record() -> None:
    """Six hours unless asked for less; exactly so much will do."""
    assert LEAST_S == 6 * HOUR_S
    assert advice_of(weigh(crowded()))[0].lines == ()
    assert advice(crowded(), HOUR_S)["RESCUE"].lines
    found = advice(crowded(), HOUR_S + 1)["RESCUE"]
    assert (found.members, found.lines, found.counted_s) == (0, (), HOUR_S)


def test_no_line_from_a_record_that_could_not_be_read_whole() -> None:
    """A note that a last part has no end is none of these."""
    scales = weigh(crowded())
    for notes, given in (((), True), ((f"x.zst: {NOT_ENDED}",), True), (("y.zst: torn",), False)):
        found = load_report(scales, notes=notes, least_s=HOUR_S).advice[0]
        assert (found.group, found.whole, bool(found.lines)) == ("RESCUE", given, given)


def test_dark_time_does_not_count_as_record() -> None:
    """Ten minutes in which lake could have heard nobody are not among the hour."""
    made = replace(crowded(), end_ms=at(HOUR_S + 600))
    assert advice(made, HOUR_S + 600)["RESCUE"].lines
    dark = replace(made, dark={LAKE: ((at(HOUR_S), at(HOUR_S + 600)),)})
    assert advice(dark, HOUR_S + 600)["RESCUE"].lines == ()
    assert advice(dark, HOUR_S)["RESCUE"].lines


def test_a_pin_is_never_struck() -> None:
    """Pinned there by the file: not told at all, the pin stays. Pinned elsewhere: the line says
    nothing of pins. Other bars stay, and the file takes the line."""
    assert "RESCUE" not in advice(crowded(RESCUE={"pins": [LAKE, RIDGE]}))
    found = advice(crowded(RESCUE={"pins": [RIDGE], "bars": [MILL]}))["RESCUE"]
    assert found.lines == ('bars = ["mill/uhf", "lake/uhf"]',)
    changed = region(RESCUE={"pins": ["ridge/uhf"], "bars": ["mill/uhf", "lake/uhf"]})
    assert changed.groups["RESCUE"].bars == (MILL, LAKE)


def test_a_pin_that_was_ordered_counts_as_one() -> None:
    """For five minutes of a longer record; one of another repeater or group does not matter."""

    def ordered(subject: str, act: str = "pin", **groups: Any) -> Day:
        order = Entry.model_validate_json(
            json.dumps(
                {"at": "2027-01-15T08:10:00Z", "by": "QK0OPS", "act": act,
                 "subject": subject, "details": {"until": "2027-01-15T08:15:00Z"}}
            )
        )  # fmt: skip
        return replace(crowded(**groups), acts=(order,), begin_ms=at(600), end_ms=at(800))

    assert "RESCUE" not in advice(ordered("RESCUE lake/uhf"), 60)
    assert advice(ordered("RESCUE mill/uhf"), 60)["RESCUE"].lines
    assert advice(ordered("SHORE lake/uhf"), 60)["RESCUE"].lines
    # A bar that was ordered for all of the record does not undo the pin of the file.
    assert advice(ordered("RESCUE lake/uhf", "bar"), 60)["RESCUE"].lines
    table = {"pins": [LAKE]}
    assert "RESCUE" not in advice(ordered("RESCUE lake/uhf", "bar", RESCUE=table), 60)


def test_a_pinned_group_that_the_rules_speak_for() -> None:
    """No gateway says what it carries: a pin alone puts RESCUE on lake's air, and is kept."""
    made = replace(crowded(RESCUE={"pins": [LAKE]}), carried=())
    scales = weigh(made, ruled_spans(made))
    assert scales.repeaters[LAKE].groups["RESCUE"].sent_on == 20
    assert "RESCUE" not in {one.group for one in advice_of(scales, 1)}


def test_a_group_that_is_barred_already_is_not_told_again() -> None:
    assert "RESCUE" not in advice(crowded(RESCUE={"bars": [LAKE]}))


def test_another_repeater_that_hears_them_as_well() -> None:
    """mill, where else nothing is on the air, heard all of SUPPLY's overs. Not where SUPPLY is
    barred: there its members would hear nothing of it."""
    found = advice(crowded(MILL))["SUPPLY"]
    assert (found.instead, found.instead_share, found.lines) == (MILL, 1.0, ())
    assert advice(crowded(MILL, SUPPLY={"bars": [MILL]}))["SUPPLY"].instead is None


def test_a_repeater_that_heard_less_than_half_of_them_will_not_do() -> None:
    """Of 20 overs mill heard 9, then 10."""
    for count, instead in ((9, None), (10, MILL)):
        made = crowded()
        some = {o.over for o in made.overs if o.group == "SUPPLY"}
        also = set(sorted(some)[:count])
        overs = tuple(
            replace(o, heard=(*o.heard, Hearing(MILL, None, None))) if o.over in also else o
            for o in made.overs
        )
        assert advice(replace(made, overs=overs))["SUPPLY"].instead == instead


def test_lines_stand_first() -> None:
    """RESCUE, 0.5 of the hour, is sent on to lake, where a station of it keys 1 s; SHORE, sent on
    for 0.25, has none. SUPPLY's 20 overs at lake are spared most without RESCUE, but that would
    cut somebody off: SHORE first, though it spares less."""
    shore = [over("QA3AA", "SHORE", s, s + 45, RIDGE) for s in range(90, 3600, 180)]
    made = with_over(crowded(), over("QA1AB", "RESCUE", 3000, 3001, LAKE), *shore)
    carried = (*made.carried, CarriedSpan("SHORE", LAKE, at(0), at(HOUR_S)))
    first, second = advice_of(weigh(replace(made, carried=carried)), HOUR_S)[:2]
    assert (first.group, first.repeater, first.members) == ("SHORE", LAKE, 0)
    assert (second.group, second.repeater, second.members) == ("RESCUE", LAKE, 1)
    assert (bool(first.lines), bool(second.lines)) == (True, False)
    spared = [a.others_busy - a.others_busy_after for a in (first, second)]
    assert spared[0] < spared[1]


def test_there_is_nothing_to_tell_where_nothing_is_to_be_gained() -> None:
    """SUPPLY once for 90 s in RESCUE's quarter of an hour: 1/4 of an over, and 0.025."""
    made = day(
        over("QA1AA", "RESCUE", 0, 900, RIDGE), over("QA2AA", "SUPPLY", 600, 690, LAKE),
        carried=[("RESCUE", LAKE, 0, HOUR_S)],
    )  # fmt: skip
    assert advice(made) == {}
