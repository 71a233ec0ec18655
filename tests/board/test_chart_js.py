"""The scripts of the charts that draw nothing, run in Node.

Sources: Python's statistics and datetime.
"""

import random
import statistics
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest

from tests.board.scripts import Call, call, running

pytestmark = pytest.mark.node


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Call]:
    with running(tmp_path_factory.mktemp("scripts")) as run:
        yield run


NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)


def ago(**span: float) -> str:
    return (NOW - timedelta(**span)).isoformat().replace("+00:00", "Z")


# -- axes ----------------------------------------------------------------------------------------


def test_ticks_are_round_and_hold_the_values(calls: Call) -> None:
    chance = random.Random(6)
    spans = [(chance.uniform(-120, 50), chance.uniform(0, 200)) for _ in range(60)]
    spans += [(0, 1), (0, 0), (-96.5, 0), (0, 1e6), (0, 0.004)]
    asked = [("chart-scale", "roundTicks", [low, low + span, 4]) for low, span in spans]
    for (low, span), ticks in zip(spans, calls(asked), strict=True):
        assert ticks[0] <= low + 1e-9
        assert ticks[-1] >= low + span - 1e-9
        assert 2 <= len(ticks) <= 6
        steps = {round(b - a, 9) for a, b in pairwise(ticks)}
        assert len(steps) == 1
        mantissa = f"{steps.pop():e}".split("e")[0].rstrip("0").rstrip(".")
        assert mantissa in {"1", "2", "5"}


def test_whole_things_have_whole_ticks(calls: Call) -> None:
    assert call(calls, "chart-scale", "roundTicks", 0, 1, 4, 1) == [0, 1]
    assert call(calls, "chart-scale", "roundTicks", 0, 2, 4, 1) == [0, 1, 2]


def ms(moment: datetime) -> float:
    return moment.timestamp() * 1000


def test_times_are_round_in_utc(calls: Call) -> None:
    start = datetime(2026, 3, 1, 7, 13, 20, tzinfo=UTC)
    for hours, minutes in ((24, 240), (2, 30), (0.5, 5), (6, 60)):
        end = start + timedelta(hours=hours)
        ticks = call(calls, "chart-scale", "timeTicks", ms(start), ms(end), 6)
        moments = [datetime.fromtimestamp(tick / 1000, UTC) for tick in ticks]
        assert 2 <= len(moments) <= 7
        assert all(start <= moment <= end for moment in moments)
        assert all(moment.second == 0 for moment in moments)
        steps = {b - a for a, b in pairwise(moments)}
        assert len(steps) == 1
        assert steps.pop() <= timedelta(minutes=minutes)
        texts = calls([("chart-scale", "clock", [tick]) for tick in ticks])
        assert texts == [moment.strftime("%H:%M") for moment in moments]


def test_gaps_stay_gaps(calls: Call) -> None:
    values = [1, 2, None, 3, None, None, 4, 5]
    points = [{"at": 300 * n, "value": value} for n, value in enumerate(values)]
    runs = call(calls, "chart-scale", "stretches", points, 300)
    assert [[p["value"] for p in run] for run in runs] == [[1, 2], [3], [4, 5]]
    sparse = [{"at": at, "value": 1} for at in (0, 300, 900)]
    assert len(call(calls, "chart-scale", "stretches", sparse, 300)) == 2


def hours_of(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The document's hours for these buckets, which begin on the hour."""
    return [
        {
            "start_at": part[0]["start_at"],
            "recorded_s": 3600.0,
            "erlangs": sum(row["air_s"] for row in part) / 3600,
        }
        for part in (rows[n : n + 12] for n in range(0, len(rows), 12))
    ]


def buckets(overs: list[int], levels: list[float | None]) -> dict[str, Any]:
    """A repeater's document with these in its newest buckets."""
    until = NOW
    start = until - timedelta(hours=24)
    rows: list[dict[str, Any]] = [
        {"start_at": (start + timedelta(seconds=300 * n)).isoformat(), "overs": 0, "air_s": 0.0,
         "rssi_dbm": None, "ber_pct": None}
        for n in range(288)
    ]  # fmt: skip
    for row, number, level in zip(rows[-len(overs) :], overs, levels, strict=True):
        spread = {"readings": 2, "mean": level, "min": (level or 0) - 4, "max": (level or 0) + 3}
        row.update(overs=number, air_s=number * 2.5, rssi_dbm=None if level is None else spread)
    return {
        "from_at": start.isoformat(), "until_at": until.isoformat(), "at": ago(seconds=20),
        "bucket_s": 300, "buckets": rows, "hours": hours_of(rows),
        "dark": [{"from_at": ago(hours=3), "until_at": ago(hours=2)},
                 {"from_at": ago(minutes=10), "until_at": None}],
    }  # fmt: skip


def test_a_repeaters_charts_say_in_words_what_they_show(calls: Call) -> None:
    levels = [-80.0, None, -81.0, -82.0, -83.0, -84.0, -90.0, -91.0, -92.0, -93.0, -94.0, -95.0]
    overs = [1, 0, 2, 3, 1, 1, 9, 1, 1, 1, 1, 2]
    charts = call(calls, "chart-series", "repeaterCharts", buckets(overs, levels))
    points = charts["overs"]["points"]
    assert len(points) == 288
    assert sum(p["value"] for p in points) == sum(overs)
    assert charts["overs"]["summary"] == (
        f"Overs: {sum(overs)} in all, at most 9 in 5 min (at 11:30 UTC). "
        "It could not hear for 70 min of them (hatched)."
    )
    assert charts["air"]["summary"].startswith(f"Air time: {sum(overs) * 2.5:.0f} s in all, ")
    known = [level for level in levels if level is not None]
    assert charts["signal"]["summary"] == (
        f"Signal between {min(known) - 4:.0f} and {max(known) + 3:.0f} dBm, falling in the last "
        "hour; last known at 11:55 UTC."
    )
    assert charts["errors"]["summary"] == (
        "Error rate: no reading from 12:00 to 12:00 UTC."  # the same time of two days
    )
    dark = [(d["to"] - d["from"]) / 60_000 for d in charts["overs"]["dark"]]
    assert dark == pytest.approx([60, 10 - 20 / 60])
    hour = call(calls, "chart-series", "repeaterCharts", buckets(overs, levels), 1)
    assert len(hour["overs"]["points"]) == 12
    assert hour["overs"]["summary"] == (
        f"Overs: {sum(overs)} in all, at most 9 in 5 min (at 11:30 UTC). "
        "It could not hear for 10 min of them (hatched)."
    )
    assert hour["errors"]["summary"] == "Error rate: no reading from 11:00 to 12:00 UTC."
    busy = call(calls, "chart-series", "busyBuckets", buckets(overs, levels))
    assert [row["overs"] for row in busy] == [n for n in reversed(overs) if n]


def load_of(hours: list[tuple[float, float | None]], until: datetime = NOW) -> dict[str, Any]:
    """A document whose newest hours are (recorded s, erlangs); the day ends at `until`."""
    whole = NOW.replace(minute=0)
    rows = [
        {"start_at": (whole - timedelta(hours=n)).isoformat(), "recorded_s": s, "erlangs": e}
        for n, (s, e) in zip(range(len(hours), 0, -1), hours, strict=True)
    ]
    return {
        "from_at": (until - timedelta(hours=24)).isoformat(), "until_at": until.isoformat(),
        "at": until.isoformat(), "bucket_s": 300, "buckets": [], "dark": [], "hours": rows,
    }  # fmt: skip


def test_the_load_by_the_hour_in_words(calls: Call) -> None:
    """On paper: 900 s of nothing, 0.2 for a whole hour and 0.4 for 20 min are 720 + 480 = 1200 s of
    900 + 3600 + 1200: 0.21. The 20 min are too few to be called the hour with most."""
    document = load_of([(900, 0.0), (3600, 0.2), (1200, 0.4)])
    chart = call(calls, "chart-series", "repeaterCharts", document)["load"]
    assert chart["summary"] == (
        "Load: 0.21 erlangs in the mean of 1 h 35 min, most from 10:00 UTC: 0.2."
    )
    assert [p["value"] for p in chart["points"]] == [0, 0.2, 0.4]
    assert (chart["step_ms"], chart["kind"]) == (3_600_000, "amount")
    short = call(calls, "chart-series", "repeaterCharts", load_of([(600, 0.5)]))["load"]
    assert short["summary"] == "Load: 0.5 erlangs in the mean of 10 min."
    few = call(calls, "chart-series", "repeaterCharts", load_of([(3600, 0.004)]))["load"]
    assert few["summary"] == "Load: less than 0.01 erlangs in the mean of 1 h."
    silent = call(calls, "chart-series", "repeaterCharts", load_of([(0, None), (3600, 0.0)]))[
        "load"
    ]
    assert silent["summary"] == (
        "Load: nothing was heard in 1 h. Before 11:00 UTC not recorded (hatched)."
    )
    assert [p["value"] for p in silent["points"]] == [None, 0]


def test_hours_that_were_not_recorded_are_not_empty_ones(calls: Call) -> None:
    """A record of a minute: 0.587 erlangs of 60 s stay 0.587, however long the day."""
    document = load_of([(0, None), (0, None), (60, 0.587)])
    chart = call(calls, "chart-series", "repeaterCharts", document)["load"]
    assert chart["summary"] == (
        "Load: 0.59 erlangs in the mean of 1 min. Before 11:00 UTC not recorded (hatched)."
    )
    assert chart["dark"] == [
        {"from": ms(NOW - timedelta(hours=3)), "to": ms(NOW - timedelta(hours=1))}
    ]
    none = call(calls, "chart-series", "repeaterCharts", load_of([(0, None)]))["load"]
    assert none["summary"] == "Load: not recorded."
    assert none["dark"] == [{"from": ms(NOW - timedelta(hours=1)), "to": ms(NOW)}]
    whole = call(calls, "chart-series", "repeaterCharts", load_of([(3600, 0.1)]))["load"]
    assert whole["dark"] == []


def test_the_load_is_of_whole_hours_of_the_clock(calls: Call) -> None:
    """At 11:40 the last hour touches two of them; the axis holds both."""
    until = NOW - timedelta(minutes=20)
    document = load_of([(3600, 0.1), (3600, 0.2), (2400, 0.3)], until)
    chart = call(calls, "chart-series", "repeaterCharts", document, 1)["load"]
    assert [p["value"] for p in chart["points"]] == [0.2, 0.3]
    assert (chart["from"], chart["to"]) == (ms(NOW - timedelta(hours=2)), ms(NOW))


def test_single_readings_of_a_station(calls: Call) -> None:
    path = [
        {"started_at": ago(minutes=n), "rssi_dbm": level, "ber_pct": None}
        for n, level in ((1, -90.25), (15, None), (30, -101.5))
    ]
    charts = call(calls, "chart-series", "overCharts", {"path": path, "at": ago()})
    points = charts["signal"]["points"]
    assert [p["value"] for p in points] == [-101.5, None, -90.25]
    assert charts["signal"]["from"] == ms(NOW - timedelta(minutes=30))
    assert (
        charts["signal"]["summary"] == "Signal between -102 and -90 dBm; last known at 11:59 UTC."
    )
    assert charts["errors"]["summary"] == "Error rate: no reading from 11:30 to 12:00 UTC."


@pytest.mark.parametrize(
    ("value", "text"),
    [(-96.2, "-96"), (0.0031, "0"), (0.35, "0.35"), (3.25, "3.3"), (41.7, "42"), (0, "0")],
)
def test_figures_have_a_sensible_number_of_digits(calls: Call, value: float, text: str) -> None:
    assert call(calls, "chart-words", "figure", value) == text
    assert call(calls, "chart-words", "figure", value, "%") == f"{text} %"


def test_the_direction_of_the_last_hour(calls: Call) -> None:
    """Held against the means of the two halves by Python's statistics."""
    chance = random.Random(7)
    said = set()
    for _ in range(40):
        slope = chance.choice([-10, -2, 0, 2, 10])
        values = [
            None if chance.random() < 0.2 else -90 + slope * n / 12 + chance.uniform(-1, 1)
            for n in range(12)
        ]
        points = [
            {"at": ms(NOW - timedelta(minutes=55 - 5 * n)), "value": value}
            for n, value in enumerate(values)
        ]
        # The halves meet half an hour ago; what was heard just then is of the older one.
        older = [v for v in values[:6] if v is not None]
        newer = [v for v in values[6:] if v is not None]
        found = call(calls, "chart-words", "direction", points, ms(NOW), 3)
        change = statistics.mean(newer) - statistics.mean(older)
        expected = "steady" if abs(change) < 3 else "rising" if change > 0 else "falling"
        assert found == expected
        said.add(found)
    assert said == {"steady", "rising", "falling"}
    lone = [{"at": ms(NOW), "value": -90}]
    assert call(calls, "chart-words", "direction", lone, ms(NOW), 3) is None


def stay(repeater: str, from_m: float, last_m: float, until_m: float | None) -> dict[str, Any]:
    return {
        "repeater": repeater, "from_at": ago(minutes=from_m), "last_over_at": ago(minutes=last_m),
        "until_at": None if until_m is None else ago(minutes=until_m), "overs": 1,
    }  # fmt: skip


def test_a_path_is_a_strip_with_a_row_for_each_repeater(calls: Call) -> None:
    stays = [
        stay("ridge/uhf", 5, 1, None), stay("lake/uhf", 20, 12, 5), stay("ridge/uhf", 40, 30, 20),
    ]  # fmt: skip
    strip = call(calls, "chart-series", "pathStrip", {"stays": stays, "at": ago()})
    assert strip["rows"] == ["ridge/uhf", "lake/uhf"]
    assert [one["row"] for one in strip["stays"]] == [0, 1, 0]
    assert strip["from"] == ms(NOW - timedelta(minutes=40))
    assert strip["stays"][0]["to"] == ms(NOW)
    for one in strip["stays"]:
        assert strip["from"] <= one["from"] <= one["known"] <= one["to"] <= strip["to"]
    assert strip["summary"] == (
        "3 stays at 2 repeaters, now taken to be at ridge/uhf; ridge/uhf, then lake/uhf, "
        "then ridge/uhf."
    )
    empty = call(calls, "chart-series", "pathStrip", {"stays": [], "at": ago()})
    assert empty["summary"] == "No stay is kept."
    assert empty["from"] < empty["to"]
