"""How much time on the air fan-outs save: each over to a group, against sending it everywhere.

An estimate for people. It takes fan-outs as workers wanted them, not what repeaters said that they
did; and as last committed when the end of an over is counted, so an over that comes late is judged
by a newer fan-out than it met, and the first over of somebody who is new to a repeater by one that
lacks it. Where the sums are kept and for how long: `streamer.state.air`.
"""

from collections import OrderedDict, defaultdict
from collections.abc import Collection, Iterator
from typing import Final

from streamer.state.air import AirSums
from streamer.state.keys import HOUR_MS
from streamer.state.shapes import Keying
from streamer.state.store import Store
from streamer.worker.batch import tie_of
from streamer.worker.merger import Merged
from streamer.worker.metrics import Metrics

OVERS_KEPT: Final = 10_000
"""Newest overs remembered, to know them when another repeater's word of them comes; one that is
told again after so many others counts again."""


def air_time_of(
    lasted_ms: Collection[int], heard_on: str, wanted: Collection[str], everywhere: Collection[str]
) -> AirSums:
    """What overs of one fan-out take that one repeater heard, and would take on every repeater.

    Where it was heard it is on the air already, so that repeater sends for neither. A repeater
    that is wanted counts among all, also where the region file does not name it (open_gateways).
    """
    carried = len(set(wanted) - {heard_on})
    flooded = len({*everywhere, *wanted} - {heard_on})
    all_ms = sum(lasted_ms)
    return AirSums(len(lasted_ms), all_ms, carried * all_ms, flooded * all_ms)


class AirTime:
    """For one worker. Each over counts once, by the first end that this worker counts of it.

    Several workers do not know of each other's overs: one that repeaters of several gateways heard
    may be counted by more than one of them, and then stands more than once in every sum. The share
    that is saved stays one of carried and flooded time of the same overs, with that over weighing
    more. A worker that dies or loses Redis after events were counted and before they are added
    here loses the overs of that batch.
    """

    def __init__(self, store: Store, metrics: Metrics) -> None:
        self._store = store
        self._metrics = metrics
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()

    def count(self, merged: Merged) -> None:
        """Add what has ended. Raises StoreUnavailable; then nothing is remembered of it."""
        fresh: dict[tuple[str, str], Keying] = {}
        for keying in _ended(merged):
            over = keying.station, keying.over
            if over not in self._known:
                fresh.setdefault(over, keying)
        if not fresh:
            return
        lasted_ms: dict[tuple[str, str, int], list[int]] = defaultdict(list)
        for k in fresh.values():
            lasted_ms[k.group, k.repeater, k.ms // HOUR_MS].append(k.end_ms - k.ms)
        wanted = self._store.wanted_on(sorted({group for group, _, _ in lasted_ms}))
        sites = self._store.view.sites
        by_hour: dict[int, AirSums] = defaultdict(AirSums)
        for (group, heard_on, hour), overs_ms in lasted_ms.items():
            if group in wanted:
                by_hour[hour] += air_time_of(overs_ms, heard_on, wanted[group], sites)
        self._store.add_air_sums(by_hour, merged.received_ms)
        self._remember(fresh)
        total = sum(by_hour.values(), AirSums())
        self._metrics.air_addressed_seconds.inc(total.addressed_ms / 1000)
        self._metrics.air_carried_seconds.inc(total.carried_ms / 1000)
        self._metrics.air_everywhere_seconds.inc(total.flooded_ms / 1000)

    def _remember(self, overs: Collection[tuple[str, str]]) -> None:
        self._known.update(dict.fromkeys(overs))
        while len(self._known) > OVERS_KEPT:
            self._known.popitem(last=False)


def _ended(merged: Merged) -> Iterator[Keying]:
    """The overs to groups of which an end was counted just now, once for each such end."""
    batch = merged.batch
    addressed = {
        k.tie: k for said in batch.keyings.values() for k in said if k.group and k.end_ms > k.ms
    }
    if not addressed:
        return
    for gateway, (verdicts, _) in merged.verdicts.items():
        for event, verdict in zip(batch.gateways[gateway].events, verdicts, strict=True):
            # Of a start the time on the air is -1, though it may tell how long the over will last.
            if verdict == "1" and event[2] == "heard" and int(event[4]) > 0:
                keying = addressed.get(tie_of(gateway, event[0], event[1]))
                if keying is not None:
                    yield keying
