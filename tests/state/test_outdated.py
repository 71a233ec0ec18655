"""A result that was outdated when it was to be committed must not leave its alert standing."""

from collections.abc import Sequence
from typing import Any

import pytest

from streamer.alerts.conditions import Condition
from streamer.alerts.desk import report
from streamer.contract.published import AlertKind, Severity
from streamer.state.shapes import Outcome
from streamer.state.store import StoreUnavailable
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, BenchWorker, Teller, region

pytestmark = pytest.mark.redis


def about_to_starve(redis_server: Redis) -> tuple[BenchWorker, Teller]:
    """TALK has a member on ridge, which does not carry it."""
    redis_server.client().flushall()
    worker = Bench(region(), redis_server.url).worker()
    worker.store.prepare(START_MS)
    ridge, mill = Teller("ridge"), Teller("mill")
    ports = [{"id": "ridge/uhf", "up": True}]
    worker.run([ridge.state(START_MS, repeaters=ports), mill.state(START_MS)])
    worker.run([ridge.route(START_MS, "TALK", "released")])
    worker.run([ridge.heard(START_MS, "QA1ABC", "o1", to="TALK")])
    worker.settle()
    return worker, ridge


def test_an_alert_of_an_outdated_look_ends_when_its_cause_has_gone(
    redis_server: Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker, ridge = about_to_starve(redis_server)
    bench = worker.bench
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


@pytest.mark.parametrize("first", ["the newer is committed", "the older is said"])
def test_an_outdated_report_of_a_worker_that_ends_before_its_commit_is_replaced(
    redis_server: Redis, monkeypatch: pytest.MonkeyPatch, first: str
) -> None:
    """Worker A read a group before an event, worker B after it. A says its outdated words as B
    has committed, or is about to, and ends."""
    a, ridge = about_to_starve(redis_server)
    bench, b = a.bench, a.bench.worker()
    bench.clock.advance_s(6)  # starved_after_s is 5
    say, commit = a.store.report, b.store.commit
    met: list[str] = []

    def meanwhile(*said: Any) -> None:
        """A, about to say that the group is starved: the repeater takes the group up, B looks."""
        monkeypatch.setattr(a.store, "report", say)

        def between(outcomes: Sequence[Outcome], now_ms: int) -> Any:
            if first == "the older is said":
                say(*said)
            return commit(outcomes, now_ms)

        monkeypatch.setattr(b.store, "commit", between)
        other = b.steps([ridge.route(bench.clock.now_ms(), "TALK", "carrying")])
        while next(other) != "committed":
            pass
        monkeypatch.setattr(b.store, "commit", commit)
        if first == "the newer is committed":
            say(*said)
        met.append(said[0])

    def ends(*_: Any) -> Any:
        assert met == ["g/TALK"]
        raise StoreUnavailable("ended")

    monkeypatch.setattr(a.store, "report", meanwhile)
    monkeypatch.setattr(a.store, "commit", ends)
    with pytest.raises(StoreUnavailable):
        a.deriver.look([c for p in a.store.partitions for c in a.store.claim_due(p, START_MS + 6000)
                        if c.subject == "g/TALK"])  # fmt: skip
    assert b.store.alert_owners() == ["g/TALK"]
    bench.clock.advance_s(4)  # the lease
    bench.worker().settle()
    assert b.store.alert_owners() == []
    assert b.store.all_alerts() == {}


def test_what_was_said_of_a_station_that_is_forgotten_meanwhile_is_taken_back(
    redis_server: Redis,
) -> None:
    redis_server.client().flushall()
    bench = Bench(region(), redis_server.url)
    worker = bench.worker()
    worker.store.prepare(START_MS)
    trouble = Condition(
        "two_places.QA1ABC", AlertKind.TWO_PLACES, Severity.WARNING, "QA1ABC", "", (), "", START_MS
    )
    report(worker.store, "s/QA1ABC", [trouble], START_MS, mark="telling")
    assert worker.store.alert_owners() == ["s/QA1ABC"]
    bench.clock.advance_s(4)
    worker.settle()
    assert worker.store.alert_owners() == []
    assert not redis_server.client().exists(worker.store.keys.station("QA1ABC"))
