"""Forty gateways with 400 members lost within a second, and back within a second: two real workers,
counted where people are told."""

from collections.abc import Iterator
from typing import Any

import pytest

from streamer.clock import SystemClock
from tests.integration.conftest import MakeStage
from tests.integration.listener import Listener
from tests.integration.stage import Stage
from tests.servers import wait_until
from tests.state.scene import Teller

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(120),
]  # fmt: skip

GATEWAYS = tuple(f"site-{n:02}" for n in range(40))
GROUPS = ("RESCUE", "NET", "TALK", "SHORE")
MOST = 3


@pytest.fixture
def listener() -> Iterator[Listener]:
    made = Listener()
    yield made
    made.close()


@pytest.fixture
def stage(make_stage: MakeStage, listener: Listener) -> Stage:
    return make_stage(
        alerts={"settle_s": 2, "clear_s": 2},
        channel=[{"name": "hook", "type": "webhook", "url": listener.url,
                  "gather_s": 1, "pause_s": 5}],
        policy={"starved_after_s": 600},
        group=[{"name": name} for name in GROUPS],
        gateway=[{"id": g, "repeater": [{"id": "uhf"}]} for g in GATEWAYS],
    )  # fmt: skip


def alert_messages(stage: Stage) -> list[dict[str, Any]]:
    """What was said under `alert/`, without the taking back of what was retained."""
    return [
        payload
        for topic in list(stage.reader.by_topic)
        if "/alert/" in topic
        for payload in stage.all_said(topic)
    ]


def quiet_for(stage: Stage, listener: Listener, seconds: float) -> None:
    clock = SystemClock()
    seen, since_s = (-1, -1), clock.monotonic_s()
    while clock.monotonic_s() < since_s + seconds:
        now = len(alert_messages(stage)), len(listener.deliveries)
        if now != seen:
            seen, since_s = now, clock.monotonic_s()
        clock.sleep_s(0.2)


def test_a_storm_makes_three_messages_at_most_and_so_does_its_end(
    stage: Stage, listener: Listener
) -> None:
    for name in ("worker-1", "worker-2"):
        stage.worker(name)
    tellers = {name: Teller(name) for name in GATEWAYS}
    ports = {g: [{"id": f"{g}/uhf", "up": True}] for g in GATEWAYS}
    for name, teller in tellers.items():
        stage.say(teller.state(stage.now_ms, repeaters=ports[name]))
        for n in range(10):
            station = f"Q{chr(65 + n)}{int(name[-2:]) % 10}{chr(65 + int(name[-2:]) // 10)}AB"
            group = GROUPS[n % len(GROUPS)]
            stage.say(teller.heard(stage.now_ms, station, f"o{name}{n}", to=group))
    wait_until(
        lambda: sum(len(stage.standings(group)) for group in GROUPS) == 400, "400 members", 60
    )
    assert stage.alerts() == {}
    before = len(alert_messages(stage))

    for teller in tellers.values():
        stage.say(teller.state(stage.now_ms, up=False))
    stage.taken()
    wait_until(lambda: bool(stage.alerts()), "an alert", 30)
    quiet_for(stage, listener, 8)
    (alert,) = stage.alerts().values()
    assert alert["kind"] == "network_lost"
    assert alert["title"] == f"40 of 40 gateways of {stage.region} are lost at once"
    assert [held["subject"] for held in alert["held"]] == list(GATEWAYS)
    assert any("400 members were last heard behind them" in r for r in alert["reasons"])
    said = alert_messages(stage)[before:]
    assert 1 <= len(said) <= MOST, [(s["id"], s["version"], s["title"]) for s in said]
    assert 1 <= len(listener.deliveries) <= MOST
    assert all(len(d.content["text"]) < 2000 for d in listener.deliveries)
    standings = {s for group in GROUPS for s in stage.standings(group).values()}
    assert standings == {"blind"}

    before, told = len(alert_messages(stage)), len(listener.deliveries)
    for name, teller in tellers.items():
        stage.say(teller.state(stage.now_ms, repeaters=ports[name], session=1))
    stage.taken()
    wait_until(lambda: stage.alerts() == {}, "the alert to clear", 30)
    quiet_for(stage, listener, 8)
    said = alert_messages(stage)[before:]
    assert 1 <= len(said) <= MOST, [(s["id"], s["version"], s["state"]) for s in said]
    assert 1 <= len(listener.deliveries) - told <= MOST
    assert listener.deliveries[-1].notices[-1]["turn"] == "cleared"
