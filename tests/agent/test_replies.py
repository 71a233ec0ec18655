"""Acknowledgements handed on, and nothing held up by whoever takes them."""

import json
import os
import socket
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from streamer.agent.config import ReplySettings
from streamer.agent.logs import Log
from streamer.agent.replies import ReplyRunner
from streamer.clock import SystemClock, from_ms
from streamer.contract.replies import AckReply
from streamer.mqtt.settings import PASSWORD_VARIABLE

from .tools import GATEWAY, REGION, Broker, Listen, StartAgent, settings_for, until


def ack(number: int = 1) -> AckReply:
    return AckReply(
        station=f"QA{number}ABC",
        group="NET-1",
        repeater="ridge/uhf",
        text="IN NET-1; $(touch x)",
        at=from_ms(1_767_225_600_000),
    )


def runner(**settings: object) -> ReplyRunner:
    return ReplyRunner(ReplySettings.model_validate(settings), Log(SystemClock()))


def script(folder: Path, text: str) -> list[str]:
    path = folder / "handler.py"
    path.write_text(text)
    return [sys.executable, str(path)]


def test_a_command_gets_the_reply_as_json_and_no_password(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(PASSWORD_VARIABLE, "hunter-of-snarks")
    out = tmp_path / "out"
    command = script(
        tmp_path,
        "import os, sys\n"
        f"with open({str(out)!r}, 'a') as f:\n"
        f"    f.write(sys.stdin.read() + str({PASSWORD_VARIABLE!r} in os.environ))\n",
    )
    replies = runner(command=command)
    replies.put(ack())
    until(lambda: replies.handed_on == 1, "the command's end")
    replies.stop(5)
    said, knows_password = out.read_text().splitlines()
    assert AckReply.model_validate_json(said) == ack()
    assert knows_password == "False"
    assert not Path("x").exists()


def test_commands_that_fail_or_hang_are_counted_and_ended(tmp_path: Path) -> None:
    failing = runner(command=script(tmp_path, "raise SystemExit(3)"))
    failing.put(ack())
    until(lambda: failing.failed == 1, "the failure")
    failing.stop(5)
    hanging = runner(command=script(tmp_path, "import time; time.sleep(600)"), timeout_s=0.3)
    hanging.put(ack())
    until(lambda: hanging.failed == 1, "the time limit")
    hanging.stop(5)
    missing = runner(command=[str(tmp_path / "nothing")])
    missing.put(ack())
    until(lambda: missing.failed == 1, "the failure")
    missing.stop(5)


def test_no_more_at_once_than_allowed_and_the_oldest_give_way(tmp_path: Path) -> None:
    gate = tmp_path / "gate"
    os.mkfifo(gate)
    command = script(tmp_path, f"open({str(gate)!r}).read()")
    replies = runner(command=command, at_once=2, timeout_s=30)
    for number in range(100):
        replies.put(ack(number))  # returns at once although no command ends
    assert len(replies._threads) == 2
    assert replies.failed >= 100 - 64 - 2
    done = threading.Event()

    def open_gate() -> None:
        while not done.is_set():
            try:
                os.close(os.open(gate, os.O_WRONLY | os.O_NONBLOCK))
            except OSError:
                done.wait(0.01)

    opener = threading.Thread(target=open_gate)
    opener.start()
    until(lambda: replies.handed_on + replies.failed == 100, "all taken", 60)
    done.set()
    opener.join()
    replies.stop(5)


def test_a_socket_gets_a_line_for_each(tmp_path: Path) -> None:
    path = tmp_path / "s"
    replies = runner(socket=path)
    replies.put(ack(1))  # nobody listens yet
    until(lambda: replies.failed == 1, "the failure")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))
        server.listen()
        server.settimeout(10)
        replies.put(ack(2))
        client, _ = server.accept()
        with client, client.makefile("rb") as lines:
            assert json.loads(lines.readline())["station"] == "QA2ABC"
    replies.stop(5)


@pytest.mark.mosquitto
def test_from_the_broker_to_the_command(
    broker: Broker,
    listen: Listen,
    start_agent: StartAgent,
    tmp_path: Path,
) -> None:
    out = tmp_path / "out"
    command = script(tmp_path, f"import sys; open({str(out)!r}, 'w').write(sys.stdin.read())")
    agent = start_agent(settings_for(tmp_path, broker.settings, reply={"command": command}))
    worker = listen(broker.settings, "x", name="worker")
    until(lambda: agent.connected, "a connection")
    worker.publish(f"net/{REGION}/reply/{GATEWAY}", ack(7).model_dump_json().encode())
    until(lambda: out.exists() and out.read_text().endswith("\n"), "the command's work")
    assert json.loads(out.read_text())["station"] == "QA7ABC"


@pytest.mark.mosquitto
def test_a_handler_of_the_program_that_fails_costs_nothing(
    broker: Broker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    seen: list[AckReply] = []

    def handler(reply: AckReply) -> None:
        seen.append(reply)
        raise RuntimeError("no radio")

    receive: Callable[[AckReply], None] = handler
    agent = start_agent(settings_for(tmp_path, broker.settings), on_reply=receive)
    worker = listen(broker.settings, "x", name="worker")
    until(lambda: agent.connected, "a connection")
    for number in (1, 2):
        worker.publish(f"net/{REGION}/reply/{GATEWAY}", ack(number).model_dump_json().encode())
    until(lambda: len(seen) == 2, "both replies")
    assert agent.connected
