"""One connection to a broker, from CONNECT to its end, driven by the thread that polls it.

A `Connection` is used once. After a loss the owner makes another one, with a fresh client object:
the client library would otherwise send its unacknowledged messages again on its own, all at once
and older than what the owner may have published since, and acknowledge packet identifiers that
mean other messages by then. The queue of what must be sent is the owner's (a spool, an outbox).
"""

import select
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from streamer.clock import Clock
from streamer.mqtt.refusals import OtherVersion, cannot_connect, no_answer
from streamer.mqtt.settings import BrokerSettings

NO_SUBSCRIBER: Final = 0x10
_FAILURE: Final = 0x80
_DEFAULT_WINDOW: Final = 100
_READ_BYTES: Final = 2_000_000
_UNSUPPORTED_VERSION: Final = (0x84, 1)  # MQTT 5.0 table 3-1, and return code 1 of MQTT 3.1.1


class MqttError(Exception):
    """Something went wrong with the broker; the text says what to do."""


class BrokerUnreachable(MqttError):
    """No connection could be made now; trying again later may help."""


class BrokerRefused(MqttError):
    """The broker said no: credentials, rights or settings must change."""


class ConnectionLost(MqttError):
    """The connection has ended; what was not acknowledged must be sent on another one."""


@dataclass(frozen=True, slots=True)
class Will:
    topic: str
    payload: bytes
    retain: bool = True


class Incoming(NamedTuple):
    """A message as it came; `mid` is what an acknowledgement names, `identifier` that of the
    subscription it came by, if that one was given any, `dup` the broker's word that it sent it
    before. Its owner may mark it as `unread`, and with how many such it is to tell of."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    mid: int
    identifier: int | None = None
    dup: bool = False
    unread: bool = False
    flooded: int = 0


@dataclass(frozen=True, slots=True)
class Published:
    """The broker's answer to a publish: `ok` is false when it refused the message."""

    token: int
    ok: bool
    reason: str
    nobody_subscribed: bool


@dataclass(frozen=True, slots=True)
class Session:
    """What the owner asks for. `expiry_s` counts from the disconnection (MQTT 5 only)."""

    client_id: str
    clean: bool = True
    expiry_s: int = 0
    receive_maximum: int = 512
    will: Will | None = None
    window: int = _DEFAULT_WINDOW


class Connection:
    """See the module's text. Not safe for use from two threads."""

    def __init__(self, settings: BrokerSettings, session: Session, clock: Clock) -> None:
        self._settings = settings
        self._session = session
        self._clock = clock
        self._client: paho.Client | None = None
        self._incoming: list[Incoming] = []
        self._incoming_bytes = 0
        self._answers: deque[Published] = deque()
        self._granted: dict[int, list[ReasonCode]] = {}
        self._unsubscribed: set[int] = set()
        self._connack: tuple[ReasonCode, Properties | None, bool] | None = None
        self._lost: str | None = None
        self._in_flight = 0
        self._progress = 0
        self.window = session.window
        self.protocol = "5"
        self.session_present = False
        self.max_packet_bytes: int | None = None  # what the broker takes (MQTT 5.0, 3.2.2.3.6)
        self.socket: Any = None  # what it goes by, to be looked at

    # -- opening ---------------------------------------------------------------------------

    def open(self) -> None:
        """Connect and wait for the broker's answer.

        Raises BrokerUnreachable (try later) or BrokerRefused (settings must change).
        """
        wanted = self._settings.protocol
        try:
            self._open_with("3.1.1" if wanted == "3.1.1" else "5")
        except OtherVersion as error:
            if wanted != "auto":
                told = no_answer(self._where, self._settings, error.hung_up)
                raise BrokerRefused(told) from error
            self._open_with("3.1.1")

    def _open_with(self, protocol: str) -> None:
        self.protocol = protocol
        self._connack, self._lost = None, None
        client = self._client = self._make_client(protocol)
        five = protocol == "5"
        try:
            client.connect(
                self._settings.host,
                self._settings.port,
                keepalive=self._settings.keepalive_s,
                clean_start=self._session.clean if five else paho.MQTT_CLEAN_START_FIRST_ONLY,
                properties=self._connect_properties() if five else None,
            )
        except (OSError, ValueError) as error:
            raise BrokerUnreachable(cannot_connect(self._where, error)) from error
        self._await(lambda: self._connack is not None, "answer to CONNECT", version_may_differ=five)
        assert self._connack is not None
        code, properties, self.session_present = self._connack
        if code.is_failure:
            if five and code.value in _UNSUPPORTED_VERSION:
                raise OtherVersion
            raise BrokerRefused(
                f"{self._where}: refused with '{code}' (0x{code.value:02x}); "
                "check user name, password file, certificate and client id"
            )
        self.socket = client.socket()
        self.max_packet_bytes = getattr(properties, "MaximumPacketSize", None)
        granted = getattr(properties, "ReceiveMaximum", None) if properties else None
        self.window = min(self._session.window, granted or self._session.window)

    def _make_client(self, protocol: str) -> paho.Client:
        five = protocol == "5"
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._session.client_id,
            clean_session=None if five else self._session.clean,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        client.connect_timeout = self._settings.connect_timeout_s
        client.max_inflight_messages_set(0)  # the window is ours
        client.max_queued_messages_set(0)
        if self._settings.username is not None:
            password = self._settings.password()
            client.username_pw_set(
                self._settings.username, password.get_secret_value() if password else None
            )
        if self._settings.tls is not None:
            client.tls_set_context(self._settings.tls.context())
        if self._session.will is not None:
            will = self._session.will
            client.will_set(will.topic, will.payload, qos=1, retain=will.retain)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        # With this set, packets are queued and go out when poll() writes them, not one by one.
        client.on_socket_register_write = lambda *_: None
        return client

    def _connect_properties(self) -> Properties:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.ReceiveMaximum = self._session.receive_maximum
        properties.SessionExpiryInterval = self._session.expiry_s
        return properties

    # -- callbacks: only note what happened --------------------------------------------------

    def _on_connect(
        self, _c: Any, _u: Any, flags: Any, code: ReasonCode, properties: Properties | None
    ) -> None:
        self._connack = (code, properties, bool(flags.session_present))
        self._progress += 1

    def _on_disconnect(
        self, _c: Any, _u: Any, _flags: Any, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self._lost = str(code)

    def _on_message(self, _c: Any, _u: Any, m: paho.MQTTMessage) -> None:
        # A topic that is not UTF-8 never gets this far: MQTT forbids it and brokers cut it off.
        named = getattr(m.properties, "SubscriptionIdentifier", None)
        self._incoming_bytes += len(m.payload)
        by = named[0] if named else None
        self._incoming.append(
            Incoming(m.topic, bytes(m.payload), m.qos, m.retain, m.mid, by, bool(m.dup))
        )
        self._progress += 1

    def _on_publish(
        self, _c: Any, _u: Any, mid: int, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self._in_flight -= 1
        self._progress += 1
        self._answers.append(
            Published(mid, code.value < _FAILURE, str(code), code.value == NO_SUBSCRIBER)
        )

    def _on_subscribe(
        self, _c: Any, _u: Any, mid: int, codes: list[ReasonCode], _properties: Properties | None
    ) -> None:
        self._granted[mid] = codes
        self._progress += 1

    def _on_unsubscribe(self, _c: Any, _u: Any, mid: int, *_: Any) -> None:
        self._unsubscribed.add(mid)
        self._progress += 1

    # -- using -----------------------------------------------------------------------------

    @property
    def room(self) -> int:
        """How many more messages may be published before an answer must come."""
        return max(0, self.window - self._in_flight)

    def subscribe(self, filters: Sequence[tuple[str, int]], identifier: int | None = None) -> None:
        """Subscribe and wait for the grant; raises BrokerRefused naming the filter refused.

        `identifier` marks the messages that come by it (MQTT 5.0, 3.8.2.1.2; not with 3.1.1).
        """
        if not filters:
            return
        properties = None
        if identifier is not None:
            properties = Properties(PacketTypes.SUBSCRIBE)  # type: ignore[no-untyped-call]
            properties.SubscriptionIdentifier = identifier
        code, mid = self._live.subscribe(list(filters), properties=properties)
        self._check(code)
        assert mid is not None
        self._await(lambda: mid in self._granted, "answer to SUBSCRIBE")
        for (topic_filter, _), granted in zip(filters, self._granted.pop(mid), strict=True):
            if granted.is_failure:
                raise BrokerRefused(
                    f"{self._where}: may not subscribe to {topic_filter!r} ('{granted}'); "
                    "check this account's rights at the broker"
                )

    def unsubscribe(self, filters: Sequence[str]) -> None:
        """End subscriptions and wait for the answer."""
        code, mid = self._live.unsubscribe(list(filters))
        self._check(code)
        assert mid is not None
        self._await(lambda: mid in self._unsubscribed, "answer to UNSUBSCRIBE")

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Hand one QoS 1 message over; the token returns in `answers()` when it is answered.

        Goes out with the next poll. Raises ConnectionLost when there is no connection.
        """
        info = self._live.publish(topic, payload, qos=1, retain=retain)
        self._check(info.rc)
        self._in_flight += 1
        return info.mid

    def answers(self) -> list[Published]:
        """The answers that have come since the last call."""
        taken = list(self._answers)
        self._answers.clear()
        return taken

    def acknowledge(self, messages: Sequence[Incoming]) -> None:
        """Acknowledge messages of this connection, in order of arrival."""
        client = self._live
        for message in messages:
            if message.qos:
                client.ack(message.mid, message.qos)
        self._flush()

    def poll(
        self, timeout_s: float, limit: int = 512, limit_bytes: int = _READ_BYTES
    ) -> list[Incoming]:
        """Read what is there, at most `limit` messages, and none after those that together reach
        `limit_bytes`; wait up to `timeout_s` if nothing is.

        Raises ConnectionLost when the connection has ended.
        """
        self._flush()
        self._read(limit, limit_bytes)
        if not self._incoming and not self._answers:
            self._wait(timeout_s)
            self._read(limit, limit_bytes)
        self._check(self._live.loop_misc())
        self._flush()
        taken, self._incoming, self._incoming_bytes = self._incoming, [], 0
        return taken

    def pick(self, begin: str) -> list[Incoming]:
        """Take out what has come on topics that begin so; the rest is kept for the next poll."""
        taken = [m for m in self._incoming if m.topic.startswith(begin)]
        self._incoming = [m for m in self._incoming if not m.topic.startswith(begin)]
        return taken

    def flush(self) -> None:
        """Write out what waits to be written."""
        self._flush()

    def wait_for_answers(self, timeout_s: float) -> None:
        """Read until something comes or the time is over; messages are kept for the next poll."""
        self._flush()
        before = self._progress
        self._wait(timeout_s)
        self._check(self._live.loop_read())
        while self._progress != before and self._incoming_bytes < _READ_BYTES:
            before = self._progress
            self._check(self._live.loop_read())
        self._check(self._live.loop_misc())

    def _read(self, limit: int, limit_bytes: int) -> None:
        # The library reads one packet a call; go on while that brings anything.
        client = self._live
        while len(self._incoming) < limit and self._incoming_bytes < limit_bytes:
            before = self._progress
            self._check(client.loop_read())
            if self._progress == before:
                return

    def _wait(self, timeout_s: float) -> None:
        client = self._live
        sock = client.socket()
        if sock is None:
            raise ConnectionLost(f"{self._where}: {self._lost or 'closed'}")
        pending = getattr(sock, "pending", None)
        if pending is not None and pending():
            return
        select.select([sock], [sock] if client.want_write() else [], [], timeout_s)

    def _flush(self) -> None:
        client = self._live
        while client.want_write():
            before = client.want_write()
            self._check(client.loop_write())
            sock = client.socket()
            if before and client.want_write() and sock is not None:
                select.select([], [sock], [], 0.05)
                return

    def close(self) -> None:
        """Say goodbye (the will is not sent) and free the socket; safe to call twice."""
        client, self._client = self._client, None
        if client is None:
            return
        client.on_disconnect = None
        if client.socket() is not None:
            client.disconnect()
            if client.want_write():
                client.loop_write()
        client._reset_sockets()  # the library has no public way

    def abandon(self) -> None:
        """Drop the connection without a word, as a crash would: the broker sends the will."""
        client, self._client = self._client, None
        if client is not None:
            sock = client.socket()
            if sock is not None:
                sock.close()
            client._reset_sockets()

    # -- helpers ---------------------------------------------------------------------------

    @property
    def _where(self) -> str:
        return f"broker {self._settings.host}:{self._settings.port}"

    @property
    def _live(self) -> paho.Client:
        if self._client is None or self._lost is not None:
            raise ConnectionLost(f"{self._where}: {self._lost or 'not connected'}")
        return self._client

    def _check(self, code: MQTTErrorCode | int) -> None:
        if self._lost is not None or code not in (
            MQTTErrorCode.MQTT_ERR_SUCCESS,
            MQTTErrorCode.MQTT_ERR_AGAIN,
        ):
            raise ConnectionLost(f"{self._where}: {self._lost or paho.error_string(int(code))}")

    def _await(self, done: Any, what: str, *, version_may_differ: bool = False) -> None:
        deadline_s = self._clock.monotonic_s() + self._settings.connect_timeout_s
        try:
            while not done():
                if self._clock.monotonic_s() > deadline_s:
                    if version_may_differ:
                        raise OtherVersion
                    raise BrokerUnreachable(f"{self._where}: no {what} in time")
                self._flush()
                self._wait(0.05)
                self._check(self._live.loop_read())
        except ConnectionLost as error:
            if done():
                return
            if version_may_differ:
                # A 3.1.1 broker may cut off, or ignore, a CONNECT of a version it does not know.
                raise OtherVersion(hung_up=True) from error
            if self._connack is None and self._settings.shows_certificate:
                raise BrokerRefused(no_answer(self._where, self._settings, True)) from error
            raise BrokerUnreachable(str(error)) from error
