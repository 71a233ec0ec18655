"""Fixtures that every test may use."""

from collections.abc import Iterator

import pytest

from tests.servers import Mosquitto, Redis


@pytest.fixture(scope="session")
def redis_server() -> Iterator[Redis]:
    """One Redis for the session; tests use a region name of their own or flush it."""
    server = Redis()
    server.start()
    yield server
    server.close()


@pytest.fixture
def empty_redis(redis_server: Redis) -> Redis:
    with redis_server.client() as client:
        client.flushall()
    return redis_server


@pytest.fixture
def mosquitto() -> Iterator[Mosquitto]:
    server = Mosquitto()
    server.start()
    yield server
    server.close()
