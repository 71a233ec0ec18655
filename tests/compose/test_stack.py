"""The whole of docker-compose.yml, service by service as it says: see `boxes`. All but Grafana."""

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from streamer.clock import SystemClock
from streamer.contract.topics import Kind, gateway_topic
from tests.compose.boxes import Box, need_boxes
from tests.compose.conftest import BOARD_NAME, PASSWORD, USER, typed
from tests.compose.hub import Hub, hub_for
from tests.compose.manual import blocks, run_blocks
from tests.compose.within import Site
from tests.servers import program, wait_until
from tests.state.scene import Teller

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]
NOT_HERE = "grafana"
"""No package of it could be had."""
REGION, GATEWAY, FAILING = "hillcountry", "ridge", "harbour"


class Stack:
    """The boxes, and a gateway outside of them with what its keeper was given."""

    def __init__(self, config: dict[str, Any], hub: Hub, made: Path, folder: Path) -> None:
        self.hub, self.made = hub, made
        self.boxes = {
            name: Box(name, config, hub, folder)
            for name in _in_order(config["services"]) if name != NOT_HERE
        }  # fmt: skip

    def start(self) -> None:
        """As Compose does: what another one needs must be healthy first."""
        for box in self.boxes.values():
            for needed in box.service.get("depends_on", {}):
                self.boxes[needed].await_healthy()
            box.start()
        for box in self.boxes.values():
            box.await_healthy()

    def site(self, service: str, network: str, port: int, **more: Any) -> Site:
        return Site(self.hub.pid, self.hub.address(service, network), port, **more)

    def say(self, gateway: str, kind: Kind, payload: bytes) -> bool:
        """A gateway publishes from outside by the port that is open to it; whether it could."""
        accounts = self.made / "accounts"
        mine = accounts / "gateway" / gateway
        mine = mine if mine.exists() else accounts / "revoked" / gateway
        done = self.hub.ask(
            program("mosquitto_pub"), "-V", "5", "-q", "1", "-i", gateway,
            "-h", self.hub.address("broker", "front"), "-p", "8883", "--insecure",
            "--cafile", str(mine / "ca.pem"), "--cert", str(mine / "cert.pem"),
            "--key", str(mine / "cert.key"), "-t", gateway_topic(REGION, gateway, kind),
            "-m", payload.decode(),
        )  # fmt: skip
        return done.returncode == 0

    def close(self) -> None:
        for box in self.boxes.values():
            box.close()


def _in_order(services: dict[str, Any]) -> list[str]:
    """Each after those that it needs."""
    order: list[str] = []
    while len(order) < len(services):
        order += [
            name for name, service in services.items()
            if name not in order and set(service.get("depends_on", {})) <= set(order)
        ]  # fmt: skip
    return order


@pytest.fixture(scope="module")
def stack(
    made: Path, config: dict[str, Any], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Stack]:
    need_boxes()
    for name in ("mosquitto", "redis-server", "prometheus", "prometheus-alertmanager", "wget"):
        program(name)
    with hub_for(config) as hub:
        whole = Stack(config, hub, made, tmp_path_factory.mktemp("boxes"))
        try:
            whole.start()
            yield whole
        finally:
            whole.close()


def test_every_service_comes_up_and_an_event_goes_all_the_way(stack: Stack) -> None:
    clock, teller = SystemClock(), Teller(GATEWAY)
    assert stack.say(FAILING, Kind.STATE, Teller(FAILING).state(clock.now_ms(), up=False).payload)
    assert stack.say(GATEWAY, Kind.STATE, teller.state(clock.now_ms()).payload)
    heard = teller.heard(clock.now_ms(), "QA1ABC", "1", to="SEARCH")
    assert stack.say(GATEWAY, Kind.HEARD, heard.payload)

    web = stack.made / "streamer" / "web" / "web.pem"
    board = stack.site("board", "front", 8750, name=BOARD_NAME, ca=web)
    status, _, headers = board.ask("POST", "/api/v1/session", {"name": USER, "password": PASSWORD})
    assert status == 200
    board.headers["Cookie"] = headers["set-cookie"].split(";")[0]
    wait_until(
        lambda: "QA1ABC" in json.dumps(board.get("/api/v1/groups/SEARCH/roster")),
        "the station on the board",
    )

    prometheus = stack.site("prometheus", "admin", 9090)

    def value(query: str) -> float:
        found = prometheus.get(f"/api/v1/query?query={query}")["data"]["result"]
        return float(found[0]["value"][1]) if found else 0.0

    # Scraped every 15 seconds.
    wait_until(lambda: value('sum(up{job="streamer"})') == 2, "both workers in Prometheus", 25)
    wait_until(lambda: value('up{job="streamer-board"}') == 1, "the board in Prometheus", 25)
    wait_until(
        lambda: value('sum(streamer_events_total{tally="heard"})') == 1, "the event there", 25
    )
    rules = prometheus.get("/api/v1/rules")["data"]["groups"]
    assert rules
    assert all(rule["health"] in ("ok", "unknown") for g in rules for rule in g["rules"])
    active = prometheus.get("/api/v1/alertmanagers")["data"]["activeAlertmanagers"]
    assert [a["url"] for a in active] == ["http://alertmanager:9093/api/v2/alerts"]


def test_alerts_of_the_region_and_of_prometheus_reach_alertmanager(stack: Stack) -> None:
    """Of the region by its channel: the gateway that said it was down, above. And of Prometheus by
    its rules: the one that always fires."""
    alertmanager = stack.site("alertmanager", "admin", 9093)
    for alert in (f"gateway_lost.{FAILING}", "StreamerWatchdog"):
        wait_until(
            lambda alert=alert: alert in json.dumps(alertmanager.get("/api/v2/alerts")),  # type: ignore[misc]
            f"{alert} in Alertmanager", 30,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("who", "target", "port"),
    [("prometheus", "redis", 6379), ("broker", "redis", 6379), ("prometheus", "broker", 8883),
     ("alertmanager", "broker", 8883)],
)  # fmt: skip
def test_who_shares_no_network_cannot_reach(stack: Stack, who: str, target: str, port: int) -> None:
    networks = stack.boxes[target].service["networks"]
    words = [stack.hub.address(target, network) for network in networks]
    for host in [target, *words]:
        done = stack.boxes[who].inside(["bash", "-c", f"exec 3<>/dev/tcp/{host}/{port}"])
        assert done.returncode == 1, (host, done.stderr)
    # And the check can tell: by its own name it is there.
    own = stack.boxes[target].inside(["bash", "-c", f"exec 3<>/dev/tcp/{target}/{port}"])
    assert own.returncode == 0, own.stderr


def test_the_commands_that_read_work_in_a_workers_container(stack: Stack) -> None:
    """docker compose exec worker-1 streamer alerts"""
    done = stack.boxes["worker-1"].inside(["streamer", "alerts"])
    assert done.returncode == 0, done.stderr
    assert FAILING in done.stdout


def test_a_revoked_gateway_is_out_after_the_manuals_commands(stack: Stack) -> None:
    teller = Teller(FAILING, boot="0190000000000002")
    state = teller.state(SystemClock().now_ms()).payload
    assert stack.say(FAILING, Kind.STATE, state)
    again = [block for block in blocks("With containers") if "/broker $STREAMER_FILES" in block]
    done = run_blocks([f"streamer enroll --revoke {FAILING}", *again], *typed(stack.made))
    assert done.returncode == 0, done.stderr
    assert stack.say(FAILING, Kind.STATE, state), "not before the broker was told"
    broker = stack.boxes["broker"].process
    assert broker is not None
    broker.send_signal(signal.SIGHUP)  # docker compose kill -s HUP broker
    wait_until(lambda: not stack.say(FAILING, Kind.STATE, state), "the gateway to be refused")
    assert stack.say(GATEWAY, Kind.STATE, Teller(GATEWAY).state(0).payload), "and nobody else"


def test_no_container_sees_the_authority_or_the_others_secrets(stack: Stack) -> None:
    for name, box in stack.boxes.items():
        held = box.inside(["ls", "/run/secrets"]).stdout.split() if "secrets" in box.service else []
        named = {
            s.get("target", s["source"]).rpartition("/")[2] for s in box.service.get("secrets", ())
        }
        assert set(held) == named, name
        assert box.inside(["touch", "/anywhere"]).returncode == 1, "the root is read-only"


def test_the_containers_stay_within_their_memory(stack: Stack) -> None:
    for name, box in stack.boxes.items():
        peak_mib, limit_mib = box.peak_mib(), int(box.service["mem_limit"]) / (1 << 20)
        print(f"{name}: {peak_mib:.0f} of {limit_mib:.0f} MiB")
        assert peak_mib < limit_mib / 2, name


def test_all_end_by_themselves_in_the_time_they_are_given(stack: Stack) -> None:
    """The last one: workers have worked off what they took, and nobody must be killed."""
    begun_s = time.monotonic()
    for name, box in reversed(stack.boxes.items()):
        code = box.stop()
        assert code == 0, (name, code, box.log()[-2000:])
        print(f"{name}: ended, {time.monotonic() - begun_s:.1f} s")
        if name.startswith("worker"):
            assert '"complete": true' in box.log()
