"""Leaves a broker that is not ours as it was: no retained messages, no session of our worker."""

from typing import Final

from streamer.clock import Clock
from streamer.contract.topics import ROOT
from streamer.mqtt.connection import Connection, MqttError, Session
from streamer.mqtt.settings import BrokerSettings

_QUIET_S: Final = 0.5
_LONGEST_S: Final = 5.0


def tidy(settings: BrokerSettings, region: str, client_id: str, clock: Clock) -> None:
    """Remove the region's retained messages and end the session kept for `client_id`.

    The session would take its turn of later messages though nobody reads them. Does what it can:
    a broker that has gone away keeps what it has.
    """
    # A clean start under the same name discards the session (MQTT 5.0, 3.1.2.4).
    connection = Connection(settings, Session(client_id, clean=True, expiry_s=0), clock)
    try:
        connection.open()
        _sweep(connection, region, clock)
    except MqttError:
        return
    finally:
        connection.close()


def _sweep(connection: Connection, region: str, clock: Clock) -> None:
    connection.subscribe([(f"{ROOT}/{region}/#", 1)])
    began_s = quiet_since_s = clock.monotonic_s()
    waiting: set[int] = set()
    while clock.monotonic_s() - began_s < _LONGEST_S:
        for message in connection.poll(0.05):
            if message.retain and message.payload:
                quiet_since_s = clock.monotonic_s()
                waiting.add(connection.publish(message.topic, b"", retain=True))
            connection.acknowledge([message])
        waiting -= {answer.token for answer in connection.answers()}
        if not waiting and clock.monotonic_s() - quiet_since_s > _QUIET_S:
            return
