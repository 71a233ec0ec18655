"""What becomes of the load where a repeater did not report. Sources: arithmetic written out."""

import pytest

from streamer.lab.day import CarriedSpan
from streamer.lab.load_weigh import weigh
from tests.lab.test_load import HOUR_S, LAKE, MILL, RIDGE, T0_MS, at, day, over, report, there


def test_dark_times_are_left_out() -> None:
    """60 s of an hour of which 600 s are dark: 60 / 3000. Beyond the end of the record nothing is
    dark."""
    made = day(over("QA1AA", "RESCUE", 0, 60, RIDGE), dark={RIDGE: ((at(3000), at(9000)),)})
    (ridge,) = [r for r in report(made).repeaters if r.repeater == RIDGE]
    (hour,) = ridge.hours
    assert (hour.recorded_s, hour.dark_s, hour.counted_s) == (3600, 600, 3000)
    assert hour.erlangs == ridge.erlangs == pytest.approx(60 / 3000)
    assert ridge.on_air_share == pytest.approx(60 / 3000)
    assert there(report(made), "RESCUE", RIDGE).erlangs == pytest.approx(60 / 3000)


def test_nothing_is_sent_on_to_a_dark_repeater() -> None:
    """Carried all hour at lake by its own word, at mill by the rules; both dark from 1000 to 2000:
    of overs at 900, 1000, 1999 and 2000 the first and the last are sent on, the first into the
    dark. 150 s of 3600 - (2000 - 1050)."""
    overs = [
        over("QA1AA", "RESCUE", 900, 1050, RIDGE), over("QA1AA", "RESCUE", 1000, 1001, RIDGE),
        over("QA1AB", "RESCUE", 1999, 2001, RIDGE), over("QA1AA", "RESCUE", 2000, 2050, RIDGE),
    ]  # fmt: skip
    dark = ((at(1000), at(2000)),)
    carried = [("RESCUE", LAKE, 0, HOUR_S)]
    made = day(*overs, carried=carried, dark={LAKE: dark, MILL: dark})
    scales = weigh(made, (CarriedSpan("RESCUE", MILL, at(0), at(HOUR_S)),))
    for name in (LAKE, MILL):
        one = scales.repeaters[name]
        assert (one.groups["RESCUE"].sent_on, one.groups["RESCUE"].sent_on_ms) == (2, 200_000)
        assert one.counted_ms() == 3_600_000 - 950_000
        assert one.mean_erlangs() == pytest.approx(200 / 2650)
    assert scales.repeaters[RIDGE].groups["RESCUE"].heard == 4


def test_what_a_late_backlog_told_of_dark_time_counts() -> None:
    """Dark from 1000 to 3000, an over heard there from 1500 to 1600 is told later: until 1600 it
    was hearing, so 3600 - 1400 s count, in both of the ways to ask. A second dark time without an
    over is left out whole."""
    dark = ((at(1000), at(3000)), (at(3100), at(3300)))
    overs = [over("QA1AA", "RESCUE", a, b, RIDGE) for a, b in ((10, 20), (1500, 1600))]
    made = day(*overs, dark={RIDGE: dark})
    one = weigh(made).repeaters[RIDGE]
    assert one.unseen == ((at(1600), at(3000)), (at(3100), at(3300)))
    assert one.counted_ms() == one.counted_ms(T0_MS // 3_600_000) == 2_000_000
    assert one.mean_erlangs() == pytest.approx(110 / 2000)
    # Dark all of the time, nothing heard: nothing is known, no load.
    dead = weigh(day(dark={RIDGE: ((at(0), at(HOUR_S)),)})).repeaters[RIDGE]
    assert (dead.counted_ms(), dead.mean_erlangs(), dead.busy_hour()) == (0, 0, None)
