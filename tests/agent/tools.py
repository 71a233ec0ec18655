"""A real broker, a listener that outlives it, and settings for an agent beside them."""

import json
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from streamer.agent.agent import Agent
from streamer.agent.config import AgentSettings
from streamer.clock import SystemClock
from streamer.mqtt.connection import Connection, Incoming, MqttError, Session
from streamer.mqtt.settings import BrokerSettings
from tests.servers import free_port, program

REGION = "vale"
GATEWAY = "ridge"


def until(done: Callable[[], Any], what: str, timeout_s: float = 20.0) -> Any:
    """Poll until `done()` is true; fails with `what` after `timeout_s`."""
    deadline = time.monotonic() + timeout_s
    while not (value := done()):
        if time.monotonic() > deadline:
            pytest.fail(f"not within {timeout_s} s: {what}")
        time.sleep(0.01)
    return value


class Broker:
    """A mosquitto that can be stopped, killed and started again on the same port and disk."""

    def __init__(self, folder: Path, *lines: str, anonymous: bool = True) -> None:
        self.folder = folder
        self.port = free_port()
        self.config = folder / "mosquitto.conf"
        self.config.write_text(
            "\n".join(
                [
                    f"listener {self.port} 127.0.0.1",
                    "user root",  # otherwise it changes to a user who may not write here
                    f"allow_anonymous {str(anonymous).lower()}",
                    "persistence true",
                    f"persistence_location {folder}/",
                    "autosave_interval 1800",
                    "max_queued_messages 1000000",
                    *lines,
                ]
            )
            + "\n"
        )
        self._process: subprocess.Popen[bytes] | None = None
        self.settings = BrokerSettings(port=self.port, keepalive_s=5)

    def start(self) -> "Broker":
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [program("mosquitto"), "-c", str(self.config)],
                stdout=subprocess.DEVNULL,
                stderr=log,
            )
        until(self._answers, "the broker's port open")
        return self

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.folder / "mosquitto.log").read_text()
        with socket.socket() as sock:
            return sock.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self) -> None:
        """kill -9."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)


class Listener:
    """Collects what is published, with a session that the broker keeps; reconnects by itself."""

    def __init__(self, broker: BrokerSettings, *filters: str, name: str = "listener") -> None:
        self._settings = broker
        self._filters = filters or (f"net/{REGION}/gw/+/heard", f"net/{REGION}/gw/+/route")
        self._name = name
        self._stop = threading.Event()
        self.ready = threading.Event()
        self.messages: list[Incoming] = []
        self._to_send: list[tuple[str, bytes]] = []
        self.answer: Callable[[Incoming], tuple[str, bytes] | None] | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> "Listener":
        self._thread.start()
        assert self.ready.wait(10)
        return self

    def publish(self, topic: str, payload: bytes) -> None:
        self._to_send.append((topic, payload))

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(10)

    def _run(self) -> None:
        while not self._stop.is_set():
            session = Session(self._name, clean=False, expiry_s=3600, receive_maximum=1000)
            connection = Connection(self._settings, session, SystemClock())
            try:
                connection.open()
                connection.subscribe([(one, 1) for one in self._filters])
                self.ready.set()
                self._use(connection)
            except MqttError:
                self._stop.wait(0.05)
            finally:
                connection.close()

    def _use(self, connection: Connection) -> None:
        while not self._stop.is_set():
            while self._to_send:
                connection.publish(*self._to_send.pop(0))
            taken = connection.poll(0.01)
            self.messages += taken
            for message in taken:
                if self.answer is not None and (said := self.answer(message)) is not None:
                    connection.publish(*said)
            connection.acknowledge(taken)

    def events(self) -> list[dict[str, Any]]:
        """Every event that came, in order of arrival, arrays taken apart."""
        found: list[dict[str, Any]] = []
        for message in list(self.messages):
            if message.payload:
                content = json.loads(message.payload)
                found += content if isinstance(content, list) else [content]
        return found

    def numbers(self) -> set[tuple[str, int]]:
        return {(event["boot"], event["seq"]) for event in self.events()}


def settings_for(folder: Path, broker: BrokerSettings, **more: Any) -> AgentSettings:
    """Settings of an agent at this broker; `more` as its TOML tables would be."""
    content: dict[str, Any] = {
        "region": REGION,
        "gateway": GATEWAY,
        "heartbeat_s": 2,
        "rate_mps": 5000,
        "repeater": [{"id": "uhf", "freq_mhz": 438.5}, {"id": "vhf"}],
        "spool": {"path": folder / "spool.db"},
        "broker": broker.model_dump(),
    }
    return AgentSettings.model_validate({**content, **more})


def heard(number: int = 1, **more: Any) -> dict[str, Any]:
    """A heard event as a source gives it."""
    fields = {
        "repeater": "uhf",
        "station": f"QA1{chr(65 + number % 26)}{chr(65 + number // 26 % 26)}",
        "to": "NET-1",
        "over": f"over-{number}",
        "phase": "end",
        "duration_s": 2.5,
    }
    return {**fields, **more}


def route(number: int = 1, **more: Any) -> dict[str, Any]:
    """A route event as a source gives it."""
    fields = {"repeater": "uhf", "group": "NET-1", "action": "sent", "over": f"over-{number}"}
    return {**fields, **more}


MakeBroker = Callable[..., Broker]
Listen = Callable[..., Listener]
StartAgent = Callable[..., Agent]
