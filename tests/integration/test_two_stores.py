"""A worker on another Redis than the others of its region changes nothing at the broker; a Redis
that was really replaced is worked with all the same."""

import json
import shutil
from collections.abc import Iterator
from functools import partial
from typing import Any

import pytest

from streamer.clock import SystemClock, from_ms
from streamer.contract.published import WorkerState
from streamer.mqtt.connection import Connection, Session
from streamer.mqtt.settings import broker_from_url
from streamer.state.lineage import Lineage
from streamer.worker.neighbours import FRESH_S, Neighbours, OtherStore
from tests.integration.conftest import MakeStage
from tests.integration.stage import Stage
from tests.servers import Mosquitto, Redis, WorkerProcess, wait_until
from tests.state.scene import Teller

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.timeout(120)]

SMALL: dict[str, Any] = {
    "policy": {"linger_s": 0, "starved_after_s": 3600},
    "alerts": {"settle_s": 0, "clear_s": 0},
    "group": [{"name": "NET"}, {"name": "TALK", "pins": ["mill/uhf"]}],
    "gateway": [{"id": g, "repeater": [{"id": "uhf"}]} for g in ("ridge", "lake", "mill")],
}
STAYED_OUT = "not joined: two stores for one region would overwrite each other"
ANEW = "the store may have been put back: everything is said anew"
NEW = "a new store: nobody has worked with it, and the broker tells of no other"


@pytest.fixture
def other() -> Iterator[Redis]:
    """Another one, and empty."""
    server = Redis()
    server.start()
    yield server
    server.close()


def at_the_broker(stage: Stage, name: str) -> dict[str, bytes]:
    """What is retained of fan-outs, rosters and alerts."""
    peer = stage.peer(
        name, *(f"net/{stage.region}/{one}/+" for one in ("fanout", "reach", "alert"))
    )
    wait_until(lambda: len(peer.by_topic) >= 5, "what is retained")  # 2 groups each, and an alert
    return {topic: said[0] for topic, said in peer.by_topic.items()}


def in_service(stage: Stage) -> WorkerProcess:
    """A worker with a member, a pin and an alert."""
    worker, ridge, lake = stage.worker(), Teller("ridge"), Teller("lake")
    stage.say(*(one.state(stage.now_ms) for one in (ridge, lake, Teller("mill"))))
    stage.say(ridge.heard(stage.now_ms - 1000, "QA1ABC", "first", to="NET"))
    stage.expect(lambda: stage.wanted("NET"), {"ridge/uhf": ("member",)}, "the fan-out")
    stage.expect(lambda: stage.wanted("TALK"), {"mill/uhf": ("pin",)}, "the pin")
    stage.expect(lambda: stage.places("NET"), {"QA1ABC": "ridge/uhf"}, "the roster")
    stage.say(lake.state(stage.now_ms, up=False))
    wait_until(lambda: any("gateway_lost" in name for name in stage.alerts()), "an alert")
    wait_until(lambda: stage.all(f"net/{stage.region}/reach/TALK"), "the other roster")
    return worker


def content(said: dict[str, bytes]) -> dict[str, Any]:
    """Without versions and times: the live worker may say the same anew."""
    read = {topic: json.loads(payload) for topic, payload in said.items()}
    return {t: (r.get("repeaters"), r.get("state"), [m["station"] for m in r.get("members", ())])
            for t, r in read.items()}  # fmt: skip


def test_a_probe_on_another_redis_changes_nothing(make_stage: MakeStage, other: Redis) -> None:
    stage = make_stage(**SMALL)
    worker = in_service(stage)
    wait_until(lambda: worker.says(ANEW) or worker.says(NEW), "it to have looked")
    assert worker.says(NEW), worker.log()  # C1: no warning at the first start
    stage.quiet()
    before = at_the_broker(stage, "before")
    probe = stage.unstarted_worker("probe", store=other.url)
    probe.launch()
    wait_until(lambda: probe.says(STAYED_OUT), "it to stay out")
    assert f"worker {stage.region}-worker-1, heard at " in probe.log()
    status, _ = probe.get("/readyz")
    assert status == 503
    assert "works on another Redis" in probe.get("/healthz")[1]
    # Twenty in a row, none is dealt to it and lost; the live worker goes on.
    mill = Teller("mill")
    stage.say(*(mill.heard(stage.now_ms, f"QA{n % 10}X{'ABCDEFGHIJKLMNOPQRST'[n]}A", f"over-{n}")
                for n in range(20)))  # fmt: skip
    stage.expect(lambda: stage.counted("mill"), 20, "every over to come to the live worker")
    assert content(at_the_broker(stage, "after")) == content(before)
    assert probe.stop() == 0
    assert not stage.all(f"net/{stage.region}/worker/{stage.region}-probe")
    assert not probe.says("connected")
    with other.client() as client:
        assert not list(client.scan_iter("*published*"))
    assert not worker.says("two stores for one region: they overwrite each other")


def test_one_that_drains_is_refused_too(make_stage: MakeStage, other: Redis) -> None:
    stage = make_stage(**SMALL)
    in_service(stage)
    probe = stage.unstarted_worker("probe", "--drain", store=other.url)
    probe.launch()
    assert probe.process is not None
    assert probe.process.wait(30) == 1
    assert "works on another Redis" in probe.log()


def test_a_redis_replaced_under_two_workers_comes_right(make_stage: MakeStage) -> None:
    store = Redis(aof=True)
    store.start()
    try:
        stage = make_stage(store=store, **SMALL)
        first = in_service(stage)
        second = stage.worker("worker-2")
        lineage = Lineage(stage.client, stage.view)
        id_before = lineage.store_id()
        store.kill()
        shutil.rmtree(store.folder / "appendonlydir")
        store.start()
        wait_until(lambda: first.says(ANEW) or second.says(ANEW), "one of them to notice")
        assert lineage.store_id() != id_before
        stage.expect(lambda: stage.wanted("NET"), {}, "nobody is known")
        assert stage.wanted("TALK") == {"mill/uhf": ("pin",)}

        def said(name: str) -> str | None:
            found = stage._newest(f"net/{stage.region}/worker/{stage.region}-{name}") or {}
            return found.get("store") if found.get("up") else None

        for name in ("worker-1", "worker-2"):
            stage.expect(partial(said, name), lineage.store_id(), "the new one to be said")
    finally:
        store.close()


def test_one_started_anew_takes_what_is_retained_and_newer_for_a_store_put_back(
    make_stage: MakeStage,
) -> None:
    """Then readers who keep the highest version follow it again."""
    stage = make_stage(**SMALL)
    worker = in_service(stage)
    wait_until(lambda: worker.says(NEW), "it to have looked")
    worker.stop()
    topic = f"net/{stage.region}/fanout/NET"
    high = stage.fanout("NET") | {"version": stage.now_ms + 3_600_000, "repeaters": []}
    stranger = stage.peer("stranger")
    stranger.publish(topic, json.dumps(high).encode(), retain=True)
    stranger.wait()
    worker.start()
    wait_until(lambda: worker.says(ANEW), "it to notice")
    wait_until(lambda: stage.fanout("NET")["version"] > high["version"], "a higher version")
    assert stage.wanted("NET") == {"ridge/uhf": ("member",)}


# -- what is retained, as it is judged -------------------------------------------------------------


def say(stage: Stage, name: str, store: str | None, *, age_s: float = 0, up: bool = True) -> None:
    state = WorkerState(
        region=stage.region, name=name, up=up, at=from_ms(stage.now_ms - round(1000 * age_s)),
        next_within_s=5, waiting=0, events_per_s=0, store=store,
    )  # fmt: skip
    peer = stage.peer(f"as-{name}-{stage.now_ms}")
    topic = f"net/{stage.region}/worker/{name}"
    peer.publish(topic, state.model_dump_json().encode(), retain=True)
    peer.wait()


def looks(stage: Stage, name: str = "me") -> Neighbours:
    """A new connection that looks; raises OtherStore."""
    lineage = Lineage(stage.client, stage.view)
    made = Neighbours(stage.region, name, lineage, SystemClock())
    connection = Connection(broker_from_url(stage.broker.url), Session(name), stage.clock)
    connection.open()
    try:
        made.look(connection)
    finally:
        connection.close()
    return made


@pytest.mark.parametrize(
    ("said", "age_s", "up"),
    [
        ("another", FRESH_S + 5, True),  # its broker crashed, and it is dead
        ("another", 0, False),  # its will, or its last word
        (None, 0, True),  # an older one that does not tell
    ],
)
def test_these_hinder_nobody(
    said: str | None, age_s: float, up: bool, make_stage: MakeStage
) -> None:
    stage = make_stage(**SMALL)
    say(stage, "worker-2", said, age_s=age_s, up=up)
    found = looks(stage)
    assert found.trouble() == ""
    assert found.was_another


def test_one_that_lives_elsewhere_does_and_one_on_the_same_does_not(make_stage: MakeStage) -> None:
    stage = make_stage(**SMALL)
    store = Lineage(stage.client, stage.view).store_id()
    say(stage, "worker-2", store)
    assert not looks(stage).was_another
    say(stage, "worker-3", "another", age_s=FRESH_S - 20)
    with pytest.raises(OtherStore, match=r"worker worker-3, heard at .*, works on another Redis"):
        looks(stage)


def test_two_that_find_their_store_replaced_do_not_wait_for_each_other(
    make_stage: MakeStage, broker: Mosquitto
) -> None:
    """Both were cut off while it was; the first says that it works no more on the one before."""
    stage = make_stage(on=broker, **SMALL)
    for name in ("one", "two"):
        say(stage, name, "the one before", age_s=1)
    with pytest.raises(OtherStore, match="worker two"):
        looks(stage, "one")
    assert looks(stage, "two").trouble() == ""
    say(stage, "two", Lineage(stage.client, stage.view).store_id())
    assert looks(stage, "one").trouble() == ""
