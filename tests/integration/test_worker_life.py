"""A worker's life: start, two at work, Redis or the broker away, reload, stop."""

import signal
import subprocess
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families as families

from streamer.worker.metrics import TALLIES
from tests.integration.conftest import MakeStage
from tests.integration.rig import GATEWAYS, GROUPS, REGION, Script
from tests.integration.stage import Stage
from tests.servers import Mosquitto, Redis, WorkerProcess, program, wait_until
from tests.state.scene import Teller

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]


class Crowd:
    """Gateways that say what the field teams of the kill tests say, one event a message."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._scripts = {name: (Script(name, 7), Teller(name)) for name in GATEWAYS}
        self.said = 0

    def say(self, count: int) -> None:
        """So many events, a quarter by each gateway."""
        now_ms = self._stage.now_ms
        for name, (script, teller) in self._scripts.items():
            for event in script.events(count // len(GATEWAYS), now_ms):
                port, group = event.pop("repeater"), event.pop("group", None)
                if group is not None:
                    action = event.pop("action")
                    said = teller.route(now_ms, group, action, port, **event)
                else:
                    said = teller.heard(now_ms, event.pop("station"), event.pop("over"), port,
                                        **event)  # fmt: skip
                self._stage.say(said)
                self.said += 1
            assert name == teller.gateway

    @property
    def counted(self) -> int:
        return sum(self._stage.counted(name) for name in GATEWAYS)

    def all_counted(self, seconds: float = 30) -> None:
        wait_until(lambda: self.counted >= self.said, "all to be counted", seconds)
        assert self.counted == self.said
        assert sum(self._stage.store.gateway(name).missing for name in GATEWAYS) == 0


@contextmanager
def saying(crowd: Crowd, stop: threading.Event) -> Iterator[None]:
    """Load of about 1,000 events/s while the block runs."""

    def run() -> None:
        while not stop.wait(0.02):
            crowd.say(20)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def hears_of(*workers: WorkerProcess) -> list[float]:
    """How many messages each worker has acknowledged."""
    return [value(worker, "streamer_messages_total") for worker in workers]


def value(worker: WorkerProcess, name: str) -> float:
    status, text = worker.get("/metrics")
    assert status == 200
    found = [s.value for family in families(text) for s in family.samples if s.name == name]
    assert len(found) == 1
    return float(found[0])


def said_last(stage: Stage, topic: str, payload: bytes) -> bool:
    return stage.reader.by_topic[topic][-1:] == [payload]


def holds(worker: WorkerProcess) -> bool:
    return worker.get("/healthz")[0] == 503


def code_of(worker: WorkerProcess) -> int:
    """Start it and wait for its end."""
    worker.launch()
    assert worker.process is not None
    return worker.process.wait(30)


@pytest.fixture
def own_broker() -> Iterator[Mosquitto]:
    server = Mosquitto()
    server.start()
    yield server
    server.close()


@pytest.fixture
def own_redis() -> Iterator[Redis]:
    server = Redis(aof=True)
    server.start()
    yield server
    server.close()


# -- stopping and reloading ----------------------------------------------------------------------


def test_sigterm_drains(make_stage: MakeStage) -> None:
    stage = make_stage(**REGION)
    worker, crowd = stage.worker(), Crowd(stage)
    with saying(crowd, threading.Event()):
        wait_until(lambda: crowd.counted > 500, "events to be counted")
        assert worker.stop() == 0
        assert worker.says("drained")
        assert '"complete": true' in worker.log()
        # What was committed is with the broker: nobody else was there to send it.
        store = stage.store
        assert store.waiting_out() == 0
        retained: dict[str, bytes] = {}
        for partition in [*store.partitions, "alerts"]:
            published = stage.client.hgetall(store.keys.published(partition))
            for name, text in published.items():
                if not name.endswith("/beat"):
                    retained[name] = text.split("\n", 1)[1].encode()
        assert len(retained) == 2 * len(GROUPS)
        for topic, payload in retained.items():
            wait_until(partial(said_last, stage, topic, payload), "what was said last")
    stage.taken()
    assert crowd.counted < crowd.said
    worker.start()  # what it had not acknowledged, and what came meanwhile, comes to its name
    crowd.all_counted()


@pytest.mark.parametrize("away", ["redis", "broker"])
def test_sigterm_also_ends_one_that_waits(
    make_stage: MakeStage, own_broker: Mosquitto, own_redis: Redis, away: str
) -> None:
    stage = make_stage(on=own_broker, store=own_redis, **REGION)
    worker, crowd = stage.worker(), Crowd(stage)
    crowd.say(100)
    crowd.all_counted()
    {"redis": own_redis, "broker": own_broker}[away].kill()
    wait_until(lambda: worker.get("/readyz")[0] == 503, "the worker to notice")
    assert worker.stop() == 0
    assert worker.says("worker stopped")


def test_sighup_reads_the_file_again_and_loses_nothing(make_stage: MakeStage) -> None:
    stage = make_stage(**REGION)
    worker, crowd, marker = stage.worker(), Crowd(stage), Teller("ridge", boot="marker-boot")
    process = worker.process
    assert process is not None
    more = {**REGION, "region": stage.region, "extra_prefixes": ["Q"]}
    more["group"] = [*REGION["group"], {"name": "LATER", "pins": ["mill/uhf"]}]

    def reload(what: str) -> None:
        before = worker.log().count(what)
        process.send_signal(signal.SIGHUP)
        wait_until(lambda: worker.log().count(what) > before, what)

    with saying(crowd, threading.Event()):
        wait_until(lambda: crowd.counted > 200, "events to be counted")
        stage.write(more)
        for _ in range(3):
            reload("region file read again")
        pinned = {"mill/uhf": ("pin",)}
        stage.expect(lambda: stage.wanted("LATER"), pinned, "the new group")
        stage.say(marker.heard(stage.now_ms, "QZ1ABC", "m1", to="LATER"))
        stage.expect(lambda: stage.standings("LATER"), {"QZ1ABC": "in_reach"}, "its member")

        # A file with a fault, and one that needs a restart, are not taken over.
        stage.file.write_text(stage.file.read_text().replace("linger_s", "linger"))
        reload("region file not taken over")
        assert "policy.linger" in worker.log()
        stage.write({**more, "partitions": 5, "group": REGION["group"]})
        reload("other region or partitions: both need a restart")
        stage.say(marker.heard(stage.now_ms, "QZ2ABC", "m2", to="LATER"))
        both = {"QZ1ABC": "in_reach", "QZ2ABC": "in_reach"}
        stage.expect(lambda: stage.standings("LATER"), both, "the old settings at work")

        # A group that the file no longer has is taken back.
        stage.write({**more, "group": REGION["group"]})
        reload("region file read again")
        fanout = f"net/{stage.region}/fanout/LATER"
        stage.expect(lambda: stage.reader.by_topic[fanout][-1], b"", "the group taken back")
    stage.taken()
    crowd.said += 2  # the marker's
    crowd.all_counted()
    assert worker.process is process
    assert process.poll() is None
    assert stage.store.refusals() == {}


# -- others away ---------------------------------------------------------------------------------


@pytest.mark.parametrize("worker_dies", [False, True])
def test_redis_away(
    make_stage: MakeStage, own_broker: Mosquitto, own_redis: Redis, worker_dies: bool
) -> None:
    stage = make_stage(on=own_broker, store=own_redis, **REGION)
    worker, crowd = stage.worker(), Crowd(stage)
    crowd.say(400)
    crowd.all_counted()
    assert worker.get("/healthz")[0] == 200
    wait_until(lambda: hears_of(worker) == [400.0], "all to be acknowledged")
    own_redis.kill()
    crowd.say(2000)  # more than the broker lets out unacknowledged
    stage.taken()
    wait_until(lambda: worker.get("/healthz")[0] == 503, "the worker to say that it is not well")
    status, text = worker.get("/healthz")
    assert status == 503
    assert '"redis": "Redis: ConnectionError' in text
    assert '"broker": "connected, MQTT 5"' in text
    wait_until(lambda: value(worker, "streamer_redis_errors_total") >= 3, "it to try again")
    assert value(worker, "streamer_redis_up") == 0
    assert hears_of(worker) == [400.0]  # nothing acknowledged
    if worker_dies:
        worker.kill()
    own_redis.start()
    if worker_dies:
        worker.start()
    crowd.all_counted()
    wait_until(lambda: worker.get("/healthz")[0] == 200, "the worker to be well")
    assert value(worker, "streamer_redis_up") == 1


def test_broker_away(make_stage: MakeStage, own_broker: Mosquitto) -> None:
    stage = make_stage(on=own_broker, **REGION)
    worker = stage.worker()
    wait_until(lambda: worker.get("/readyz")[0] == 200, "the worker to be ready")
    own_broker.kill()
    wait_until(lambda: worker.get("/readyz")[0] == 503, "the worker to notice")
    status, text = worker.get("/healthz")  # well, though it has nothing to do
    assert status == 200
    assert "connected, MQTT" not in text  # but why not, in the words of the moment
    assert value(worker, "streamer_broker_connected") == 0
    own_broker.start()
    wait_until(lambda: worker.get("/readyz")[0] == 200, "the worker to be ready again")
    assert value(worker, "streamer_broker_connects_total") == 2
    assert worker.get("/nowhere")[0] == 404


# -- several workers, other protocols ------------------------------------------------------------


def test_two_workers_share_the_load(make_stage: MakeStage) -> None:
    stage = make_stage(**REGION)
    workers, crowd = [stage.worker("worker-1"), stage.worker("worker-2")], Crowd(stage)
    ridge = Teller("ridge")
    crowd.say(1000)
    stage.say(*(ridge.state(stage.now_ms) for _ in range(50)))
    crowd.all_counted()
    wait_until(lambda: sum(hears_of(*workers)) >= 1050, "all to be acknowledged")
    stage.quiet(workers=2)
    wait_until(lambda: sum(hears_of(*workers)) >= 1052, "the marks to be acknowledged")
    # Every message went to one of them and to one alone, heartbeats too.
    assert sum(hears_of(*workers)) == 1052
    assert min(hears_of(*workers)) > 250
    for worker in workers:
        assert worker.get("/readyz")[0] == 200


def test_one_worker_with_mqtt_3_1_1(make_stage: MakeStage, broker: Mosquitto) -> None:
    tables = {"host": "127.0.0.1", "port": broker.port, "protocol": "3.1.1"}
    stage = make_stage(**REGION, broker=tables)
    worker = stage.unstarted_worker("worker-1", broker_of_file=True)
    worker.start()
    crowd = Crowd(stage)
    assert '"connected, MQTT 3.1.1"' in worker.get("/healthz")[1]
    crowd.say(400)
    crowd.all_counted()
    worker.kill()
    crowd.say(400)
    stage.taken()
    worker.start()
    assert '"session_present": true' in worker.log()
    crowd.all_counted()
    for group in GROUPS:
        wait_until(partial(stage.wanted, group), "a fan-out")


def held_by_both(
    make_stage: MakeStage, broker: Mosquitto, store: Redis
) -> tuple[Stage, Crowd, Sequence[WorkerProcess]]:
    """Two workers of which the first has died with messages that it had not acknowledged."""
    stage = make_stage(on=broker, store=store, **REGION)
    workers, crowd = [stage.worker("worker-1"), stage.worker("worker-2")], Crowd(stage)
    crowd.say(100)
    crowd.all_counted()
    store.kill()
    crowd.say(400)
    stage.taken()
    for worker in workers:
        wait_until(partial(holds, worker), "both to hold")
    workers[0].kill()
    store.start()
    wait_until(lambda: crowd.counted > 100, "the other's share to be counted")
    stage.quiet(workers=2)
    assert 100 < crowd.counted < crowd.said
    return stage, crowd, workers


def test_a_worker_gets_back_under_its_name_what_it_had_not_acknowledged(
    make_stage: MakeStage, own_broker: Mosquitto, own_redis: Redis
) -> None:
    _, crowd, workers = held_by_both(make_stage, own_broker, own_redis)
    workers[0].start()
    assert '"session_present": true' in workers[0].log()
    crowd.all_counted()


def test_a_worker_that_will_not_return_is_drained_for_good(
    make_stage: MakeStage, own_broker: Mosquitto, own_redis: Redis
) -> None:
    stage, crowd, workers = held_by_both(make_stage, own_broker, own_redis)
    assert code_of(stage.unstarted_worker("worker-1", "--drain")) == 0
    crowd.all_counted()
    crowd.say(100)  # nothing is dealt to the one that has gone
    crowd.all_counted()
    workers[0].start()
    assert '"session_present": false' in workers[0].log()


# -- metrics -------------------------------------------------------------------------------------


def test_metrics_are_well_formed(make_stage: MakeStage) -> None:
    stage = make_stage(**REGION)
    worker, crowd = stage.worker(), Crowd(stage)
    states = [Teller(name).state(stage.now_ms, clock_offset_s=0.5) for name in GATEWAYS]
    stage.say(*states)
    stage.publish(f"net/{stage.region}/gw/ridge/heard", b"no JSON")
    crowd.say(400)
    crowd.all_counted()
    wait_until(lambda: value(worker, "streamer_published_total") > 0, "something published")
    status, text = worker.get("/metrics")
    assert status == 200
    checked = subprocess.run(
        [program("promtool"), "check", "metrics"], input=text, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, "", "")
    told = [sample for family in families(text) for sample in family.samples]
    samples: Counter[Any] = Counter((s.name, tuple(sorted(s.labels.items()))) for s in told)
    assert [name for name, count in samples.items() if count > 1] == []
    names = {name for name, _ in samples}
    assert {"streamer_events_total", "streamer_refused_total", "streamer_group_members"} <= names
    tallies = {s.labels["tally"]: s.value for s in told if s.name == "streamer_events_total"}
    counted = {tally for tally, count in tallies.items() if count}
    assert {"heard", "route"} <= counted <= {"heard", "route", "quarantined", "duplicate"}
    assert set(tallies) == set(TALLIES)  # from the start on, and no others
    # Never call signs: labels are bounded by the region file.
    assert "QA1" not in text


# -- refusing to start ---------------------------------------------------------------------------


def test_refuses_to_start_with_another_number_of_partitions(make_stage: MakeStage) -> None:
    stage = make_stage(**REGION)
    assert stage.worker().stop() == 0
    stage.write({**REGION, "region": stage.region, "partitions": 5})
    worker = stage.unstarted_worker("worker-2")
    assert code_of(worker) == 1
    assert "partitions = 3, the region file says 5: set it back" in worker.log()
    assert "Traceback" not in worker.log()


def test_refuses_to_start_when_redis_may_throw_keys_away(
    make_stage: MakeStage, own_redis: Redis
) -> None:
    stage = make_stage(store=own_redis, **REGION)
    with own_redis.client() as client:
        client.config_set("maxmemory-policy", "allkeys-lru")
    worker = stage.unstarted_worker("worker-1")
    assert code_of(worker) == 1
    assert "maxmemory-policy allkeys-lru" in worker.log()
    assert "it would throw members away" in worker.log()
    assert "set it to noeviction" in worker.log()
    assert "Traceback" not in worker.log()


def test_refuses_to_start_when_its_port_is_taken(make_stage: MakeStage) -> None:
    stage = make_stage(**REGION)
    first = stage.worker()
    other = stage.unstarted_worker("worker-2")
    other.port = first.port
    assert code_of(other) == 1
    assert f"--http 127.0.0.1:{first.port}: Address already in use" in other.log()
    assert "Traceback" not in other.log()
