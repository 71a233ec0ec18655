"""The page of a repeater says how well it hears."""

import re
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.board.browser.conftest import OpenTab
from tests.board.gateways import Gateways
from tests.board.rig import Rig
from tests.state.scene import moment

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

WELL, STUCK = "ondrik/vhf", "coldrane/vhf"
TOO_LONG_S = 600


def test_what_was_found_and_what_from(rig: Rig, gateways: Gateways, open_tab: OpenTab) -> None:
    """A repeater that hears well, and one where somebody did not let go of the key."""
    for number in range(3):
        gateways.key(f"QH{number}EAR", WELL, None, ago_s=60.0 - number)
    ended_ms = gateways.clock.now_ms()
    long: dict[str, Any] = {
        "started_at": moment(ended_ms - TOO_LONG_S * 1000),
        "duration_s": TOO_LONG_S,
    }
    gateways.key("QK1EYS", STUCK, None, **long)
    tab = open_tab(rig.board())
    tab.whole(f"/repeaters/{WELL}")
    health = tab.page.locator("#health")
    # A gateway is looked at once a minute.
    expect(health).to_contain_text("Nothing wrong was found.", timeout=90_000)
    expect(health).to_contain_text(re.compile("Judged .* from 3 overs of 3 stations"))

    tab.whole(f"/repeaters/{STUCK}")
    finding = tab.page.locator('#health [data-key="stuck"]')
    expect(finding).to_contain_text("An over lasts far too long", timeout=90_000)
    expect(finding).to_contain_text("QK1EYS was sending for 10 min")
