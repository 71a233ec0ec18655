"""Signing in and out, and what each role is offered, on a board with users."""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.board.asking import PASSWORD
from tests.board.browser.conftest import OpenTab
from tests.board.browser.tab import Tab
from tests.board.gateways import Gateways
from tests.board.rig import BoardProcess, Rig
from tests.servers import wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

GROUP = "SEARCH-1"
REFUSED = (r"^answer 401: POST .*/api/v1/session$", r"status of 401 .*/api/v1/session\)$")
ACTING = re.compile("acknowledge|take over|check out|pin or bar|start|end the|lift|accept", re.I)


@pytest.fixture(scope="module")
def board(rig: Rig, gateways: Gateways) -> BoardProcess:
    gateways.keep("QS2AAA", "ondrik/vhf", GROUP)
    gateways.key("BASECAMP", "ondrik/vhf", GROUP)
    gateways.lose("utterfen")
    board = rig.board("--users", str(rig.users), "--public")
    client = rig.client(board, "watch")
    wait_until(lambda: client.rows("alerts"), "an alert")
    wait_until(lambda: "QS2AAA" in client.rows(f"groups/{GROUP}/roster"), "the member")
    return board


def sign_in(page: Page, name: str, password: str) -> None:
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()


def signed_in(tab: Tab, name: str, path: str = "/") -> Page:
    tab.page.goto(tab.base + path)
    sign_in(tab.page, name, PASSWORD)
    tab.page.wait_for_url(tab.base + path)
    return tab.go(path)


def test_a_wrong_and_a_right_password(board: BoardProcess, open_tab: OpenTab) -> None:
    tab = open_tab(board)
    page = tab.page
    page.goto(f"{tab.base}/groups/{GROUP}/members")
    assert page.url.startswith(f"{tab.base}/sign-in?next=")
    with tab.forgiving(*REFUSED):
        sign_in(page, "desk", "not the lamps on the ridge")
        expect(page.get_by_role("alert")).to_contain_text("not right")
        expect(page.get_by_label("Password")).to_have_value("")
        expect(page.get_by_label("Password")).to_be_focused()
    sign_in(page, "desk", PASSWORD)
    page.wait_for_url(f"{tab.base}/groups/{GROUP}/members")
    expect(page.get_by_role("banner")).to_contain_text("desk (operate)")
    expect(page.locator("tr[data-key=QS2AAA]")).to_be_visible()


def test_signing_out_ends_it(board: BoardProcess, open_tab: OpenTab) -> None:
    tab = open_tab(board)
    page = signed_in(tab, "desk")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url(f"{tab.base}/sign-in")
    page.goto(f"{tab.base}/groups")
    assert page.url.startswith(f"{tab.base}/sign-in?next=")


def test_who_may_only_look_is_offered_nothing_to_do(board: BoardProcess, open_tab: OpenTab) -> None:
    """And the administrator is, on the same pages: the test could see it."""
    watch, chief = open_tab(board), open_tab(board)
    signed_in(watch, "watch")
    signed_in(chief, "chief")

    def offered(tab: Tab, path: str) -> list[str]:
        names: list[str] = (
            tab.whole(path)
            .get_by_role("main")
            .get_by_role("button")
            .evaluate_all("ns => ns.map(n => n.getAttribute('aria-label') || n.textContent)")
        )
        return [found for found in names if ACTING.search(found)]

    for path in ("/", f"/groups/{GROUP}", f"/groups/{GROUP}/members", "/quarantine", "/duties"):
        assert offered(watch, path) == [], path
        assert offered(chief, path) != [], path


def test_the_log_is_not_for_those_who_only_look(board: BoardProcess, open_tab: OpenTab) -> None:
    tab = open_tab(board)
    page = signed_in(tab, "watch")
    expect(page.get_by_role("navigation").get_by_role("link", name="Log")).to_have_count(0)
    with tab.forgiving(r"403"):
        tab.page.goto(f"{tab.base}/log")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Not allowed")


def test_a_page_whose_session_ended_elsewhere_goes_to_sign_in(
    board: BoardProcess, open_tab: OpenTab, rig: Rig
) -> None:
    tab = open_tab(board)
    page = signed_in(tab, "desk", "/groups")
    with tab.forgiving(r"401", r"/api/v1/feed", r"403"):
        page.evaluate(
            """async () => fetch("/api/v1/session", {method: "DELETE", headers: {
                "x-csrf-token": document.querySelector("meta[name=csrf-token]").content}})"""
        )
        page.wait_for_url(re.compile("/sign-in"), timeout=40_000)


def test_the_public_sees_no_call_sign(
    board: BoardProcess, open_tab: OpenTab, rig: Rig, gateways: Gateways
) -> None:
    tab = open_tab(board)
    page = tab.whole("/public")
    text = page.content()
    assert "QS2AAA" not in text
    expect(page.get_by_role("main")).to_contain_text(GROUP)
    expect(page.get_by_role("link", name="Sign in")).to_be_visible()
