"""Each kind of source, with its awkward cases; a real broker is not needed to see the spool."""

import io
import json
import os
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from streamer.agent.agent import Agent
from streamer.agent.config import AgentSettings
from streamer.agent.sources.base import LineCutter, SourceError
from streamer.agent.sources.sockets import UdpSource
from streamer.agent.sources.stdin import StdinSource
from streamer.agent.spool import SpoolError
from streamer.agent.spool_repair import KINDS
from streamer.clock import SystemClock
from streamer.mqtt.settings import BrokerSettings
from tests.servers import free_port

from .tools import Broker, Listen, heard, route, settings_for, until

MakeAgent = Callable[..., Agent]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[MakeAgent]:
    """An agent with one source and no broker to talk to."""
    made: list[Agent] = []

    def start(started: bool = True, **source: Any) -> Agent:
        nowhere = BrokerSettings(port=free_port(), connect_timeout_s=0.2)
        agent = Agent(settings_for(tmp_path, nowhere, source=[source]), SystemClock())
        made.append(agent)
        if started:
            agent.start()
        return agent

    yield start
    for agent in made:
        agent.stop(abrupt=True)


def overs(agent: Agent) -> list[str]:
    """The overs in the spool, by the order of their recording."""
    rows = [row for kind in KINDS for row in agent._spool.after(kind, 0, 100_000)]
    return [json.loads(row.payload)["over"] for row in sorted(rows, key=lambda row: row.id)]


def line(number: int) -> bytes:
    return json.dumps(heard(number)).encode() + b"\n"


def names(*numbers: int) -> list[str]:
    return [f"over-{number}" for number in numbers]


def settled(agent: Agent, expected: list[str]) -> None:
    """Exactly these overs, in this order."""
    until(lambda: len(overs(agent)) >= len(expected), f"{len(expected)} overs")
    assert overs(agent) == expected


# -- files -------------------------------------------------------------------------------------


def test_a_file_is_followed_from_its_end(make: MakeAgent, tmp_path: Path) -> None:
    path = tmp_path / "radio.log"
    path.write_bytes(line(1) + line(2) + line(3)[:10])
    agent = make(type="file", path=path)
    until(lambda: agent._spool.place(f"file:{path}"), "the file opened")
    with path.open("ab") as file:
        file.write(line(3)[10:] + line(4))
    settled(agent, names(3, 4))


def test_a_file_from_its_beginning_with_a_line_that_is_not_complete(
    make: MakeAgent, tmp_path: Path
) -> None:
    path = tmp_path / "radio.log"
    path.write_bytes(line(1) + line(2)[:-10])
    agent = make(type="file", path=path, start="begin")
    settled(agent, names(1))
    with path.open("ab") as file:
        file.write(line(2)[-10:])
    settled(agent, names(1, 2))


def test_a_file_that_is_not_there_yet(make: MakeAgent, tmp_path: Path) -> None:
    path = tmp_path / "radio.log"
    agent = make(type="file", path=path)
    until(lambda: agent._spool.place(f"file:{path}"), "the place noted")
    agent.stop(abrupt=True)
    path.write_bytes(line(1))  # all that is written from now on is new
    agent = make(type="file", path=path)
    settled(agent, names(1))


@pytest.mark.parametrize("gap", [False, True])
def test_rotation_by_rename(make: MakeAgent, tmp_path: Path, gap: bool) -> None:
    path = tmp_path / "radio.log"
    path.write_bytes(line(1))
    agent = make(type="file", path=path, start="begin")
    settled(agent, names(1))
    with path.open("ab", buffering=0) as old:
        path.rename(tmp_path / "radio.log.1")
        if not gap:
            path.write_bytes(line(4))
        old.write(line(2))  # the writer has not noticed yet
        old.write(line(3)[:-1])  # and ends without a line end
    if gap:
        settled(agent, names(1, 2))
        path.write_bytes(line(4))
    settled(agent, names(1, 2, 3, 4))
    with path.open("ab") as file:
        file.write(line(5))
    settled(agent, names(1, 2, 3, 4, 5))


def test_rotation_twice_before_anyone_looks(make: MakeAgent, tmp_path: Path) -> None:
    path = tmp_path / "radio.log"
    path.write_bytes(line(1))
    agent = make(type="file", path=path, start="begin")
    settled(agent, names(1))
    for number in (2, 3):
        path.rename(tmp_path / f"radio.log.{number}")
        path.write_bytes(line(number))
        stamp = 1_700_000_000 + number
        os.utime(tmp_path / f"radio.log.{number}", (stamp, stamp))
    settled(agent, names(1, 2, 3))


@pytest.mark.parametrize("longer", [False, True])
def test_truncation(make: MakeAgent, tmp_path: Path, longer: bool) -> None:
    path = tmp_path / "radio.log"
    path.write_bytes(line(1) + line(2))
    agent = make(type="file", path=path, start="begin")
    settled(agent, names(1, 2))
    after = list(range(10, 20)) if longer else [10]  # longer: it has outgrown the old offset
    with path.open("r+b") as file:
        file.truncate(0)
        file.write(b"".join(line(number) for number in after))
    settled(agent, names(1, 2, *after))


def test_copy_and_truncate_loses_nothing(make: MakeAgent, tmp_path: Path) -> None:
    path = tmp_path / "radio.log"
    path.write_bytes(line(1))
    agent = make(type="file", path=path, start="begin")
    settled(agent, names(1))
    agent.stop(abrupt=True)
    with path.open("ab") as file:
        file.write(line(2))
    shutil.copy(path, tmp_path / "radio.log.1")
    with path.open("r+b") as file:
        file.truncate(0)
        file.write(line(3))
    agent = make(type="file", path=path)
    settled(agent, names(1, 2, 3))


def test_a_restart_neither_loses_nor_repeats(make: MakeAgent, tmp_path: Path) -> None:
    path = tmp_path / "radio.log"
    path.write_bytes(line(1))
    agent = make(type="file", path=path, start="begin")
    settled(agent, names(1))
    agent.stop(abrupt=True)
    with path.open("ab") as file:
        file.write(line(2))
    path.rename(tmp_path / "radio.log.1")  # rotated while nobody looked
    path.write_bytes(line(3))
    agent = make(type="file", path=path, start="begin")
    settled(agent, names(1, 2, 3))
    agent.stop(abrupt=True)
    agent = make(type="file", path=path, start="begin")
    with path.open("ab") as file:
        file.write(line(4))
    settled(agent, names(1, 2, 3, 4))


def test_bad_and_oversized_lines_are_counted_and_passed_over(
    make: MakeAgent, tmp_path: Path
) -> None:
    path = tmp_path / "radio.log"
    bad = [
        b"not JSON",
        b"\xff\xfe\x00",
        b"[1, 2]",
        b'{"event": "dance"}',
        b'{"station": 5, "phase": "end", "repeater": "uhf"}',
        b'{"station": "QA1ABC", "phase": "end", "repeater": "elsewhere/uhf", "over": "o"}',
        b'{"up": "yes", "repeater": "uhf"}',
        b'{"station": "QA1\\ud800", "phase": "end", "repeater": "uhf", "over": "o"}',
        b"[" * 100_000,
        b"x" * 5_000,
        b'{"station": "QA1ABC", "phase": "end", "repeater": "uhf", "duration_s": NaN}',
    ]
    path.write_bytes(line(1) + b"\n\r\n" + b"\n".join(bad) + b"\n" + line(2))
    agent = make(type="file", path=path, start="begin")
    settled(agent, names(1, 2))
    assert agent.status().bad_lines == len(bad)
    with path.open("ab") as file:
        file.write(b"z" * 200_000 + b"\n" + line(3))
    settled(agent, names(1, 2, 3))
    assert agent.status().bad_lines == len(bad) + 1


def test_a_disk_that_is_full_keeps_the_lines_in_their_file(
    make: MakeAgent, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "radio.log"
    path.write_bytes(line(1))
    agent = make(started=False, type="file", path=path, start="begin")
    record = agent._spool.record
    failures: list[int] = []

    def full(*arguments: Any) -> list[int]:
        if not failures:
            failures.append(1)
            raise SpoolError("the disk is full")
        return record(*arguments)

    monkeypatch.setattr(agent._spool, "record", full)
    agent.start()
    settled(agent, names(1))


# -- the others --------------------------------------------------------------------------------


def test_udp(make: MakeAgent) -> None:
    agent = make(type="udp", port=0)
    source = agent.sources[0]
    assert isinstance(source, UdpSource)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for number in (1, 2):
            sock.sendto(line(number), ("127.0.0.1", source.port))
        sock.sendto(line(3) + line(4)[:-1], ("127.0.0.1", source.port))
        sock.sendto(b"\x00" * 60_000, ("127.0.0.1", source.port))
        sock.sendto(b"", ("127.0.0.1", source.port))
        sock.sendto(line(5), ("127.0.0.1", source.port))
    settled(agent, names(1, 2, 3, 4, 5))


def test_a_port_in_use_is_said_at_the_start(make: MakeAgent) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        agent = make(started=False, type="udp", port=sock.getsockname()[1])
        with pytest.raises(SourceError, match="in use"):
            agent.start()


def test_unix_stream(make: MakeAgent, tmp_path: Path) -> None:
    path = tmp_path / "s"
    agent = make(type="unix", path=path)
    assert path.stat().st_mode & 0o777 == 0o660
    with socket.socket(socket.AF_UNIX) as first, socket.socket(socket.AF_UNIX) as second:
        first.connect(str(path))
        second.connect(str(path))
        first.sendall(line(1) + line(2)[:20])
        until(lambda: overs(agent) == names(1), "the first")
        second.sendall(line(3))
        until(lambda: overs(agent) == names(1, 3), "that of another client")
        first.sendall(line(2)[20:] + b"q" * 300_000 + b"\n" + line(4)[:-1])
    settled(agent, names(1, 3, 2, 4))  # a last line without its end counts
    assert agent.status().bad_lines == 1
    agent.stop(abrupt=True)
    assert not path.exists()


def test_unix_datagram_and_a_stale_socket(make: MakeAgent, tmp_path: Path) -> None:
    path = tmp_path / "s"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as left:
        left.bind(str(path))  # as an agent that was killed leaves it
    agent = make(type="unix", mode="datagram", path=path)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.sendto(line(1) + line(2), str(path))
    settled(agent, names(1, 2))


def test_a_unix_socket_does_not_replace_a_file_nor_a_living_agent(
    make: MakeAgent, tmp_path: Path
) -> None:
    (tmp_path / "precious").write_text("keep me")
    agent = make(started=False, type="unix", path=tmp_path / "precious")
    with pytest.raises(SourceError, match="no socket"):
        agent.start()
    assert (tmp_path / "precious").read_text() == "keep me"
    with socket.socket(socket.AF_UNIX) as living:
        living.bind(str(tmp_path / "s"))
        living.listen()
        agent = make(started=False, type="unix", path=tmp_path / "s")
        with pytest.raises(SourceError, match="another agent"):
            agent.start()


def test_standard_input_ends_well(make: MakeAgent, tmp_path: Path) -> None:
    agent = make(started=False, type="udp", port=0)
    reading, writing = os.pipe()
    settings = agent.settings.source[0]
    source = StdinSource(settings, agent._intake, agent._log, reading)
    source.start()
    os.write(writing, line(1) + line(2)[:-1])
    os.close(writing)
    until(lambda: source.ended, "the end")
    source.stop()
    os.close(reading)
    assert overs(agent) == names(1, 2)


@pytest.mark.mosquitto
def test_the_program_ends_when_its_input_has_and_all_is_sent(
    broker: Broker, listen: Listen, tmp_path: Path
) -> None:
    listener = listen(broker.settings)
    config = tmp_path / "agent.toml"
    config.write_text(
        f'region = "vale"\ngateway = "ridge"\n[broker]\nport = {broker.port}\n'
        f'[spool]\npath = "{tmp_path}/spool.db"\n[[repeater]]\nid = "uhf"\n'
        '[[source]]\ntype = "stdin"\n'
    )
    given = line(1) + json.dumps(route(2)).encode() + b"\n"
    done = subprocess.run(
        [sys.executable, "-m", "streamer.agent", str(config)],
        input=given,
        capture_output=True,
        timeout=30,
        cwd=Path(__file__).parents[2],
        check=False,
    )
    assert done.returncode == 0, done.stderr
    until(lambda: len(listener.events()) == 2, "both events")
    for said in io.BytesIO(done.stderr):
        assert {"timestamp", "level", "event"} <= json.loads(said).keys()


def test_lines_cut_from_any_pieces() -> None:
    data = b"one\ntwo\n" + b"x" * 50 + b"\nlast"
    for size in (1, 2, 7, 100):
        cutter = LineCutter(10)
        lines: list[bytes] = []
        for start in range(0, len(data), size):
            lines += cutter.feed(data[start : start + size])
        assert lines == [b"one", b"two", b"x" * 12]  # cut, and still seen to be too long
        assert cutter.finish() == [b"last"]


# -- given by the program itself -----------------------------------------------------------------


def test_submit_from_many_threads_numbers_without_holes(tmp_path: Path) -> None:
    nowhere = BrokerSettings(port=free_port(), connect_timeout_s=0.2)
    agent = Agent(settings_for(tmp_path, nowhere), SystemClock())
    numbers: list[int] = []

    def work() -> None:
        for n in range(50):
            number = agent.submit(heard(n))
            assert number is not None
            numbers.append(number)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(numbers) == list(range(1, 201))
    with pytest.raises(ValueError, match="station"):
        agent.submit({"repeater": "uhf", "phase": "end"})
    with pytest.raises(ValueError, match="phase"):
        agent.submit_many([heard(1), heard(2, phase="middle")])
    assert agent.submit(heard(1)) == 201
    assert agent.submit({"event": "repeater", "repeater": "uhf", "up": False}) is None
    agent.stop()


def test_two_agents_in_one_process_share_nothing(tmp_path: Path) -> None:
    nowhere = BrokerSettings(port=free_port(), connect_timeout_s=0.2)
    agents = []
    for name in ("ridge", "ford"):
        (tmp_path / name).mkdir()
        content = settings_for(tmp_path / name, nowhere).model_dump()
        settings = AgentSettings.model_validate({**content, "gateway": name})
        agents.append(Agent(settings, SystemClock()))
    for agent in agents:
        agent.start()
    assert [agent.submit(heard(1)) for agent in agents] == [1, 1]
    assert agents[0].status().boot != agents[1].status().boot
    for agent in agents:
        agent.stop()
