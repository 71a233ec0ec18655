"""Two brokers: gateways at one (configs/mosquitto-bridge.conf), the worker at the other. Whichever
dies, and when the line between them is cut, every event counts once; fan-outs and answers come
back."""

import json
import os
import re
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from streamer.clock import SystemClock
from tests.enroll.raw import ENDED, Raw
from tests.enroll.rig import WITNESS, WITNESS_PASSWORD, Accounts, OurMosquitto
from tests.integration.conftest import MakeStage
from tests.integration.rig import GATEWAYS, RATE_PER_S, REGION, InsideGateway, Rig
from tests.integration.stage import Peer, Stage
from tests.servers import Mosquitto, Redis, free_port, wait_until
from tests.state.scene import Teller

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(180),
]  # fmt: skip

CONFIGS = Path(__file__).parents[2] / "configs"
BRIDGE = (CONFIGS / "mosquitto-bridge.conf").read_text()


class Line:
    """What lies between the two: carries bytes to a port, and can be cut."""

    def __init__(self, to: int) -> None:
        self.port = free_port()
        self._to = to
        self._up = True
        self._ends: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        self._up = False
        for end in self._ends:
            end.close()
        self._ends.clear()

    def mend(self) -> None:
        self._up = True

    def close(self) -> None:
        self.cut()
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                if not self._up:
                    raise OSError("cut")
                far = socket.create_connection(("127.0.0.1", self._to), 5)
            except OSError:
                near.close()
                continue
            self._ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=_carry, args=(one, other), daemon=True).start()


def _carry(source: socket.socket, to: socket.socket) -> None:
    try:
        while data := source.recv(65536):
            to.sendall(data)
    except OSError:
        pass
    finally:
        source.close()
        to.close()


def bridge_part(region: str, port: int) -> str:
    """The connection of configs/mosquitto-bridge.conf to a port of this machine, without TLS."""
    text = BRIDGE[BRIDGE.index("\nconnection region") :]
    lines = [line for line in text.splitlines() if not re.match(r"bridge_(ca|cert|key|tls)", line)]
    return _for_test("\n".join(lines), region, port) + "\n"


def _for_test(text: str, region: str, port: int) -> str:
    for old, new in (
        ("address mqtt.example:8883", f"address 127.0.0.1:{port}"),
        ("net/hillcountry/", f"net/{region}/"),
        ("restart_timeout 1 30", "restart_timeout 1 1"),
    ):
        assert old in text
        text = text.replace(old, new)
    return text


class Site:
    """A region with its worker, and a site's broker bridged to it."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.line = Line(stage.broker.port)
        self.broker = Mosquitto(bridge_part(stage.region, self.line.port))
        self.broker.start()

    def close(self) -> None:
        self.broker.close()
        self.line.close()


@pytest.fixture
def site(make_stage: MakeStage, servers: tuple[Mosquitto, Redis]) -> Iterator[Site]:
    broker, store = servers
    made = Site(make_stage(on=broker, store=store, **REGION))
    made.stage.worker()
    yield made
    made.close()


def test_what_both_sides_say_comes_over(site: Site) -> None:
    stage, region = site.stage, site.stage.region
    gateway = Peer(
        site.broker.port, "gateway", [f"net/{region}/#"],
        will=(f"net/{region}/gw/ridge/state", b"{}"),
    )  # fmt: skip
    ridge = Teller("ridge")

    def say(message: object, *, retain: bool = False) -> None:
        topic = message.topic.replace("net/scene/", f"net/{region}/")  # type: ignore[attr-defined]
        gateway.publish(topic, message.payload, retain=retain)  # type: ignore[attr-defined]

    say(ridge.state(stage.now_ms), retain=True)
    say(ridge.heard(stage.now_ms, "QA1ABC", "first", to="NET"))
    stage.expect(lambda: stage.wanted("NET"), {"ridge/uhf": ("member",)}, "the fan-out")
    back = f"net/{region}/fanout/NET"
    newest: Callable[[], bool] = lambda: (  # noqa: E731
        bool(gateway.by_topic[back]) and bool(json.loads(gateway.by_topic[back][-1])["repeaters"])
    )
    wait_until(newest, "the fan-out at the site")
    wait_until(lambda: gateway.by_topic[f"net/{region}/reply/ridge"], "an answer at the site")
    # What readers there see: fan-outs and answers, and each message of their own once: no loop.
    heard = gateway.by_topic[f"net/{region}/gw/ridge/heard"]
    assert len(heard) == 1
    assert len(stage.reader.by_topic[f"net/{region}/gw/ridge/heard"]) == 1
    assert not [t for t in gateway.by_topic if t.split("/")[2] in ("reach", "alert", "worker")]
    # A will, and what is retained, are known over there too, also to who comes later.
    gateway.vanish()
    wait_until(lambda: stage.reader.by_topic[f"net/{region}/gw/ridge/state"][-1] == b"{}", "a will")
    late = stage.peer("late", f"net/{region}/gw/#")
    wait_until(lambda: late.by_topic[f"net/{region}/gw/ridge/state"] == [b"{}"], "the will again")
    later = Peer(site.broker.port, "later", [back])
    wait_until(lambda: later.by_topic[back], "the fan-out, retained at the site")
    later.close()


def _strike(site: Site, kind: str) -> Callable[[], None]:
    def killed(broker: Mosquitto) -> None:
        broker.kill()
        SystemClock().sleep_s(0.3)
        broker.launch()
        wait_until(broker.answers, "the broker to answer again")

    def cut() -> None:
        site.line.cut()
        SystemClock().sleep_s(1.0)
        site.line.mend()

    return {
        "the site's broker": lambda: killed(site.broker),
        "the region's broker": lambda: killed(site.stage.broker),
        "the line": cut,
    }[kind]


@pytest.mark.parametrize("kind", ["the site's broker", "the region's broker", "the line"])
def test_nothing_is_lost_when_it_fails_under_load(site: Site, kind: str, tmp_path: Path) -> None:
    gateways = [
        InsideGateway(tmp_path, name, site.stage.region, site.broker, 11) for name in GATEWAYS
    ]
    made = Rig(site.stage, gateways, None)
    try:
        made.start()
        made.load(2.0, 0.8, _strike(site, kind))
        assert made.judge() == 2 * RATE_PER_S
    finally:
        made.close()


# -- with accounts and TLS, as the file stands -----------------------------------------------------


class OurSite(OurMosquitto):
    """On configs/mosquitto-bridge.conf, with the account that was made for it."""

    def __init__(self, accounts: Accounts, region: str, port: int) -> None:
        self._region, self._to = region, port
        super().__init__(accounts)

    def _write(self) -> None:
        self.files = self.folder / "streamer"
        text = _for_test(BRIDGE, self._region, self._to)
        for old, new in (
            ("/etc/mosquitto/streamer", str(self.files)),
            ("/var/lib/mosquitto/", f"{self.folder}/data/"),
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
        ):
            assert old in text
            text = re.sub(rf"^([^#\n]*){re.escape(old)}", rf"\g<1>{new}", text, flags=re.MULTILINE)
        text += f"listener {self.loopback_port} 127.0.0.1\n"  # for the witness
        if os.geteuid() == 0:
            text += "user root\n"
        (self.folder / "mosquitto.conf").write_text(text.replace("mqtt.example", "127.0.0.1"))
        self.copy()

    def source(self) -> Path:
        return self.accounts.place("site", "bridge")


class Seen:
    """A connection that reads everything, or one of a gateway with its certificate."""

    def __init__(self, port: int, folder: Path | None = None) -> None:
        self.topics: list[str] = []
        self.codes: list[str] = []
        self.client = client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"seen-{port}", protocol=paho.MQTTv5
        )
        if folder is None:
            client.username_pw_set(WITNESS, WITNESS_PASSWORD)
        else:
            client.tls_set(
                str(folder / "ca.pem"), str(folder / "cert.pem"), str(folder / "cert.key")
            )
        client.on_message = lambda _c, _u, m: self.topics.append(m.topic)
        client.on_publish = lambda _c, _u, _m, code, _p: self.codes.append(str(code))
        client.connect("localhost", port)
        client.loop_start()
        wait_until(client.is_connected, "it to be connected")
        client.subscribe("#" if folder is None else "net/hills/#", 1)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_a_site_with_accounts_speaks_for_its_gateways_alone(tmp_path: Path) -> None:
    accounts = Accounts(tmp_path)
    accounts.enrol("--init", "--host", "127.0.0.1")
    accounts.enrol("--all")
    site_of = ("site", "--role", "bridge", "--host", "localhost")
    accounts.enrol(*site_of, "--for", "mill", "--for", "pass")
    accounts.enrol("worker-1", "--role", "worker", "--password")
    region = OurMosquitto(accounts)
    region.start()
    site = OurSite(accounts, "hills", region.port)
    site.start()
    seen = Seen(region.loopback_port)
    mill = Seen(site.port, accounts.place("mill"))
    ridge = Seen(site.port, accounts.place("ridge"))
    try:
        own = "net/hills/gw/mill/heard"

        def arrives() -> bool:
            mill.client.publish(own, b"x", 1)
            return own in seen.topics

        wait_until(arrives, "what mill says at the region")
        # Nobody else may speak at the site; at the region: tests/enroll/test_rights.py.
        ridge.client.publish("net/hills/gw/ridge/heard", b"x", 1)
        wait_until(lambda: "Not authorized" in ridge.codes, "a refusal of ridge")
        # Fan-outs come to the site, whose access list knows nobody but its gateways.
        worker = Raw(region.password("worker-1", "worker"))
        fanout = "net/hills/fanout/NET"
        assert worker.publish(fanout, retain=1) in (0, 0x10)
        wait_until(lambda: fanout in mill.topics, "the fan-out at the site")
        assert "net/hills/gw/ridge/heard" not in seen.topics
        # Nor may a gateway at the site speak for another.
        mill.client.publish("net/hills/gw/pass/heard", b"x", 1)
        wait_until(lambda: "Not authorized" in mill.codes, "a refusal")
        # A revoke reaches the site by its own folder: mill has no rights on a connection that is
        # there, and gets no new one.
        accounts.enrol("--revoke", "mill")
        site.reload()
        mill.codes.clear()
        mill.client.publish(own, b"x", 1)
        wait_until(lambda: "Not authorized" in mill.codes, "a refusal of the revoked one")
        assert Raw(site.certificate("mill")).code == ENDED
        assert Raw(site.certificate("pass")).code == 0
    finally:
        for one in (seen, mill, ridge):
            one.close()
        site.close()
        region.close()
