"""Acting without a mouse. Nothing here clicks: see `keys`."""

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.board.browser.conftest import OpenTab
from tests.board.browser.keys import Keyboard
from tests.board.gateways import Gateways
from tests.board.rig import BoardProcess, Rig
from tests.servers import wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

GROUP = "SEARCH-1"
LOST = "utterfen"
ALERT = f"gateway_lost.{LOST}"
REPEATER = "galvern/vhf"


@pytest.fixture(scope="module")
def board(rig: Rig, gateways: Gateways) -> BoardProcess:
    gateways.keep("QS2AAA", "ondrik/vhf", GROUP)
    gateways.keep("QS3BBB", "pellanq/vhf", GROUP)
    gateways.lose(LOST)
    board = rig.board()
    client = rig.client(board)
    wait_until(lambda: ALERT in client.rows("alerts"), "the alert of the lost gateway")
    wait_until(lambda: "QS3BBB" in client.rows(f"groups/{GROUP}/roster"), "the members")
    return board


def row(page: Page, key: str) -> Locator:
    return page.locator(f"tr[data-key='{key}']")


def test_acknowledge_with_a_note(board: BoardProcess, rig: Rig, open_tab: OpenTab) -> None:
    page = open_tab(board).go("/")
    keys = Keyboard(page)
    slip = page.locator(f"[data-alert='{ALERT}']")
    expect(slip).to_have_attribute("data-state", "open")
    keys.tab_to(f"Acknowledge: Gateway {LOST}")
    keys.press("Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    here = keys.focus()
    assert here is not None
    if not here[1].startswith("Note"):
        keys.tab_to("Note")
    keys.type("A crew drives there.")
    keys.press("Enter")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(slip).to_have_attribute("data-state", "acknowledged")
    expect(slip).to_contain_text("A crew drives there.")
    here = keys.focus()
    assert here is not None
    assert LOST in here[1], "the focus is back where it was"
    assert keys.unseen == []
    log = rig.client(board).http.get("/api/v1/log").json()["entries"][0]
    told = (log["act"], log["subject"], log["by"], log["note"])
    assert told == ("acknowledge", ALERT, "local", "A crew drives there.")


def test_pin_a_repeater_and_lift_it(board: BoardProcess, rig: Rig, open_tab: OpenTab) -> None:
    page = open_tab(board).go(f"/groups/{GROUP}")
    keys = Keyboard(page)
    expect(row(page, REPEATER)).to_have_count(0)
    keys.tab_to("Pin or bar another repeater")
    keys.press("Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    here = keys.focus()
    assert here is not None
    if here[0] != "select":
        keys.tab_to("Repeater")
    keys.type(REPEATER)  # as in every list: typing finds it
    keys.tab_to("Pin")
    keys.tab_to("Note")
    keys.type("Crews are on the way.")
    keys.press("Enter")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(row(page, REPEATER)).to_contain_text("pinned")
    expect(row(page, REPEATER)).to_contain_text("Crews are on the way.")
    orders = rig.client(board).rows(f"groups/{GROUP}/fanout")[REPEATER]["order"]
    assert (orders["order"], orders["by"]) == ("pin", "local")
    keys.tab_to(f"Lift the order on {REPEATER}")
    keys.press("Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    keys.tab_to("Lift the order")
    keys.press("Enter")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(row(page, REPEATER).get_by_text("pinned")).to_have_count(0)
    assert keys.unseen == []


def test_escape_leaves_everything_as_it_is(board: BoardProcess, open_tab: OpenTab) -> None:
    page = open_tab(board).go(f"/groups/{GROUP}/members")
    keys = Keyboard(page)
    keys.tab_to("Check out: QS3BBB")
    keys.press("Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    keys.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(row(page, "QS3BBB")).to_contain_text("in reach")
    here = keys.focus()
    assert here is not None
    assert here[1] == "Check out: QS3BBB"


def test_the_focus_survives_the_changing_of_its_row(
    board: BoardProcess, gateways: Gateways, open_tab: OpenTab
) -> None:
    """Rows change every second: who is on a button stays there."""
    page = open_tab(board).go(f"/groups/{GROUP}/members")
    keys = Keyboard(page)
    keys.tab_to("Check out: QS3BBB")
    gateways.keep("QS3BBB", "yewdrack/vhf", GROUP)
    expect(row(page, "QS3BBB")).to_contain_text("yewdrack/vhf")
    here = keys.focus()
    assert here is not None
    assert here[1] == "Check out: QS3BBB"


def test_the_first_stop_leads_past_the_navigation(board: BoardProcess, open_tab: OpenTab) -> None:
    """WCAG 2.2, 2.4.1."""
    page = open_tab(board).go("/groups")
    keys = Keyboard(page)
    keys.press("Tab")
    here = keys.focus()
    assert here is not None
    assert here[1] == "Skip to the content"
    keys.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"


def test_the_map_by_keys(board: BoardProcess, open_tab: OpenTab) -> None:
    """The map can be moved and asked without a mouse."""
    page = open_tab(board).whole("/map")
    keys = Keyboard(page)
    place = page.locator("svg.map .things > g").first
    before = place.get_attribute("transform")
    assert before is not None
    keys.tab_to("", role="application")
    keys.press("+")
    expect(place).not_to_have_attribute("transform", before)
    zoomed = place.get_attribute("transform")
    assert zoomed is not None
    keys.press("ArrowRight")
    expect(place).not_to_have_attribute("transform", zoomed)
    keys.press("n")
    here = keys.focus()
    assert here is not None
    assert "/" in here[1], "repeaters come first"
    expect(page.get_by_role("complementary", name="Details")).to_contain_text("MHz")
