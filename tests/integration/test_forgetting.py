"""A station is forgotten while a real worker is at work, real Redis and broker behind it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from streamer import cli
from streamer.acts.acts import Acts
from streamer.contract.duty import DutyKind
from streamer.domain.roster import RosterLine
from streamer.journal.names import files_in
from tests.forget.recorded import raw_lines
from tests.forget.story import GONE, STAYS, where_named
from tests.integration.conftest import MakeStage
from tests.integration.stage import Stage
from tests.servers import wait_until
from tests.state.scene import Teller, moment

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]
REGION = {
    "partitions": 3,
    "policy": {"overdue_after_s": 1, "out_of_reach_after_s": 3600, "expire_after_s": 7200},
    "learning": {"enabled": False},
    "gateway": [{"id": g, "repeater": [{"id": "uhf"}]} for g in ("ridge", "lake")],
    "group": [{"name": "NET"}],
}


Forget = Callable[[Stage, Path], tuple[int, dict[str, Any]]]


@pytest.fixture
def forget(capsys: pytest.CaptureFixture[str]) -> Forget:
    """The command, by the machine's clock."""

    def run(stage: Stage, folder: Path) -> tuple[int, dict[str, Any]]:
        capsys.readouterr()
        code = cli.main(
            ["forget", GONE, "--region", str(stage.file), "--redis", stage.redis.url,
             "--journal", str(folder), "--by", "officer", "--json"]
        )  # fmt: skip
        return code, json.loads(capsys.readouterr().out)

    return run


def retained(stage: Stage) -> dict[str, str]:
    """What a client that comes now is sent by the broker."""
    reader = stage.peer("late", f"net/{stage.region}/#")
    wait_until(lambda: f"net/{stage.region}/reach/NET" in reader.by_topic, "the retained roster")
    return {topic: said[-1].decode() for topic, said in list(reader.by_topic.items())}


def test_a_running_region_forgets_a_station(
    make_stage: MakeStage, tmp_path: Path, forget: Forget
) -> None:
    stage, folder = make_stage(**REGION), tmp_path / "journal"
    worker = stage.unstarted_worker("one", "--journal", str(folder))
    worker.start()
    ridge = Teller("ridge")
    place = {"lat": -46.5, "lon": 20.1}
    stage.say(ridge.state(stage.now_ms))
    for number in range(3):
        for who in (GONE, STAYS):
            ms = stage.now_ms
            said: dict[str, Any] = {"to": "NET", "position": place, "text": "private"}
            stage.say(
                ridge.heard(ms, who, f"{who}-{number}", **said),
                ridge.heard(ms, who, f"{who}-{number}", phase="end", duration_s=0,
                            started_at=moment(ms), **said),
            )  # fmt: skip
    stage.say(ridge.heard(stage.now_ms, f"{GONE}/MUCH/TOO/LONG", "q1"))
    roster = [RosterLine(call=GONE, name="Greta Gone"), RosterLine(call=STAYS)]
    Acts(stage.store, stage.clock).start_duty(
        "Search", DutyKind.ACTUAL, ["NET"], "desk", roster=roster
    )
    alert = f"member.NET.{GONE}"
    wait_until(lambda: alert in stage.alerts(), "the alert about it")
    wait_until(lambda: len(stage.reach("NET")["members"]) == 2, "the roster")

    code, document = forget(stage, folder)
    assert document["left"] == {}
    assert document["to_take_back"] == 0
    assert code == 1  # for the file that is being written
    assert [Path(f["file"]) for f in document["open_files"]] == files_in(folder)
    assert where_named(stage.client, GONE, f"{{{stage.region}:*") == []
    held = retained(stage)
    assert GONE.lower() not in json.dumps(held).lower()
    assert [m["station"] for m in json.loads(held[f"net/{stage.region}/reach/NET"])["members"]] == [
        STAYS
    ]
    # Whoever followed the alert was told of its end.
    *_, last, taken_back = stage.reader.by_topic[f"net/{stage.region}/alert/{alert}"]
    assert json.loads(last)["state"] == "cleared"
    assert taken_back == b""
    assert alert not in stage.alerts()

    # Once the file is closed the rest can be forgotten too.
    assert worker.stop() == 0
    code, document = forget(stage, folder)
    assert (code, document["open_files"], document["journal_files"]) == (0, [], 1)
    (path,) = files_in(folder)
    assert not [line for line in raw_lines(path) if GONE.lower().encode() in line.lower()]
    assert [line for line in raw_lines(path) if STAYS.encode() in line]

    # Heard again it begins anew, under a worker that begins anew.
    worker.start()
    stage.say(ridge.heard(stage.now_ms, GONE, "new", to="NET"))
    wait_until(lambda: stage.store.station(GONE) is not None, "it to be heard")
    record = stage.store.station(GONE)
    assert record is not None
    assert [entry.over for entry in record.path] == ["new"]
