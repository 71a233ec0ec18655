"""Fixtures: real brokers, listeners and agents, all ended after the test."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from streamer.agent.agent import Agent
from streamer.agent.config import AgentSettings
from streamer.clock import Clock, SystemClock
from streamer.mqtt.settings import BrokerSettings

from .tools import Broker, Listener


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    made: list[Broker] = []

    def make(*lines: str, **more: bool) -> Broker:
        folder = tmp_path / f"broker-{len(made)}"
        folder.mkdir()
        broker = Broker(folder, *lines, **more)
        made.append(broker)
        return broker.start()

    yield make
    for broker in made:
        broker.kill()


@pytest.fixture
def broker(make_broker: Callable[..., Broker]) -> Broker:
    return make_broker()


@pytest.fixture
def listen() -> Iterator[Callable[..., Listener]]:
    made: list[Listener] = []

    def make(broker: BrokerSettings, *filters: str, name: str = "listener") -> Listener:
        listener = Listener(broker, *filters, name=name)
        made.append(listener)
        return listener.start()

    yield make
    for listener in made:
        listener.stop()


@pytest.fixture
def start_agent() -> Iterator[Callable[..., Agent]]:
    made: list[Agent] = []

    def start(settings: AgentSettings, clock: Clock | None = None, **more: Any) -> Agent:
        agent = Agent(settings, clock or SystemClock(), **more)
        made.append(agent)
        agent.start()
        return agent

    yield start
    for agent in made:
        agent.stop(abrupt=True)
