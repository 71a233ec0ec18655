"""`python -m tests.bench.health [--seeds N]`: how soon a failing receiver is told, and how often a
sound one is blamed. The assumptions are in `health_world`.

Each seed is a repeater's month after six weeks of learning. False alarms: findings that begin in
the sound month. Detection: at random moments of the month the same overs come in with the fault,
and the repeater is judged at each over that it hears, or that others hear.

The plain baseline is a threshold on the mean signal of the repeater's last 30 overs, so many
decibels below the mean of all its overs before.
"""

import argparse
import math
import random
import statistics
from collections import Counter, deque
from dataclasses import dataclass, field
from typing import Final

from streamer.config import Learning
from streamer.domain.repeater_health import Health, Trouble, judge, shares
from tests.bench.health_world import (
    DAY_MS,
    HOUR_MS,
    JUDGED,
    JUDGED_DAYS,
    REPEATERS,
    WARM_DAYS,
    Fault,
    Kept,
    Sent,
    World,
    index_at,
)

LOSS_DB: Final = 6
WITHIN_OVERS: Final = 30
GIVE_UP_OVERS: Final = 120
GIVE_UP_MS: Final = 2 * DAY_MS
PLAIN_DB: Final = (6.0, 4.0)
_LEARNING: Final = Learning()
_SILENT_MS: Final = 10 * 60_000


class Plain:
    """The baseline."""

    def __init__(self, below_db: float) -> None:
        self.below_db = below_db
        self.count, self.total = 0, 0.0
        self.last: deque[float] = deque(maxlen=WITHIN_OVERS)

    def hear(self, level_dbm: float) -> bool:
        """Whether it says degraded after one more over."""
        if len(self.last) == WITHIN_OVERS:
            self.count += 1
            self.total += self.last[0]
        self.last.append(level_dbm)
        if self.count < 100:
            return False
        return statistics.fmean(self.last) < self.total / self.count - self.below_db

    def copied(self) -> "Plain":
        other = Plain(self.below_db)
        other.count, other.total, other.last = self.count, self.total, self.last.copy()
        return other


@dataclass(slots=True)
class Tape:
    """A play of the world up to a moment: what is kept, and what stood."""

    kept: Kept
    plains: dict[str, Plain]
    health: Health | None = None
    plain_stood: dict[str, bool] = field(default_factory=dict)

    def copied(self) -> "Tape":
        plains = {name: plain.copied() for name, plain in self.plains.items()}
        return Tape(self.kept.copied(), plains, self.health, dict(self.plain_stood))

    def step(self, sent: Sent, fault: Fault | None, *, judged: bool) -> bool:
        """Take one over; whether the judged repeater heard it."""
        before_ms = self.kept.last_heard_ms
        heard = [o for o in self.kept.take(sent, fault) if o.repeater == JUDGED]
        for over in heard:
            for name, plain in self.plains.items():
                self.plain_stood[name] = plain.hear(over.rssi_dbm or 0.0)
        silent = before_ms is not None and sent.ms - before_ms > _SILENT_MS
        if judged and (heard or silent):
            self.judge(sent.ms, silence=not heard)
        return bool(heard)

    def judge(self, now_ms: int, *, silence: bool) -> None:
        hearing = self.kept.hearing(now_ms, silence=silence)
        names = REPEATERS if silence else ()
        learneds = {name: self.kept.learned(name, now_ms, cells=True) for name in names}
        held = self.health.held if self.health else {}
        self.health = judge(hearing, shares(learneds, JUDGED), _LEARNING, now_ms, held)

    def stands(self, trouble: Trouble) -> bool:
        return self.health is not None and self.health.find(trouble) is not None


@dataclass(slots=True)
class Score:
    """What was measured; overs and hours to detection are None where it was not found in time."""

    months: float = 0.0
    overs: int = 0
    false_alarms: Counter[str] = field(default_factory=Counter)
    overs_to: dict[str, list[int | None]] = field(default_factory=dict)
    deaf_hours: list[float | None] = field(default_factory=list)
    deaf_missed: list[int] = field(default_factory=list)

    def per_month(self, name: str) -> float:
        return self.false_alarms[name] / self.months

    def found_within(self, name: str, overs: int = WITHIN_OVERS) -> float:
        """Share of the faults found within so many overs of the repeater."""
        tries = self.overs_to[name]
        return sum(n is not None and n <= overs for n in tries) / len(tries)

    def quantile(self, name: str, share: float) -> float:
        """Overs to detection; infinite if fewer were found."""
        return _quantile(self.overs_to[name], share)

    def hours(self, share: float) -> float:
        return _quantile(self.deaf_hours, share)


def _quantile(values: "list[int | None] | list[float | None]", share: float) -> float:
    ordered = sorted(math.inf if value is None else value for value in values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


def score(seeds: range, every: int = 2, trials: int = 4, busy: float = 40.0) -> Score:
    """Play the months; in the sound ones every so manieth over is judged, in trials each."""
    result = Score()
    result.overs_to = {name: [] for name in ("ours", "errors", *map(_name, PLAIN_DB))}
    for seed in seeds:
        _month(World(seed, busy), random.Random(seed), every, trials, result)
    return result


def _name(below_db: float) -> str:
    return f"plain {below_db:g} dB"


def _month(world: World, rng: random.Random, every: int, trials: int, result: Score) -> None:
    tape = Tape(Kept(), {_name(db): Plain(db) for db in PLAIN_DB})
    from_ms = WARM_DAYS * DAY_MS
    begin = index_at(world.overs, from_ms)
    # Faults begin while people talk, early enough to be found in what was made up.
    last = index_at(world.overs, world.end_ms - GIVE_UP_MS - DAY_MS)
    moments = sorted(rng.sample(range(begin, last), trials))
    for number, sent in enumerate(world.overs):
        if moments and number == moments[0]:
            moments.pop(0)
            _trials(world, number, tape, result)
        judged = number >= begin
        before = _standing(tape)
        heard = tape.step(sent, None, judged=judged and number % every == 0)
        if judged:
            result.overs += heard
            for name in _standing(tape) - before:
                result.false_alarms[name] += 1
    result.months += JUDGED_DAYS / 30


def _standing(tape: Tape) -> set[str]:
    ours = {t.value for t in (Trouble.DEGRADED, Trouble.DEAF) if tape.stands(t)}
    return ours | {name for name, stands in tape.plain_stood.items() if stands}


def _trials(world: World, number: int, tape: Tape, result: Score) -> None:
    """From one moment on, with each of the faults. A false alarm that stands already finds
    nothing: such moments are passed over."""
    at_ms = world.overs[number].ms
    if _standing(tape) & {"degraded", "deaf"}:
        return
    loss = tape.copied()
    found = _play_loss(world, number, loss, Fault(at_ms, loss_db=LOSS_DB))
    result.overs_to["ours"].append(found.get("degraded"))
    for db in PLAIN_DB:
        result.overs_to[_name(db)].append(found.get(_name(db)))
    noisy = _play_loss(world, number, tape.copied(), Fault(at_ms, errors_pct=5.0))
    result.overs_to["errors"].append(noisy.get("degraded"))
    _play_deaf(world, number, tape.copied(), Fault(at_ms, deaf=True), result)


def _play_loss(world: World, number: int, tape: Tape, fault: Fault) -> dict[str, int]:
    """By name: after how many overs of the repeater it was told."""
    found: dict[str, int] = {}
    overs = 0
    for sent in world.overs[number:]:
        overs += tape.step(sent, fault, judged=True)
        for name in _standing(tape) - found.keys():
            found[name] = overs
        if overs >= GIVE_UP_OVERS or len(found) == 1 + len(PLAIN_DB):
            break
    return found


def _play_deaf(world: World, number: int, tape: Tape, fault: Fault, result: Score) -> None:
    missed = 0
    for sent in world.overs[number:]:
        if sent.ms > fault.from_ms + GIVE_UP_MS:
            break
        tape.step(sent, fault, judged=True)
        missed += sent.tuned == JUDGED
        if tape.stands(Trouble.DEAF):
            result.deaf_hours.append((sent.ms - fault.from_ms) / HOUR_MS)
            result.deaf_missed.append(missed)
            return
    result.deaf_hours.append(None)


def table(result: Score) -> str:
    """The score for people to read."""
    lines = [
        f"{result.months:g} repeater-months, {result.overs} overs judged, "
        f"{len(result.deaf_hours)} faults of each kind",
        f"{'6 dB of feed line lost':<26}{'in 30 overs':>12}{'median':>8}{'90 %':>7}"
        f"{'false alarms a month':>22}",
    ]
    false = {"ours": "degraded"}
    for name in ("ours", *(_name(db) for db in PLAIN_DB)):
        lines.append(
            f"  {name:<24}{result.found_within(name):>12.0%}{result.quantile(name, 0.5):>8g}"
            f"{result.quantile(name, 0.9):>7g}{result.per_month(false.get(name, name)):>22.2f}"
        )
    lines += [
        f"5 % more errors: {result.found_within('errors'):.0%} in 30 overs, median "
        f"{result.quantile('errors', 0.5):g}, 90 % {result.quantile('errors', 0.9):g} overs",
        f"deaf: found after {result.hours(0.5):.1f} h (median), {result.hours(0.9):.1f} h (90 %), "
        f"{statistics.median(result.deaf_missed or [0]):g} overs missed (median); "
        f"false alarms a month {result.per_month('deaf'):.2f}",
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.health", description=__doc__)
    parser.add_argument("--seeds", type=int, default=24, help="repeater-months (24)")
    parser.add_argument("--every", type=int, default=2, help="judge every so manieth over (2)")
    given = parser.parse_args()
    print(table(score(range(given.seeds), given.every)))


if __name__ == "__main__":
    main()
