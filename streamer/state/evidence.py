"""What the law of silence asks of the state, kept for as long as it cannot have changed.

Only what depends on events alone is used, so that every worker comes to the same: when stations
were heard, their newest overs, and what repeaters were learned to hear in the epochs that are over.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from zlib import crc32

from streamer.config import RegionView
from streamer.contract.published import Duty
from streamer.domain.coverage import Coverage
from streamer.domain.duty import began_s
from streamer.domain.model import GroupSnapshot, Presence, Summary
from streamer.domain.outlook import Signs, Watcher
from streamer.domain.verdict import ANEW_MS, Silences, Slot, soonest_s
from streamer.state.coverages import Coverages
from streamer.state.keys import EPOCH_MS
from streamer.state.store import Store

SAMPLE = 32
"""So many members stand for their group."""
SETTLED_MS = 2 * 86_400_000
"""An epoch is used so long after its end: late events have come by then."""
MOST_KEPT = 200_000
SLOTS_KEPT = 24
"""Of each group; older ones are worked out again where somebody asks (a worker that has begun)."""


def sample_of(members: Iterable[str]) -> list[str]:
    """Those that stand for their group: by a number that has nothing to do with how they key."""
    return sorted(members, key=lambda name: crc32(name.encode()))[:SAMPLE]


class Evidence:
    """For one worker, one command or one thread. Raises StoreUnavailable when Redis does not
    answer."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._view: RegionView | None = None
        self._presences: dict[str, tuple[str, Presence]] = {}
        self._signs: dict[str, tuple[str, Signs | None]] = {}
        self._coverages = Coverages()
        self._slots: dict[str, tuple[int, dict[int, Slot]]] = {}

    def silences(
        self, snapshot: GroupSnapshot, duties: Iterable[Duty], now_ms: int
    ) -> Callable[[], Silences] | None:
        """What is known of a group's silences, to be read when it is asked for, and once; None
        where nothing is learned."""
        view = self._store.view
        if view is not self._view:
            self._view = view
            self._presences.clear()
            self._signs.clear()
            self._slots.clear()
        if not view.learning.enabled:
            return None
        made: list[Silences] = []

        def ask() -> Silences:
            if not made:
                made.append(self._make(snapshot, began_s(duties, snapshot.group), now_ms))
            return made[0]

        return ask

    def _make(self, snapshot: GroupSnapshot, duty_since_s: float | None, now_ms: int) -> Silences:
        view = self._store.view
        policy = view.policies[snapshot.group]
        members = {summary.station: summary for summary in snapshot.members}
        # Who was a member at any time that may be asked about: else it would change what was usual
        # then when somebody expires.
        since_ms = now_ms - 2 * round(policy.expire_after_s * 1000)
        here = [
            name for name, s in members.items() if s.check_in is not None and s.place.ms > since_ms
        ]
        sample = sample_of(here)
        # All at once: one by one it takes longest where many have fallen silent.
        soonest_ms = round(soonest_s(policy) * 1000)
        silent = [members[name] for name in here if members[name].place.ms <= now_ms - soonest_ms]
        self._read({s.station: s for s in (*(members[n] for n in sample), *silent)}.values())
        self._read_signs(silent)
        slots = self._slots_of(snapshot.group, now_ms)
        coverage_ms = (now_ms - SETTLED_MS) // EPOCH_MS * EPOCH_MS - 1
        watcher = Watcher(view.learning, partial(self._near, coverage_ms))
        return Silences(
            policy,
            view.learning,
            lambda name: self._presence(members[name]),
            sample,
            duty_since_s=duty_since_s,
            watcher=watcher,
            signs=lambda name: self._signs_of(members[name]),
            slots=slots,
        )

    def _slots_of(self, group: str, now_ms: int) -> dict[int, Slot]:
        begun_ms, slots = self._slots.get(group, (0, {}))
        if not begun_ms <= now_ms < begun_ms + ANEW_MS:
            begun_ms, slots = now_ms, {}
        while len(slots) > SLOTS_KEPT:
            del slots[min(slots)]
        self._slots[group] = begun_ms, slots
        return slots

    # -- stations ------------------------------------------------------------------------------

    def _read(self, summaries: Iterable[Summary]) -> None:
        """Read the presences of those who were heard since they were read."""
        unknown = [
            s for s in summaries if (k := self._presences.get(s.station)) is None or k[0] != s.rev
        ]
        if not unknown:
            return
        if len(self._presences) + len(unknown) > MOST_KEPT:
            self._presences.clear()
        found = self._store.presences([s.station for s in unknown])
        for summary in unknown:
            self._presences[summary.station] = summary.rev, found.get(summary.station, ())

    def _presence(self, summary: Summary) -> Presence:
        self._read([summary])
        return self._presences[summary.station][1]

    def _signs_of(self, summary: Summary) -> Signs | None:
        self._read_signs([summary])
        return self._signs[summary.station][1]

    def _read_signs(self, summaries: Sequence[Summary]) -> None:
        unknown = [
            s for s in summaries if (k := self._signs.get(s.station)) is None or k[0] != s.rev
        ]
        if not unknown:
            return
        if len(self._signs) + len(unknown) > MOST_KEPT:
            self._signs.clear()
        records = self._store.stations([s.station for s in unknown])
        for summary, record in zip(unknown, records, strict=True):
            newest = (summary.place.ms, summary.place.repeater, summary.place.over)
            signs = None
            if record is not None:
                path = tuple(e for e in record.path if (e.ms, e.repeater, e.over) <= newest)
                signs = Signs(path, summary.fix)
            self._signs[summary.station] = summary.rev, signs

    def _near(self, as_of_ms: int, lat: float, lon: float) -> list[Coverage]:
        return self._coverages.near(self._store, lat, lon, as_of_ms)
