"""Groups and members judged as the workers judge them, by the same evidence."""

from collections.abc import Sequence
from dataclasses import replace
from threading import Lock

from streamer.contract.published import Duty
from streamer.domain.group_now import GroupNow, look_at_group
from streamer.domain.liveness import Sights
from streamer.domain.membership import Judgement, judge
from streamer.domain.memory import Memory
from streamer.domain.model import Summary
from streamer.domain.verdict import Silences
from streamer.state import ordered
from streamer.state.evidence import Evidence
from streamer.state.store import Store


class _Bench:
    """A store with what was read and worked out by it."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.view = store.view
        self.evidence = Evidence(store)
        self.memory = Memory()


class Judging:
    """Remembers from one question to the next, as workers do: hundreds of silences take seconds to
    work out, and nothing to know again. Threads may share it, and wait for each other.

    Raises StoreUnavailable when Redis does not answer.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._kept: _Bench | None = None

    def _bench(self, store: Store) -> _Bench:
        if self._kept is None or self._kept.view is not store.view:
            self._kept = _Bench(store)
        return self._kept

    def groups(
        self, store: Store, names: Sequence[str], sights: Sights, now_ms: int
    ) -> list[GroupNow]:
        """Groups of the region file, worked out from their records as of now."""
        duties = ordered.duties_from(store.duties())
        with self._lock:
            bench = self._bench(store)
            return [
                look_at_group(
                    bench.view, snapshot, sights, now_ms, bench.memory,
                    bench.evidence.silences(snapshot, duties, now_ms),
                )
                for snapshot in bench.store.groups(names)
            ]  # fmt: skip

    def member(
        self,
        store: Store,
        group: str,
        summary: Summary,
        sights: Sights,
        duties: Sequence[Duty],
        now_ms: int,
    ) -> Judgement:
        """One station in one group, whose record is read only if the silence has to be judged."""
        with self._lock:
            bench = self._bench(store)

            def ask() -> Silences:
                (snapshot,) = bench.store.groups([group])
                # It may have been read a moment later than the summary that is judged.
                others = tuple(s for s in snapshot.members if s.station != summary.station)
                same = replace(snapshot, members=(*others, summary))
                silences = bench.evidence.silences(same, duties, now_ms)
                assert silences is not None, "learning is enabled"
                return silences()

            sight = sights.repeater(summary.place.repeater)
            learned = ask if bench.view.learning.enabled else None
            return judge(summary, bench.view.policies[group], sight, now_ms, learned)
