"""Events reach a real broker whatever happens to it, to the agent, or to the rights."""

import json
import os
import signal
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import Any

import psutil
import pytest

from streamer.agent.agent import Agent
from streamer.agent.sender import RateLimit
from streamer.contract.decode import decode
from streamer.contract.events import State
from streamer.contract.topics import parse_inbound
from streamer.mqtt.settings import BrokerSettings
from tests.servers import program

from .tools import (
    GATEWAY,
    REGION,
    Broker,
    Listen,
    Listener,
    MakeBroker,
    StartAgent,
    heard,
    route,
    settings_for,
    until,
)

pytestmark = pytest.mark.mosquitto
STATE = f"net/{REGION}/gw/+/state"


def states(listener: Listener) -> list[State]:
    return [State.model_validate_json(m.payload) for m in list(listener.messages)]


def config_text(folder: Path, broker: BrokerSettings, source: str, **top: Any) -> Path:
    lines = [f"{key} = {json.dumps(value)}" for key, value in top.items()]
    path = folder / "agent.toml"
    path.write_text(
        "\n".join(
            [
                f'region = "{REGION}"',
                f'gateway = "{GATEWAY}"',
                "rate_mps = 5000",
                *lines,
                "[broker]",
                f"port = {broker.port}",
                "keepalive_s = 5",
                "[spool]",
                f"path = {json.dumps(str(folder / 'spool.db'))}",
                "[[repeater]]",
                'id = "uhf"',
                source,
            ]
        )
    )
    return path


def start_program(config: Path, log: Path) -> subprocess.Popen[bytes]:
    with log.open("ab") as stream:
        return subprocess.Popen(
            [sys.executable, "-m", "streamer.agent", str(config)],
            stdin=subprocess.DEVNULL,
            stderr=stream,
            cwd=Path(__file__).parents[2],
        )


@pytest.mark.parametrize("protocol", ["5", "3.1.1", "auto"])
def test_events_come_as_the_contract_says(
    broker: Broker, listen: Listen, start_agent: StartAgent, tmp_path: Path, protocol: str
) -> None:
    listener = listen(broker.settings)
    wanted = broker.settings.model_copy(update={"protocol": protocol})
    agent = start_agent(settings_for(tmp_path, wanted))
    numbers = [agent.submit(heard(n) if n % 3 else route(n)) for n in range(1, 10)]
    assert numbers == list(range(1, 10))
    until(lambda: len(listener.events()) == 9, "all events")
    for message in listener.messages:
        inbound = parse_inbound(message.topic)
        assert inbound is not None
        events, problems = decode(inbound.kind, message.payload)
        assert len(events) == 1  # live events go one by one
        assert problems == []
    assert [event["seq"] for event in listener.events()] == numbers
    assert {event["repeater"] for event in listener.events()} == {"ridge/uhf"}
    until(lambda: agent.status().waiting == 0, "all acknowledged")


def test_heartbeats_will_and_last_word(
    broker: Broker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    listener = listen(broker.settings, STATE)
    agent = start_agent(settings_for(tmp_path, broker.settings, heartbeat_s=0.2))
    until(lambda: len(listener.messages) >= 4, "heartbeats")
    agent.set_repeater("uhf", up=False)
    until(lambda: not states(listener)[-1].repeaters[0].up, "the repeater's state")
    assert states(listener)[-1].repeaters[0].changed_at is not None
    assert not agent.set_repeater("nowhere", up=False)
    agent.stop()
    until(lambda: not states(listener)[-1].up, "the last word")
    seen = states(listener)
    assert [state.seq for state in seen] == list(range(1, len(seen) + 1))
    assert {state.session for state in seen} == {1}

    again = start_agent(settings_for(tmp_path, broker.settings))
    until(lambda: states(listener)[-1].up, "a heartbeat")
    assert not states(listener)[-1].repeaters[0].up  # remembered
    assert states(listener)[-1].boot > seen[-1].boot
    again.stop(abrupt=True)
    until(lambda: not states(listener)[-1].up, "the will")
    will = states(listener)[-1]
    assert (will.seq, will.session, will.repeaters) == (None, 1, ())
    late = listen(broker.settings, STATE, name="late")
    until(lambda: late.messages, "the retained state")
    assert late.messages[0].retain
    assert states(late)[0] == will


def test_each_connection_of_a_boot_is_another_session(
    broker: Broker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    listener = listen(broker.settings, STATE)
    agent = start_agent(settings_for(tmp_path, broker.settings))
    until(lambda: agent.connected, "a connection")
    broker.kill()
    until(lambda: not agent.connected, "the loss noticed")
    broker.start()
    until(lambda: any(s.session > 1 and s.seq == 1 for s in states(listener)), "another session")
    assert len({state.boot for state in states(listener)}) == 1


def test_an_outage_of_10_000_events_loses_none_and_flushes_in_order(
    broker: Broker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    listener = listen(broker.settings)
    agent = start_agent(settings_for(tmp_path, broker.settings))
    agent.submit(heard(0))
    until(listener.events, "the first event")
    broker.stop()  # in good order: it keeps the listener's session on disk
    until(lambda: not agent.connected, "the loss noticed")
    for start in range(0, 10_000, 100):
        agent.submit_many([heard(n) if n % 4 else route(n) for n in range(start, start + 100)])
    assert agent.status().waiting >= 10_000
    broker.start()
    until(lambda: len(listener.numbers()) == 10_001, "all events", 60)
    until(lambda: agent.status().waiting == 0, "all acknowledged")
    firsts: dict[int, int] = {}
    for place, event in enumerate(listener.events()):
        firsts.setdefault(event["seq"], place)
    assert sorted(firsts) == list(range(1, 10_002))
    # In order by topic; between the topics within two arrays of at most 256.
    for name in ("heard", "route"):
        order = [
            event["seq"]
            for message in listener.messages
            if message.topic.endswith(name)
            for event in json.loads(b"[" + message.payload.strip(b"[]") + b"]")
        ]
        kept = list(dict.fromkeys(order))
        assert kept[1:] == sorted(kept[1:])
    assert max(abs(place + 1 - seq) for seq, place in firsts.items()) <= 512
    assert len(listener.messages) < 400  # arrays, not 10,000 messages


def test_the_broker_killed_loses_nothing_that_it_had_acknowledged(
    broker: Broker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    """The broker's disk is written every 1800 s here: a kill costs it all it acknowledged."""
    listener = listen(broker.settings)
    agent = start_agent(settings_for(tmp_path, broker.settings))
    for n in range(50):
        agent.submit(heard(n))
    until(lambda: agent.status().held == 50, "all acknowledged")
    broker.kill()
    until(lambda: not agent.connected, "the loss noticed")
    listener.messages.clear()  # as if it had not had the time to read them
    broker.start()
    agent.submit(heard(51))
    until(lambda: len(listener.numbers()) == 51, "all again")


def test_an_agent_killed_in_the_middle_loses_none(
    broker: Broker, listen: Listen, tmp_path: Path
) -> None:
    listener = listen(broker.settings)
    lines = tmp_path / "radio.jsonl"
    config = config_text(
        tmp_path,
        broker.settings,
        f'[[source]]\ntype = "file"\nstart = "begin"\npath = {json.dumps(str(lines))}',
    )
    log = tmp_path / "agent.log"
    lines.touch()
    total = 3000
    with lines.open("ab", buffering=0) as file:
        for goal in range(500, total + 1, 500):
            program = start_program(config, log)
            seen = len(listener.numbers())
            for n in range(goal - 500, goal):
                file.write(json.dumps(heard(n)).encode() + b"\n")
                if n == goal - 250:  # in the middle: while it reads and sends
                    until(partial(_more_than, listener, seen), "some events")
            os.kill(program.pid, signal.SIGKILL)
            program.wait(10)
    program = start_program(config, log)
    try:
        overs = {f"over-{n}" for n in range(total)}
        until(lambda: {e["over"] for e in listener.events()} == overs, "every over", 60)
        # Each line is one event, once: as many numbers as lines, without holes in a boot.
        assert len(listener.numbers()) == total
        by_boot: dict[str, set[int]] = {}
        for boot, seq in listener.numbers():
            by_boot.setdefault(boot, set()).add(seq)
        for seqs in by_boot.values():
            assert seqs == set(range(1, len(seqs) + 1))
    finally:
        program.send_signal(signal.SIGTERM)
        assert program.wait(20) == 0


def _more_than(listener: Listener, count: int) -> bool:
    return len(listener.numbers()) > count


def test_a_publish_that_the_broker_denies_stays(
    make_broker: MakeBroker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    rights = tmp_path / "acl"
    denied = f"topic readwrite net/{REGION}/#\ntopic deny net/{REGION}/gw/{GATEWAY}/heard\n"
    rights.write_text(denied)
    broker = make_broker(f"acl_file {rights}")
    agent = start_agent(
        settings_for(tmp_path, broker.settings.model_copy(update={"protocol": "5"}))
    )
    listener = listen(broker.settings, f"net/{REGION}/gw/{GATEWAY}/route")
    agent.submit(heard(1))
    agent.submit(heard(2))
    agent.submit(route(3))
    until(lambda: agent.status().refused >= 2, "refusals")
    until(lambda: len(listener.events()) == 1, "the route event, which is allowed")
    until(lambda: agent.status().waiting == 2, "the answer for it")
    rights.write_text(f"topic readwrite net/{REGION}/#\n")
    broker.stop()
    broker.start()
    both = listen(broker.settings, name="both")
    until(lambda: {e["seq"] for e in both.events()} >= {1, 2}, "the events kept", 30)
    until(lambda: agent.status().waiting == 0, "all acknowledged")


def test_an_event_that_the_broker_will_never_take_is_put_aside(
    make_broker: MakeBroker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    broker = make_broker("message_size_limit 400")
    listener = listen(broker.settings)
    agent = start_agent(settings_for(tmp_path, broker.settings))
    where = {"lat": 1.23456789, "lon": 2.3456789, "speed_mps": 1.5, "course_deg": 270.5}
    long = {"over": "x" * 40, "text": "y" * 20, "to": "Q" * 32, "station": "Q" * 32}
    agent.submit(heard(1, position=where, ber_pct=0.125, rssi_dbm=-101.5, **long))
    agent.submit(heard(2))
    until(lambda: agent.status().dead == 1, "the large one put aside")
    until(lambda: {e["seq"] for e in listener.events()} == {2}, "the small one")
    until(lambda: agent.status().waiting == 0, "nothing left")


@pytest.mark.parametrize(
    ("limit", "protocol"),
    [
        ("max_packet_size 9000", "5"),
        ("max_packet_size 9000", "3.1.1"),
        # Not with 3.1.1, which cannot say no: the broker acknowledges and drops.
        ("message_size_limit 9000", "5"),
    ],
)
def test_arrays_get_smaller_for_a_broker_that_takes_small_packets(
    make_broker: MakeBroker,
    listen: Listen,
    start_agent: StartAgent,
    tmp_path: Path,
    limit: str,
    protocol: str,
) -> None:
    broker = make_broker(limit)
    listener = listen(broker.settings)
    broker.stop()
    wanted = broker.settings.model_copy(update={"protocol": protocol})
    agent = start_agent(settings_for(tmp_path, wanted))
    agent.submit_many([heard(n) for n in range(500)])
    broker.start()
    until(lambda: len(listener.numbers()) == 500, "all events", 60)
    assert agent.status().dead == 0


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_password_file(
    make_broker: MakeBroker, start_agent: StartAgent, tmp_path: Path, protocol: str
) -> None:
    accounts = tmp_path / "accounts"
    accounts.touch(mode=0o600)
    subprocess.run(
        [program("mosquitto_passwd"), "-b", str(accounts), "gw-ridge", "correct horse"], check=True
    )
    secret = tmp_path / "secret"
    secret.write_text("wrong\n")
    broker = make_broker(f"password_file {accounts}", anonymous=False)
    account = broker.settings.model_copy(
        update={"username": "gw-ridge", "password_file": secret, "protocol": protocol}
    )
    agent = start_agent(settings_for(tmp_path, account))
    agent.submit(heard(1))
    until(lambda: agent.status().session >= 2, "a second attempt")
    assert not agent.connected
    secret.write_text("correct horse\n")  # read anew at each attempt
    until(partial(_answered, agent), "the event acknowledged", 30)


def _answered(agent: Agent) -> bool:
    """Whether the broker has let the agent publish; nobody listens in these tests."""
    return agent.status().waiting == 0 or agent.status().unheard > 0


# When a handshake fails, paho leaves the socket to be closed by the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_with_our_own_authority(
    make_broker: MakeBroker, start_agent: StartAgent, tmp_path: Path
) -> None:
    make_certificates(tmp_path)
    broker = make_broker(
        f"cafile {tmp_path}/ca.pem",
        f"certfile {tmp_path}/server.pem",
        f"keyfile {tmp_path}/server.key",
    )
    plain = broker.settings.model_dump()
    right = BrokerSettings.model_validate({**plain, "tls": {"ca_file": tmp_path / "ca.pem"}})
    wrong = BrokerSettings.model_validate({**plain, "tls": {}})
    (tmp_path / "other").mkdir()
    distrusting = start_agent(settings_for(tmp_path / "other", wrong))
    agent = start_agent(settings_for(tmp_path, right))
    agent.submit(heard(1))
    until(partial(_answered, agent), "the event acknowledged")
    until(lambda: distrusting.status().session >= 2, "a second attempt")
    assert not distrusting.connected


def make_certificates(folder: Path) -> None:
    def openssl(*arguments: str) -> None:
        subprocess.run(
            [program("openssl"), *arguments], check=True, capture_output=True, cwd=folder
        )

    new = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    # From 3.13 on, Python takes no authority without what RFC 5280, 4.2.1, asks of it.
    signs = ("-addext", "keyUsage=critical,keyCertSign,cRLSign", "-subj", "/CN=Test CA")
    openssl("req", "-x509", *new, "-keyout", "ca.key", "-out", "ca.pem", *signs)
    openssl("req", *new, "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=127.0.0.1")
    whose = "subjectAltName = IP:127.0.0.1\nauthorityKeyIdentifier = keyid\n"
    (folder / "names.ext").write_text(whose)
    signed = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-extfile", "names.ext")
    openssl("x509", "-req", "-in", "server.csr", *signed, "-out", "server.pem")


def test_the_password_is_never_in_the_log(tmp_path: Path, make_broker: MakeBroker) -> None:
    accounts = tmp_path / "accounts"
    accounts.touch(mode=0o600)
    broker = make_broker(f"password_file {accounts}", anonymous=False)
    (tmp_path / "secret").write_text("hunter-of-snarks")
    config = config_text(tmp_path, broker.settings, '[[source]]\ntype = "udp"\nport = 0')
    text = config.read_text().replace(
        "[broker]", '[broker]\nusername = "gw"\npassword_file = "secret"', 1
    )
    config.write_text(text.replace('"secret"', json.dumps(str(tmp_path / "secret"))))
    log = tmp_path / "agent.log"
    program = start_program(config, log)
    until(lambda: "broker_refused" in log.read_text(), "the refusal in the log")
    program.send_signal(signal.SIGINT)
    assert program.wait(20) == 0
    assert "hunter-of-snarks" not in log.read_text()


def test_the_rate_is_limited() -> None:
    limit = RateLimit(10, 0.0)
    taken = sum(limit.take(step / 1000) for step in range(3000))
    assert 38 <= taken <= 40  # a bucket of one second, and 10 a second for 3 s
    slow = RateLimit(0.5, 0.0)
    assert [slow.take(t) for t in (0.0, 1.0, 2.0, 3.0, 4.0)] == [True, False, True, False, True]


def test_an_agent_outlives_a_broker_that_comes_and_goes(
    broker: Broker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    """Killed three times while events are submitted: all arrive, though its disk forgets."""
    listener = listen(broker.settings)
    agent = start_agent(settings_for(tmp_path, broker.settings))
    for _ in range(3):
        agent.submit_many([heard(n) for n in range(100)])
        until(lambda: agent.status().held > 0, "some acknowledged")
        broker.kill()
        agent.submit_many([route(n) for n in range(100)])
        broker.start()
    until(lambda: len(listener.numbers()) == 600, "all events", 60)


def test_what_nobody_listens_to_stays_in_the_spool(
    broker: Broker, listen: Listen, start_agent: StartAgent, tmp_path: Path
) -> None:
    """A broker throws away what it has no subscriber for, and says so by 0x10 (MQTT 5.0, table
    3-4): also when it was restarted and has forgotten the workers' subscriptions."""
    agent = start_agent(settings_for(tmp_path, broker.settings))
    agent.submit_many([heard(n) if n % 3 else route(n) for n in range(100)])
    until(lambda: agent.status().unheard > 1, "the broker to say that nobody listens")
    assert agent.status().waiting == 100
    assert agent.status().refused == 0
    listener = listen(broker.settings)
    until(lambda: len(listener.numbers()) == 100, "all events")
    until(lambda: agent.status().waiting == 0, "all acknowledged")
    for kind in ("heard", "route"):
        topic = f"net/{REGION}/gw/{GATEWAY}/{kind}"
        events = [
            e["seq"]
            for m in listener.messages
            if m.topic == topic
            for content in [json.loads(m.payload)]
            for e in (content if isinstance(content, list) else [content])
        ]
        assert events == sorted(events)


@pytest.mark.skipif(sys.platform != "linux", reason="resident memory is read as Linux counts it")
def test_the_agent_stays_below_40_mb(broker: Broker, listen: Listen, tmp_path: Path) -> None:
    listener = listen(broker.settings)
    lines = tmp_path / "radio.jsonl"
    with lines.open("w") as file:
        for n in range(10_000):
            file.write(json.dumps(heard(n)) + "\n")
    source = f'[[source]]\ntype = "file"\nstart = "begin"\npath = {json.dumps(str(lines))}'
    program = start_program(config_text(tmp_path, broker.settings, source), tmp_path / "log")
    try:
        until(lambda: len(listener.numbers()) == 10_000, "all events", 60)
        resident = psutil.Process(program.pid).memory_info().rss
    finally:
        program.send_signal(signal.SIGTERM)
        assert program.wait(20) == 0
    assert resident < 40 * 1024 * 1024
    print(f"resident after 10,000 events: {resident / 1e6:.1f} MB")
