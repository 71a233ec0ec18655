"""What a real broker says of itself: messages thrown away, clients, its certificate."""

import math
import subprocess
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import cast

import pytest
from prometheus_client import generate_latest
from prometheus_client.parser import text_string_to_metric_families as families

from streamer.clock import SystemClock
from streamer.mqtt.connection import BrokerRefused, Connection, Incoming, Session
from streamer.mqtt.settings import BrokerSettings, TlsSettings, broker_from_url
from streamer.worker.broker_said import FILTERS, BrokerSaid
from streamer.worker.metrics import Metrics
from tests.servers import Mosquitto, program, wait_until

pytestmark = pytest.mark.mosquitto


class Listener:
    """A connection as a worker has it, and what it was told."""

    def __init__(self, settings: BrokerSettings) -> None:
        self.metrics = Metrics()
        self.said = BrokerSaid(self.metrics)
        self.others: list[Incoming] = []
        self.connection = Connection(settings, Session("w1"), SystemClock())
        self.connection.open()
        self.said.ask(self.connection)
        self.said.connected(self.connection)

    def poll(self) -> None:
        self.others += self.said.sift(self.connection.poll(0.05))

    @property
    def dropped_by_it(self) -> int | None:
        """What the broker said last."""
        self.poll()
        return self.said._dropped

    def value(self, name: str, *labels: str) -> float:
        self.poll()
        text = generate_latest(self.metrics.registry).decode()
        for family in families(text):
            for sample in family.samples:
                if sample.name == name and tuple(sample.labels.values()) == labels:
                    return sample.value
        return math.nan


@pytest.fixture
def narrow() -> Iterator[Mosquitto]:
    """Speaks of itself each second, and keeps three messages for somebody who is absent."""
    server = Mosquitto("sys_interval 1\nmax_queued_messages 3\n")
    config = server.folder / "mosquitto.conf"
    config.write_text(config.read_text().replace("max_queued_messages 1000000\n", ""))
    server.start()
    yield server
    server.close()


def connection(broker: Mosquitto, name: str, *, clean: bool = True) -> Connection:
    made = Connection(
        broker_from_url(broker.url),
        Session(name, clean=clean, expiry_s=0 if clean else 300),
        SystemClock(),
    )
    made.open()
    return made


def publish(sender: Connection, count: int) -> None:
    for number in range(count):
        sender.publish("net/r/gw/ridge/heard", str(number).encode())
    answered = 0
    while answered < count:
        sender.wait_for_answers(0.05)
        answered += len(sender.answers())


def test_what_it_throws_away_is_counted(narrow: Mosquitto) -> None:
    absent = connection(narrow, "absent", clean=False)
    absent.subscribe([("net/#", 1)])
    absent.close()
    sender = connection(narrow, "sender")
    publish(sender, 10)  # 3 are kept, 7 lost
    earlier = Listener(broker_from_url(narrow.url))
    wait_until(lambda: earlier.value("streamer_broker_clients", "absent") == 1, "the broker's word")
    wait_until(lambda: earlier.dropped_by_it == 7, "the seven")
    earlier.connection.close()
    listener = Listener(broker_from_url(narrow.url))
    wait_until(lambda: listener.dropped_by_it == 7, "what it has counted before")
    wait_until(
        lambda: listener.value("streamer_broker_clients", "connected") == 2, "the sender and us"
    )
    assert listener.value("streamer_broker_dropped_total") == 0  # its own affair
    publish(sender, 5)
    wait_until(lambda: listener.value("streamer_broker_dropped_total") == 5, "five thrown away")
    assert listener.value("streamer_broker_stored_messages") >= 3
    wait_until(lambda: listener.value("streamer_broker_memory_bytes") > 10_000, "its memory")
    assert listener.others == []
    for one in (sender, listener.connection):
        one.close()


def test_a_broker_that_starts_anew_counts_anew() -> None:
    said = BrokerSaid(metrics := Metrics())

    def tell(topic: str, payload: bytes) -> list[Incoming]:
        return said.sift([Incoming(topic, payload, 0, True, 0)])

    for dropped in (b"7", b"9", b"2", b"no number", b"2"):  # 2 more, a new start, 2 of it
        assert tell(FILTERS[0], dropped) == []
    assert b"streamer_broker_dropped_total 4.0" in generate_latest(metrics.registry)
    # What is no word of the broker's goes on to be judged.
    assert len(tell("net/r/gw/ridge/heard", b"{}")) == 1
    assert len(tell("$elsewhere", b"{}")) == 1


def test_a_broker_that_does_not_let_us_read_it_is_not_known() -> None:
    class Refusing:
        def subscribe(self, *_: object) -> None:
            raise BrokerRefused("may not subscribe to '$SYS/broker/...'")

    said = BrokerSaid(metrics := Metrics())
    said.ask(cast(Connection, Refusing()))
    assert b"streamer_broker_stored_messages NaN" in generate_latest(metrics.registry)


def test_the_end_of_its_certificate_is_told(tmp_path: Path) -> None:
    """Source: openssl x509 -enddate."""
    cert, key = tmp_path / "server.pem", tmp_path / "server.key"
    words = (
        f"req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 5 -keyout {key} "
        f"-out {cert} -subj /CN=localhost -addext subjectAltName=IP:127.0.0.1"
    )
    openssl = program("openssl")
    subprocess.run([openssl, *words.split()], check=True, capture_output=True)
    tmp_path.chmod(0o755)
    for file in (cert, key):
        file.chmod(0o644)
    server = Mosquitto(f"certfile {cert}\nkeyfile {key}\n")
    # The broker's own user must reach the files: they lie in its own folder.
    for file in (cert, key):
        (server.folder / file.name).write_bytes(file.read_bytes())
    config = server.folder / "mosquitto.conf"
    text = config.read_text().replace(str(tmp_path), str(server.folder))
    config.write_text(text)
    server.start()
    try:
        settings = BrokerSettings(port=server.port, host="127.0.0.1", tls=TlsSettings(ca_file=cert))
        listener = Listener(settings)
        told = listener.value("streamer_broker_certificate_end_timestamp_seconds")
        said = subprocess.run(
            [openssl, "x509", "-enddate", "-noout", "-in", str(cert)],
            check=True, capture_output=True, text=True,
        ).stdout  # fmt: skip
        end = datetime.strptime(said.strip() + "+0000", "notAfter=%b %d %H:%M:%S %Y GMT%z")
        assert told == end.timestamp()
        listener.connection.close()
    finally:
        server.close()


def test_without_tls_there_is_no_certificate(mosquitto: Mosquitto) -> None:
    listener = Listener(broker_from_url(mosquitto.url))
    assert math.isnan(listener.value("streamer_broker_certificate_end_timestamp_seconds"))
    assert listener.value("streamer_broker_connected") == 1
    listener.said.gone()
    assert listener.value("streamer_broker_connected") == 0
    listener.connection.close()
