"""What somebody should look at first: the worst, and what is still open."""

import re
from typing import Any

import pytest

from streamer.contract.published import AlertState, Severity, Standing
from streamer.report import facts
from streamer.report.facts_reach import OutOfReachRow
from streamer.report.glance import ALL_QUIET, points
from streamer.report.layout import Making
from streamer.report.words import Times, hms, zone_named
from tests.report.page_example import NO_COVERAGE, at, example

FULL = example()
QUIET: dict[str, Any] = {
    "check_ins": (), "out_of_reach": (), "alerts": (), "availability": (), "groups": (),
    "refused": (),
    "quarantined": (), "events_lost": (), "coverage": NO_COVERAGE,
    "accountability": facts.Accountability(
        counts=(), not_heard=(), heard_not_checked_in=(), not_on_roster=()
    ),
    "record": FULL.record.model_copy(update={"unknown_s": 0, "gaps": ()}),
    "alert_sums": FULL.alert_sums.model_copy(update={"longest_acknowledge_s": None}),
}  # fmt: skip


def told(**changes: Any) -> list[str]:
    report = example(keyed=1, **{**QUIET, **changes})
    times = Times.of(report.record, zone_named("UTC"))
    return [f"{point.text} {point.detail}" for point in points(Making(report, times))]


def test_where_nothing_stands_out_that_is_no_proof() -> None:
    assert told() == [f"{ALL_QUIET.text} {ALL_QUIET.detail}"]
    assert "no proof" in ALL_QUIET.detail


def test_people_come_first_then_alerts_then_the_network_then_the_record() -> None:
    times = Times.of(FULL.record, zone_named("UTC"))
    first = [point.text for point in points(Making(FULL, times))]
    assert first == [
        "Out of reach at the end: QB0AB (CREW, Supply), silent for 51 min, since 13:09:00, not "
        "heard again until the end of the report.",
        "Out of reach for a time: QC0AC, Bo Quist (NET, Supply), silent for 20 min, 09:35:00 to "
        "09:55:00, then heard again.",
        "At the end overdue: 1 station: QC0AC.",
        "At the end blind: 1 station: QD0AD.",
        "On the roster and never heard: 1 station: QZ9ZZ.",
        "On the roster, heard, but not checked in: 1 station: QA0AA.",
        "Checked in but not on the roster: 5 stations: QN0AG, QO0AA, QP0AB, QQ0AC, QR0AD.",
        "Alerts that stood at the end, taken in hand, not over: 1.",
        "Alerts that cleared with nobody having taken them in hand: 1.",
        "2 of 4 alerts were taken in hand: median after 3 min 15 s, longest after 4 min 50 s.",
        "Not reporting at the end: 1 gateway or repeater: weir/uhf.",
        # On paper: of 348 known minutes 48 dark, 100 * 300 / 348 = 86.21.
        "Worst of those that came back: tarn, reporting 86.21 % of the recorded time.",
        "Wanted but not carried, longest: NET on mole/vhf, 4 min.",
        # 12 of 360 minutes.
        "No record of 12 min (3.33 % of the time), in 1 gap.",
        "5 events of gateways never came into the record.",
        "19 pieces of input were not accepted.",
        "Kept apart: 1 identity: Q1QQ.",
    ]


def test_a_duty_that_runs_on_comes_before_all() -> None:
    duty = FULL.duty.model_copy(update={"ended_at": None})
    assert told(duty=duty) == [
        "The duty had not ended at the end of the record. This report goes to 2026-03-14 14:00:00 "
        "UTC and no further."
    ]


@pytest.mark.parametrize(
    ("standing", "words"),
    [
        (Standing.BLIND, "nothing can be said of them"),
        (Standing.OVERDUE, "Silent for longer than is usual"),
    ],
)
def test_no_standing_is_told_without_its_caution(standing: Standing, words: str) -> None:
    rows = tuple(
        row.model_copy(update={"standing": standing, "station": f"QA{n:02}"})
        for n, row in enumerate(FULL.check_ins[:15])
    )
    (only,) = told(check_ins=rows)
    assert words in only
    assert only.startswith(f"At the end {standing.value.replace('_', ' ')}: 15 stations: QA00, ")
    assert "QA11 and 3 more." in only


def unreached(count: int) -> tuple[OutOfReachRow, ...]:
    return tuple(
        FULL.out_of_reach[1].model_copy(update={"station": f"QA{n:02}"}) for n in range(count)
    )


def test_everybody_who_was_out_of_reach_is_named_with_how_long_and_in_whose_hand() -> None:
    first, second = told(out_of_reach=FULL.out_of_reach)
    assert first.endswith("Nobody took it in hand (1 alert). This is no sign of danger by itself.")
    assert "Taken in hand 09:52:00 by net control. This is no sign of danger" in second
    nothing = FULL.out_of_reach[0].model_copy(
        update={"alerts": 0, "last_heard_at": None, "silence_s": None}
    )
    (only,) = told(out_of_reach=(nothing,))
    assert "when last heard before 13:40:00 is not in the record; not heard again." in only
    assert "No alert of its own is in the record, and nobody took it in hand." in only
    left = FULL.out_of_reach[0].model_copy(update={"standing": Standing.EXPIRED})
    (only,) = told(out_of_reach=(left,))
    assert only.startswith("Out of reach for a time: ")
    assert "not heard again until the end of the report (expired by then)." in only


@pytest.mark.parametrize("count", [12, 13, 300])
def test_nobody_out_of_reach_is_hidden_behind_a_number(count: int) -> None:
    found = told(out_of_reach=unreached(count))
    assert len(found) == min(count, 12) + (count > 12)
    for n in range(count):
        assert sum(f"QA{n:02}" in set(re.split(r"[ ,.]+", one)) for one in found) == 1
    assert " more" not in " ".join(found)


@pytest.mark.parametrize(
    ("waits_s", "words"),
    [
        ([], None),
        ([34.97], "1 of 3 alerts was taken in hand, after 34 s."),
        ([34.97, 80], "2 of 3 alerts were taken in hand: median after 57 s, longest after 1 min "
                      "20 s."),
    ],
)  # fmt: skip
def test_how_soon_alerts_were_taken_in_hand(waits_s: list[float], words: str | None) -> None:
    """On paper: the median of 34.97 and 80 s is 57.485 s. Of one there is no median to tell. The
    same length is the same number of seconds in the table."""
    waits = [*waits_s, None, None, None][:3]
    alerts = tuple(
        FULL.alerts[2].model_copy(update={"acknowledge_s": s, "acknowledged_at": s and at(50)})
        for s in waits
    )
    sums = FULL.alert_sums.model_copy(
        update={
            "median_acknowledge_s": sum(waits_s) / len(waits_s) if waits_s else None,
            "longest_acknowledge_s": max(waits_s, default=None),
        }
    )
    found = [one for one in told(alerts=alerts, alert_sums=sums) if "alerts was" in one
             or "alerts were" in one]  # fmt: skip
    assert found == ([] if words is None else [f"{words} Counted from the first opening."])
    assert hms(34.97) == "0:00:34"


def test_not_heard_is_not_missing() -> None:
    numbers = QUIET["accountability"].model_copy(update={"not_heard": ("QZ9ZZ",)})
    (only,) = told(accountability=numbers)
    assert "Not heard does not mean missing" in only


def test_without_a_roster_nobody_is_missing_from_it() -> None:
    numbers = QUIET["accountability"].model_copy(update={"not_on_roster": ("QZ9ZZ",)})
    duty = FULL.duty.model_copy(update={"roster": ()})
    assert told(accountability=numbers, duty=duty)[0].startswith(ALL_QUIET.text)


def test_open_alerts_are_named_worst_first() -> None:
    base = FULL.alerts[2].model_copy(update={"state": AlertState.OPEN, "cleared_at": None})
    rows = tuple(
        base.model_copy(update={"title": title, "severity": severity, "opened_at": at(n)})
        for n, (title, severity) in enumerate(
            [("a", Severity.NOTICE), ("b", Severity.WARNING), ("c", Severity.CRITICAL),
             ("d", Severity.CRITICAL)]
        )
    )  # fmt: skip
    assert told(alerts=rows) == [
        "Alerts that stood at the end, in nobody's hand: 4. c; d; b; and 1 more"
    ]
