"""From what is heard to what people are told, with the real state in a real Redis."""

import json
from typing import Any

import pytest

from tests.servers import Redis
from tests.state.scene import START_MS, Bench, BenchWorker, Teller, region

pytestmark = pytest.mark.redis
MEMBER = "member.TALK.QA1ABC"


@pytest.fixture
def bench(empty_redis: Redis) -> Bench:
    return Bench(region(), empty_redis.url)


@pytest.fixture
def worker(bench: Bench) -> BenchWorker:
    made = bench.worker()
    made.store.prepare(START_MS)
    return made


class Day:
    """`ridge` reports; QA1ABC of TALK keys or does not."""

    def __init__(self, bench: Bench, worker: BenchWorker) -> None:
        self.bench, self.worker, self.ridge = bench, worker, Teller("ridge")
        self.overs = 0
        self.reports()
        self.say(self.ridge.route(self.now_ms, "TALK", "carrying"))

    @property
    def now_ms(self) -> int:
        return self.bench.clock.now_ms()

    def say(self, message: Any) -> None:
        self.worker.run([message])
        self.worker.settle()

    def reports(self) -> None:
        self.say(self.ridge.state(self.now_ms, repeaters=[{"id": "ridge/uhf", "up": True}]))

    def key(self, **more: Any) -> None:
        self.overs += 1
        self.say(self.ridge.heard(self.now_ms, "QA1ABC", f"o{self.overs}", to="TALK", **more))

    def wait(self, seconds: int, *, dark: bool = False) -> None:
        """Heartbeats every 30 s, unless it is dark."""
        for _ in range(seconds // 30):
            self.bench.clock.advance_s(30)
            if dark:
                self.worker.settle()
            else:
                self.reports()

    def told(self, alert_id: str) -> list[dict[str, Any]]:
        """The last words of an alert."""
        topic = f"net/scene/alert/{alert_id}"
        return [json.loads(said) for name, said in self.bench.passing if name == topic]


def test_who_is_heard_again_is_said_to_be_heard_and_where(
    bench: Bench, worker: BenchWorker
) -> None:
    day = Day(bench, worker)
    day.key()
    day.wait(150)
    assert MEMBER in worker.store.all_alerts()
    day.key()
    (ended,) = day.told(MEMBER)
    assert ended["state"] == "cleared"
    assert ended["cleared_because"].startswith("in reach as judged now: heard 08:02:30Z on ridge")


def test_who_checks_out_is_said_to_have_checked_out(bench: Bench, worker: BenchWorker) -> None:
    day = Day(bench, worker)
    day.key()
    day.wait(150)
    day.key(text="OUT")
    (ended,) = day.told(MEMBER)
    assert ended["cleared_because"].startswith("checked out")


def test_who_expires_behind_a_dark_repeater_is_told_of_all_the_same(
    bench: Bench, worker: BenchWorker
) -> None:
    """Expires after 240 s; dark all that time, so never overdue."""
    day = Day(bench, worker)
    day.key()
    day.say(day.ridge.state(day.now_ms, up=False))
    day.wait(270, dark=True)
    assert MEMBER in worker.store.all_alerts() or MEMBER in {
        held["id"]
        for text in worker.store.all_alerts().values()
        for held in json.loads(text)["held"]
    }
    day.ridge.boot = "0190000000000009"
    day.reports()
    assert MEMBER in worker.store.all_alerts()


def test_an_alert_tells_when_its_member_was_last_heard(bench: Bench, worker: BenchWorker) -> None:
    day = Day(bench, worker)
    day.key()
    day.wait(90)
    alert = json.loads(worker.store.all_alerts()[MEMBER])
    assert alert["last_heard_at"] == "2027-01-15T08:00:00Z"
    assert alert["since"] == "2027-01-15T08:01:00Z"
