"""A late backlog mends the state and never notifies anybody as if it were now.

common practice, no source: nobody on the air waits for an answer to a call of half an hour ago.
"""

import json
from typing import Any

import pytest

from streamer.mqtt.connection import Incoming
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, BenchWorker, Teller, region

pytestmark = pytest.mark.redis
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS


def in_service(url: str) -> tuple[Bench, BenchWorker]:
    bench = Bench(region(limits={"gateway_lost_after_s": 7200}), url)
    worker = bench.worker()
    worker.store.prepare(START_MS)
    worker.settle()
    up = [Teller(g, boot="live0000").state(START_MS - HOUR_MS) for g in ("ridge", "lake", "mill")]
    worker.run(up)
    worker.settle()
    assert bench.passing == []
    return bench, worker


def trouble(begin_ms: int) -> list[Incoming]:
    """Within a minute: check-ins, a check-out, a call sign in two places, a loop, a starving."""
    ridge, lake = Teller("ridge"), Teller("lake")
    end: dict[str, Any] = {"phase": "end", "duration_s": 30}
    return [
        ridge.route(begin_ms, "TALK", "released"),
        ridge.heard(begin_ms + 1000, "QA1ABC", "o1", to="TALK"),
        ridge.heard(begin_ms + 2000, "QB2DEF", "o2", to="TALK", **end),
        lake.heard(begin_ms + 10_000, "QB2DEF", "o3", to="TALK", **end),
        ridge.heard(begin_ms + 20_000, "QC3GHI", "o4", to="TALK"),
        ridge.heard(begin_ms + 30_000, "QC3GHI", "o5", to="TALK", text="out"),
        lake.route(begin_ms + 30_000, "TALK", "sent", over="o1", from_gateway="ridge"),
        lake.route(begin_ms + 31_000, "TALK", "sent", over="o1", from_gateway="mill"),
    ]


def said(bench: Bench) -> set[str]:
    """What went out to somebody: replies by their text, alerts by their id."""
    texts = {json.loads(text)["text"] for topic, text in bench.passing if "/reply/" in topic}
    ids = {topic.split("/")[-1] for topic in bench.retained if "/alert/" in topic}
    return texts | ids | {topic for topic, _ in bench.passing if "/alert/" in topic}


def deliver(bench: Bench, worker: BenchWorker, messages: list[Incoming]) -> None:
    worker.run(messages)
    bench.clock.advance_s(6)
    worker.settle()


def test_the_same_story_as_it_happens_is_told(empty_redis: Redis) -> None:
    """What the other tests would miss is said when the story has just happened."""
    bench, worker = in_service(empty_redis.url)
    deliver(bench, worker, trouble(START_MS - 31_000))
    assert said(bench) == {
        "IN TALK",  # QB2DEF; QA1ABC was half a minute ago
        "OUT TALK",
        "two_places.QB2DEF",
        "loop.TALK",
        "repeater_starved.TALK.ridge.uhf",
        "repeater_starved.TALK.lake.uhf",
    }


def test_an_old_backlog_mends_the_state_in_silence(empty_redis: Redis) -> None:
    bench, worker = in_service(empty_redis.url)
    deliver(bench, worker, trouble(START_MS - 20 * MINUTE_MS))
    assert said(bench) == set()
    assert worker.store.gateway("ridge").counts == {"heard": 4, "route": 1}
    assert worker.store.gateway("lake").counts == {"heard": 1, "route": 2}
    record = worker.store.station("QB2DEF")
    assert record is not None
    assert (record.place.over, record.place.repeater) == ("o3", "lake/uhf")
    roster = json.loads(bench.retained["net/scene/reach/TALK"])["members"]
    assert {m["station"]: m["standing"] for m in roster} == {
        "QA1ABC": "expired",
        "QB2DEF": "expired",
        "QC3GHI": "checked_out",
    }
    assert json.loads(bench.retained["net/scene/fanout/TALK"])["repeaters"] == []


def test_a_backlog_of_a_few_minutes_answers_nobody_but_tells_what_is_so_now(
    empty_redis: Redis,
) -> None:
    """Who is out of reach now is so whenever it was learnt; the alert is dated from when it was."""
    bench, worker = in_service(empty_redis.url)
    deliver(bench, worker, trouble(START_MS - 3 * MINUTE_MS)[1:2])
    assert said(bench) == {"member.TALK.QA1ABC"}
    alert = json.loads(bench.retained["net/scene/alert/member.TALK.QA1ABC"])
    assert alert["since"] == "2027-01-15T07:59:01Z"  # heard 07:57:01


def test_a_backlog_does_not_pull_anybody_back(empty_redis: Redis) -> None:
    """Reach, not arrival, decides; what is known better is not published again."""
    bench, worker = in_service(empty_redis.url)
    worker.run([Teller("mill").heard(START_MS, "QB2DEF", "now", to="TALK")])
    worker.settle()
    before = dict(bench.retained)
    bench.passing.clear()
    backlog = [m for m in trouble(START_MS - 20 * MINUTE_MS) if b"QB2DEF" in m.payload]
    deliver(bench, worker, backlog)
    assert bench.passing == []
    fanout = json.loads(bench.retained["net/scene/fanout/TALK"])
    assert [r["repeater"] for r in fanout["repeaters"]] == ["mill/uhf"]
    assert bench.retained["net/scene/fanout/TALK"] == before["net/scene/fanout/TALK"]


def test_a_late_check_out_is_heeded_and_not_answered(empty_redis: Redis) -> None:
    bench, worker = in_service(empty_redis.url)
    ridge = Teller("ridge")
    worker.run([ridge.heard(START_MS, "QA1ABC", "o1", to="TALK")])
    bench.clock.advance_s(45)
    worker.settle()
    assert said(bench) == {"IN TALK"}
    bench.passing.clear()
    worker.run([ridge.heard(START_MS + 5000, "QA1ABC", "o2", to="TALK", text="OUT")])
    worker.settle()
    assert bench.passing == []
    (member,) = json.loads(bench.retained["net/scene/reach/TALK"])["members"]
    assert member["standing"] == "checked_out"


def test_an_answer_is_given_once_however_often_the_event_comes(empty_redis: Redis) -> None:
    bench, worker = in_service(empty_redis.url)
    message = Teller("ridge").heard(START_MS, "QA1ABC", "o1", to="TALK")
    for _ in range(3):
        bench.worker().run([message, message])
        worker.settle()
    assert [topic for topic, _ in bench.passing] == ["net/scene/reply/ridge"]
