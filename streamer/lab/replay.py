"""A journal once more: the same code on another Redis, with the clock of the record.

What is noted of an event is applied in portions, however large; what follows is worked out at
moments that the record alone decides. So the result depends neither on the size of the portions
nor on how many workers share the work: a test holds both.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from streamer.alerts.desk import Desk
from streamer.clock import ManualClock, from_ms, to_ms
from streamer.config import RegionView
from streamer.journal import lines as journal
from streamer.journal.lines import Line
from streamer.journal.reader import JournalError, region_of
from streamer.lab.acting import do_again
from streamer.lab.feed import Feed
from streamer.state import keys
from streamer.state.entries import Act, Entry
from streamer.state.shapes import OutMessage
from streamer.state.store import Store
from streamer.worker.batch import Batch
from streamer.worker.deriver import Deriver, ToSend
from streamer.worker.merger import Merged, Merger
from streamer.worker.metrics import Metrics
from streamer.worker.region_orders import RegionOrders
from streamer.worker.watch import Watch

PORTION: Final = 20_000
"""Events merged at once: the more, the fewer times a station's record is read and written."""
CALLING_MS: Final = 10_000
"""How often is looked while a roll call is going on: an answer is noted when somebody looks, and of
a station that keys much the keying that was the answer is not kept for long."""
CLAIMED: Final = 100
_LOOKS: Final = 10_000
"""More in one go would mean that something wakes itself for ever."""

Publish = Callable[[OutMessage], None]


@dataclass(slots=True)
class Played:
    """What a replay has come to so far."""

    lines: int = 0
    events: int = 0
    refusals: int = 0
    acts: int = 0
    looks: int = 0
    published: int = 0
    now_ms: int = 0
    troubles: list[str] = field(default_factory=list)


class _Hand:
    """One worker's part of the work, without a broker."""

    def __init__(self, store: Store, clock: ManualClock) -> None:
        self.store = store
        self.merger = Merger(store)
        self.orders = RegionOrders(store)
        self.deriver = Deriver(store, clock, Watch(Metrics()), self.orders)
        self.desk = Desk(store, at_once=True)

    def finish(self) -> None:
        """Wait for what is being merged; then it is with the groups too."""
        merged = self.merger.finish()
        if merged is not None and merged.batch.refusals:
            batch = merged.batch
            told = [(r.reason.value, r.model_dump_json()) for r in batch.refusals]
            self.store.refuse(told, batch.untold)


class Replay:
    """Plays lines into an empty state. Raises StoreUnavailable, JournalError.

    `stores` are as many as workers share the work, each with a connection of its own. What the
    region file says is taken from the record, unless `view` is given. `every_ms` is how often,
    by the clock of the record, it is looked at what follows.
    """

    def __init__(
        self,
        stores: Callable[[RegionView], Sequence[Store]],
        every_ms: int,
        *,
        view: RegionView | None = None,
        publish: Publish = lambda message: None,
        portion: int = PORTION,
    ) -> None:
        self._stores = stores
        self.every_ms = every_ms
        """May be changed between two calls of `play`."""
        self._given = view
        self._publish = publish
        self._portion = portion
        self.clock = ManualClock(0)
        self.played = Played()
        self._hands: list[_Hand] = []
        self._turn = 0
        self._batch = Batch()
        self._next_ms = 0
        self._settings = ""
        self._feed: Feed | None = None
        self._entries: set[str] = set()
        self._calling: set[str] = set()

    @property
    def store(self) -> Store:
        """Where all of it goes. Raises JournalError while nothing was played."""
        if not self._hands:
            raise JournalError("the journal holds no region file: give --region FILE")
        return self._hands[0].store

    # -- playing ---------------------------------------------------------------------------------

    def play(self, lines: Iterable[Line], until_ms: int | None = None) -> Iterator[Played]:
        """Play lines up to a time; yields now and then how far it is."""
        for line in lines:
            noted_ms = line["noted_ms"]
            if until_ms is not None and noted_ms > until_ms:
                break
            self.played.lines += 1
            self._take(line, noted_ms)
            if self._batch.events + len(self._batch.refusals) >= self._portion:
                self._merge()
                yield self.played
        self.reach(self.played.now_ms if until_ms is None else until_ms)
        yield self.played

    def reach(self, now_ms: int) -> None:
        """Let the clock come to a time at which nothing more was noted, and settle everything."""
        if not self._hands:
            return
        self._merge()
        self._set_clock(now_ms)
        self._look()
        # A lost gateway's alert names the members behind it a moment after they have changed: that
        # moment may lie beyond.
        self.store.wake([f"w/{name}" for name in self.store.view.gateways], now_ms)
        self._look()
        for hand in self._hands:
            hand.store.settle_told(now_ms)
        self.store.forget_expired(now_ms)

    def _take(self, line: Line, noted_ms: int) -> None:
        kind = line["kind"]
        if kind == journal.BEGIN and self._given is not None and not self._hands:
            if line["region"] != self._given.name:
                raise JournalError(
                    f"the journal is of region {line['region']!r}, the region file of "
                    f"{self._given.name!r}: give the file of that region, or none"
                )
            self.begin(self._given, noted_ms)
        elif kind == journal.REGION:
            self._region(line, noted_ms)
        elif self._feed is None:
            pass  # nobody knows yet which region this is
        elif kind == journal.ACT:
            self._act(line)
        else:
            if noted_ms >= self._next_ms:
                self._look_until(noted_ms)
            self._add(line)
        self.played.now_ms = max(self.played.now_ms, noted_ms)

    def _add(self, line: Line) -> None:
        assert self._feed is not None
        try:
            self._feed.add(line, self._batch)
        except (KeyError, TypeError, ValueError) as error:
            words = f"{type(error).__name__}: {error}".splitlines()[0]
            self._trouble(f"line noted at {_moment(line['noted_ms'])}: {words}: left out")

    def _trouble(self, words: str) -> None:
        if len(self.played.troubles) < 100:
            self.played.troubles.append(words)

    # -- the region file -------------------------------------------------------------------------

    def _region(self, line: Line, noted_ms: int) -> None:
        if self._given is not None or line["settings"] == self._settings:
            return
        view = region_of(line)
        self._settings = line["settings"]
        if not self._hands:
            self.begin(view, noted_ms)
            return
        self._merge()
        self._set_clock(noted_ms)
        self._feed = Feed(view)
        for hand in self._hands:
            hand.store.view = view
            hand.orders.forget()
        self.store.prepare(noted_ms)
        self._look()

    def begin(self, view: RegionView, noted_ms: int) -> None:
        """Begin with a region file at a time; `play` does so by itself."""
        self._set_clock(noted_ms)
        self._hands = [_Hand(store, self.clock) for store in self._stores(view)]
        self._feed = Feed(view)
        self.store.prepare(noted_ms)
        self._next_ms = noted_ms + self.every_ms
        self._look()

    # -- acts ------------------------------------------------------------------------------------

    def _act(self, line: Line) -> None:
        if line["entry"] in self._entries:
            return  # every worker notes what was ordered
        self._entries.add(line["entry"])
        try:
            entry = Entry.model_validate_json(line["entry"])
        except ValueError as error:
            self._trouble(f"an act cannot be read: {str(error).splitlines()[0]}")
            return
        self._merge()
        # What was ordered may concern what had only just come about.
        self._set_clock(line["noted_ms"])
        self._look()
        wrong = do_again(self.store, entry)
        if entry.act is Act.START_ROLL_CALL:
            self._calling.add(entry.subject)
        elif entry.act is Act.END_ROLL_CALL:
            self._calling.discard(entry.subject)
        self._next_ms = min(self._next_ms, self.clock.now_ms() + self._pause_ms())
        if wrong is None:
            self.played.acts += 1
        else:
            self._trouble(f"at {_moment(to_ms(entry.at))} {wrong}")

    # -- merging ---------------------------------------------------------------------------------

    def _merge(self) -> None:
        """Have what was gathered merged while more is read."""
        batch = self._batch
        self._finish()
        if batch.gateways or batch.refusals:
            self._turn = (self._turn + 1) % len(self._hands)
            self._hands[self._turn].merger.begin(Merged(batch, self.played.now_ms))
            self.played.events += batch.events
            self.played.refusals += len(batch.refusals)
        self._batch = Batch()

    def _finish(self) -> None:
        for hand in self._hands:
            hand.finish()

    # -- what follows ----------------------------------------------------------------------------

    def _look_until(self, noted_ms: int) -> None:
        """Look at the last of the moments that have passed: between them nothing was noted."""
        pause_ms = self._pause_ms()
        look_ms = self._next_ms + (noted_ms - self._next_ms) // pause_ms * pause_ms
        self._merge()
        self._set_clock(look_ms)
        self._look()
        self._next_ms = look_ms + pause_ms

    def _pause_ms(self) -> int:
        return min(self.every_ms, CALLING_MS) if self._calling else self.every_ms

    def _look(self) -> None:
        """Work out and publish until nothing is due."""
        self._finish()
        self.played.looks += 1
        now_ms = self.clock.now_ms()
        for hand in self._hands:
            hand.orders.refresh(now_ms)
        for number in range(_LOOKS):
            hand = self._hands[number % len(self._hands)]
            done = 0
            for partition in self.store.partitions:
                claims = hand.store.claim_due(partition, now_ms, CLAIMED)
                done += len(claims)
                self._send(hand, hand.deriver.look(claims))
            told = hand.desk.turn(now_ms)
            done += len(told)
            self._send(hand, [ToSend(keys.ALERTS, message) for message in told])
            for waiting in [*self.store.partitions, keys.ALERTS]:
                messages = hand.store.claim_out(waiting, now_ms, CLAIMED)
                done += len(messages)
                self._send(hand, [ToSend(waiting, message) for message in messages])
            if not done:
                return
        raise JournalError(f"what follows at {_moment(now_ms)} does not come to an end")

    def _send(self, hand: _Hand, sending: Sequence[ToSend]) -> None:
        by_partition: dict[int | str, list[OutMessage]] = {}
        for item in sending:
            self._publish(item.message)
            by_partition.setdefault(item.partition, []).append(item.message)
        self.played.published += len(sending)
        for partition, messages in by_partition.items():
            hand.store.confirm(partition, messages, self.clock.now_ms())

    def _set_clock(self, now_ms: int) -> None:
        """Never back: an act may have been noted later than events that came after it."""
        self.clock.advance_s(max(0, now_ms - self.clock.now_ms()) / 1000)


def _moment(ms: int) -> str:
    return f"{from_ms(ms):%Y-%m-%d %H:%M:%S}Z"
