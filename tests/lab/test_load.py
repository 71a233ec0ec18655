"""The load of a day that is worked out on paper, and of invented days whose truth is known.

Sources: arithmetic written out beside each number; chance with a seed.
"""

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.clock import from_ms
from streamer.config import Region, RegionView
from streamer.lab.day import CarriedSpan, Day, Hearing, RecordedOver
from streamer.lab.load import LoadReport, load_report
from streamer.lab.load_air import HEARD, air_of, source_of, spans_of
from streamer.lab.load_ruled import ruled_spans
from streamer.lab.load_weigh import Weighed, weigh
from streamer.reading.common import NotFound
from streamer.state.entries import Entry

T0_MS = 1_800_000_000_000
"""2027-01-15 08:00 UTC, the begin of an hour."""
RIDGE, LAKE, MILL = "ridge/uhf", "lake/uhf", "mill/uhf"
HOUR_S = 3600


def at(seconds: float) -> int:
    return T0_MS + round(seconds * 1000)


def region(**groups: dict[str, Any]) -> RegionView:
    groups = {"RESCUE": {}, "SUPPLY": {}, "SHORE": {}} | groups
    return RegionView(
        Region.model_validate(
            {
                "region": "paper",
                "extra_prefixes": ["Q"],
                "gateway": [
                    {"id": name.split("/")[0], "repeater": [{"id": "uhf"}]}
                    for name in (RIDGE, LAKE, MILL)
                ],
                "group": [{"name": name, **table} for name, table in groups.items()],
            }
        )
    )


def over(
    station: str, group: str, began_s: float, ended_s: float, *heard: str, to: str | None = None
) -> RecordedOver:
    """Heard by the repeaters named; the first is the station's place."""
    return RecordedOver(
        f"{station}-{began_s:g}", station, to or group or None, group, at(began_s), at(ended_s),
        at(began_s), heard[0], tuple(Hearing(name, None, None) for name in heard), "", "", None,
    )  # fmt: skip


def day(
    *overs: RecordedOver,
    carried: Sequence[tuple[str, str, float, float]] = (),
    hours: float = 1,
    view: RegionView | None = None,
    dark: dict[str, tuple[tuple[int, int], ...]] | None = None,
) -> Day:
    spans = tuple(CarriedSpan(g, r, at(a), at(b)) for g, r, a, b in carried)
    ordered = tuple(sorted(overs, key=lambda o: (o.began_ms, o.station)))
    return Day(view or region(), T0_MS, at(hours * HOUR_S), ordered, spans, dark or {}, ())


PAPER = day(
    over("QA1AA", "RESCUE", 0, 360, RIDGE),  # sent on to lake
    over("QA1AB", "RESCUE", 600, 960, RIDGE, LAKE),  # lake hears it itself
    over("QA2AA", "SUPPLY", 300, 1200, LAKE),
    over("QA3AA", "", 1000, 1180, LAKE, to="QA4AA"),
    over("QA2AB", "SUPPLY", 3500, 3700, RIDGE),
    carried=[("RESCUE", LAKE, 0, 3600)],
    hours=2,
)
"""On the air of lake in the first hour, in seconds:

    RESCUE   0- 360  (sent on)      SUPPLY  300-1200
    RESCUE 600- 960  (heard)        QA3AA  1000-1180, to no group

so 720 + 900 + 180 = 1800 s: 0.5 erlang, 360 s of it sent on. Of ridge: RESCUE 360 + 360 s and
SUPPLY from 3500 to 3600, together 820 s; in the second hour SUPPLY from 3600 to 3700.
"""


def report(one: Day = PAPER, **more: int) -> LoadReport:
    return load_report(weigh(one), more)


def there(found: LoadReport, group: str, repeater: str) -> Any:
    (row,) = [g for g in found.groups if (g.group, g.repeater) == (group, repeater)]
    return row


def test_the_load_of_each_hour() -> None:
    loads = {one.repeater: one for one in report().repeaters}
    assert set(loads) == {RIDGE, LAKE, MILL}
    lake, ridge = loads[LAKE], loads[RIDGE]
    first, second = lake.hours
    assert (first.overs, first.heard_s, first.sent_on_s) == (4, 360 + 900 + 180, 360)
    assert first.erlangs == pytest.approx(1800 / 3600)
    assert (second.overs, second.erlangs) == (0, 0)
    assert lake.erlangs == pytest.approx(1800 / 7200)
    assert lake.heard_erlangs == pytest.approx(1440 / 7200)
    assert lake.busy_hour == first
    # One or more on the air: 0-360, 300-1200, 600-960, 1000-1180 are 0-1200 together.
    assert (first.on_air_s, second.on_air_s) == (1200, 0)
    assert first.on_air_share == pytest.approx(1200 / 3600)
    assert lake.on_air_share == pytest.approx(1200 / 7200)
    assert [h.erlangs for h in ridge.hours] == pytest.approx([820 / 3600, 100 / 3600])
    assert [h.overs for h in ridge.hours] == [3, 0]  # an over counts where it began
    assert first.start_at == from_ms(T0_MS)
    assert loads[MILL].overs == loads[MILL].erlangs == 0


def test_how_often_a_group_finds_others_on_the_air() -> None:
    """With sources y each begins at the rate y / (1 - y) while idle, and one channel is busy with
    x / (1 + x), x their sum.

    RESCUE on lake, 2 overs: SUPPLY 900 s = 1/4 and QA3AA 180 s = 1/20 give x = 1/3 + 1/19 = 22/57,
    busy 22/79, at most 1/4 + 1/20 = 0.3. SUPPLY on lake, 1 over: RESCUE 720 s = 1/5 and QA3AA: x =
    1/4 + 1/19 = 23/76, busy 23/99, at most 0.25.
    RESCUE on ridge, 2 overs: SUPPLY 100 s, alone, as long as it is: 1/36. SUPPLY on ridge, 1 over:
    RESCUE 1/5.
    """
    found = report()
    rescue, supply = there(found, "RESCUE", LAKE), there(found, "SUPPLY", LAKE)
    assert (rescue.heard, rescue.sent_on, rescue.members) == (1, 1, 0)
    assert rescue.busy == pytest.approx(2 * 22 / 79)
    assert rescue.busy_waiting == pytest.approx(2 * 0.3)
    assert rescue.models == ("Engset",)
    assert (supply.heard, supply.sent_on, supply.members) == (1, 0, 1)
    assert supply.busy == pytest.approx(23 / 99)
    assert supply.busy_waiting == pytest.approx(0.25)
    assert there(found, "RESCUE", RIDGE).busy == pytest.approx(2 / 36)
    assert there(found, "SUPPLY", RIDGE).busy == pytest.approx(1 / 5)
    assert there(found, "RESCUE", RIDGE).members == 2


def test_what_was_measured() -> None:
    """SUPPLY begins at 300 while RESCUE is sent on until 360: both for 60 s. RESCUE begins at 600,
    SUPPLY is on the air until 1200: both for 360 s. QA3AA at 1000 is no group. On ridge nothing
    meets. RESCUE was sent twice on each of lake and ridge, SUPPLY once: 6 sendings of 4 overs."""
    found = report()
    assert (there(found, "SUPPLY", LAKE).met, there(found, "SUPPLY", LAKE).met_heard) == (1, 1)
    assert (there(found, "RESCUE", LAKE).met, there(found, "RESCUE", LAKE).met_heard) == (1, 1)
    assert there(found, "RESCUE", RIDGE).met == 0
    (clash,) = found.clashes
    assert (clash.groups, clash.met, clash.both_s) == (("RESCUE", "SUPPLY"), 2, 420)
    assert clash.most_on == LAKE
    chances = [(2, 22 / 79), (1, 23 / 99), (2, 1 / 36), (1, 1 / 5)]
    assert (found.fit.sendings, found.fit.overs, found.fit.met) == (6, 4, 2)
    assert found.fit.busy == pytest.approx(sum(n * p for n, p in chances))


def test_a_group_that_grows() -> None:
    """Two stations keyed to RESCUE; with two more its load doubles. On lake it is 0.4 then, x = 2/3
    + 1/19 = 41/57 and SUPPLY finds it busy with 41/98 instead of 23/99; on ridge with 2/5."""
    (growth,) = report(RESCUE=2).growth
    assert (growth.members, growth.more, growth.overs_per_member) == (2, 2, 1)
    rows = {(row.group, row.repeater): row for row in growth.others}
    assert set(rows) == {("SUPPLY", LAKE), ("SUPPLY", RIDGE)}
    assert rows["SUPPLY", LAKE].chance == pytest.approx(23 / 99)
    assert rows["SUPPLY", LAKE].chance_grown == pytest.approx(41 / 98)
    assert rows["SUPPLY", RIDGE].chance_grown == pytest.approx(2 / 5)
    loads = {row.repeater: row for row in growth.repeaters}
    assert loads[LAKE].erlangs_grown == pytest.approx((1800 + 720) / 7200)
    assert loads[LAKE].busy_hour_erlangs_grown == pytest.approx((1800 + 720) / 3600)
    assert loads[RIDGE].erlangs == pytest.approx((820 + 100) / 7200)


def test_a_group_that_cannot_be_scaled() -> None:
    with pytest.raises(NotFound, match="no group 'RESCU'; did you mean 'RESCUE'"):
        report(RESCU=2)
    with pytest.raises(NotFound, match="nobody keyed to SHORE in the recording"):
        report(SHORE=2)


# -- what is on the air --------------------------------------------------------------------------


def test_an_over_is_sent_on_where_its_group_is_carried_when_it_begins() -> None:
    """From `from_ms` on and no more at `until_ms`; twice carried is carried; not where it is heard,
    and once on a repeater however often told."""
    overs = [over("QA1AA", "RESCUE", s, s + 1, RIDGE) for s in (9, 10, 14, 19, 20, 25)]
    carried = [("RESCUE", LAKE, 10, 20), ("RESCUE", LAKE, 12, 15), ("RESCUE", RIDGE, 0, 99)]
    made = day(*overs, over("QA2AA", "SUPPLY", 14.5, 16, RIDGE), carried=carried)
    aired = air_of(made, made.carried)
    sent_on = [made.overs[code >> 1] for code in aired[LAKE]]
    assert [(o.began_ms - T0_MS) / 1000 for o in sent_on] == [10, 14, 19]
    assert not any(code & HEARD for code in aired[LAKE])
    assert [code >> 1 for code in aired[RIDGE]] == list(range(7))
    assert all(code & HEARD for code in aired[RIDGE])


def test_the_rules_speak_for_gateways_that_do_not() -> None:
    """lake says what it carries, so the rule's word for it does not count; mill never does."""
    said = [("RESCUE", LAKE, 0, 100)]
    made = day(over("QA1AA", "RESCUE", 200, 260, RIDGE), carried=said)
    ruled = (
        CarriedSpan("RESCUE", LAKE, at(0), at(900)),
        CarriedSpan("RESCUE", MILL, at(0), at(900)),
    )
    assert spans_of(made, ruled) == [made.carried[0], ruled[1]]
    scales = weigh(made, ruled)
    assert {r: w.groups["RESCUE"].air_ms for r, w in scales.repeaters.items() if w.groups} == {
        RIDGE: 60_000,
        MILL: 60_000,
    }
    assert (scales.silent, scales.ruled) == (("mill", "ridge"), True)
    found = load_report(weigh(made))
    assert (found.routes_unknown, found.routes_ruled) == (("mill", "ridge"), False)


def test_what_the_rules_would_carry() -> None:
    """On paper: QA1AA holds RESCUE at ridge from 0, is heard at lake at 600, and ridge lingers for
    2 min more. At mill it is pinned, at lake SUPPLY is barred. The recording ends at 3600 s, and
    its last ms is in it."""
    view = region(RESCUE={"pins": [MILL]}, SUPPLY={"bars": [LAKE]})
    made = day(
        over("QA1AA", "RESCUE", 0, 9, RIDGE), over("QA1AA", "RESCUE", 600, 609, LAKE),
        over("QA2AA", "SUPPLY", 700, 709, LAKE), view=view,
    )  # fmt: skip
    end_ms = at(HOUR_S) + 1
    assert set(ruled_spans(made)) == {
        CarriedSpan("RESCUE", RIDGE, at(0), at(720)),
        CarriedSpan("RESCUE", LAKE, at(600), end_ms),
        CarriedSpan("RESCUE", MILL, at(0), end_ms),
    }


def test_a_pin_that_was_ordered_where_gateways_are_not_listed() -> None:
    """A repeater of which nothing else is known is on the scales all the same."""
    order = Entry.model_validate_json(
        json.dumps(
            {"at": "2027-01-15T08:10:00Z", "by": "QK0OPS", "act": "pin",
             "subject": "RESCUE hut/uhf", "details": {"until": "2027-01-15T08:30:00Z"}}
        )
    )  # fmt: skip
    made = replace(day(over("QA1AA", "RESCUE", 900, 960, RIDGE)), acts=(order,))
    assert CarriedSpan("RESCUE", "hut/uhf", at(600), at(1800)) in ruled_spans(made)
    weighed = weigh(made, ruled_spans(made)).repeaters["hut/uhf"]
    assert weighed.erlangs(T0_MS // 3_600_000) == pytest.approx(60 / 3600)


def test_part_of_an_hour_counts_by_that_part() -> None:
    """On paper: 90 s in the last 15 minutes of an hour are 0.1 erlang, not 0.025. A quarter of an
    hour is no busy hour; half of one is."""
    made = replace(
        day(over("QA1AA", "RESCUE", 2800, 2890, RIDGE)), begin_ms=at(2700), end_ms=at(3600)
    )
    (growing,) = report(made, RESCUE=1).growth[0].repeaters
    assert growing.erlangs_grown == pytest.approx(0.2)
    assert growing.busy_hour_erlangs_grown is None
    (ridge,) = [r for r in report(made).repeaters if r.repeater == RIDGE]
    assert ridge.busy_hour is None
    assert (ridge.hours[0].recorded_s, ridge.hours[0].counted_s) == (900, 900)
    assert ridge.hours[0].erlangs == pytest.approx(0.1)
    for begin_s, busy in ((1800, True), (1801, False)):
        (ridge,) = [
            r for r in report(replace(made, begin_ms=at(begin_s))).repeaters if r.repeater == RIDGE
        ]
        assert (ridge.busy_hour is not None) is busy
    # A minute of the next hour, all of it on the air, is not the busy hour.
    longer = replace(
        day(over("QA1AA", "RESCUE", 0, 60, RIDGE), over("QA1AA", "RESCUE", 3600, 3660, RIDGE)),
        end_ms=at(3660),
    )
    (ridge,) = [r for r in report(longer).repeaters if r.repeater == RIDGE]
    assert [h.erlangs for h in ridge.hours] == pytest.approx([1 / 60, 1])
    assert ridge.busy_hour == ridge.hours[0]


def test_more_than_a_channel_carries() -> None:
    """Three groups at once for 1800 s of an hour: 1.5 erlangs asked for, half of it on the air."""
    overs = [over(f"Q{g[:2]}A", g, 0, 1800, LAKE) for g in ("RESCUE", "SUPPLY", "SHORE")]
    (lake,) = [r for r in report(day(*overs)).repeaters if r.repeater == LAKE]
    assert lake.erlangs == pytest.approx(1.5)
    assert lake.on_air_share == pytest.approx(0.5)
    assert lake.hours[0].on_air_s == 1800


def test_an_over_without_an_end_has_no_air_time() -> None:
    found = report(day(over("QA1AA", "RESCUE", 5, 5, RIDGE)))
    assert (found.overs, found.without_end) == (1, 1)
    assert there(found, "RESCUE", RIDGE).erlangs == 0


def test_a_day_in_which_nobody_spoke() -> None:
    found = report(day())
    assert (found.overs, found.groups, found.clashes, found.advice) == (0, (), (), ())
    assert found.fit.busy == found.fit.sendings == 0
    assert all(one.erlangs == 0 for one in found.repeaters)


TIMES = st.integers(0, 9000)
ANY_OVER = st.tuples(
    st.sampled_from(["RESCUE", "SUPPLY", "SHORE", ""]),
    st.integers(1, 3),
    TIMES,
    st.integers(0, 4000),
    st.lists(st.sampled_from([RIDGE, LAKE, MILL]), min_size=1, max_size=3, unique=True),
)
ANY_SPAN = st.tuples(
    st.sampled_from(["RESCUE", "SUPPLY"]), st.sampled_from([RIDGE, LAKE]), TIMES, TIMES
)


@given(overs=st.lists(ANY_OVER, max_size=12), spans=st.lists(ANY_SPAN, max_size=6))
def test_the_sweep_finds_what_looking_at_everything_finds(overs: Any, spans: Any) -> None:
    """Each repeater, every pair of overs and every second, by the definitions alone."""
    made = day(
        *(
            over(f"QA{n}{(group or 'LONE')[:2]}", group, began, began + long, *heard)
            for group, n, began, long, heard in overs
        ),
        carried=[(g, r, min(a, b), max(a, b)) for g, r, a, b in spans],
        hours=4,
    )
    for repeater, one in weigh(made).repeaters.items():
        on_air = [
            (o, repeater in {h.repeater for h in o.heard})
            for o in made.overs
            if repeater in {h.repeater for h in o.heard}
            or any(
                s.group == o.group
                and s.repeater == repeater
                and s.from_ms <= o.began_ms < s.until_ms
                for s in made.carried
            )
        ]
        met: Counter[tuple[str, bool]] = Counter()
        for o, heard in on_air:
            met[o.group, heard] += o.group != "" and any(
                p.began_ms < o.began_ms < p.ended_ms and source_of(p) != source_of(o)
                for p, _ in on_air
            )
        assert {(g, h): n for (g, h), n in met.items() if n} == {
            **{(g, True): n for g, n in one.met.heard.items()},
            **{(g, False): n for g, n in one.met.sent_on.items()},
        }
        both_ms = sum(
            max(0, min(a.ended_ms, b.ended_ms) - max(a.began_ms, b.began_ms))
            for (a, _), (b, _) in combinations(on_air, 2)
            if a.group and b.group and a.group != b.group
        )
        assert one.met.both_ms.total() == both_ms
        for hour in one.all_hours():
            seconds = range(hour * 3600, (hour + 1) * 3600)
            air_s = sum(
                len(range(max(seconds[0], a), min(seconds[-1] + 1, b)))
                for a, b in ((o.began_ms // 1000, o.ended_ms // 1000) for o, _ in on_air)
            )
            assert one.erlangs(hour) == pytest.approx(air_s / 3600)
            taken = {
                t
                for o, _ in on_air
                for t in range(
                    max(seconds[0], o.began_ms // 1000), min(seconds[-1] + 1, o.ended_ms // 1000)
                )
            }
            assert one.on_air_ms(hour) == 1000 * len(taken)


def test_two_that_begin_together_found_it_free() -> None:
    found = report(day(over("QA1AA", "RESCUE", 5, 9, LAKE), over("QA2AA", "SUPPLY", 5, 8, LAKE)))
    assert found.fit.met == 0
    assert [(c.met, c.both_s) for c in found.clashes] == [(0, 3)]


def test_members_of_one_group_are_not_in_each_others_way() -> None:
    found = report(day(over("QA1AA", "RESCUE", 0, 9, LAKE), over("QA1AB", "RESCUE", 5, 8, LAKE)))
    assert (found.fit.met, found.fit.busy, found.clashes) == (0, 0, ())


def test_clashes_are_ranked() -> None:
    """SHORE and SUPPLY meet twice, RESCUE and SHORE once, though for longer."""
    found = report(
        day(
            over("QA3AA", "SHORE", 0, 10, LAKE), over("QA2AA", "SUPPLY", 9, 11, LAKE),
            over("QA3AA", "SHORE", 20, 30, LAKE), over("QA2AA", "SUPPLY", 29, 31, LAKE),
            over("QA3AA", "SHORE", 100, 200, RIDGE), over("QA1AA", "RESCUE", 110, 190, RIDGE),
        )
    )  # fmt: skip
    assert [(c.groups, c.met, c.both_s, c.most_on) for c in found.clashes] == [
        (("SHORE", "SUPPLY"), 2, 2, LAKE),
        (("RESCUE", "SHORE"), 1, 80, RIDGE),
    ]


def test_a_weighed_repeater_asks_for_no_hour_that_was_not() -> None:
    one = weigh(PAPER).repeaters[LAKE]
    assert isinstance(one, Weighed)
    assert one.others(0, "RESCUE").chance == 0
    assert one.recorded_ms(0) == 0
