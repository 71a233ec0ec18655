"""The folders that are made, in use: a real agent and a real worker at a real Mosquitto on
configs/mosquitto.conf."""

import json
import os
import re
import shutil
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.enroll.raw import Raw
from tests.enroll.rig import REGION, Accounts, OurMosquitto
from tests.servers import Redis, Server, WorkerProcess, free_port, wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis]


class Keeper(Server):
    """A keeper's machine: the folder, and the agent started as its unit does. What the test must
    change is the port of the broker, where the spool lies, and how long a stop waits."""

    def __init__(self, accounts: Accounts, broker: OurMosquitto, name: str) -> None:
        super().__init__()
        self.place = self.folder / "handed"
        shutil.copytree(accounts.place(name), self.place)
        self.udp = free_port()
        path = self.place / "agent.toml"
        text = path.read_text()
        for old, new in (
            ("port = 8883", f"port = {broker.port}"),
            ("port = 8884", f"port = {broker.password_port}"),
            ("/var/lib/streamer-agent/spool.db", str(self.folder / "spool.db")),
            ("port = 5600", f"port = {self.udp}"),
            ("[broker]", "drain_s = 0.3\n[broker]"),
        ):
            text = text.replace(old, new)
        path.write_text(text)
        (started,) = re.findall(r"^ExecStart=/bin/sh -c '(.*)'$", self._unit, re.MULTILINE)
        self._line = started.replace("$$", "$").replace(
            "/opt/streamer-agent/bin/streamer", f"{sys.executable} -m streamer"
        )

    @property
    def _unit(self) -> str:
        return (self.place / "streamer-agent.service").read_text()

    def environment(self) -> dict[str, str]:
        top = str(Path(__file__).parents[2])
        return {**os.environ, "CREDENTIALS_DIRECTORY": str(self.place), "PYTHONPATH": top}

    def command(self) -> list[str]:
        return ["/bin/sh", "-c", self._line]

    def says(self, event: str) -> bool:
        return f'"event": "{event}"' in self.log()

    def answers(self) -> bool:
        return self.says("connected")

    def hear(self, station: str, over: str) -> None:
        event: dict[str, Any] = {"repeater": "uhf", "station": station, "to": "SEARCH"}
        event |= {"over": over, "phase": "end", "duration_s": 1.0}
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            out.sendto(json.dumps(event).encode(), ("127.0.0.1", self.udp))


@pytest.fixture
def home(tmp_path: Path) -> Iterator[tuple[Accounts, OurMosquitto]]:
    accounts = Accounts(tmp_path)
    accounts.enrol("--init", "--host", "localhost")
    accounts.enrol("ridge", "mill")
    accounts.enrol("lake", "--password")
    accounts.enrol("worker-1", "--role", "worker")
    accounts.enrol("desk", "--role", "reader", "--password")
    server = OurMosquitto(accounts)
    server.start()
    yield accounts, server
    server.close()


def workers_region(accounts: Accounts, broker: OurMosquitto) -> Path:
    """The region file with the table of the worker's folder, file names in full."""
    place = accounts.place("worker-1", "worker")
    table = (place / "broker.toml").read_text().replace("8883", str(broker.port))
    for name in ("ca.pem", "cert.pem", "cert.key", "share"):
        table = table.replace(f'"{name}"', json.dumps(str(place / name)))
    path = accounts.folder.parent / "workers-region.toml"
    text = accounts.region.read_text().replace("[[group]]", f"{table}[[group]]", 1)
    path.write_text(text)
    return path


def members(client: Raw) -> set[str]:
    """Who is in the newest roster that has come."""
    client.ping()
    rosters = [body for topic, body in client.came if topic == f"net/{REGION}/reach/SEARCH"]
    return {row["station"] for row in json.loads(rosters[-1])["members"]} if rosters else set()


def came(client: Raw) -> set[str]:
    """The stations of all events that have come; an agent sends some of them twice."""
    client.ping()
    events = [json.loads(body) for _, body in client.came]
    return {e["station"] for one in events for e in (one if isinstance(one, list) else [one])}


def test_what_is_heard_at_two_gateways_reaches_a_reader(
    home: tuple[Accounts, OurMosquitto], empty_redis: Redis
) -> None:
    """One by certificate, one by password; past somebody who sits in the share of the old name."""
    accounts, broker = home
    worker = WorkerProcess(workers_region(accounts, broker), "worker-1", None, empty_redis.url)
    keepers = [Keeper(accounts, broker, name) for name in ("ridge", "lake")]
    try:
        worker.start()
        share = (accounts.place("worker-1", "worker") / "share").read_text().strip()
        thief = Raw(broker.certificate("mill"))
        assert thief.subscribe(f"$share/streamer/net/{REGION}/gw/#") == 0
        reader = Raw(broker.password("desk", "reader"))
        assert reader.subscribe("#") == 0
        stations = set()
        for keeper, letter in zip(keepers, "AB", strict=True):
            keeper.start()
            for number in range(10):
                station = f"QA{number}{letter}CD"
                stations.add(station)
                keeper.hear(station, f"{letter}{number}")
        wait_until(lambda: members(reader) == stations, "all stations in the roster")
        assert worker.stop() == 0
        for said in (worker, *keepers):
            assert share not in said.log(whole=True)
        assert share not in broker.log(whole=True)
        assert [keeper.stop() for keeper in keepers] == [0, 0]
    finally:
        for one in (worker, *keepers):
            one.close()


def test_a_keeper_whose_certificate_was_revoked_is_told_so_and_loses_nothing(
    home: tuple[Accounts, OurMosquitto],
) -> None:
    accounts, broker = home
    keeper = Keeper(accounts, broker, "ridge")
    worker = Raw(broker.certificate("worker-1", "worker"))
    assert worker.subscribe(f"net/{REGION}/gw/+/heard") == 0
    try:
        keeper.start()
        keeper.hear("QA1ABC", "first")
        wait_until(lambda: came(worker) == {"QA1ABC"}, "the first event")
        accounts.enrol("--revoke", "ridge")
        broker.reload()
        # It is still connected, and told that it may do nothing.
        keeper.hear("QA2ABC", "second")
        wait_until(lambda: keeper.says("publish_refused"), "the refusal in its log")
        assert "check this account's rights (ACL)" in keeper.log()
        assert keeper.stop() == 0
        keeper.launch()
        wait_until(lambda: keeper.says("broker_refused"), "what its log says")
        assert "hung up without an answer: it does not take 'cert.pem'" in keeper.log()
        assert "ask for a new one" in keeper.log()
        assert not keeper.says("connected")
        assert keeper.stop() == 0
        assert came(worker) == {"QA1ABC"}
        # With new files it sends what it has kept.
        accounts.enrol("ridge")
        broker.reload()
        for name in ("cert.pem", "cert.key"):
            shutil.copy(accounts.place("ridge") / name, keeper.place / name)
        keeper.start()
        wait_until(lambda: came(worker) == {"QA1ABC", "QA2ABC"}, "the second event")
    finally:
        keeper.close()
