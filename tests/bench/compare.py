"""`python -m tests.bench.compare [--events N] [--processes N]`: how long it takes to compare eight
settings on a recorded week of a region of 20 repeaters, 20 groups and 800 stations.

The week is invented: stations talk in bursts, more by day, move between repeaters every few hours,
and every seventh over is heard by two repeaters; it is written to a journal first, which is not
counted. Counted is everything that `streamer compare` does: read the files, gather the overs, work
out who was where, judge every silence under each of the eight settings.
"""

import argparse
import resource
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from streamer.clock import Clock, SystemClock
from streamer.config import Region, RegionView
from streamer.journal import lines as make
from streamer.journal.lines import Line
from streamer.journal.reader import read, settings_text
from streamer.journal.writer import Retention, Writer
from streamer.lab.compare import SettingOutcome, compare, prepare
from streamer.lab.gather import day_from
from streamer.lab.grid import settings_of
from streamer.lab.hindsight import Assumption
from streamer.state.shapes import Keying

GATEWAYS, GROUPS, STATIONS = 10, 20, 800
DAYS: Final = 7
BEGIN_MS: Final = 1_800_000_000_000 // 86_400_000 * 86_400_000
ASKED: Final = (("linger_s=30,300,900", "overdue_phi=0.9,1.1"), ("expire_after_s=10800",))
"""Two grids, of six settings and of one; with the setting as it is, eight."""
WORKER: Final = "bench"
LINES_AT_ONCE: Final = 2000


def region() -> RegionView:
    """Two repeaters a gateway; every station belongs to one group, every fifth to two."""
    content = {
        "region": "week",
        "extra_prefixes": ["Q"],
        "gateway": [
            {"id": f"g{n}", "repeater": [{"id": "uhf"}, {"id": "vhf"}]} for n in range(GATEWAYS)
        ],
        "group": [{"name": f"GROUP-{n}"} for n in range(GROUPS)],
    }
    return RegionView(Region.model_validate(content))


def week_lines(view: RegionView, events: int, seed: int = 1) -> Iterator[Line]:
    """About so many heard events in order of time, by a fixed chance."""
    dice = np.random.default_rng(seed)
    repeaters = sorted(view.sites)
    overs = round(events / 2 / (1 + 1 / 7))
    per_station = overs // STATIONS
    columns = [_station(dice, station, per_station, len(repeaters)) for station in range(STATIONS)]
    table = np.concatenate(columns, axis=0)
    table = table[np.argsort(table[:, 0], kind="stable")]
    boot, seq = "0190000000000001", dict.fromkeys(view.gateways, 0)
    for number, (ms, station, repeater, group, level) in enumerate(table.tolist()):
        heard = [repeaters[repeater]]
        if number % 7 == 0:
            heard.append(repeaters[(repeater + 2) % len(repeaters)])
        to = f"GROUP-{group}" if group >= 0 else None
        duration_ms = 2000 + ms % 6000
        for ended in (False, True):
            for name in heard:
                gateway = name.split("/")[0]
                seq[gateway] += 1
                end_ms = ms + duration_ms if ended else ms
                level_dbm = float(level) if ended else None
                info = to, None, duration_ms if ended else None, level_dbm, None, None
                keying = Keying(
                    _call(station), ms, "", name, f"o{number}", info, None, "", "", "", end_ms
                )
                yield make.heard(end_ms + 40, gateway, boot, seq[gateway], ended, keying)


def _call(station: int) -> str:
    return f"Q{chr(65 + station % 26)}{station // 26 % 10}{chr(65 + station // 260)}AA"


def _station(dice: np.random.Generator, station: int, overs: int, repeaters: int) -> Any:
    """Rows of time, station, repeater, group, signal: bursts of four overs a quarter of a minute
    apart, at any time of the day but seldom at night."""
    bursts = -(-overs // 4)
    hours = np.arange(24 * DAYS)
    weight = np.where(hours % 24 < 6, 0.1, 1.0)
    hour = np.sort(dice.choice(hours, bursts, p=weight / weight.sum()))
    starts = np.sort(BEGIN_MS + hour * 3_600_000 + dice.integers(0, 3_600_000, bursts))
    gaps = np.cumsum(dice.integers(8_000, 22_000, (bursts, 4)), axis=1)
    ms = (starts[:, None] + gaps).ravel()[:overs]
    home = int(dice.integers(repeaters))
    away = np.repeat(dice.random(24 * DAYS // 3 + 1) < 0.4, 3)[hour]
    repeater = np.where(away, (home + 1 + hour % 3) % repeaters, home)
    group = np.where(dice.random(bursts) < 0.9, station % GROUPS, -1)
    group = np.where(
        (station % 5 == 0) & (dice.random(bursts) < 0.5), (station + 7) % GROUPS, group
    )
    level = dice.integers(-114, -60, bursts)
    parts = [np.repeat(column, 4)[:overs] for column in (repeater, group, level)]
    return np.stack([ms, np.full(overs, station), *parts], axis=1)


def write_week(folder: Path, view: RegionView, events: int) -> int:
    """The week as a journal; returns how many lines."""
    keep = Retention(365 * 86_400_000, 1 << 40)
    writer = Writer(folder, view.name, WORKER, "bench", keep)
    writer.settings_are(settings_text(view), BEGIN_MS)
    portion: list[Line] = []
    count = 0
    for line in week_lines(view, events):
        portion.append(line)
        if len(portion) == LINES_AT_ONCE:
            writer.write(portion, portion[-1]["noted_ms"])
            count += len(portion)
            portion = []
    writer.write(portion, portion[-1]["noted_ms"])
    writer.close(portion[-1]["noted_ms"])
    return count + len(portion)


@dataclass(frozen=True, slots=True)
class Timed:
    """Seconds of each part, and what was found."""

    read_s: float
    prepare_s: float
    compare_s: float
    outcomes: Sequence[SettingOutcome]

    @property
    def all_s(self) -> float:
        return self.read_s + self.prepare_s + self.compare_s


def timed(
    folder: Path, processes: int, clock: Clock, asked: Sequence[Sequence[str]] = ASKED
) -> Timed:
    """The whole comparison of a journal."""
    begun_s = clock.monotonic_s()
    day = day_from(read([folder], print))
    read_s = clock.monotonic_s() - begun_s
    settings = settings_of(day.view, ())
    for grid in asked:
        settings += settings_of(day.view, grid)[1:]
    prepared = prepare(day, Assumption(), {}, settings)
    prepare_s = clock.monotonic_s() - begun_s - read_s
    outcomes = compare(prepared, settings, processes)
    return Timed(read_s, prepare_s, clock.monotonic_s() - begun_s - read_s - prepare_s, outcomes)


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=2_000_000, help="from 2000")
    parser.add_argument("--processes", type=int, default=2)
    arguments = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="streamer-bench-") as folder:
        count = write_week(Path(folder), region(), arguments.events)
        found = timed(Path(folder), arguments.processes, SystemClock())
    for result in found.outcomes:
        alarms = result.all_alarms
        print(
            f"{result.setting.text:40} carried {result.carried_s:9.0f} s  wasted "
            f"{result.wasted_s:9.0f} s  missed {result.missed:8}  alerts {alarms.raised:7}"
        )
    most = max(
        resource.getrusage(who).ru_maxrss
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    print(
        f"{count} events, {len(found.outcomes)} settings, {arguments.processes} processes: "
        f"{found.all_s:.1f} s (reading {found.read_s:.1f}, preparing {found.prepare_s:.1f}, "
        f"comparing {found.compare_s:.1f}); {count / found.all_s:.0f} events/s, "
        f"{count * len(found.outcomes) / found.all_s:.0f} events and settings/s; "
        f"largest process {most / 1024:.0f} MB"
    )


if __name__ == "__main__":
    main()
