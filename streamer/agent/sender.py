"""The thread that talks to the broker: connects, sends, beats, listens, and tries again."""

import contextlib
import threading
from collections.abc import Callable
from typing import Final

from pydantic_core import from_json

from streamer.agent.config import AgentSettings
from streamer.agent.heartbeat import Heartbeat
from streamer.agent.intake import ClockWatch
from streamer.agent.logs import Log
from streamer.agent.outgoing import Outgoing
from streamer.agent.spool import Spool, SpoolError
from streamer.backoff import backoff_s
from streamer.clock import Clock
from streamer.contract.replies import AckReply, TimeReply
from streamer.contract.topics import Kind, gateway_topic, reply_topic
from streamer.mqtt.connection import (
    BrokerRefused,
    BrokerUnreachable,
    Connection,
    Incoming,
    MqttError,
    Session,
    Will,
)
from streamer.mqtt.settings import BrokerSettings

_POLL_S: Final = 0.02  # how long an event may wait for a loop that has nothing else to do
_WINDOW: Final = 50
_IN_FLIGHT_BYTES: Final = 64 * 1024
_BACKOFF_S: Final = (0.5, 60.0)
_STEADY_S: Final = 10.0  # a connection that held so long begins the back-off anew
_SWEEP_S: Final = 1.0
_GOODBYE_S: Final = 1.0
_KEEPALIVES: Final = 1.5  # MQTT 5.0, 3.1.2.10: after so many a dead peer is given up
_REPLIES: Final[dict[str, type[AckReply] | type[TimeReply]]] = {"ack": AckReply, "time": TimeReply}


class RateLimit:
    """A token bucket of one second's messages."""

    def __init__(self, per_s: float, monotonic_s: float) -> None:
        self._per_s = per_s
        self._most = max(1.0, per_s)
        self._tokens = self._most
        self._at_s = monotonic_s

    def take(self, monotonic_s: float) -> bool:
        """Whether one more message may go out now; if so it is counted."""
        self._tokens = min(self._most, self._tokens + (monotonic_s - self._at_s) * self._per_s)
        self._at_s = monotonic_s
        if self._tokens < 1:
            return False
        self._tokens -= 1
        return True


class Sender:
    """One gateway's connection, again and again. `run` is the body of its thread."""

    def __init__(
        self,
        settings: AgentSettings,
        clock: Clock,
        spool: Spool,
        heartbeat: Heartbeat,
        watch: ClockWatch,
        log: Log,
        on_reply: Callable[[AckReply], None] | None,
        stop: threading.Event,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._spool = spool
        self._heartbeat = heartbeat
        self._watch = watch
        self._log = log
        self._on_reply = on_reply
        self.outgoing = Outgoing(spool, log, settings.backlog_array)
        self._rate = RateLimit(settings.rate_mps, clock.monotonic_s())
        self._broker: BrokerSettings = settings.broker
        self._state_topic = gateway_topic(settings.region, settings.gateway, Kind.STATE)
        self._topics = {
            kind: gateway_topic(settings.region, settings.gateway, kind)
            for kind in (Kind.HEARD, Kind.ROUTE)
        }
        self._stop = stop
        self._abrupt = False
        self._soon = False
        self._state_tokens: set[int] = set()
        self._swept_s = 0.0
        self.connected = False
        self.before_draining: Callable[[], None] = lambda: None
        self.finish_when_empty: Callable[[], bool] = lambda: False
        self.replies = 0
        self._missing = 0

    def stop(self, *, abrupt: bool = False) -> None:
        """End `run`: after draining and saying goodbye, or at once and without a word."""
        self._abrupt = abrupt
        self._stop.set()

    def run(self) -> None:
        """Connect and send until `stop`."""
        failures = 0
        while not self._stop.is_set():
            opened_s = self._clock.monotonic_s()
            self._soon = False
            self._attempt()
            if self._finished():
                return
            if self._soon or self._clock.monotonic_s() - opened_s > _STEADY_S:
                failures = 0
            self._stop.wait(backoff_s(failures, *_BACKOFF_S))
            failures += 1

    def _attempt(self) -> None:
        """One connection from its opening to its end; every failure is logged, none raised."""
        will = Will(self._state_topic, self._heartbeat.new_session())
        session = Session(f"gw-{self._settings.gateway}", will=will, window=_WINDOW)
        connection = Connection(self._broker, session, self._clock)
        try:
            connection.open()
            # Once MQTT 5 has worked, an interrupted attempt must not end in 3.1.1, which cannot
            # tell that a message was refused.
            if self._broker.protocol == "auto" and connection.protocol == "5":
                self._broker = self._broker.model_copy(update={"protocol": "5"})
            self._use(connection)
        except BrokerUnreachable as error:
            self._log.seldom("broker_unreachable", why=str(error))
        except BrokerRefused as error:
            self._broker = self._settings.broker
            self._log.seldom("broker_refused", why=str(error))
        except MqttError as error:
            self._lost(str(error))
        except (OSError, ValueError) as error:
            # A password file or a certificate that cannot be read: it may be put right meanwhile.
            self._lost(f"{error}; check [broker] in the agent's file")
        finally:
            self.connected = False
            connection.abandon()

    def _finished(self) -> bool:
        if self._stop.is_set():
            return True
        return self.finish_when_empty() and not self._spool.waiting

    def _lost(self, why: str) -> None:
        if "taken over" in why.lower():
            why += "; another agent uses this gateway's name: each gateway has one agent"
        self._log.seldom("connection_lost", why=why)
        self._soon = self.outgoing.connection_lost(why)

    def _use(self, connection: Connection) -> None:
        try:
            connection.subscribe([(reply_topic(self._settings.region, self._settings.gateway), 1)])
        except BrokerRefused as error:
            self._log.seldom("no_replies", why=f"{error}; the clock's offset stays unknown")
        self._log.info("connected", protocol=connection.protocol, session=self._heartbeat.session)
        self.connected = True
        self.outgoing.connected(connection.max_packet_bytes)
        self._state_tokens.clear()
        while not self._finished():
            self._turn(connection, _POLL_S)
        if self._abrupt:
            return
        self.before_draining()
        deadline_s = self._clock.monotonic_s() + self._settings.drain_s
        while self._spool.waiting and self._clock.monotonic_s() < deadline_s:
            self._turn(connection, _POLL_S)
        self._goodbye(connection)

    def _turn(self, connection: Connection, timeout_s: float) -> None:
        """Once round: heartbeat, events, what came in, what was answered."""
        now_s = self._clock.monotonic_s()
        self._watch.now()  # notices a clock that was set
        if self._heartbeat.due(now_s) and connection.room:
            self._beat(connection)
        self._send(connection, now_s)
        messages = connection.poll(timeout_s)
        for message in messages:
            self._received(message)
        if messages:
            connection.acknowledge(messages)
        self._take_answers(connection)
        if now_s - self._swept_s >= _SWEEP_S:
            self._swept_s = now_s
            self._sweep(now_s)

    def _sweep(self, now_s: float) -> None:
        try:
            # The broker may be dead for a while before that is noticed.
            noticed_s = _KEEPALIVES * self._settings.broker.keepalive_s
            grace_s = self._settings.spool.grace_s
            self._spool.sweep(now_s, grace_s + noticed_s if grace_s else 0.0)
        except SpoolError as error:
            self._log.seldom("spool_failed", why=str(error))  # the rows stay a little longer

    def _beat(self, connection: Connection, *, up: bool = True) -> None:
        payload = self._heartbeat.beat(self._clock.monotonic_s(), up=up)
        self._state_tokens.add(connection.publish(self._state_topic, payload, retain=True))

    def _send(self, connection: Connection, now_s: float) -> None:
        """Publish what there is room for, and what the rate allows."""
        with contextlib.closing(self.outgoing.messages(now_s)) as offered:
            # One place of the window is left to the heartbeat.
            while connection.room > 1 and self.outgoing.in_flight_bytes < _IN_FLIGHT_BYTES:
                message = next(offered, None)
                if message is None or not self._rate.take(now_s):
                    return
                token = connection.publish(self._topics[message.kind], message.payload)
                self.outgoing.sent(message, token)

    def _take_answers(self, connection: Connection) -> None:
        now_s = self._clock.monotonic_s()
        for answer in connection.answers():
            if answer.token in self._state_tokens:
                self._state_tokens.discard(answer.token)
                if not answer.ok:
                    self._log.seldom(
                        "heartbeat_refused",
                        reason=answer.reason,
                        why=f"the broker refuses {self._state_topic}: check this account's rights",
                    )
                continue
            self.outgoing.answered(answer, now_s)

    def _received(self, message: Incoming) -> None:
        try:
            reply = _REPLIES[from_json(message.payload)["kind"]].model_validate_json(
                message.payload
            )
        except (ValueError, LookupError, TypeError):
            self._log.seldom("reply_not_understood", topic=message.topic[:200])
            return
        if isinstance(reply, TimeReply):
            self._heartbeat.answered(reply)
            if reply.missing is not None:
                self._send_again(reply.missing)
            return
        self.replies += 1
        if self._on_reply is not None:
            try:
                self._on_reply(reply)
            except Exception as error:
                self._log.seldom("reply_failed", why=f"{type(error).__name__}: {error}"[:300])

    def _send_again(self, missing: int) -> None:
        """Only when it rises: what is lost for good stays missing."""
        known, self._missing = self._missing, missing
        if missing > known:
            why = "a broker on the way may have crashed: what was sent lately is sent again"
            self._log.seldom("events_missing", missing=missing, why=why)
            self._spool.send_held_again()

    def _goodbye(self, connection: Connection) -> None:
        """The last word of a clean stop, retained, and its acknowledgement if it comes soon."""
        self._beat(connection, up=False)
        deadline_s = self._clock.monotonic_s() + _GOODBYE_S
        while self._state_tokens and self._clock.monotonic_s() < deadline_s:
            connection.poll(_POLL_S)
            self._take_answers(connection)
        connection.close()
