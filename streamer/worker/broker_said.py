"""What the broker says of itself, and whether there is a connection to it, as metrics.

Mosquitto publishes its own figures under `$SYS/broker`; of a broker that does not, or does not let
the worker read them, they are not known, and the worker works all the same.
"""

import math
import ssl
from typing import Final

import structlog

from streamer.mqtt.connection import BrokerRefused, Connection, Incoming
from streamer.worker.metrics import Metrics

log = structlog.get_logger()

_OWN: Final = "$SYS/broker/"
_DROPPED: Final = f"{_OWN}publish/messages/dropped"
_STORED: Final = f"{_OWN}store/messages/count"
_MEMORY: Final = f"{_OWN}heap/current"
_PRESENCE: Final = {
    f"{_OWN}clients/connected": "connected",
    f"{_OWN}clients/disconnected": "absent",
}
FILTERS: Final = [_DROPPED, _STORED, _MEMORY, *_PRESENCE]
"""Source: mosquitto(8), section BROKER STATUS, of 2.0.11; what it calls `heap/current size`
the broker publishes as `heap/current`."""


class BrokerSaid:
    """For one worker; its connections come and go."""

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics
        self._dropped: int | None = None

    def ask(self, connection: Connection) -> None:
        """Subscribe to the figures. Raises BrokerUnreachable and ConnectionLost alone."""
        try:
            connection.subscribe([(name, 0) for name in FILTERS])
        except BrokerRefused as error:
            log.info("the broker's own figures are not known", reason=str(error))

    def connected(self, connection: Connection) -> None:
        """There is a connection from now on."""
        self._metrics.reconnects.inc()
        self._metrics.connected.set(1)
        end_s = certificate_end_s(connection.socket)
        self._metrics.broker_certificate_end_seconds.set(math.nan if end_s is None else end_s)

    def gone(self) -> None:
        """There is none any more."""
        self._metrics.connected.set(0)

    def sift(self, messages: list[Incoming]) -> list[Incoming]:
        """Take the broker's figures in and return all other messages."""
        if not any(m.topic.startswith("$") for m in messages):
            return messages
        others = []
        for message in messages:
            if message.topic.startswith(_OWN):
                self._take(message)
            else:
                others.append(message)
        return others

    def _take(self, message: Incoming) -> None:
        try:
            number = int(message.payload)
        except ValueError:
            return  # another broker's way of saying it
        if message.topic == _DROPPED:
            self._count_dropped(number)
        elif message.topic == _STORED:
            self._metrics.broker_stored_messages.set(number)
        elif message.topic == _MEMORY:
            self._metrics.broker_memory_bytes.set(number)
        elif message.topic in _PRESENCE:
            self._metrics.broker_clients.labels(_PRESENCE[message.topic]).set(number)

    def _count_dropped(self, number: int) -> None:
        """The broker counts from its start; what it dropped before we first listened is its own."""
        known, self._dropped = self._dropped, number
        if known is not None:
            self._metrics.broker_dropped.inc(number - known if number >= known else number)


def certificate_end_s(sock: object) -> float | None:
    """When the certificate ends that the other side of a TLS connection has shown, in seconds
    since 1970; None without TLS."""
    if not isinstance(sock, ssl.SSLSocket):
        return None
    end = (sock.getpeercert() or {}).get("notAfter")
    return ssl.cert_time_to_seconds(end) if isinstance(end, str) else None
