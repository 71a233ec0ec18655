"""From a journal's lines into the state in service: what came after the backup that a store was
restored from. Merging takes events in any order and twice, so more may be given than is missing."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from streamer.clock import Clock, from_ms
from streamer.journal import lines as journal
from streamer.journal.lines import Line
from streamer.lab.acting import do_again
from streamer.lab.catch_up_hands import Hands, taken_ms
from streamer.lab.feed import Feed
from streamer.state import keys as k
from streamer.state.entries import Act, Entry
from streamer.state.store import Store
from streamer.worker.batch import Batch
from streamer.worker.merger import Merged, Merger

PORTION: Final = 4000
"""Events merged at once, beside workers that are in service."""
_TROUBLES_KEPT: Final = 100


@dataclass(slots=True)
class CaughtUp:
    """What became of the lines: events that were new to the state, known, or of a boot of a gateway
    that is no longer judged; acts done again."""

    lines: int = 0
    new: int = 0
    known: int = 0
    too_old: int = 0
    acts: int = 0
    troubles: list[str] = field(default_factory=list)


class CatchUp:
    """Raises StoreUnavailable; then nothing is lost, it is done again from the beginning.

    Refusals are not counted or kept once more: they are no part of what is known of people. Their
    sequence numbers are, so that they leave no hole. Alerts are taken in hand at the end, when what
    became of them is known.
    """

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store = store
        self._clock = clock
        self._merger = Merger(store)
        self._feed = Feed(store.view)
        self._batch = Batch()
        self._done = CaughtUp()
        self._hands = Hands(store.view.name)
        self._taken: list[tuple[int, Entry]] = []
        parts = [*store.partitions, k.ALERTS, k.REGION]
        self._entries = {text for part in parts for text in store.log_of(part)}

    def play(self, lines: Iterable[Line], since_ms: int) -> CaughtUp:
        """Take in what was noted at `since_ms` or later, in the order of `lines`."""
        for line in lines:
            if line["noted_ms"] < since_ms:
                continue
            self._done.lines += 1
            if line["kind"] == journal.ACT:
                self._act(line)
            else:
                self._add(line)
            if self._batch.events >= PORTION:
                self._merge()
        self._merge()
        self._take_in_hand()
        self._store.settle_told(self._clock.now_ms())
        return self._done

    def _add(self, line: Line) -> None:
        try:
            self._hands.note(line)
            self._feed.add(line, self._batch)
        except (KeyError, TypeError, ValueError) as error:
            words = f"{type(error).__name__}: {error}".splitlines()[0]
            self._trouble(f"line noted at {from_ms(line['noted_ms']):%H:%M:%S}Z: {words}: left out")

    def _act(self, line: Line) -> None:
        """Those that the log holds were done before the backup, or by an earlier run of this."""
        if line["entry"] in self._entries:
            return
        self._entries.add(line["entry"])
        try:
            entry = Entry.model_validate_json(line["entry"])
        except ValueError as error:
            self._trouble(f"an act cannot be read: {str(error).splitlines()[0]}")
            return
        if entry.act is Act.ACKNOWLEDGE:
            self._taken.append((taken_ms(entry, line), entry))
            return
        self._merge()  # what was ordered may concern what had only just come about
        self._do(entry)

    def _do(self, entry: Entry) -> None:
        wrong = do_again(self._store, entry)
        if wrong is None:
            self._done.acts += 1
        else:
            self._trouble(f"{entry.at:%H:%M:%S}Z {wrong}")

    def _take_in_hand(self) -> None:
        """Who acknowledged an alert has it in hand, unless it was let go after that; told is also
        whom the backup calls its holder for no better reason. However much else was told."""
        for ms, entry in self._taken:
            freed_ms = self._hands.freed_ms(entry.subject)
            if freed_ms <= ms:
                self._do(entry)
                continue
            self._done.troubles.append(
                f"{entry.at:%H:%M:%S}Z {entry.act} {entry.subject} by {entry.by}: it cleared, or "
                f"was in nobody's hand, later ({from_ms(freed_ms):%H:%M:%S}Z): left out; see "
                "whether somebody has it in hand"
            )
        for alert_id, text in self._store.all_alerts().items():
            found = self._hands.opened_anew(alert_id, text)
            if found is not None:
                holder, anew_ms = found
                self._done.troubles.append(
                    f"alert {alert_id} is in the hands of {holder} by the backup, but stands open "
                    f"in nobody's since {from_ms(anew_ms):%H:%M:%S}Z: ask them, or have somebody "
                    "take it over"
                )

    def _merge(self) -> None:
        batch, self._batch = self._batch, Batch()
        if not batch.gateways:
            return
        self._merger.begin(Merged(batch, self._clock.now_ms()))
        merged = self._merger.finish()
        assert merged is not None
        judged = Counter("".join(events for events, _ in merged.verdicts.values()))
        self._done.new += judged["1"]
        self._done.known += judged["0"]
        self._done.too_old += judged["-"]

    def _trouble(self, words: str) -> None:
        if len(self._done.troubles) < _TROUBLES_KEPT:
            self._done.troubles.append(words)
