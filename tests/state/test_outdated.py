"""A result that was outdated when it was to be committed must not leave its alert standing."""

from collections.abc import Sequence
from typing import Any

import pytest

from streamer.state.shapes import Outcome
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, Teller, region

pytestmark = pytest.mark.redis


def test_an_alert_of_an_outdated_look_ends_when_its_cause_has_gone(
    redis_server: Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    redis_server.client().flushall()
    bench = Bench(region(), redis_server.url)
    worker = bench.worker()
    worker.store.prepare(START_MS)
    ridge, mill = Teller("ridge"), Teller("mill")
    ports = [{"id": "ridge/uhf", "up": True}]
    worker.run([ridge.state(START_MS, repeaters=ports), mill.state(START_MS)])
    worker.run([ridge.route(START_MS, "TALK", "released")])
    worker.run([ridge.heard(START_MS, "QA1ABC", "o1", to="TALK")])
    worker.settle()
    assert worker.store.all_alerts() == {}
    bench.clock.advance_s(6)  # starved_after_s is 5
    commit = worker.store.commit
    met: list[list[str]] = []

    def meanwhile(outcomes: Sequence[Outcome], now_ms: int) -> Any:
        """Between the look and its commit the repeater takes the group up."""
        if not met and any(o.claim.subject == "g/TALK" for o in outcomes):
            met.append(worker.store.alert_owners())
            said = ridge.route(now_ms, "TALK", "carrying")
            other = bench.worker().steps([said])
            while next(other) != "groups":  # merged, and not looked at yet
                pass
        return commit(outcomes, now_ms)

    monkeypatch.setattr(worker.store, "commit", meanwhile)
    worker.settle()
    assert met == [["g/TALK"]]
    assert worker.store.all_alerts() == {}
    assert not any("/alert/" in topic for topic in bench.retained)
