"""One gateway floods, on a real broker and worker: nobody else notices, and it is told."""

import json
import time
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import Any

import psutil
import pytest
from prometheus_client.parser import text_string_to_metric_families as families

from streamer.clock import from_ms
from streamer.contract.topics import Kind, gateway_topic
from streamer.journal.reader import read
from streamer.lab.replay import Replay
from streamer.state.store import Store, connect
from streamer.worker.flood import TOLD_EVERY_S
from tests.integration.conftest import MakeStage
from tests.integration.rig import REGION
from tests.integration.stage import OF_WORKERS, Stage
from tests.integration.test_worker_life import value
from tests.servers import Redis, wait_until
from tests.state.scene import Teller

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.timeout(120)]

FLOOD, ROUNDS = 20_000, 20
RATE, BURST, HOLD_S = 50, 200, 1.5
MEBI = 1024 * 1024
LIMITS = {
    **REGION["limits"], "flood_messages_per_s": RATE, "flood_burst_messages": BURST,
    "flood_hold_s": HOLD_S, "events_lost_after_s": 0.2, "refusals_told_at_once": 100,
}  # fmt: skip
ALERTS = {"settle_s": 0.1, "clear_s": 0.1}


def stage_of(make_stage: MakeStage, **more: Any) -> Stage:
    return make_stage(seen=OF_WORKERS, **{**REGION, "limits": {**LIMITS, **more}, "alerts": ALERTS})


def labelled(stage: Stage, name: str, **labels: str) -> int:
    """A sample of the worker's metrics by its labels; 0 where there is none."""
    _, text = stage.workers[0].get("/metrics")
    found = [s for family in families(text) for s in family.samples if s.name == name]
    return sum(int(s.value) for s in found if s.labels == labels)


def refused_as(stage: Stage, reason: str) -> list[Any]:
    return [r for r in stage.refused() if r["reason"] == reason]


def test_one_floods_and_the_others_do_not_notice(make_stage: MakeStage, tmp_path: Path) -> None:
    stage = stage_of(make_stage)
    worker = stage.unstarted_worker("w", "--journal", str(tmp_path / "journal"))
    worker.start()
    lake, ridge = Teller("lake"), Teller("ridge")
    stage.say(lake.state(stage.now_ms), ridge.state(stage.now_ms))
    stage.expect(lambda: len(stage.times("lake")), 1, "the heartbeat")
    assert worker.process is not None
    process = psutil.Process(worker.process.pid)
    before = process.memory_info().rss
    payload = ridge.heard(stage.now_ms, "QB2DEF", "flood", to="NET").payload
    topic = gateway_topic(stage.region, "ridge", Kind.HEARD)
    for n in range(ROUNDS):  # each is worked off amid the flood: its effect is waited for
        for _ in range(FLOOD // ROUNDS):
            stage.publish(topic, payload)
        name = f"QA{n % 10}AA{'AB'[n // 10]}"
        stage.say(lake.heard(stage.now_ms, name, f"o{n}", to="RESCUE"), lake.state(stage.now_ms))
        wait_until(lambda n=n: len(stage.places("RESCUE")) == n + 1, "it")  # type: ignore[misc]
    wait_until(lambda: "gateway_flooding.ridge" in stage.alerts(), "the alert")
    stage.expect(lambda: stage.store.gateway("lake").counts, {"heard": 20}, "all of the other's")
    assert len(stage.times("lake")) == 21
    assert not [r for r in stage.refused() if r["gateway"] == "lake"]

    # Beyond the burst and the rate nothing was read; all of it was counted, little of it told.
    def taken() -> int:
        return int(value(worker, "streamer_messages_total"))

    def counts() -> dict[str, int]:
        return stage.store.gateway("ridge").counts

    def told() -> list[Any]:
        return refused_as(stage, "flood")

    def flooded() -> float:
        return labelled(stage, "streamer_flooded_total", gateway="ridge")

    wait_until(lambda: taken() >= FLOOD + ROUNDS, "the flood to be worked off", 60)
    time.sleep(TOLD_EVERY_S)  # what was not told yet is told by the next one that is taken
    stage.say(ridge.heard(stage.now_ms, "QB2DEF", "after", to="NET"))
    stage.expect(
        lambda: sum(counts().values()) + sum(r["times"] for r in told()), FLOOD + 1, "all of it"
    )
    lasted_s = (stage.now_ms - ms_of(told()[0])) / 1000
    assert len(told()) <= lasted_s + 2
    assert sum(counts().values()) <= BURST + RATE * (lasted_s + 5)
    assert {r["gateway"] for r in told()} == {"ridge"}
    times = sum(r["times"] for r in told())
    assert stage.store.refusals()["flood"] == times
    stage.expect(flooded, times, "the metric too")
    assert process.memory_info().rss - before < 64 * MEBI

    # The gateway was never taken for lost, and it is over after a while.
    assert stage.ever("gateway_lost") == set()
    assert stage.ever("gateway_flooding") == {"gateway_flooding.ridge"}
    stage.expect(lambda: "gateway_flooding.ridge" in stage.alerts(), False, "the end of the alert")
    worker.stop()
    lines = [ln for ln in read([tmp_path / "journal"], lambda _: None) if ln["kind"] == "refused"]
    assert [ln["times"] for ln in lines if ln["reason"] == "flood"] == [r["times"] for r in told()]


def test_nobody_behind_it_is_judged_while_it_lasts(
    make_stage: MakeStage, tmp_path: Path, redis_server: Redis
) -> None:
    """Overdue after 6 s of silence, 8 s of flood: what the member said may have been refused."""
    policy = {**REGION["policy"], "overdue_after_s": 6, "out_of_reach_after_s": 60}
    content = {**REGION, "policy": policy, "limits": {**LIMITS, "flood_hold_s": 5}}
    stage = make_stage(seen=OF_WORKERS, **content, alerts=ALERTS)
    worker = stage.unstarted_worker("w", "--journal", str(tmp_path / "journal"))
    worker.start()
    ridge = Teller("ridge")
    stage.say(ridge.state(stage.now_ms), ridge.route(stage.now_ms, "NET", "carrying"))
    stage.say(ridge.heard(stage.now_ms, "QB2DEF", "o1", to="NET"))
    stage.expect(lambda: stage.standings("NET"), {"QB2DEF": "in_reach"}, "the member")
    topic = gateway_topic(stage.region, "ridge", Kind.HEARD)
    begun_s = time.monotonic()
    while time.monotonic() < begun_s + 8:
        for _ in range(20):
            stage.publish(topic, b"what is refused unread need not be JSON")
        time.sleep(0.05)
        if stage.standings("NET") == {"QB2DEF": "blind"}:
            seen = {r["repeater"]: r["carriage"] for r in stage.fanout("NET")["repeaters"]}
            assert seen == {"ridge/uhf": "unknown"}
    wait_until(lambda: "member.NET.QB2DEF" in stage.alerts(), "it to be overdue afterwards")
    standings = [
        member["standing"]
        for roster in stage.all_said(f"net/{stage.region}/reach/NET")
        for member in roster["members"]
    ]
    assert [one for one, _ in groupby(standings)] == ["in_reach", "blind", "in_reach", "overdue"]
    told = stage.all_said(f"net/{stage.region}/alert/gateway_flooding.ridge")
    worst = [a for a in told if a["severity"] == "critical"]
    assert {tuple(a["affects"]) for a in worst} == {("QB2DEF",)}
    assert told[-1]["state"] == "cleared"
    assert stage.ever("repeater_starved") == stage.ever("gateway_lost") == set()

    # The refusals are in the journal, so that a replay makes the same times of it.
    worker.stop()
    (flood,) = stage.store.live()[2]["ridge"]
    due_ms = flood.last_ms + 5000  # overdue not before it ended
    assert stage.alerts()["member.NET.QB2DEF"]["since"] >= from_ms(due_ms).isoformat()[:19]
    redis_server.client().flushall()
    replay = Replay(lambda view: [Store(connect(redis_server.url), view)], 1000)
    for played in replay.play(read([tmp_path / "journal"], lambda _: None)):
        assert played.troubles == []
    assert replay.store.live()[2] == {"ridge": (flood,)}


def ms_of(refusal: Any) -> int:
    return round(datetime.fromisoformat(refusal["at"]).timestamp() * 1000)


@pytest.mark.parametrize("what", ["not JSON", "nobody's topic", "another's repeater"])
def test_a_flood_of_what_is_refused_is_counted_and_little_of_it_told(
    make_stage: MakeStage, what: str
) -> None:
    """Below the limit of a flood, each refusal would cost a message to all who read."""
    stage = stage_of(make_stage, flood_messages_per_s=1_000_000, flood_burst_messages=10**7)
    stage.worker()
    gateway = "unheard-of" if what == "nobody's topic" else "ridge"
    payload = b"no JSON"
    if what == "another's repeater":  # arrays make it cheap to have much refused
        one = json.loads(Teller("ridge").heard(stage.now_ms, "QA1ABC", "o", port="uhf").payload)
        wrong = [{**one, "seq": n + 1, "repeater": "lake/uhf"} for n in range(200)]
        payload = json.dumps(wrong).encode()
    many, each = (5, 200) if what == "another's repeater" else (1000, 1)
    for _ in range(many):
        stage.publish(gateway_topic(stage.region, gateway, Kind.HEARD), payload)
    stage.taken()
    reason = {"not JSON": "json", "nobody's topic": "unknown_gateway"}.get(what, "wrong_gateway")
    stage.expect(lambda: stage.store.refusals().get(reason), many * each, "all to be counted")
    counted = lambda: labelled(stage, "streamer_refused_total", reason=reason)  # noqa: E731
    stage.expect(counted, many * each, "the metric too")
    wait_until(lambda: len(refused_as(stage, reason)) >= 100, "100 to be told")
    assert len(refused_as(stage, reason)) < 200  # 100 at once, then two a second
    assert stage.client.llen(stage.store.keys.refused()) < 200


def test_after_an_absence_what_the_broker_has_kept_is_no_flood(make_stage: MakeStage) -> None:
    """More than a burst of one gateway waits for a worker that is down, then for one whose Redis
    is away: all of it counts."""
    stage = stage_of(make_stage, flood_messages_per_s=1000, flood_burst_messages=50)
    worker = stage.worker()
    ridge = Teller("ridge")
    stage.say(ridge.heard(stage.now_ms, "QB2DEF", "o0"))
    stage.expect(lambda: stage.counted("ridge"), 1, "the first")
    worker.stop()
    stage.say(*(ridge.heard(stage.now_ms, "QB2DEF", f"o{n}") for n in range(1, 501)))
    stage.taken()
    worker.start()
    stage.expect(lambda: stage.counted("ridge"), 501, "all that had waited")
    assert refused_as(stage, "flood") == []


def test_stations_cannot_be_invented_without_end(make_stage: MakeStage) -> None:
    """What they would leave in Redis is bounded, people are told, and others are heard on."""
    stage = stage_of(make_stage, stations_per_h=20)
    stage.unstarted_worker("w").start()
    lake, ridge = Teller("lake"), Teller("ridge")
    stage.say(lake.state(stage.now_ms), ridge.state(stage.now_ms))
    begun_ms = stage.now_ms  # all of one hour
    for n in range(200):
        invented = f"QA{n % 10}{chr(65 + n // 26)}{chr(65 + n % 26)}"
        stage.say(ridge.heard(begun_ms, invented, f"i{n}", to="NET"))
    wait_until(lambda: "gateway_flooding.ridge" in stage.alerts(), "the alert")
    stage.expect(
        lambda: stage.store.gateway("ridge").counts, {"heard": 20, "refused": 180}, "all counted"
    )
    assert stage.store.gateway("ridge").missing == 0  # each has used up its number
    assert sum(int(n) for n in stage.store.refusals().values()) == 180
    assert {r["reason"] for r in stage.refused()} == {"too_many_stations"}
    stage.say(lake.heard(stage.now_ms, "QB2DEF", "o1", to="RESCUE"))
    stage.expect(lambda: len(stage.places("RESCUE")), 1, "the other gateway's station")
    everything = stage.client.scan_iter(match=stage.store.keys.everything())
    assert sum(":station:" in str(key) for key in everything) == 20 + 1
    assert labelled(stage, "streamer_flooded_total", gateway="ridge") > 0
