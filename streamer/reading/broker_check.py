"""`streamer check --broker`: whether a broker does what workers and agents build upon.

Tried on the broker itself, on topics `net/REGION/check/...` that nobody else reads, and only by an
account whose client ids the broker leaves alone: else a trial would empty a queue. Standards: MQTT
Version 5.0 (OASIS Standard, 7 March 2019); the sections are named at each trial.
"""

import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from streamer.clock import Clock
from streamer.contract import topics
from streamer.contract.common import MAX_PAYLOAD_BYTES
from streamer.mqtt.connection import Connection, Incoming, MqttError, Session, Will
from streamer.mqtt.settings import BrokerSettings
from streamer.worker.share import SESSION_EXPIRY_S

QUEUED: Final = 5000
"""Messages for somebody absent. Some brokers keep 1,000 unless told otherwise."""
_SHARED: Final = 40
_WINDOW: Final = 100
_KEPT_S: Final = 300
_LOOKED_S: Final = SESSION_EXPIRY_S
"""Asked for where a session may turn out to be somebody else's: what its owner asks for, so that
it outlives our look at it. Never 0, which would end it."""
_QUIET_S: Final = 0.5
_LONG_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Found:
    """What came of one trial. `well` None: both ways can be lived with, `text` says which it is."""

    trial: str
    well: bool | None
    text: str


class NotOurs(Exception):
    """This account cannot be tried without harm to who runs under it; the text says what to do."""


class Trials:
    """All of them on one broker, by one account that may have several connections at once."""

    def __init__(self, broker: BrokerSettings, region: str, clock: Clock) -> None:
        self._broker = broker
        self._clock = clock
        self._id = f"check-{secrets.token_hex(4)}"
        self._root = topics.check_topic(region, self._id)
        self._made = 0
        self._open: list[Connection] = []

    def run(self, denied: str | None = None) -> list[Found]:
        """Every trial; `denied` is a topic that this account may not publish to.

        Raises NotOurs before any of them, and OSError if a file of the account cannot be read.
        """
        try:
            self._own_ids()
        except MqttError as error:
            return [Found("connection", False, str(error))]
        finally:
            self._close_all()
        found = [self._try("MQTT 5", self._protocol)]
        if not found[0].well:
            return found
        trials: Sequence[tuple[str, Callable[[], tuple[bool | None, str]]]] = (
            ("large message", self._large),
            ("retained, plain subscription", self._retained),
            ("retained, shared subscription", self._retained_shared),
            ("session kept", self._session),
            (f"queue of {QUEUED}", self._queue),
            ("unacknowledged comes again", self._again),
            ("will", self._will),
            ("share: each to one", self._share),
            ("share: a member dies", self._share_death),
            ("share: a member is absent", self._share_absent),
            ("nobody subscribed", self._nobody),
        )
        found += [self._try(name, trial) for name, trial in trials]
        if denied is not None:
            found.append(self._try("denied publish", lambda: self._denied(denied)))
        return found

    def _try(self, name: str, trial: Callable[[], tuple[bool | None, str]]) -> Found:
        try:
            well, text = trial()
        except MqttError as error:
            well, text = False, str(error)
        finally:
            self._close_all()
        return Found(name, well, text)

    def _close_all(self) -> None:
        for connection in self._open:
            connection.close()
        self._open.clear()

    def _own_ids(self) -> None:
        """See that the broker keeps the client ids that it is given, and end nothing meanwhile: a
        name that nobody ever had finds no session, and a second one does not end the first (MQTT
        5.0, 3.1.2.4, 3.1.3.1, 3.1.4). Raises NotOurs.

        Where it gives each the account's name instead, whoever is there under it loses that
        connection, once, and comes back to a session as long as it was.
        """
        first = self._connect("look-1", kept=True, expiry_s=_LOOKED_S)
        if not first.session_present:
            second = self._connect("look-2", kept=True)
            if not second.session_present and self._is_there(first):
                self._end("look-1", "look-2")
                return
        raise NotOurs(
            "the broker gives every connection of this account one client id, so the trials would "
            "end, and empty the queue of, what runs under it: nothing was tried. Take an account "
            "that nothing else uses, with a password, on a port that leaves client ids alone: "
            "'streamer enroll probe --role worker --password', then --broker mqtt://probe@HOST "
            "with its password in $STREAMER_MQTT_PASSWORD (configs/README.md, a cluster of brokers)"
        )

    def _is_there(self, connection: Connection) -> bool:
        """Whether it lives: an answer comes to what it asks."""
        try:
            connection.unsubscribe([self._topic("look")])
        except MqttError:
            return False
        return True

    # -- helpers ---------------------------------------------------------------------------------

    def _connect(self, name: str = "", *, kept: bool = False, will: Will | None = None,
                 expiry_s: int = _KEPT_S) -> Connection:  # fmt: skip
        self._made += 1
        session = Session(
            f"{self._id}-{name or self._made}", clean=not kept, expiry_s=expiry_s if kept else 0,
            will=will, receive_maximum=_WINDOW,
        )  # fmt: skip
        connection = Connection(self._broker, session, self._clock)
        connection.open()
        self._open.append(connection)
        return connection

    def _end(self, *names: str) -> None:
        """Give up the kept sessions of these names."""
        for name in names:
            self._connect(name).close()

    def _topic(self, rest: str) -> str:
        return f"{self._root}/{rest}"

    def _publish(self, topic: str, payloads: Sequence[bytes], *, retain: bool = False) -> list[str]:
        """Publish and wait for the answers; the reasons of those that were refused."""
        connection = self._connect()
        refused: list[str] = []
        waiting: set[int] = set()
        for payload in payloads:
            while not connection.room:
                connection.wait_for_answers(_LONG_S)
                refused += self._answers(connection, waiting)
            waiting.add(connection.publish(topic, payload, retain=retain))
        end_s = self._clock.monotonic_s() + _LONG_S
        while waiting and self._clock.monotonic_s() < end_s:
            connection.wait_for_answers(0.2)
            refused += self._answers(connection, waiting)
        connection.close()
        return refused + ["no answer"] * len(waiting)

    def _answers(self, connection: Connection, waiting: set[int]) -> list[str]:
        refused = []
        for answer in connection.answers():
            waiting.discard(answer.token)
            if not answer.ok:
                refused.append(answer.reason)
        return refused

    def _read(
        self, *connections: Connection, most: int = 10**9, acknowledge: bool = True
    ) -> list[list[Incoming]]:
        """What each gets until nothing has come for a while, or it is `most` together."""
        taken: list[list[Incoming]] = [[] for _ in connections]
        quiet_s = self._clock.monotonic_s() + _QUIET_S
        while self._clock.monotonic_s() < quiet_s and sum(map(len, taken)) < most:
            for connection, ours in zip(connections, taken, strict=True):
                messages = connection.poll(0.02)
                if messages:
                    ours.extend(messages)
                    quiet_s = self._clock.monotonic_s() + _QUIET_S
                    if acknowledge:
                        connection.acknowledge(messages)
        return taken

    # -- trials ----------------------------------------------------------------------------------

    def _protocol(self) -> tuple[bool, str]:
        """Without it there is no share: one worker alone (4.8.2)."""
        connection = self._connect()
        if connection.protocol != "5":
            return False, f"it speaks {connection.protocol}: one worker alone, and no rights told"
        largest = connection.max_packet_bytes
        told = "any size" if largest is None else f"at most {largest} bytes a packet"
        return True, f"takes {told}, {connection.window} at once"

    def _large(self) -> tuple[bool, str]:
        """3.1.2.11.4, 3.2.2.3.6."""
        topic = self._topic("large")
        reader = self._connect()
        reader.subscribe([(topic, 1)])
        refused = self._publish(topic, [b"x" * MAX_PAYLOAD_BYTES])
        (taken,) = self._read(reader, most=1)
        if refused or not taken:
            return False, f"{MAX_PAYLOAD_BYTES} bytes do not come through: raise the broker's limit"
        return True, f"{MAX_PAYLOAD_BYTES} bytes come through"

    def _retained(self) -> tuple[bool, str]:
        """3.3.1.3. Fan-outs, rosters, alerts and states live on it."""
        topic = self._topic("retained")
        self._publish(topic, [b"old"], retain=True)
        self._publish(topic, [b"new"], retain=True)
        reader = self._connect()
        reader.subscribe([(self._topic("+"), 1)])
        (taken,) = self._read(reader, most=1)
        self._publish(topic, [b""], retain=True)
        later = self._connect()
        later.subscribe([(topic, 1)])
        (left,) = self._read(later, most=1)
        if [m.payload for m in taken if m.topic == topic] != [b"new"] or not taken[0].retain:
            return False, "the newest retained message does not come"
        if left:
            return False, "an empty message does not take it back"
        return True, "the newest comes, an empty one takes it back"

    def _retained_shared(self) -> tuple[bool | None, str]:
        """4.8.2 says: none."""
        topic = self._topic("retained")
        self._publish(topic, [b"x"], retain=True)
        reader = self._connect()
        reader.subscribe([(topics.shared(self._id, topic), 1)])
        (taken,) = self._read(reader, most=1)
        self._publish(topic, [b""], retain=True)
        if taken:
            return None, "sent too, against 4.8.2: states come twice, which does no harm"
        return True, "none"

    def _session(self) -> tuple[bool, str]:
        """3.1.2.11.2, 4.1."""
        topic = self._topic("session")
        self._connect("kept", kept=True).subscribe([(topic, 1)])
        self._open[-1].close()
        self._publish(topic, [b"1", b"2", b"3"])
        again = self._connect("kept", kept=True)
        (taken,) = self._read(again, most=3)
        self._end("kept")
        if not again.session_present:
            return False, "it does not outlive the connection: what comes meanwhile is lost"
        well = [m.payload for m in taken] == [b"1", b"2", b"3"]
        return well, "what came meanwhile is there" if well else f"{len(taken)} of 3 are there"

    def _queue(self) -> tuple[bool, str]:
        """What waits while a worker is away."""
        topic = self._topic("queue")
        self._connect("queue", kept=True).subscribe([(topic, 1)])
        self._open[-1].close()
        refused = self._publish(topic, [b"%d" % n for n in range(QUEUED)])
        again = self._connect("queue", kept=True)
        (taken,) = self._read(again, most=QUEUED)
        self._end("queue")
        kept = len({m.payload for m in taken})
        if kept == QUEUED:
            return True, "all kept"
        told = f", {len(refused)} refused" if refused else ", without a word"
        return False, f"{kept} kept{told}: raise the length of a session's queue"

    def _again(self) -> tuple[bool, str]:
        """4.4."""
        topic = self._topic("again")
        self._connect("again", kept=True).subscribe([(topic, 1)])
        first = self._open[-1]
        self._publish(topic, [b"1", b"2"])
        self._read(first, most=2, acknowledge=False)
        first.abandon()
        (taken,) = self._read(self._connect("again", kept=True), most=2)
        self._end("again")
        well = sorted(m.payload for m in taken) == [b"1", b"2"]
        return well, "after a reconnect" if well else f"{len(taken)} of 2 come again"

    def _will(self) -> tuple[bool, str]:
        """3.1.2.5. Says that a gateway or a worker is gone."""
        topic = self._topic("will")
        self._connect(will=Will(topic, b"gone")).abandon()
        reader = self._connect()
        reader.subscribe([(topic, 1)])
        (taken,) = self._read(reader, most=1)
        self._publish(topic, [b""], retain=True)
        well = [m.payload for m in taken] == [b"gone"]
        return well, "sent, and retained" if well else "it does not come, or is not retained"

    # -- shares ----------------------------------------------------------------------------------

    def _members(self, rest: str) -> tuple[str, Connection, Connection]:
        topic = self._topic(rest)
        one, two = (self._connect(f"{rest}-{n}", kept=True) for n in "12")
        for member in (one, two):
            member.subscribe([(topics.shared(self._id, topic), 1)])
        return topic, one, two

    def _numbers(self) -> list[bytes]:
        return [b"%d" % number for number in range(_SHARED)]

    def _share(self) -> tuple[bool, str]:
        """4.8.2."""
        topic, one, two = self._members("share")
        self._publish(topic, self._numbers())
        taken = [[m.payload for m in ours] for ours in self._read(one, two, most=_SHARED)]
        self._end("share-1", "share-2")
        if sorted(taken[0] + taken[1]) != sorted(self._numbers()):
            return False, f"{len(taken[0])} and {len(taken[1])} of {_SHARED}: not each to one"
        if not (taken[0] and taken[1]):
            return False, "all to one: more workers are of no use"
        return True, f"{len(taken[0])} to one, {len(taken[1])} to the other"

    def _share_death(self) -> tuple[bool | None, str]:
        """One dies with what it has not acknowledged. 4.8.2 leaves open who gets it; nobody must
        lose it."""
        topic, one, two = self._members("death")
        self._publish(topic, self._numbers())
        held, taken = self._read(one, two, acknowledge=False)
        done = [m.payload for m in taken]
        two.acknowledge(taken)
        one.abandon()
        (others,) = self._read(two)
        (own,) = self._read(self._connect("death-1", kept=True))
        self._end("death-1", "death-2")
        there = {*done, *(m.payload for m in others), *(m.payload for m in own)}
        if there != set(self._numbers()):
            return False, f"{_SHARED - len(there)} of {len(held)} that it held are lost"
        if others:
            return None, "the others get it at once: it may come twice, and out of order"
        return None, "kept until it is back: start it again under its own name"

    def _share_absent(self) -> tuple[bool | None, str]:
        """Whether somebody absent is dealt a turn."""
        topic, one, two = self._members("absent")
        one.close()
        self._publish(topic, self._numbers())
        (present,) = self._read(two)
        (late,) = self._read(self._connect("absent-1", kept=True))
        self._end("absent-1", "absent-2")
        there = {m.payload for m in [*present, *late]}
        if there != set(self._numbers()):
            return False, f"{_SHARED - len(there)} of {_SHARED} are lost"
        if len(present) == _SHARED:
            return True, "it is dealt nothing; those present get all"
        return None, f"it is dealt its turn ({len(late)} of {_SHARED}), which waits: --drain"

    # -- what is told ----------------------------------------------------------------------------

    def _nobody(self) -> tuple[bool | None, str]:
        """3.4.2.1, 0x10."""
        connection = self._connect()
        connection.publish(self._topic("nobody"), b"x")
        connection.wait_for_answers(_LONG_S)
        if any(answer.nobody_subscribed for answer in connection.answers()):
            return True, "the agent is told, keeps the event and sends it again"
        return None, "the agent is not told: what is sent before a worker ever came is lost"

    def _denied(self, topic: str) -> tuple[bool, str]:
        """3.4.2.1, 0x87. An agent must not take for delivered what was thrown away."""
        refused = self._publish(topic, [b"x"])
        if refused:
            return True, f"refused: {refused[0]}"
        return False, "taken, or thrown away without a word"
