"""Days by chance, with a seed: is the formula right where its assumptions hold?"""

import random

import pytest

from streamer.lab.day import RecordedOver
from tests.lab.test_load import HOUR_S, LAKE, day, over, report, there


def talking(chance: random.Random, group: str, share: float, hours: int) -> list[RecordedOver]:
    """A group that is silent for a random time (its mean such that it talks that share of the time)
    and then keys for a random time, 10 s in the mean. It listens to nobody."""
    found: list[RecordedOver] = []
    now_s = 0.0
    while True:
        now_s += chance.expovariate(share / (1 - share) / 10)
        length_s = chance.expovariate(1 / 10)
        if now_s + length_s > hours * HOUR_S:
            return found
        found.append(
            over(f"Q{group[:3]}A", group, round(now_s, 3), round(now_s + length_s, 3), LAKE)
        )
        now_s += length_s


def test_of_one_other_group_the_formula_is_exact() -> None:
    """It is on the air as long as it is. Three standard deviations: fails once in 370 seeds."""
    chance = random.Random(8)
    made = day(*talking(chance, "RESCUE", 0.3, 24), *talking(chance, "SUPPLY", 0.1, 24), hours=24)
    row = there(report(made), "SUPPLY", LAKE)
    assert row.overs > 500
    spread = (row.busy * (1 - row.busy / row.overs)) ** 0.5
    assert abs(row.met - row.busy) < 3 * spread
    assert row.busy / row.overs == pytest.approx(0.3, abs=0.03)


def test_of_several_it_lies_below_and_waiting_above() -> None:
    """Groups that overlap, as these do, keep the channel busy for 1 - (1-y)(1-z) of the time: for
    0.3 and 0.1, 0.37; the formula, by which blocked overs are given up, says x / (1 + x) with x =
    3/7 + 1/9 = 34/63, 34/97 = 0.351, and waiting 0.4."""
    chance = random.Random(9)
    groups = {"RESCUE": 0.3, "SHORE": 0.1, "SUPPLY": 0.1}
    overs = [o for name, share in groups.items() for o in talking(chance, name, share, 48)]
    row = there(report(day(*overs, hours=48)), "SUPPLY", LAKE)
    spread = (row.busy * (1 - row.busy / row.overs)) ** 0.5
    assert row.busy - 3 * spread < row.met < row.busy_waiting + 3 * spread
    assert row.met / row.overs == pytest.approx(0.37, abs=3 * spread / row.overs)
    assert row.busy / row.overs == pytest.approx(0.351, abs=0.02)
