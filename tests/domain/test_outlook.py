"""What else tells that a silent station can no longer be heard. Common practice, no source: a
signal that fades and a course out of range speak for it, a strong signal from one spot against."""

import math
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.config import Learning
from streamer.domain.coverage import Coverage
from streamer.domain.leaving import OLD_FIX_MS
from streamer.domain.model import Fix, PathEntry
from streamer.domain.outlook import (
    FRESH_FIX_MS,
    LEAST_DECADES,
    MOST_DECADES,
    NEXT_SIGNAL_DB,
    NOTHING_KNOWN,
    RECKONED_S,
    RECKONING_WORTH,
    STOOD_STILL,
    USUAL_LOSS,
    Outlook,
    Signs,
    Watcher,
    logit,
)
from streamer.domain.trend import trend_of
from tests.domain.coverage_make import SITE, coverage

LEARNING = Learning()
HERE = "ridge/uhf"
MINUTE_MS = 60_000
END_MS = 1_800_000_000_000
FAR_KM = 20
FAR_LAT = FAR_KM / 110.574  # a degree of latitude at the equator, km
SPEED_MPS = 20.0
OUTWARDS, INWARDS = 0.0, 180.0
"""Courses of a station north of the repeater, which stands on the equator."""


def path(*levels: float | None, repeater: str = HERE, step_s: float = 108) -> tuple[PathEntry, ...]:
    """Levels in dBm, oldest first; the newest over began at END_MS."""
    newest_first = levels[::-1]
    return tuple(
        PathEntry(END_MS - round(n * step_s * 1000), repeater, f"o{n}", 3000, level)
        for n, level in enumerate(newest_first)
    )


def fix(course: float | None, speed: float | None = SPEED_MPS, old_ms: int = 0) -> Fix:
    return Fix(END_MS - old_ms, FAR_LAT, 20.0, speed, course)


def near(lat: float, lon: float) -> list[Coverage]:
    return [coverage(site=SITE)]


def look(
    overs: tuple[PathEntry, ...], position: Fix | None = None, after_min: float = 15
) -> Outlook:
    watcher = Watcher(LEARNING, near)
    return watcher.outlook(Signs(overs, position), END_MS + round(after_min * MINUTE_MS))


STEADY = path(*[-108.0] * 5)
"""8 dB above the weakest that is heard."""


class TestOdds:
    @pytest.mark.parametrize(
        ("chance", "decades"), [(0.5, 0), (10 / 11, 1), (1 / 101, -2), (0, -6), (1, 6)]
    )
    def test_in_decades(self, chance: float, decades: float) -> None:
        assert logit(chance) == pytest.approx(decades, abs=1e-6)


class TestSignal:
    def test_without_overs_nothing_is_known(self) -> None:
        assert look(()) == NOTHING_KNOWN == Outlook(0.0, ())

    def test_without_signals_nothing_is_added(self) -> None:
        assert look(path(None, None, None)) == NOTHING_KNOWN

    def test_a_strong_one_that_stands_still_is_rather_there(self) -> None:
        """36 dB are 4.5 times the scatter: hardly ever below what is heard."""
        outlook = look(path(-80, -80, -80))
        assert outlook.decades == LEAST_DECADES
        assert outlook.reasons == ("though it came in 36 dB above the weakest that is heard",)

    def test_by_hand(self) -> None:
        """14 dB above: the chance of a normal variate beyond 14/8, against the usual 5 %."""
        tail = 0.5 * math.erfc(14 / NEXT_SIGNAL_DB / math.sqrt(2))
        expected = math.log10(tail / (1 - tail)) - math.log10(USUAL_LOSS / (1 - USUAL_LOSS))
        assert expected == pytest.approx(-0.10, abs=0.01)
        assert look(path(-102)).decades == pytest.approx(expected)

    def test_a_weak_one_that_stands_still_says_nothing(self) -> None:
        """What is so weak is missed now and then: its pauses say so already."""
        assert look(path(-115, -115, -115)) == NOTHING_KNOWN
        assert look(STEADY) == NOTHING_KNOWN

    def test_the_median_of_three_is_what_counts(self) -> None:
        assert look(path(-80, -115, -80)).decades == LEAST_DECADES
        assert look(path(-80, -80, -80, -115, -115, -115)).decades >= 0

    def test_only_where_it_is_now(self) -> None:
        """It came in strong on another repeater, before it moved."""
        before = path(-70, -70, -70, repeater="lake/uhf", step_s=500)
        assert look((*path(-115), *before[1:])) == NOTHING_KNOWN

    def test_fading_adds_and_says_so(self) -> None:
        fading = path(-98, -101, -103, -107, -109, -112)
        trend = trend_of(fading, HERE, LEARNING.hears_dbm)
        outlook = look(fading)
        assert trend.fading
        assert outlook.decades == pytest.approx(trend.decades)
        assert outlook.decades > 0.5
        assert outlook.reasons == (trend.reason,)


class TestMovement:
    def test_moving_out_adds_and_says_so(self) -> None:
        outlook = look(STEADY, fix(OUTWARDS))
        assert outlook.decades > 0.3
        (reason,) = outlook.reasons
        assert reason.startswith("it was moving 000 at 72 km/h, to where repeaters should hear it ")
        assert reason.endswith(" dB weaker")

    def test_by_hand(self) -> None:
        """20 m/s for a quarter of an hour are 18 km further out; three in four keep their course;
        8 dB above the weakest, its chance of being lost was one beyond 8/8."""
        cover = coverage(site=SITE)
        levels = [cover.chance_at(lat, 20.0).level_dbm for lat in (FAR_LAT, FAR_LAT + 18 / 110.574)]
        assert levels[0] is not None
        assert levels[1] is not None
        lost_db = levels[0] - levels[1]
        outlook = look(STEADY, fix(OUTWARDS))
        normal = NormalDist()
        now = normal.cdf(-(8 - RECKONING_WORTH * lost_db) / NEXT_SIGNAL_DB)
        then = normal.cdf(-1)
        expected = math.log10(now / (1 - now)) - math.log10(then / (1 - then))
        assert outlook.decades == pytest.approx(expected)
        assert f"{lost_db:.0f} dB weaker" in outlook.reasons[0]

    def test_the_longer_the_further_but_none_keeps_its_course_for_ever(self) -> None:
        found = [look(STEADY, fix(OUTWARDS), minutes).decades for minutes in (0, 5, 15, 30, 300)]
        assert found[0] == 0
        assert found == sorted(found)
        assert found[2] > found[1]
        assert found[3] == found[4]
        assert RECKONED_S == 30 * 60

    def test_moving_inwards_adds_nothing(self) -> None:
        assert look(STEADY, fix(INWARDS), 10) == NOTHING_KNOWN

    @pytest.mark.parametrize(
        "position",
        [
            None,
            fix(None),
            fix(OUTWARDS, None),
            fix(OUTWARDS, 0.9, FRESH_FIX_MS + 1),
            fix(OUTWARDS, old_ms=OLD_FIX_MS + 1),
        ],
    )
    def test_what_says_nothing_of_where_it_goes(self, position: Fix | None) -> None:
        assert look(STEADY, position) == NOTHING_KNOWN

    @pytest.mark.parametrize("speed", [0, 0.99])
    def test_who_stood_still_has_not_left(self, speed: float) -> None:
        outlook = look(STEADY, fix(OUTWARDS, speed, FRESH_FIX_MS))
        assert outlook.decades == pytest.approx(-STOOD_STILL)
        assert outlook.reasons == (
            "though it stood still when it was last heard",
            "though it came in 8 dB above the weakest that is heard",
        )
        assert look(path(-80, -80, -80), fix(None, speed)).decades == LEAST_DECADES

    def test_where_nothing_was_learned(self) -> None:
        watcher = Watcher(LEARNING)
        assert watcher.outlook(Signs(STEADY, fix(OUTWARDS)), END_MS + 10**6) == NOTHING_KNOWN

    def test_a_strong_one_that_drives_off_is_believed_later(self) -> None:
        strong = path(-90, -90, -90)
        there, gone = look(strong, fix(OUTWARDS), 1), look(strong, fix(OUTWARDS), 30)
        assert there.decades == LEAST_DECADES
        assert gone.decades > there.decades


@given(
    st.lists(st.one_of(st.none(), st.floats(-125, -50)), max_size=16),
    st.one_of(
        st.none(),
        st.builds(
            Fix,
            st.integers(END_MS - 2 * OLD_FIX_MS, END_MS + 60_000),
            st.floats(-1, 1),
            st.floats(19, 21),
            st.one_of(st.none(), st.floats(0, 60)),
            st.one_of(st.none(), st.floats(0, 359.9)),
        ),
    ),
    st.integers(0, 6 * 3_600_000),
)
def test_bounds(levels: list[float | None], position: Fix | None, after_ms: int) -> None:
    watcher = Watcher(LEARNING, near)
    outlook = watcher.outlook(Signs(path(*levels), position), END_MS + after_ms)
    assert LEAST_DECADES <= outlook.decades <= MOST_DECADES
    assert all(reason and reason[0].islower() for reason in outlook.reasons)
