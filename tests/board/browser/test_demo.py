"""The board on the demo's own world, from its fixed seed: the story with real agents."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import expect

from streamer.demo import story
from tests.board.browser.conftest import OpenTab
from tests.board.browser.reach import WAIT_MS, Sighting, to_be_shown
from tests.board.browser.tab import Tab
from tests.board.browser.test_live import AWAY, MARK
from tests.board.play import SPEED, play_on
from tests.board.rig import BoardProcess, Rig, rig_in
from tests.board.scene import PAGES
from tests.servers import wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

ALERT = f"member.{story.DRIVER_GROUP}.{story.DRIVER}"
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
PLACES = {
    **PAGES,
    "repeater": f"/repeaters/{story.STARVED}",
    "station": f"/stations/{story.DRIVER}",
}


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with rig_in(tmp_path_factory.mktemp("demo"), SPEED) as made, play_on(made):
        yield made


@pytest.fixture(scope="module")
def board(rig: Rig) -> BoardProcess:
    board = rig.board()
    client = rig.client(board)
    members = f"groups/{story.DRIVER_GROUP}/roster"
    wait_until(lambda: story.DRIVER in client.rows(members), "the driver to be heard")
    return board


def test_the_driver_out_of_reach_shows_at_once(
    rig: Rig,
    board: BoardProcess,
    open_tab: OpenTab,
    record_property: Callable[[str, object], None],
) -> None:
    """All pages are open while the story goes on until the driver is behind the wall."""
    ear = rig.ear("+/+")
    tabs = {name: open_tab(board) for name in PLACES}
    slip = f"[data-alert='{ALERT}']"
    now = tabs["now"].go("/")
    expect(now.locator(slip)).to_have_count(0, timeout=40_000)  # not that of the round before
    sighting = Sighting(now, slip, "out of reach", f"alert/{ALERT}", "")
    for name, tab in tabs.items():
        (tab.page if name == "now" else tab.go(PLACES[name])).evaluate(MARK)
    took_ms = to_be_shown(sighting, ear)
    record_property("demo_out_of_reach_to_now_ms", took_ms)
    print(f"published to shown on now: {took_ms} ms")
    row = tabs["members"].page.locator(f"tr[data-key={story.DRIVER}]")
    # On a slow machine the driver may be back before this line: then in the round after.
    expect(row).to_contain_text("out of reach", timeout=WAIT_MS)
    for name, tab in tabs.items():
        assert tab.page.evaluate("window.sameDocument") is True, name
        tab.check()
    _lose_and_mend(rig, tabs)


def _lose_and_mend(rig: Rig, tabs: dict[str, Tab]) -> None:
    """Redis and the worker are killed under the running show, and come back."""
    rig.redis.kill()
    rig.worker.kill()
    for name, tab in tabs.items():
        with tab.forgiving(*AWAY):
            expect(tab.page.locator("html"), name).to_have_attribute("data-stale", "")
    rig.redis.start()
    rig.worker.start()
    for name, tab in tabs.items():
        expect(tab.page.locator("html"), name).not_to_have_attribute("data-stale", "")
        assert tab.page.evaluate("window.sameDocument") is True, f"{name} was loaded anew"


def test_every_page_is_soon_painted(
    board: BoardProcess, open_tab: OpenTab, record_property: Callable[[str, object], None]
) -> None:
    """First contentful paint (W3C Paint Timing) and whole drawing, each in a fresh browser: what
    is recorded is for people; here it must only come."""
    for name, path in PLACES.items():
        page = open_tab(board).go(path)
        page.wait_for_function(f"() => {PAINTED}")
        drawn_ms = round(page.evaluate("performance.now()"))
        painted_ms = round(page.evaluate(PAINTED))
        record_property(f"{name}_first_paint_ms", painted_ms)
        print(f"{name}: first paint {painted_ms} ms, drawn {drawn_ms} ms")
        page.close()  # what it would follow from here on slows down the next
