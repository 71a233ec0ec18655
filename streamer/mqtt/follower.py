"""A plain MQTT connection that reads topics and comes back after a loss."""

import contextlib
from typing import Final

from streamer.clock import Clock
from streamer.mqtt.connection import Connection, Incoming, MqttError, Session
from streamer.mqtt.settings import BrokerSettings

_AGAIN_S: Final = 1.0


class Follower:
    """Reads `filters`; retained messages come again after each connection, so nothing is missed
    that still holds. Driven by the thread that polls it."""

    def __init__(
        self, settings: BrokerSettings, client_id: str, filters: list[str], clock: Clock
    ) -> None:
        self._settings = settings
        self._client_id = client_id
        self._filters = filters
        self._clock = clock
        self._connection: Connection | None = None
        self._not_before_s = -1.0
        self.trouble: str | None = None
        self.connections = 0
        """How often it has connected: after each, what is retained comes again."""

    def open(self) -> None:
        """Connect now; raises MqttError when that cannot be done."""
        connection = Connection(self._settings, Session(self._client_id), self._clock)
        try:
            connection.open()
            connection.subscribe([(f, 1) for f in self._filters])
        except MqttError:
            connection.close()
            raise
        self._connection = connection
        self.connections += 1

    def poll(self, timeout_s: float) -> list[Incoming]:
        """What has come, waiting at most so long; [] and `trouble` while there is no broker."""
        try:
            if self._connection is None:
                if self._clock.monotonic_s() < self._not_before_s:
                    self._clock.sleep_s(timeout_s)
                    return []
                self.open()
            assert self._connection is not None
            messages = self._connection.poll(timeout_s)
            self._connection.acknowledge(messages)
            self.trouble = None
            return messages
        except (MqttError, OSError) as error:  # also a file of the account that is not there
            self.trouble = str(error)
            self._not_before_s = self._clock.monotonic_s() + _AGAIN_S
            self.close()
            return []

    def close(self) -> None:
        """End the connection; `poll` would make a new one."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with contextlib.suppress(OSError):
                connection.close()
