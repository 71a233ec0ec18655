"""A small part of the score of `reach.py`, on fixed days; `make bench-reach` prints all of it."""

from functools import cache
from statistics import median

import pytest

from streamer.config import Learning, Policy
from streamer.domain.silence import FULL_PRESENCE
from tests.bench.days import MEMBERS, Day, Kind, make_day
from tests.bench.reach import FIXED, KEPT, Ours, Score, compare, episodes

SEEDS = range(200, 203)


@cache
def scores() -> dict[tuple[str, str], Score]:
    days = [(seed, kind) for kind in Kind for seed in SEEDS]
    return compare({**FIXED, "ours": Ours(Policy(), Learning())}, days)


def test_a_day_is_the_same_each_time() -> None:
    assert make_day(7, Kind.NET) == make_day(7, Kind.NET)
    assert make_day(7, Kind.NET).overs != make_day(8, Kind.NET).overs


@pytest.mark.parametrize("kind", list(Kind))
def test_days_are_hard(kind: Kind) -> None:
    """What makes it hard is there: people who are silent though they could be heard, batteries
    that die, repeaters that fail, shadows."""
    days: list[Day] = [make_day(seed, kind) for seed in SEEDS]
    assert all(len(day.people) == MEMBERS for day in days)
    assert sum(len(p.silences) for day in days for p in day.people) > 10
    assert any(v is False for day in days for truth in day.reachable.values() for v in truth)
    if kind is Kind.EXERCISE:
        assert all(len(day.failures) == 3 for day in days)
        assert all(sum(p.dead_s < day.end_s for p in day.people) >= 2 for day in days)
        assert all(day.failures[0][1] in {p.dead_s for p in day.people} for day in days)


def test_an_episode_lasts_ten_minutes() -> None:
    truth = [True, *[False] * 9, True, *[False] * 10, None, *[False] * 10]
    assert list(episodes(truth, 0)) == [(11, 21), (22, 32)]


def test_the_state_keeps_what_the_score_feeds() -> None:
    assert KEPT == FULL_PRESENCE


@pytest.mark.slow
def test_a_quarter_of_the_false_alarms_in_half_the_time() -> None:
    """So few days hold some thirty episodes: how many are detected is a matter of one or two. The
    whole score says it better."""
    ours, early, late = (scores()[name, "all"] for name in ("ours", "15 minutes", "30 minutes"))
    assert ours.episodes > 15
    assert ours.false_a_day <= early.false_a_day / 4
    assert ours.raised >= 0.85 * early.raised
    assert median(ours.raised_min) <= median(late.raised_min) / 2


@pytest.mark.slow
@pytest.mark.parametrize("kind", list(Kind))
def test_fewer_false_alarms_on_each_kind_of_day(kind: Kind) -> None:
    assert scores()["ours", kind.value].false_a_day < scores()["30 minutes", kind.value].false_a_day
