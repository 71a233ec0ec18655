"""What goes out next, in which messages, and what the broker's answers mean for the spool."""

from array import array
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from streamer.agent.logs import Log
from streamer.agent.spool import FIRST, Resent, Row, Spool
from streamer.agent.spool_repair import KINDS, is_event
from streamer.contract.topics import Kind
from streamer.mqtt.connection import Published

MAX_ARRAY_BYTES: Final = 200_000
LIVE_ROWS: Final = 20  # with more than so many unsent events there is a backlog: arrays
_LEAST_ARRAY_BYTES: Final = 1_000
_BACKOFF_S: Final = (2.0, 60.0)
_UNHEARD_S: Final = (0.5, 10.0)  # a worker that comes back should not be waited on for long
_NEVER: Final = ("Packet too large", "Payload format invalid")  # MQTT 5.0, 0x95 and 0x99
# Mosquitto answers a message beyond its message_size_limit by PUBACK 0x95, which MQTT 5.0 does not
# allow there: the client library breaks off with the second of these (measured, 2.0.11).
_TOO_LARGE: Final = ("too large", "protocol error")
_PACKET_HEAD: Final = 300  # topic and fixed header, generously
_SUSPICIOUS: Final = 3


@dataclass(frozen=True, slots=True)
class Message:
    """Events of one kind that go out together. `resent` is set for a second sending."""

    kind: Kind
    rows: tuple[Row, ...]
    resent: Resent = FIRST

    @property
    def payload(self) -> bytes:
        if len(self.rows) == 1:
            return self.rows[0].payload
        return b"[" + b",".join(row.payload for row in self.rows) + b"]"

    @property
    def size(self) -> int:
        return sum(len(row.payload) + 1 for row in self.rows) + 1


@dataclass(slots=True)
class _Flight:
    kind: Kind
    ids: "array[int]"
    resent: Resent
    size: int


@dataclass(slots=True)
class _Lane:
    """What is known of one kind: sent up to `cursor`, but for the rows of `first`."""

    cursor: int = 0
    first: list[int] = field(default_factory=list)
    blocked_until_s: float = 0.0
    backoff_s: float = 0.0


class Outgoing:
    """Chooses messages from the spool and keeps account of them. For the sender's thread only.

    Order: rows whose answer never came, then the rest by id, oldest first, heard and route
    together; last, what the broker had acknowledged shortly before a connection was lost.
    """

    def __init__(self, spool: Spool, log: Log, array_rows: int) -> None:
        self._spool = spool
        self._log = log
        self._array_rows = array_rows
        self._array_bytes = MAX_ARRAY_BYTES
        self._lanes = {kind: _Lane() for kind in KINDS}
        self._flights: dict[int, _Flight] = {}
        self._fruitless = 0  # connections lost one after the other without any acknowledgement
        self.unheard = 0
        self.refused = 0

    # -- choosing --------------------------------------------------------------------------

    def messages(self, monotonic_s: float) -> Generator[Message, None, None]:
        """Messages to send, without end while there is something; each must be `sent`.

        Nothing is marked here: a message that is not passed to `sent` is offered again.
        """
        while True:
            chunk = self._chunk(monotonic_s)
            if not chunk:
                break
            yield from self._packed(chunk)
        if not any(lane.backoff_s for lane in self._lanes.values()):
            yield from self._second_sendings()

    def _second_sendings(self) -> Iterator[Message]:
        while True:
            rows, resent = self._spool.take_again(self._array_rows)
            if not rows:
                return
            try:
                yield from self._packed(rows, resent=resent, always=True)
            finally:
                sent = {number for flight in self._flights.values() for number in flight.ids}
                if rest := [row.id for row in rows if row.id not in sent]:
                    self._spool.give_back(rest, resent)

    def _chunk(self, monotonic_s: float) -> list[Row]:
        """The next rows by id, of the kinds that are not held off. One that a worn card has changed
        is put aside: it would cost the whole array that it went into."""
        while True:
            rows = self._next_rows(monotonic_s)
            spoilt = [row for row in rows if not is_event(row.payload)]
            if not spoilt:
                return rows
            for row in spoilt:
                self._spool.bury(row, "no event any more")
                self._log.error(
                    "event_spoilt",
                    id=row.id,
                    why="no JSON any more: was the spool's disk at fault? It is kept in the "
                    "spool's table 'dead'",
                )

    def _next_rows(self, monotonic_s: float) -> list[Row]:
        rows: list[Row] = []
        newest = self._spool.newest_id  # the same for both kinds, although more are recorded
        for kind, lane in self._lanes.items():
            if monotonic_s < lane.blocked_until_s:
                continue
            limit = self._array_rows
            if lane.backoff_s:  # refused before: one event asks whether that has changed
                limit = 1
                if any(flight.kind is kind for flight in self._flights.values()):
                    continue
            while lane.first:
                found = self._spool.rows(lane.first[:limit])
                rows += found
                if found:
                    break
                del lane.first[:limit]  # dropped or buried meanwhile
            if not lane.first and lane.cursor < newest:
                found = self._spool.after(kind, lane.cursor, limit, newest)
                if not found:
                    lane.cursor = newest
                rows += found
        rows.sort(key=lambda row: row.id)
        return rows[: self._array_rows]

    def _packed(
        self, rows: Sequence[Row], *, resent: Resent = FIRST, always: bool = False
    ) -> Iterator[Message]:
        """One message per row while there are few, otherwise arrays by kind, within the bounds."""
        if len(rows) <= LIVE_ROWS and not always:
            for row in rows:
                yield Message(row.kind, (row,), resent)
            return
        for kind in dict.fromkeys(row.kind for row in rows):  # that of the oldest row first
            batch: list[Row] = []
            size = 0
            for row in rows:
                if row.kind is not kind:
                    continue
                if batch and size + len(row.payload) + 1 > self._array_bytes:
                    yield Message(kind, tuple(batch), resent)
                    batch, size = [], 0
                batch.append(row)
                size += len(row.payload) + 1
            if batch:
                yield Message(kind, tuple(batch), resent)

    # -- accounting ------------------------------------------------------------------------

    def sent(self, message: Message, token: int) -> None:
        """The message was handed to the connection under this token."""
        ids = array("q", [row.id for row in message.rows])
        self._flights[token] = _Flight(message.kind, ids, message.resent, message.size)
        if message.resent:
            return
        lane = self._lanes[message.kind]
        if lane.first:
            gone = set(ids)
            lane.first = [number for number in lane.first if number not in gone]
        lane.cursor = max(lane.cursor, ids[-1])

    def answered(self, answer: Published, monotonic_s: float) -> None:
        """Take an answer of the broker into account; other messages' answers are ignored."""
        flight = self._flights.pop(answer.token, None)
        if flight is None:
            return
        lane = self._lanes[flight.kind]
        if answer.ok and not answer.nobody_subscribed:
            self._fruitless = 0
            lane.backoff_s = 0.0
            self._spool.acknowledged(flight.ids, monotonic_s, flight.resent)
            return
        self._again_first(flight)
        if answer.ok:
            self._nobody_listens(flight, monotonic_s)
            return
        self.refused += 1
        if answer.reason in _NEVER:
            self._too_much(flight, answer.reason)
            return
        if self._hold_off(lane, monotonic_s, _BACKOFF_S):
            self._log.seldom(
                "publish_refused",
                flight.kind,
                kind=flight.kind,
                reason=answer.reason,
                why="the broker refuses these events, which stay in the spool: "
                "check this account's rights (ACL) at the broker",
                again_in_s=lane.backoff_s,
            )

    def _nobody_listens(self, flight: _Flight, monotonic_s: float) -> None:
        """The broker has thrown the events away, since it knows no subscriber for them.

        That happens before the first worker has come and also after the broker was restarted:
        Mosquitto 2.0.11 forgets shared subscriptions (measured), until the workers are back.
        """
        self._fruitless = 0
        self.unheard += len(flight.ids)
        if self._hold_off(self._lanes[flight.kind], monotonic_s, _UNHEARD_S):
            self._log.seldom(
                "nobody_subscribed",
                kind=flight.kind,
                why="the broker has no subscriber for these events, which stay in the spool: "
                "is a worker of this region running?",
            )

    @staticmethod
    def _hold_off(lane: _Lane, monotonic_s: float, bounds_s: tuple[float, float]) -> bool:
        """Try again later; False for one of several answers that were on their way."""
        if monotonic_s < lane.blocked_until_s:
            return False
        least_s, most_s = bounds_s
        lane.backoff_s = min(max(lane.backoff_s * 2, least_s), most_s)
        lane.blocked_until_s = monotonic_s + lane.backoff_s
        return True

    def connected(self, max_packet_bytes: int | None) -> None:
        """Heed what the broker says that it takes."""
        if max_packet_bytes is not None:
            most = max(_LEAST_ARRAY_BYTES, max_packet_bytes - _PACKET_HEAD)
            self._array_bytes = min(self._array_bytes, most)

    def connection_lost(self, reason: str = "") -> bool:
        """All that was not acknowledged goes out again, and what was acknowledged just now.

        True if something was too much for the broker and will not be sent like this again.
        """
        told = any(text in reason.lower() for text in _TOO_LARGE)
        changed = False
        for flight in self._flights.values():
            self._again_first(flight)
        if self._flights:
            self._fruitless += 1
            widest = max(self._flights.values(), key=lambda flight: flight.size)
            # A broker of MQTT 3.1.1 cuts off without saying why what is too large for it; but an
            # event is given up only if the broker has said so.
            suspicious = self._fruitless >= _SUSPICIOUS
            if told or (suspicious and len(widest.ids) > 1):
                changed = True
                self._too_much(widest, reason or "connections are lost when it is sent")
        self._flights.clear()
        self._spool.connection_lost()
        return changed

    def _again_first(self, flight: _Flight) -> None:
        if flight.resent:
            self._spool.give_back(flight.ids, flight.resent)
            return
        lane = self._lanes[flight.kind]
        lane.first = sorted({*lane.first, *flight.ids})

    def _too_much(self, flight: _Flight, reason: str) -> None:
        """Send smaller arrays; an event that is too much alone is put aside for good."""
        if len(flight.ids) > 1:
            self._array_bytes = max(_LEAST_ARRAY_BYTES, min(self._array_bytes, flight.size) // 2)
            if flight.size <= _LEAST_ARRAY_BYTES:
                self._array_rows = max(1, len(flight.ids) // 2)
            self._log.seldom("arrays_made_smaller", reason=reason, bytes=self._array_bytes)
            return
        for row in self._spool.rows(flight.ids):
            self._spool.bury(row, reason)
            self._log.error(
                "event_given_up",
                reason=reason,
                why="the broker will never accept it; it is kept in the spool's table 'dead'",
                event_bytes=len(row.payload),
            )

    @property
    def in_flight_bytes(self) -> int:
        return sum(flight.size for flight in self._flights.values())

    @property
    def in_flight(self) -> int:
        return len(self._flights)
