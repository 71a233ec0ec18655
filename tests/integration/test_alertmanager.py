"""A worker and a real Alertmanager: what opens, is taken in hand and clears is seen in its API, and
nothing is missing after it was killed, with its data or without."""

from collections.abc import Iterator
from functools import partial
from typing import Any

import pytest

from streamer.acts.acts import Acts
from streamer.clock import SystemClock
from tests.alerts.channels.test_alertmanager import Alertmanager
from tests.integration.conftest import MakeStage
from tests.servers import wait_until
from tests.state.scene import Teller

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]
RIDGE, LAKE = "gateway_lost.ridge", "gateway_lost.lake"


@pytest.fixture
def manager() -> Iterator[Alertmanager]:
    server = Alertmanager()
    server.start()
    yield server
    server.close()


def test_a_worker_keeps_an_alertmanager_up_to_date(
    make_stage: MakeStage, manager: Alertmanager
) -> None:
    stage = make_stage(
        alerts={"settle_s": 0.1, "clear_s": 0.1, "many_gateways": 99},
        channel=[{"name": "am", "type": "alertmanager", "url": manager.url, "refresh_s": 2.0,
                  "gather_s": 0.1, "pause_s": 0.0, "timeout_s": 2.0, "beat": True}],
        group=[{"name": "NET"}],
        gateway=[{"id": g, "repeater": [{"id": "uhf"}]} for g in ("ridge", "lake")],
    )  # fmt: skip
    stage.worker()
    tellers = {name: Teller(name) for name in ("ridge", "lake")}
    for name, teller in tellers.items():
        stage.say(teller.state(stage.now_ms))
        wait_until(partial(stage.times, name), "the gateway to be known")

    def states() -> dict[str, str]:
        found: dict[str, Any] = manager.alerts(stage.region)
        return {i: a["status"]["state"] for i, a in found.items() if i in (RIDGE, LAKE)}

    stage.say(tellers["ridge"].state(stage.now_ms, up=False))
    stage.expect(states, {RIDGE: "active"}, "an open alert there")
    Acts(stage.store, SystemClock()).acknowledge(RIDGE, "ann", "on my way")
    stage.expect(states, {RIDGE: "suppressed"}, "a silence there")
    (silence,) = manager.silences(stage.region)
    assert silence["createdBy"] == "ann"
    manager.kill()
    stage.say(tellers["lake"].state(stage.now_ms, up=False))  # while it is away
    wait_until(lambda: LAKE in stage.alerts(), "the alert")
    manager.start()
    stage.expect(states, {RIDGE: "suppressed", LAKE: "active"}, "both again")
    for name, teller in tellers.items():
        stage.say(teller.state(stage.now_ms, session=1 if name == "ridge" else 2))
    stage.expect(states, {}, "neither any more")
