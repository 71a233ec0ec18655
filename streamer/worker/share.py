"""A worker's session at the broker, and its share of what gateways say."""

from collections.abc import Callable
from dataclasses import dataclass

from streamer.clock import Clock
from streamer.contract import topics
from streamer.mqtt.connection import BrokerRefused, Connection, Incoming, Session, Will
from streamer.mqtt.settings import BrokerSettings

SHARE = "streamer"
"""The name of the share where none is given; real ones are secret (WorkersBroker.share)."""
RECEIVE_MAXIMUM = 4000
"""Messages that may be on the way or held here. The broker may allow less (Mosquitto:
max_inflight_messages); the more, the less work an event is while a backlog is read."""
READ_AT_ONCE = RECEIVE_MAXIMUM // 2
"""So that the other half can come while this one is being merged."""
SESSION_EXPIRY_S = 14 * 24 * 3600
RETAINED_ALONE = 1
"""Identifier of the subscription that is there for retained messages alone."""


@dataclass(frozen=True, slots=True)
class WorkerSettings:
    """`name` is also the client id: a worker that comes back must come back under its own name,
    since the broker keeps its share of unacknowledged messages for it."""

    name: str
    broker: BrokerSettings
    share: str = SHARE


def own_session(name: str, will: Will | None) -> Session:
    """The session that the broker keeps for a worker of this name."""
    return Session(
        client_id=name,
        clean=False,
        expiry_s=SESSION_EXPIRY_S,
        receive_maximum=RECEIVE_MAXIMUM,
        will=will,
    )


def end_session(settings: WorkerSettings, clock: Clock) -> Connection:
    """Have the broker forget what it keeps for a worker; returns the connection that did it.
    Raises BrokerRefused, BrokerUnreachable."""
    connection = Connection(settings.broker, Session(settings.name), clock)
    connection.open()
    return connection


def filters(region: str, share: str, protocol: str) -> list[str]:
    """What a worker subscribes to, its share first. MQTT 3.1.1 has no shares: all of it."""
    everything = topics.gateways_filter(region)
    if protocol != "5":
        return [everything]
    # Retained states are not sent on a shared subscription (MQTT 5.0, 4.8.2).
    return [topics.shared(share, everything), topics.states_filter(region)]


def subscribe_to(connection: Connection, region: str, share: str) -> None:
    """Subscribe and wait for the grants. Raises BrokerRefused, BrokerUnreachable."""
    main, *states = filters(region, share, connection.protocol)
    try:
        connection.subscribe([(main, 1)])
    except BrokerRefused as error:
        told = str(error) if share == SHARE else str(error).replace(share, "...")  # it is a secret
        raise BrokerRefused(told) from None
    connection.subscribe([(name, 0) for name in states], RETAINED_ALONE)


def receive(connection: Connection, timeout_s: float) -> list[Incoming]:
    """What has come, without the second copies of states: those that are new come by the share as
    well, to one worker; by the plain subscription they come to all."""
    taken = connection.poll(timeout_s, READ_AT_ONCE)
    return [m for m in taken if m.retain or m.identifier != RETAINED_ALONE]


HELD_BYTES = 16_000_000
"""No more is read while so much is held."""


def take_up(
    connection: Connection,
    held: list[Incoming],
    wait_s: float,
    sift: Callable[[list[Incoming]], list[Incoming]],
) -> bool:
    """Add what has come and `sift` leaves of it to what is held, waiting for it if need be; False
    if there is no room."""
    if sum(len(message.payload) for message in held) >= HELD_BYTES:
        return False
    held += sift(receive(connection, wait_s))
    return True
