"""Fixtures that every test may use."""

import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from tests.servers import Mosquitto, Redis

# A developer's runs look at new examples each time; CI, which needs every server, at the same ones.
# How long anything takes says nothing here: other tests run beside it.
_patient = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("exploring", _patient)
settings.register_profile("same", _patient, derandomize=True)
settings.load_profile("same" if os.environ.get("STREAMER_TESTS_NEED_ALL") else "exploring")


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
