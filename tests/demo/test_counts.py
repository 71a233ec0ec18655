"""The demo's counts are those of the state."""

import pytest

from streamer.demo.counts import Counting, Counts
from tests.servers import Redis
from tests.state.scene import Bench, Teller, region

pytestmark = pytest.mark.redis


def test_only_what_came_since_and_each_event_once(empty_redis: Redis) -> None:
    bench = Bench(region(), empty_redis.url)
    worker, ridge = bench.worker(), Teller("ridge")
    worker.run([ridge.heard(bench.clock.now_ms(), "QA1ABC", "o1", to="TALK")])
    counting = Counting(empty_redis.url, bench.view)
    try:
        assert counting.counts() == Counts(0, 0, {})
        said = [
            ridge.heard(bench.clock.now_ms(), "QA1ABC", "o2", to="TALK"),
            ridge.heard(bench.clock.now_ms(), "NOBODY", "o3", to="TALK"),
            ridge.route(bench.clock.now_ms(), "TALK", "carrying"),
        ]
        worker.run([*said, said[0]])
        worker.run(said)
        assert counting.counts() == Counts(3, 4, {"heard": 1, "quarantined": 1, "route": 1})
    finally:
        counting.close()


def test_a_state_that_does_not_answer() -> None:
    server = Redis()
    server.start()
    try:
        counting = Counting(server.url, region())
        server.kill()
        assert counting.counts() is None
        counting.close()
    finally:
        server.close()
