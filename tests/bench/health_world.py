"""Repeaters and their stations with the truth known, for the score of repeater health.

One repeater is judged, two neighbours are heard too. What is assumed, on the hard side:
- a third of the stations is fixed, nearly half is mobile (at places that differ by 7 dB, 4 dB from
  visit to visit and 3 dB within a visit, overs close in time alike), the rest hand-held;
- two to four stations talk in turns, 2 to 6 overs each, on one repeater; most use the judged one
  mostly, not always; some are heard by a neighbour as well; next to no traffic at night; a net
  meets weekly on each of the repeaters and draws a third of all stations there;
- levels of all move together (by a share of each station's own): by 1.2 dB at all times, by 4 to 10
  dB for hours five times a month (inversions), by 2 to 4 dB downwards twice; in every fourth
  inversion a party of five newcomers begins, whose first overs are all too strong;
- every month four more newcomers come and three of thirty change for good (move house, spoil an
  antenna): by 3 to 12 dB, mostly for the worse;
- readings are whole decibels; what is below the threshold is not heard, so a loss hides its own
  worst cases; error rates follow the level, with a scatter of their own.
"""

import copy
import math
import random
from bisect import bisect_right
from collections import defaultdict, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from heapq import nlargest
from typing import Final

from streamer.domain.model import HeardOver, Learned, Sums
from streamer.domain.repeater_health import Elsewhere, Hearing

JUDGED, NEAR, FAR = "ridge/uhf", "lake/uhf", "mill/uhf"
REPEATERS: Final = (JUDGED, NEAR, FAR)
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
HEARD_DBM: Final = -117
WARM_DAYS: Final = 42
JUDGED_DAYS: Final = 30
PATH: Final = 16
MOST_STATIONS: Final = 40
EPOCH_MS: Final = 14 * DAY_MS
EPOCHS: Final = 6
RECENT_MS: Final = 7 * DAY_MS
_PLACES: Final = 40
# Share of the day's traffic by hour of the day.
_HOURS: Final = (1, 1, 0, 0, 0, 1, 6, 10, 9, 6, 5, 5, 6, 5, 5, 6, 9, 11, 12, 12, 10, 8, 4, 2)


@dataclass(frozen=True, slots=True)
class Sent:
    """One over as sent: whole decibels at each repeater that listens there, before any fault; where
    one who is not answered tries next, and the level there; how errors scatter."""

    ms: int
    station: str
    duration_ms: int
    tuned: str
    levels: dict[str, int]
    retry: tuple[str, int] | None
    cell: str | None
    luck: float


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with the judged repeater from `from_ms` on."""

    from_ms: int
    loss_db: int = 0
    deaf: bool = False
    errors_pct: float = 0.0


@dataclass(slots=True)
class _Station:
    call: str
    kind: str
    base: dict[str, float]
    sway: float
    loyal: float
    also: bool
    cell: str | None
    tells: bool
    from_ms: int
    rate: float
    change_ms: int = 1 << 62
    change_db: float = 0.0


class World:
    """`overs` are all of WARM_DAYS and JUDGED_DAYS, oldest first; the same for the same seed."""

    def __init__(self, seed: int, busy: float = 40.0) -> None:
        self._rng = random.Random(seed)
        self._busy = busy
        self.end_ms = (WARM_DAYS + JUDGED_DAYS) * DAY_MS
        self._parties: list[int] = []
        self._drift = self._make_drift()
        self._places = [{r: self._rng.gauss(0, 7) for r in REPEATERS} for _ in range(_PLACES)]
        self._stations = [self._make_station(i, 0) for i in range(30)]
        self._newcomers()
        self.overs = sorted(self._talk(), key=lambda sent: sent.ms)

    # -- what moves all levels -------------------------------------------------------------------

    def _make_drift(self) -> list[float]:
        """dB by the hour."""
        rng, hours = self._rng, self.end_ms // HOUR_MS + 1
        keep = math.exp(-1 / 6)
        value, drift = 0.0, []
        for _ in range(hours):
            value = keep * value + rng.gauss(0, 1.2 * math.sqrt(1 - keep * keep))
            drift.append(value)
        months = self.end_ms / (30 * DAY_MS)
        for _ in range(round(5 * months)):
            begin, length = rng.randrange(hours), rng.randint(3, 14)
            if rng.random() < 1 / 4:
                self._parties.append(begin * HOUR_MS)
            self._bump(drift, begin, length, rng.uniform(4, 10))
        for _ in range(round(2 * months)):
            self._bump(drift, rng.randrange(hours), rng.randint(2, 6), -rng.uniform(2, 4))
        return drift

    @staticmethod
    def _bump(drift: list[float], begin: int, length: int, db: float) -> None:
        for hour in range(begin, min(begin + length, len(drift))):
            drift[hour] += db

    # -- who there is ----------------------------------------------------------------------------

    def _make_station(self, number: int, from_ms: int) -> _Station:
        rng = self._rng
        kind = rng.choices(("fixed", "mobile", "hand"), (33, 45, 22))[0]
        top = {"fixed": -92.0, "mobile": -97.0, "hand": -103.0}[kind]
        here = min(-65.0, rng.gauss(top, 8))
        base = {JUDGED: here, NEAR: here - rng.uniform(-4, 22), FAR: here - rng.uniform(2, 30)}
        call = f"Q{chr(65 + number // 26 % 26)}{number % 10}{chr(65 + number % 26)}AA"
        cell = f"home{number}" if kind == "fixed" else None
        return _Station(
            call,
            kind,
            base,
            rng.uniform(0.2, 1.2),
            rng.choice((0.95, 0.9, 0.8, 0.6)),
            rng.random() < 0.3,
            cell,
            rng.random() < 0.4,
            from_ms,
            rng.paretovariate(1.5),
        )

    def _newcomers(self) -> None:
        rng, stations = self._rng, self._stations
        months = self.end_ms / (30 * DAY_MS)
        for _ in range(round(4 * months)):
            stations.append(self._make_station(len(stations), rng.randrange(self.end_ms)))
        for begin_ms in self._parties:
            for _ in range(5):
                new = self._make_station(len(stations), begin_ms)
                new.loyal = 0.95
                stations.append(new)
        for station in rng.sample(stations[:30], round(3 * months)):
            station.change_ms = rng.randrange(self.end_ms)
            station.change_db = rng.choice((-1, -1, 1)) * rng.uniform(3, 12)

    # -- what they say ---------------------------------------------------------------------------

    def _talk(self) -> Iterator[Sent]:
        rng = self._rng
        days = self.end_ms // DAY_MS
        for day in range(days):
            for _ in range(round(self._busy / 2.6 * rng.uniform(0.6, 1.4))):
                hour = rng.choices(range(24), _HOURS)[0]
                ms = day * DAY_MS + hour * HOUR_MS + rng.randrange(HOUR_MS)
                there = [s for s in self._stations if s.from_ms <= ms]
                talking = rng.choices(there, [s.rate for s in there], k=rng.choice((2, 2, 3, 4)))
                loyal = rng.random() < talking[0].loyal
                where = JUDGED if loyal else max((NEAR, FAR), key=talking[0].base.__getitem__)
                for station in {s.call: s for s in talking}.values():
                    yield from self._visit(
                        station, ms + rng.randrange(60_000), rng.randint(2, 6), where
                    )
            if day % 7 in (1, 3, 5):
                yield from self._net(day, REPEATERS[day % 7 // 2])
        for begin_ms in self._parties:
            party = [s for s in self._stations if s.from_ms == begin_ms]
            for station in party:
                for _ in range(2):
                    ms = begin_ms + rng.randrange(3 * HOUR_MS)
                    yield from self._visit(station, ms, rng.randint(4, 12), JUDGED)

    def _net(self, day: int, repeater: str) -> Iterator[Sent]:
        """An hour in the evening, everybody who takes part there."""
        rng = self._rng
        begin_ms = day * DAY_MS + 19 * HOUR_MS
        there = [s for s in self._stations if s.from_ms <= begin_ms]
        for station in rng.sample(there, len(there) // 3):
            ms = begin_ms + rng.randrange(HOUR_MS // 2)
            yield from self._visit(station, ms, rng.randint(2, 5), repeater, pause_s=400)

    def _visit(
        self, station: _Station, ms: int, overs: int, tuned: str, pause_s: float = 60
    ) -> Iterator[Sent]:
        rng = self._rng
        place = rng.randrange(_PLACES)
        shift = self._shift(station, ms, place)
        cell = station.cell if station.cell else f"place{place}"
        within_db = {"fixed": 0.6, "mobile": 3.0, "hand": 2.5}[station.kind]
        wander, last_ms = rng.gauss(0, within_db), ms
        retry = max((NEAR, FAR), key=lambda r: station.base[r]) if rng.random() < 0.6 else None
        for number in range(overs):
            keep = math.exp(-(ms - last_ms) / 300_000)
            wander = keep * wander + rng.gauss(0, within_db * math.sqrt(1 - keep * keep) + 0.01)
            common = station.sway * self._drift[min(ms // HOUR_MS, len(self._drift) - 1)]
            levels = {
                r: round(station.base[r] + shift[r] + wander + common + rng.gauss(0, 0.8))
                for r in REPEATERS
            }
            again = retry is not None and retry != tuned and number >= 2
            yield Sent(
                ms,
                station.call,
                rng.randint(2_000, 25_000),
                tuned,
                levels if station.also else {tuned: levels[tuned]},
                (retry, levels[retry]) if again and retry is not None else None,
                cell if station.tells else None,
                rng.lognormvariate(0, 0.5),
            )
            last_ms = ms
            ms += round(1000 * (5 + rng.expovariate(1 / pause_s)))
            if ms >= self.end_ms:
                return

    def _shift(self, station: _Station, ms: int, place: int) -> dict[str, float]:
        rng = self._rng
        change = station.change_db if ms >= station.change_ms else 0.0
        if station.kind == "fixed":
            own = rng.gauss(0, 1.0)
            return dict.fromkeys(REPEATERS, own + change)
        if station.kind == "mobile":
            own = rng.gauss(0, 4) + change
            return {r: self._places[place][r] + own for r in REPEATERS}
        own = rng.gauss(0, 5) + change
        return dict.fromkeys(REPEATERS, own)


def errors_pct(level_dbm: int, luck: float) -> float:
    """A smooth invented curve, as in the demo's land, with a scatter."""
    return round(min(50.0, luck * (0.15 + 50 / (1 + math.exp((level_dbm + 119) / 1.8)))), 2)


_Counts = dict[str, list[float]]


@dataclass(slots=True)
class Kept:
    """What the state keeps of it all, by its rules: the newest 16 overs of each station, sums by
    14-day epochs that count half for every 28 days of age."""

    paths: dict[str, deque[HeardOver]] = field(default_factory=dict)
    cell_now: dict[str, str | None] = field(default_factory=dict)
    heard_at: dict[str, dict[str, int]] = field(default_factory=lambda: {r: {} for r in REPEATERS})
    by_station: dict[tuple[str, int], _Counts] = field(default_factory=dict)
    by_cell: dict[tuple[str, int], _Counts] = field(default_factory=dict)
    last_heard_ms: int | None = None
    taken: int = 0

    def take(self, sent: Sent, fault: Fault | None) -> list[HeardOver]:
        """Note an over as the repeaters hear it; what was heard, and where."""
        heard = []
        for repeater, level in self._levels(sent, fault):
            errors = errors_pct(level, sent.luck)
            if fault and repeater == JUDGED and sent.ms >= fault.from_ms:
                errors = min(50.0, errors + fault.errors_pct * sent.luck)
            name = f"o{self.taken}"
            heard.append(
                HeardOver(
                    sent.ms, sent.station, repeater, name, sent.duration_ms, float(level), errors
                )
            )
        self.taken += 1
        for over in heard:
            self._note(over, sent.cell)
        return heard

    def _levels(self, sent: Sent, fault: Fault | None) -> list[tuple[str, int]]:
        found = []
        for repeater, level in sent.levels.items():
            here = level
            if fault is not None and sent.ms >= fault.from_ms and repeater == JUDGED:
                if fault.deaf:
                    continue
                here = level - fault.loss_db
            if here >= HEARD_DBM:
                found.append((repeater, here))
        if not found and sent.retry is not None and sent.retry[1] >= HEARD_DBM:
            found.append(sent.retry)
        return found

    def _note(self, over: HeardOver, cell: str | None) -> None:
        self.paths.setdefault(over.station, deque(maxlen=PATH)).appendleft(over)
        self.cell_now[over.station] = cell
        self.heard_at[over.repeater][over.station] = over.ms
        epoch = over.ms // EPOCH_MS
        level, errors = over.rssi_dbm or 0.0, over.ber_pct or 0.0
        added = (1.0, level, level * level, errors, errors * errors)
        places = [(self.by_station, over.station)]
        if cell:
            places.append((self.by_cell, cell))
        for table, key in places:
            sums = table.setdefault((over.repeater, epoch), {}).setdefault(key, [0.0] * 5)
            for i, value in enumerate(added):
                sums[i] += value
        if over.repeater == JUDGED:
            self.last_heard_ms = over.ms

    def learned(self, repeater: str, now_ms: int, *, cells: bool = False) -> Learned:
        stations = self._aged(self.by_station, repeater, now_ms)
        return Learned(
            repeater, self._aged(self.by_cell, repeater, now_ms) if cells else {}, stations
        )

    def _aged(
        self, table: dict[tuple[str, int], _Counts], repeater: str, now_ms: int
    ) -> dict[str, Sums]:
        total: defaultdict[str, list[float]] = defaultdict(lambda: [0.0] * 5)
        newest = now_ms // EPOCH_MS
        for epoch in range(newest - EPOCHS + 1, newest + 1):
            weight = 0.5 ** ((newest - epoch) / 2)
            for key, sums in table.get((repeater, epoch), {}).items():
                into = total[key]
                for i, value in enumerate(sums):
                    into[i] += weight * value
        return {
            key: Sums(n, n, level, squares, n, errors, error_squares)
            for key, (n, level, squares, errors, error_squares) in total.items()
        }

    def hearing(self, now_ms: int, *, silence: bool) -> Hearing:
        """What the judge is given; overs elsewhere only where somebody asks about a silence."""
        times = self.heard_at[JUDGED]
        near = nlargest(MOST_STATIONS, times, key=lambda s: times[s])
        recent = [
            over
            for station in near
            if times[station] > now_ms - RECENT_MS
            for over in self.paths[station]
            if over.repeater == JUDGED
        ]
        recent.sort(key=lambda over: (-over.ms, over.over))
        elsewhere = []
        if silence and self.last_heard_ms is not None:
            elsewhere = [
                Elsewhere(over.ms, station, over.repeater, self.cell_now[station])
                for station, path in self.paths.items()
                for over in path
                if over.repeater != JUDGED and over.ms > self.last_heard_ms
            ]
        return Hearing(self.learned(JUDGED, now_ms), recent, self.last_heard_ms, True, 0, elsewhere)

    def copied(self) -> "Kept":
        return Kept(
            {station: deque(path, PATH) for station, path in self.paths.items()},
            dict(self.cell_now),
            {r: dict(times) for r, times in self.heard_at.items()},
            copy.deepcopy(self.by_station),
            copy.deepcopy(self.by_cell),
            self.last_heard_ms,
            self.taken,
        )


def index_at(overs: list[Sent], ms: int) -> int:
    """The first over after a moment."""
    return bisect_right(overs, ms, key=lambda sent: sent.ms)
