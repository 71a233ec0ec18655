"""Alerts as pages tell of them: what one explains, how it went, planned work, and whether any get
through at all. By keyboard alone where something is to be done."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.board.browser.conftest import OpenTab
from tests.board.browser.keys import Keyboard
from tests.board.gateways import Gateways
from tests.board.rig import BoardProcess, Rig
from tests.board.troubles import AGAIN, FLAPPING, MISSED, STORM, UNHEEDED, Crier
from tests.servers import wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

GROUP = "SHORE"
SITE = "galvern/vhf"
MEMBER = "QS2AAA"
PHONE = {"width": 390, "height": 844}
TALL = {"width": 1280, "height": 3000}
"""So that what comes above does not move the rest out of sight."""
NOTE = "A new antenna."


@pytest.fixture(scope="module")
def board(rig: Rig, gateways: Gateways) -> BoardProcess:
    gateways.keep(MEMBER, SITE, GROUP)
    gateways.key(MISSED, "utterfen/vhf", GROUP)
    board = rig.board()
    client = rig.client(board)
    wait_until(lambda: {MEMBER, MISSED} <= set(client.rows("places")), "the members")
    return board


@pytest.fixture(scope="module")
def crier(rig: Rig, board: BoardProcess) -> Iterator[Crier]:
    made = Crier(rig)
    told = {alert.id for alert in made.troubles()}
    client = rig.client(board)
    wait_until(lambda: told <= set(client.rows("alerts")), "the alerts")
    yield made
    for name in told:
        made.take_back(name)
    made.close()


def slip(page: Page, alert_id: str) -> Locator:
    return page.locator(f"[data-alert='{alert_id}']")


def test_what_an_alert_explains_is_unfolded_by_keyboard(
    board: BoardProcess, crier: Crier, open_tab: OpenTab
) -> None:
    page = open_tab(board, viewport=TALL).go("/")
    storm = slip(page, STORM)
    # Who was missed before stands there by name, whatever is folded.
    missed = storm.get_by_role("list", name="Missed before")
    expect(missed).to_contain_text(
        f"{MISSED} of SHORE was not in reach before and cannot be judged"
    )
    expect(missed.get_by_role("link", name=MISSED)).to_be_visible()
    expect(page.locator("#verdict")).to_contain_text("1 member missed before cannot be judged now")
    lost = storm.get_by_text("Gateway coldrane is lost")
    expect(lost).to_be_hidden()
    keys = Keyboard(page)
    keys.tab_to("Explains 6 others", "summary")
    keys.press("Enter")
    expect(lost).to_be_visible()
    expect(storm.locator("details li")).to_have_count(6)
    told = crier.troubles()[0]
    changes = {"title": "6 of 9 gateways are lost at once", "version": told.version + 1}
    crier.alert(told.model_copy(update=changes))
    expect(storm).to_contain_text("6 of 9 gateways")
    expect(lost).to_be_visible()
    here = keys.focus()
    assert here is not None
    assert "Explains 6 others" in here[1], "the focus is where it was"
    assert keys.unseen == []


def test_how_it_went_so_far_stands_under_the_title(
    board: BoardProcess, crier: Crier, open_tab: OpenTab
) -> None:
    page = open_tab(board).go("/")
    expect(slip(page, FLAPPING)).to_contain_text("Comes and goes (5 times since ")
    expect(slip(page, UNHEEDED)).to_contain_text("Nobody has it in hand since ")
    expect(slip(page, AGAIN)).to_contain_text("3rd time since ")
    expect(slip(page, STORM).locator(".course")).to_have_count(0)


def test_the_wall_says_it_in_short(board: BoardProcess, crier: Crier, open_tab: OpenTab) -> None:
    page = open_tab(board, viewport=TALL).go("/wall")

    def line(alert_id: str) -> Locator:
        return page.locator(f"li[data-key='{alert_id}']")

    expect(line(STORM)).to_contain_text("explains 6 others")
    expect(line(FLAPPING)).to_contain_text("comes and goes")
    expect(line(UNHEEDED)).to_contain_text("in nobody's hand")
    expect(line(AGAIN)).to_contain_text("3rd time")


def test_who_was_missed_before_is_told_on_the_pages_of_station_and_site(
    board: BoardProcess, crier: Crier, open_tab: OpenTab
) -> None:
    page = open_tab(board).go(f"/stations/{MISSED}")
    told = page.get_by_role("region", name="Alerts about it")
    expect(told).to_contain_text("was not in reach before and cannot be judged now")
    page = open_tab(board).go("/repeaters/vostrel/vhf")
    expect(page.get_by_role("region", name="Alerts about it")).to_contain_text("Comes and goes")


@pytest.mark.parametrize("path", ["/", "/repeaters/coldrane/vhf", f"/stations/{MISSED}"])
def test_nothing_scrolls_sideways_on_a_phone(
    path: str, board: BoardProcess, crier: Crier, open_tab: OpenTab
) -> None:
    page = open_tab(board, viewport=PHONE, has_touch=True).go(path)
    for width in (PHONE["width"], 320):  # WCAG 2.2, 1.4.10 asks it at 320 CSS pixels
        page.set_viewport_size({"width": width, "height": PHONE["height"]})
        root = "document.documentElement"
        assert page.evaluate(f"() => {root}.scrollWidth - {root}.clientWidth") <= 0


def test_planned_work_from_its_begin_to_its_end(
    board: BoardProcess, rig: Rig, gateways: Gateways, open_tab: OpenTab
) -> None:
    """On the page of a repeater; members who were last heard there are named before it begins."""
    page = open_tab(board).go(f"/repeaters/{SITE}")
    keys = Keyboard(page)
    keys.tab_to("Plan maintenance")
    keys.press("Enter")
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text(f"{MEMBER} was last heard there")
    here = keys.focus()
    assert here is not None
    if here[0] != "select":
        keys.tab_to("Of what")
    keys.tab_to("For how long")
    keys.type("4 hours")
    keys.tab_to("What is done there")
    keys.type(NOTE)
    keys.press("Enter")
    expect(dialog).to_have_count(0)
    works = page.get_by_role("region", name="Maintenance")
    expect(works).to_contain_text(f"by local: {NOTE}")
    expect(works).to_contain_text("3 h 59 min left")
    client = rig.client(board)
    (work,) = client.rows("maintenance").values()
    assert (work["subject"], work["by"], work["note"]) == (SITE, "local", NOTE)

    # What fails there is foreseen, and says so wherever it is told.
    gateways.set_repeater(SITE, up=False)
    lost = f"repeater_lost.{SITE.replace('/', '.')}"
    wait_until(lambda: lost in client.rows("alerts"), "the repeater to be lost")
    told = page.get_by_role("region", name="Alerts about it")
    expect(told.locator(".is-maintenance")).to_have_count(1)
    expect(told).to_contain_text("In hand of local: maintenance until ")
    other = open_tab(board).go("/")
    expect(slip(other, lost).locator(".is-maintenance")).to_be_visible()
    dark = other.locator(f"tr[data-key='{SITE}']")
    expect(dark).to_contain_text(f"maintenance of {SITE} until")
    expect(open_tab(board).go(f"/groups/{GROUP}").get_by_role("region", name="Maintenance")
           ).to_contain_text(SITE)  # fmt: skip

    here = keys.focus()
    keys.tab_to(f"End it: the maintenance of {SITE}")
    keys.press("Enter")
    expect(dialog).to_contain_text("in nobody's hands")
    keys.tab_to("End it")
    keys.press("Enter")
    expect(dialog).to_have_count(0)
    expect(works).to_be_hidden()
    wait_until(lambda: client.rows("alerts")[lost]["state"] == "open", "it to be nobody's again")
    acts = [e["act"] for e in client.http.get("/api/v1/log").json()["entries"]]
    assert acts[:2] == ["end_maintenance", "start_maintenance"]
    assert keys.unseen == []
    gateways.set_repeater(SITE, up=True)


def test_work_can_be_planned_at_any_site_from_the_first_page(
    board: BoardProcess, open_tab: OpenTab
) -> None:
    """And Escape leaves everything as it is."""
    page = open_tab(board).go("/")
    keys = Keyboard(page)
    keys.tab_to("Plan maintenance")
    keys.press("Enter")
    dialog = page.get_by_role("dialog")
    expect(dialog).to_be_visible()
    options = dialog.locator("select[name=subject] option")
    for name in ("galvern", SITE, f"group {GROUP}", "the whole region"):
        expect(options.filter(has_text=name).first).to_be_attached()
    dialog.locator("select[name=subject]").select_option("*")
    expect(dialog).to_contain_text(MEMBER)
    keys.press("Escape")
    expect(dialog).to_have_count(0)
    expect(page.get_by_role("region", name="Maintenance")).to_have_count(0)
    here = keys.focus()
    assert here is not None
    assert here[1] == "Plan maintenance"


def test_whoever_may_only_look_cannot_plan(rig: Rig, open_tab: OpenTab) -> None:
    signed = rig.board("--users", str(rig.users))
    tab = open_tab(signed)
    tab.context.add_cookies(
        [
            {"name": cookie.name, "value": str(cookie.value), "url": signed.url}
            for cookie in rig.client(signed, "watch").http.cookies.jar
        ]
    )
    page = tab.go(f"/repeaters/{SITE}")
    expect(page.locator("#verdict")).to_contain_text("eporting")
    expect(page.get_by_role("button", name="Plan maintenance")).to_have_count(0)


def test_a_strip_says_that_alerts_may_reach_nobody(
    board: BoardProcess, crier: Crier, open_tab: OpenTab
) -> None:
    """The last of all here: from then on it stands."""
    now, wall = open_tab(board).go("/"), open_tab(board).go("/wall")
    for page in (now, wall):
        expect(page.locator("#silence")).to_be_hidden()
    crier.last_beat()
    for page in (now, wall):
        expect(page.locator("#silence")).to_be_visible()
        expect(page.locator("#silence")).to_contain_text("Alerts may not reach anybody since ")
        expect(page.locator("#silence")).to_contain_text("look at the workers")
    expect(now.locator("#said")).to_contain_text("Alerts may not reach anybody")
