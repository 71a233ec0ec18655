"""How long it takes from the publishing of something to its being shown on an open page."""

import json
from collections.abc import Iterator
from typing import Any

from playwright.sync_api import Page

from tests.board.rig import Ear

WAIT_MS = 60_000
WATCH = """([selector, text]) => {
    window.seenAt = null;
    const look = () => {
        if (window.seenAt !== null) return;
        const found = document.querySelector(selector);
        if (found?.textContent.includes(text)) window.seenAt = Date.now();
    };
    new MutationObserver(look)
        .observe(document.body, {childList: true, subtree: true, characterData: true});
    look();
    return window.seenAt === null;
}"""


class Sighting:
    """A page that notes when `text` first stands in what `selector` finds, and the topic, under
    the region, on which the same must come; there it is told about `station`, if that is given."""

    def __init__(self, page: Page, selector: str, text: str, topic: str, station: str) -> None:
        self.page = page
        self.topic = topic
        self.station = station
        assert page.evaluate(WATCH, [selector, text]), f"{text!r} is shown already"


def to_be_shown(sighting: Sighting, ear: Ear) -> int:
    """Milliseconds from the arrival of the message at a reader of its topic to its being in the
    page's document; negative if the page was first. Fails when it does not come."""
    sighting.page.wait_for_function("() => window.seenAt !== null", timeout=WAIT_MS)
    shown_ms = int(sighting.page.evaluate("window.seenAt"))
    turns = list(_turns_ms(sighting, ear))
    assert turns, f"it is shown, but was never told on {sighting.topic}"
    return min((shown_ms - at_ms for at_ms in turns), key=abs)


def _turns_ms(sighting: Sighting, ear: Ear) -> Iterator[int]:
    """When it was told that somebody is out of reach who was not so in the message before."""
    was = False
    for at_ms, topic, payload in list(ear.times):
        if not topic.endswith(f"/{sighting.topic}"):
            continue
        told: Any = json.loads(payload) if payload else {}
        if sighting.station:
            told = next((m for m in told["members"] if m["station"] == sighting.station), {})
        said = told.get("standing") or told.get("kind") or ""
        now = told.get("state") != "cleared" and said.endswith("out_of_reach")
        if now and not was:
            yield at_ms
        was = now
