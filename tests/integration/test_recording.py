"""The journal of real workers: kill -9 under load, orders of people, a folder that is full."""

import json
import threading
from pathlib import Path

import pytest

from streamer.acts.acts import Acts
from streamer.contract.published import OrderKind
from streamer.journal.frames import NOT_ENDED
from streamer.journal.names import files_in
from streamer.journal.reader import read, scan
from streamer.lab.replay import Replay
from streamer.state.store import Store, connect
from tests.integration.conftest import MakeStage
from tests.integration.rig import GATEWAYS, REGION
from tests.integration.test_worker_life import Crowd, saying, value
from tests.servers import Redis, wait_until
from tests.state.scene import Teller

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]
KILLS = 4


def test_kill_9_under_load_loses_nothing_that_was_acknowledged(
    make_stage: MakeStage, tmp_path: Path, redis_server: Redis
) -> None:
    stage, folder = make_stage(**REGION), tmp_path / "journal"
    worker = stage.unstarted_worker("killed", "--journal", str(folder))
    worker.start()
    crowd, stop = Crowd(stage), threading.Event()
    with saying(crowd, stop):
        for n in range(1, KILLS + 1):
            wait_until(lambda n=n: crowd.counted > 400 * n, "events", 40)  # type: ignore[misc]
            worker.kill()
            worker.start()
    crowd.all_counted()
    worker.stop()
    troubles: list[str] = []
    seen = {
        (line["gateway"], line["seq"])
        for line in read([folder], troubles.append)
        if line["kind"] in ("heard", "route", "quarantined")
    }
    assert len(seen) == crowd.said
    assert seen == {(g, n) for g in GATEWAYS for n in range(1, crowd.said // len(GATEWAYS) + 1)}
    assert [t for t in troubles if NOT_ENDED not in t] == []
    reports = [scan(path) for path in files_in(folder)]
    assert [report.closed for report in reports].count(False) == KILLS
    # What came twice counts once, in a replay as it did live.
    replay = Replay(lambda view: [Store(connect(redis_server.url), view)], 60_000)
    redis_server.client().flushall()
    for played in replay.play(read([folder], lambda _: None)):
        assert played.troubles == []
    counts = [replay.store.gateway(name).counts for name in GATEWAYS]
    kinds = ("heard", "route", "quarantined")
    assert sum(c.get(kind, 0) for c in counts for kind in kinds) == crowd.said


def test_orders_are_noted_by_whoever_works_and_again_after_a_pause(
    make_stage: MakeStage, tmp_path: Path
) -> None:
    stage, folder = make_stage(**REGION), tmp_path / "journal"
    acts = Acts(stage.store, stage.clock)

    def noted() -> list[str]:
        try:
            lines = list(read([folder], lambda _: None))
        except Exception:  # nothing is there yet
            return []
        return [line["entry"] for line in lines if line["kind"] == "act"]

    acts.order("NET", "ridge/uhf", OrderKind.PIN, 60, "admin")  # before anybody works
    workers = [stage.unstarted_worker(n, "--journal", str(folder)) for n in ("one", "two")]
    for worker in workers:
        worker.start()
    wait_until(lambda: len(noted()) == 2, "both to note it")
    acts.lift("NET", "ridge/uhf", "admin", "no longer")
    wait_until(lambda: len(noted()) == 4, "both to note the other")
    workers[0].stop()
    assert len(set(noted())) == 2
    assert len([entry for entry in noted() if '"act":"lift"' in entry]) == 2
    assert len(noted()) == 4


def test_a_journal_that_cannot_be_written_stops_no_worker_and_is_told(
    make_stage: MakeStage, tmp_path: Path
) -> None:
    stage = make_stage(**REGION)
    (tmp_path / "file").write_text("in the way")
    worker = stage.unstarted_worker("full", "--journal", str(tmp_path / "file" / "journal"))
    worker.start()
    ridge = Teller("ridge")
    stage.say(ridge.heard(stage.now_ms, "QA1ABC", "o1", to="NET"))
    wait_until(lambda: "QA1ABC" in stage.places("NET"), "the over to be taken in")
    wait_until(lambda: value(worker, "streamer_journal_lost_lines_total") > 0, "it to be told")
    assert value(worker, "streamer_journal_well") == 0
    status, text = worker.get("/readyz")
    assert status == 200, "it works all the same"
    said = json.loads(text)["journal"]
    assert said.startswith(f"cannot be written to {tmp_path / 'file' / 'journal'}: ")
    assert worker.says("journal cannot be written: lines are lost until it can")
