"""What changes shows by itself: on a region that a test plays by hand."""

import json
from collections.abc import Callable, Iterator
from itertools import count

import pytest
from playwright.sync_api import Page, expect

from tests.board.browser.conftest import WAIT_MS, OpenTab
from tests.board.browser.reach import Sighting, to_be_shown
from tests.board.gateways import Gateways
from tests.board.rig import BoardProcess, Rig
from tests.servers import wait_until
from tests.state.scene import moment

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

GROUP = "SEARCH-1"
MEMBERS = f"/groups/{GROUP}/members"
AWAY = (r"^answer 5\d\d: ", r"console error: Failed to load resource", r"^failed: .*/api/v1/feed")
"""What a browser says about a board that cannot answer for a while."""
_numbers = count(1)
MARK = "window.sameDocument = true"


@pytest.fixture(scope="module")
def board(rig: Rig, gateways: Gateways) -> BoardProcess:
    gateways.keep("QS2AAA", "ondrik/vhf", GROUP)
    return rig.board()


@pytest.fixture
def lost(rig: Rig, gateways: Gateways, board: BoardProcess) -> Iterator[str]:
    """Somebody of whom the board says that they are out of reach; a new one for each test."""
    station = f"QL{next(_numbers)}TST"
    gateways.key(station, "mirrosk/vhf", GROUP)
    client, alert = rig.client(board), f"member.{GROUP}.{station}"
    wait_until(lambda: _kind(client.rows("alerts").get(alert)) == "member_out_of_reach", alert)
    yield alert
    gateways.key(station, "mirrosk/vhf", GROUP, text="OUT")


def _kind(alert: object) -> object:
    return alert.get("kind") if isinstance(alert, dict) else None


def test_a_member_out_of_reach_shows_at_once(
    rig: Rig,
    gateways: Gateways,
    board: BoardProcess,
    open_tab: OpenTab,
    record_property: Callable[[str, object], None],
) -> None:
    """What is recorded is the time from the roster's arrival at a reader of the topic to the
    members page, and from the alert's to the page Now; both by the one clock of this machine."""
    station, ear = "QM1TST", rig.ear("+/+")
    gateways.keep(station, "mirrosk/vhf", GROUP)
    members, now = open_tab(board), open_tab(board)
    row = f"[data-key={station}]"
    expect(members.go(MEMBERS).locator(row)).to_contain_text("in reach")
    now.go("/")
    alert = f"member.{GROUP}.{station}"
    sightings = [
        Sighting(members.page, row, "out of reach", f"reach/{GROUP}", station),
        Sighting(now.page, f"[data-alert='{alert}']", "out of reach", f"alert/{alert}", ""),
    ]
    gateways.silence(station)
    for name, sighting in zip(("members", "now"), sightings, strict=True):
        took_ms = to_be_shown(sighting, ear)
        record_property(f"out_of_reach_to_{name}_ms", took_ms)
        print(f"published to shown on {name}: {took_ms} ms")
    gateways.key(station, "mirrosk/vhf", GROUP, text="OUT")
    expect(now.page.locator(f"[data-alert='{alert}']")).to_have_count(0, timeout=WAIT_MS)
    expect(members.page.locator(row)).to_contain_text("checked out")


def test_acknowledging_shows_on_a_second_page(
    lost: str, board: BoardProcess, open_tab: OpenTab
) -> None:
    first, second = open_tab(board), open_tab(board)
    slip = f"[data-alert='{lost}']"
    for tab in (first, second):
        expect(tab.go("/").locator(slip)).to_have_attribute("data-state", "open")
    first.page.locator(slip).get_by_role("button", name="Acknowledge").click()
    dialog = first.page.get_by_role("dialog")
    dialog.get_by_role("textbox").fill("Calling them by another way.")
    dialog.get_by_role("button", name="Acknowledge").click()
    for tab in (first, second):
        expect(tab.page.locator(slip)).to_have_attribute("data-state", "acknowledged")
        expect(tab.page.locator(slip)).to_contain_text("Calling them by another way.")
    expect(first.page.get_by_role("dialog")).to_have_count(0)


def test_an_alert_that_is_over_goes_from_every_page(
    lost: str, gateways: Gateways, board: BoardProcess, open_tab: OpenTab
) -> None:
    tabs = [open_tab(board), open_tab(board)]
    for tab in tabs:
        expect(tab.go("/").locator(f"[data-alert='{lost}']")).to_be_visible()
    gateways.key(lost.rsplit(".", maxsplit=1)[-1], "mirrosk/vhf", GROUP)
    for tab in tabs:
        expect(tab.page.locator(f"[data-alert='{lost}']")).to_have_count(0)


def test_air_time_saved_runs_on(gateways: Gateways, board: BoardProcess, open_tab: OpenTab) -> None:
    """An over of ten minutes to a group: the region's other 19 repeaters would have sent for 190.
    The words about it stay open while the figure goes on."""
    page = open_tab(board).go("/")
    figure = page.locator("[data-key^='Air-time saved']")
    expect(figure).to_contain_text("repeater-minutes")
    words = page.get_by_role("group").filter(has_text="How air-time saved is counted")
    words.locator("summary").click()
    expect(words).to_contain_text("not what repeaters said they carried")

    def flooded() -> float:
        return float(figure.inner_text().split(" instead of ")[1].split()[0].replace(",", ""))

    before = flooded()
    now_ms = gateways.clock.now_ms()
    gateways.key("QS6LNG", "pellanq/vhf", GROUP, started_at=moment(now_ms - 600_000),
                 duration_s=600, sent_at=moment(now_ms))  # fmt: skip
    wait_until(lambda: flooded() >= before + 188, "the long over to be counted")
    assert flooded() < before + 200  # what others keyed meanwhile is seconds
    expect(words.locator("p")).to_be_visible()
    assert figure.get_attribute("title")


def test_old_data_is_called_old_and_mends_without_a_reload(
    rig: Rig, gateways: Gateways, board: BoardProcess, open_tab: OpenTab
) -> None:
    """Redis and the worker are killed and come back at the same places."""
    paths = ("/", MEMBERS, f"/groups/{GROUP}", "/wall")
    tabs = {path: open_tab(board) for path in paths}
    for path, tab in tabs.items():
        tab.go(path).evaluate(MARK)
        expect(tab.page.locator("html")).not_to_have_attribute("data-stale", "")
    rig.redis.kill()
    rig.worker.kill()
    for path, tab in tabs.items():
        with tab.forgiving(*AWAY):
            expect(tab.page.locator("html"), path).to_have_attribute("data-stale", "")
            expect(tab.page.locator("#stale"), path).to_be_visible()
            expect(tab.page.locator("#data-age"), path).to_contain_text("old")
    expect(tabs["/"].page.locator("#verdict")).to_contain_text("data are old")
    gateways.keep("QS5NEW", "pellanq/vhf", GROUP)  # meanwhile: the broker keeps it
    rig.redis.start()
    rig.worker.start()
    for path, tab in tabs.items():
        expect(tab.page.locator("html"), path).not_to_have_attribute("data-stale", "")
        expect(tab.page.locator("#stale"), path).to_be_hidden()
        assert tab.page.evaluate("window.sameDocument") is True, f"{path} was loaded anew"
    shown = tabs[MEMBERS].page
    expect(shown.locator("[data-key=QS5NEW]")).to_contain_text("in reach")
    expect(shown.locator("[data-key=QS2AAA]")).to_contain_text("in reach")


def test_the_board_itself_away_and_back(
    board: BoardProcess, open_tab: OpenTab, gateways: Gateways
) -> None:
    """A page outlives its board: it says that it is cut off, and goes on with the new one."""
    tab = open_tab(board)
    shown = tab.go(MEMBERS)
    shown.evaluate(MARK)
    expect(shown.locator("[data-key=QS2AAA]")).to_contain_text("in reach")
    # The last: the token of the session before, with which the page then asks for the new one.
    anew = r"^answer 403: POST .*/roll-call$"
    with tab.forgiving(*AWAY, r"ERR_CONNECTION_REFUSED", r"^failed: GET .*/api/v1/", anew):
        board.kill()
        expect(shown.locator("html")).to_have_attribute("data-stale", "", timeout=30_000)
        expect(shown.locator("#stale")).to_contain_text("no connection to the board")
        board.start()
        expect(shown.locator("html")).not_to_have_attribute("data-stale", "", timeout=30_000)
    assert shown.evaluate("window.sameDocument") is True
    _act_after_restart(shown)


def _act_after_restart(shown: Page) -> None:
    """The new board gave this browser another session; acting works all the same."""
    shown.get_by_role("button", name="Start a roll call").click()
    shown.get_by_role("dialog").get_by_role("button", name="Start the roll call").click()
    expect(shown.locator(".roll-call")).to_contain_text("answered")


def test_what_is_published_is_what_is_shown(
    rig: Rig, board: BoardProcess, open_tab: OpenTab, gateways: Gateways
) -> None:
    """The fan-out page names just the repeaters of the published fan-out."""
    ear, topic = rig.ear(f"fanout/{GROUP}"), f"net/{rig.view.name}/fanout/{GROUP}"
    gateways.keep("QS6MOV", "sarnolf/vhf", GROUP)
    wait_until(lambda: "sarnolf/vhf" in _wanted(ear.by_topic[topic]), "the fan-out to have it")
    shown = open_tab(board).go(f"/groups/{GROUP}")
    rows = shown.locator("table.fanout tbody tr[data-key]")
    for repeater in _wanted(ear.by_topic[topic]):
        expect(rows.and_(shown.locator(f"[data-key='{repeater}']"))).to_have_count(1)


def _wanted(said: list[bytes]) -> set[str]:
    return {r["repeater"] for r in json.loads(said[-1])["repeaters"]} if said else set()
