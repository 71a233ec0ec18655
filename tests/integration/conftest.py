"""Stages: regions in service on real servers, ended after each test."""

from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from tests.integration.stage import Addressed, Stage
from tests.servers import Mosquitto, Redis

_numbers = count(1)
MakeStage = Callable[..., Stage]


@pytest.fixture(scope="module")
def broker() -> Iterator[Mosquitto]:
    server = Mosquitto()
    server.start()
    yield server
    server.close()


@pytest.fixture
def servers() -> Iterator[tuple[Mosquitto, Redis]]:
    """Of one test alone, which may kill them; Redis keeps what it has answered."""
    broker, store = Mosquitto(), Redis(aof=True)
    try:
        broker.start()
        store.start()
        yield broker, store
    finally:
        store.close()
        broker.close()


@pytest.fixture
def make_stage(tmp_path: Path, broker: Mosquitto, redis_server: Redis) -> Iterator[MakeStage]:
    """Sets up a region of the given content; its name is made up."""
    made: list[Stage] = []

    def make(
        *, on: Mosquitto | None = None, store: Addressed | None = None, **region: Any
    ) -> Stage:
        number = next(_numbers)
        folder = tmp_path / f"stage-{number}"
        folder.mkdir()
        content = {"region": f"stage{number}", "extra_prefixes": ["Q"], **region}
        stage = Stage(folder, on or broker, store or redis_server, **content)
        made.append(stage)
        return stage

    yield make
    for stage in made:
        stage.close()
