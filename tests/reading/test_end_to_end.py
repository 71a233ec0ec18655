"""The commands as they are called, on what a real worker took over from a real broker."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.publish
import pytest

from streamer.clock import SystemClock
from streamer.mqtt.connection import Incoming
from tests.reading.conftest import REGION
from tests.servers import Mosquitto, Redis, WorkerProcess, wait_until
from tests.state.scene import Teller, message


@pytest.fixture
def worker(mosquitto: Mosquitto, empty_redis: Redis) -> Iterator[WorkerProcess]:
    process = WorkerProcess(REGION, "worker-1", mosquitto.url, empty_redis.url)
    process.start()
    yield process
    process.close()


def publish(broker: Mosquitto, *messages: Incoming) -> None:
    paho.mqtt.publish.multiple(
        [{"topic": m.topic, "payload": m.payload, "qos": 1} for m in messages],
        hostname="127.0.0.1",
        port=broker.port,
    )


def streamer(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "streamer", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.mosquitto
@pytest.mark.redis
@pytest.mark.usefixtures("worker")
def test_every_command_on_a_running_system(mosquitto: Mosquitto, empty_redis: Redis) -> None:
    now_ms, ridge = SystemClock().now_ms(), Teller("ridge")
    publish(
        mosquitto,
        ridge.state(now_ms),
        ridge.heard(now_ms, "QA1ABC", "o1", to="NET", rssi_dbm=-90),
        ridge.route(now_ms, "NET", "carrying"),
        ridge.heard(now_ms, "BOB", "o2"),
        message("ridge", "heard", b"no JSON"),  # type: ignore[arg-type]
    )
    state = ("--region", str(REGION), "--redis", empty_redis.url)
    reading = (*state, "--json")

    def document(*words: str, code: int = 0) -> Any:
        ended = streamer(*words, *reading)
        assert ended.returncode == code, ended.stderr
        return json.loads(ended.stdout)

    wait_until(lambda: document("refused")["counts"], "the worker to refuse what is no JSON")
    place = document("where", "qa1abc")["last_heard"]
    assert (place["repeater"], place["rssi_dbm"]) == ("ridge/uhf", -90.0)
    assert document("where", "bob", code=1)["quarantined"][0]["gateway"] == "ridge"
    wanted = {r["repeater"]: r["hears"] for r in document("group", "NET")["repeaters"]}
    assert wanted == {"ridge/uhf": "yes", "mill/vhf": "unknown"}
    assert document("refused")["counts"] == {"json": 1}
    assert document("alerts")["alerts"] == []
    assert document("group")["notes"] == []
    counts = document("gateway", "ridge")["counts"]
    assert (counts["heard"], counts["route"], counts["quarantined"]) == (1, 1, 1)
    assert [g["standing"] for g in document("gateway")["gateways"]] == ["up", "never", "never"]

    publish(mosquitto, ridge.state(now_ms, up=False))
    wait_until(lambda: document("alerts")["alerts"], "the alert of the gateway")
    lost = ("--ack", "gateway_lost.ridge", "--by", "Duty desk")
    assert streamer("alerts", *state, "--fail-if-open").returncode == 1
    assert "in hand of Duty desk" in streamer("alerts", *lost, *state).stdout
    assert streamer("alerts", *state, "--fail-if-open").returncode == 0


def test_exit_codes_of_the_command_line(tmp_path: Path) -> None:
    bad = Path(__file__).parents[1] / "config" / "regions" / "bad" / "misspelt-setting.toml"
    ended = streamer("check", str(bad))
    assert ended.returncode == 1
    assert ended.stdout.startswith(f"{bad}: policy.overdue_afer_s: no such setting; did you mean")
    assert ended.stderr == f"streamer check: {bad}: 1 problem; not usable\n"
    as_json = streamer("check", str(bad), "--json")
    found = json.loads(as_json.stdout)
    assert (as_json.returncode, as_json.stderr) == (1, "")
    assert (found["ok"], found["problems"][0]["place"]) == (False, "policy.overdue_afer_s")
    assert streamer("check").returncode == 2
    assert streamer("where").returncode == 2
    assert streamer("group", "--bend").returncode == 2
    assert streamer("gateway").returncode == 2
    name = ("--name", "Node.Example")
    ended = streamer("worker", str(REGION), *name)
    assert ended.returncode == 2
    assert "--name 'Node.Example': must be 1 to 32 of a-z" in ended.stderr
    assert streamer("check", str(tmp_path / "none.toml")).returncode == 1
    well = streamer("check", str(REGION), "--json")
    assert (well.returncode, json.loads(well.stdout)["ok"]) == (0, True)
