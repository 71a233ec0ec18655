"""What ours is compared with, each run as a process of its own that does nothing else.

`ceiling`: the MQTT client as its documentation shows it, acknowledging and doing nothing more.
`own`: the same with our own connection. `plain`: the script that a keeper would write in an
afternoon: one event at a time, each written to Redis as it comes.
Prints one JSON object: messages and seconds, from the first message to the last.
"""

import argparse
import json
import sys
import time
from typing import Any

import paho.mqtt.client as mqtt
import redis
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from streamer.clock import SystemClock
from streamer.contract import topics
from streamer.mqtt.connection import Connection, Session
from streamer.mqtt.settings import broker_from_url
from tests.bench.world import REGION

SESSION_EXPIRY_S = 3600


class Stopwatch:
    """Counts messages from the first to the one that makes the number full."""

    def __init__(self, wanted: int) -> None:
        self._wanted = wanted
        self._seen = 0
        self._begun_s = 0.0
        self.seconds = 0.0

    def count(self, messages: int = 1) -> bool:
        """True when the number is full."""
        if not self._seen:
            self._begun_s = time.perf_counter()
        self._seen += messages
        if self._seen < self._wanted:
            return False
        self.seconds = time.perf_counter() - self._begun_s
        return True


class Ceiling:
    """paho by the book: callbacks, loop_forever, acknowledged by the library."""

    def __init__(self, port: int, share: str, wanted: int) -> None:
        self._share = share
        self._port = port
        self.watch = Stopwatch(wanted)
        client = self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"bench-{share}", protocol=mqtt.MQTTv5
        )
        client.on_connect = self._on_connect
        client.on_message = self._on_message

    def run(self) -> None:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        self.client.connect("127.0.0.1", self._port, clean_start=False, properties=properties)
        self.client.loop_forever()

    def _on_connect(
        self, client: mqtt.Client, _u: Any, _flags: Any, _code: Any, _properties: Any
    ) -> None:
        client.subscribe(topics.shared(self._share, topics.gateways_filter(REGION)), qos=1)

    def _on_message(self, client: mqtt.Client, _u: Any, message: mqtt.MQTTMessage) -> None:
        self.handle(message)
        if self.watch.count():
            client.disconnect()

    def handle(self, message: mqtt.MQTTMessage) -> None:
        """Nothing: acknowledging alone is measured."""


class Plain(Ceiling):
    """The plain script. It knows no duplicates, order, expiry, alerts or crash of its own."""

    def __init__(self, port: int, share: str, wanted: int, url: str, groups: set[str]) -> None:
        super().__init__(port, share, wanted)
        self._store: Any = redis.Redis.from_url(url, decode_responses=True)
        self._groups = groups
        self._fan_outs: dict[str, list[str]] = {}

    def handle(self, message: mqtt.MQTTMessage) -> None:
        _, _, _, gateway, kind = message.topic.split("/")
        said = json.loads(message.payload)
        if kind == "state":
            self._store.hset("gateways", gateway, message.payload)
            return
        for event in said if isinstance(said, list) else [said]:
            if kind == "route":
                carried = f"carried:{event['group']}"
                self._store.hset(carried, event["repeater"], event["action"])
            else:
                self._heard(event)

    def _heard(self, event: dict[str, Any]) -> None:
        store, station, repeater = self._store, event["station"], event["repeater"]
        last = {"repeater": repeater, "at": event["started_at"], "over": event["over"]}
        if "position" in event:
            last |= {"lat": event["position"]["lat"], "lon": event["position"]["lon"]}
        store.hset(f"station:{station}", mapping=last)
        if event["to"] in self._groups:
            if event.get("text") == "OUT":
                store.srem(f"groups:{station}", event["to"])
                store.hdel(f"members:{event['to']}", station)
                self._publish(event["to"])
            else:
                store.sadd(f"groups:{station}", event["to"])
        for group in store.smembers(f"groups:{station}"):
            if store.hget(f"members:{group}", station) != repeater:
                store.hset(f"members:{group}", station, repeater)
                self._publish(group)

    def _publish(self, group: str) -> None:
        fan_out = sorted(set(self._store.hvals(f"members:{group}")))
        if fan_out != self._fan_outs.get(group):
            self._fan_outs[group] = fan_out
            topic = topics.fanout_topic(f"{REGION}-plain", group)
            self.client.publish(topic, json.dumps(fan_out), qos=1, retain=True)


def own_ceiling(port: int, share: str, wanted: int) -> Stopwatch:
    """Our connection: poll and acknowledge, nothing more."""
    watch = Stopwatch(wanted)
    session = Session(f"bench-{share}", clean=False, expiry_s=SESSION_EXPIRY_S)
    connection = Connection(broker_from_url(f"mqtt://127.0.0.1:{port}"), session, SystemClock())
    connection.open()
    connection.subscribe([(topics.shared(share, topics.gateways_filter(REGION)), 1)])
    full = False
    while not full:
        messages = connection.poll(0.1)
        connection.acknowledge(messages)
        full = bool(messages) and watch.count(len(messages))
    connection.close()
    return watch


def _main() -> int:
    parser = argparse.ArgumentParser(description="one client under measurement")
    parser.add_argument("what", choices=("ceiling", "own", "plain"))
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--messages", type=int, required=True)
    parser.add_argument("--redis", default="")
    parser.add_argument("--groups", default="", help="names, separated by commas")
    a = parser.parse_args()
    if a.what == "own":
        watch = own_ceiling(a.port, a.what, a.messages)
    else:
        client = (
            Ceiling(a.port, a.what, a.messages)
            if a.what == "ceiling"
            else Plain(a.port, a.what, a.messages, a.redis, set(a.groups.split(",")))
        )
        client.run()
        watch = client.watch
    print(json.dumps({"messages": a.messages, "seconds": watch.seconds}))
    return 0


if __name__ == "__main__":
    sys.exit(_main())
