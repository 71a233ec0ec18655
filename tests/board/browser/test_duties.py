"""The page of duties on a region that a test plays by hand: a roster from a file, numbers that
follow what is heard, a roll call, names for those alone who may see them."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.board.browser.conftest import OpenTab
from tests.board.browser.keys import Keyboard
from tests.board.browser.tab import Tab
from tests.board.gateways import OVER_S, Gateways
from tests.board.rig import BoardProcess, Client, Rig

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

GROUP, OTHER = "SEARCH-1", "CONTROL"
HERE, LATE, AWAY = "QS2AAA", "QS3BBB", "QN4AWY"
ROSTER = (
    f"Call;Name;Home unit;Assignment;Group\n{HERE};Odo;Hill club;Net control;{GROUP}\n"
    f"{LATE};Runa;Boat crew;Search;{OTHER}\n{AWAY};Ysolt;;;\n"
)
LINES = (r"^answer 422: PUT .*/roster$", r"status of 422 .*/roster\)$")
"""What a browser says about a roster that was not taken."""


@pytest.fixture(scope="module")
def board(rig: Rig, gateways: Gateways) -> BoardProcess:
    gateways.keep(HERE, "ondrik/vhf", GROUP)
    return rig.board("--users", str(rig.users))


@pytest.fixture
def chief(rig: Rig, board: BoardProcess) -> Iterator[Client]:
    """Ends every duty and roll call afterwards."""
    client = rig.client(board, "chief")
    yield client
    for duty in client.http.get("/api/v1/duties").json()["duties"]:
        if duty["ended_at"] is None:
            client.ask("DELETE", f"/api/v1/duties/{duty['id']}/roll-call")
            client.act("POST", f"/api/v1/duties/{duty['id']}/end")


def begin(chief: Client, title: str, roster: str | None = ROSTER) -> str:
    body = {"title": title, "kind": "exercise", "groups": [GROUP, OTHER], "roster": roster}
    found: str = chief.act("POST", "/api/v1/duties", body)["id"]
    return found


def tab_of(open_tab: OpenTab, board: BoardProcess, client: Client) -> Tab:
    """With the session of somebody who has signed in already."""
    tab = open_tab(board)
    for name, value in client.http.cookies.items():
        tab.context.add_cookies([{"name": name, "value": value, "url": board.url}])
    return tab


def entered(open_tab: OpenTab, board: BoardProcess, client: Client) -> Page:
    return tab_of(open_tab, board, client).go("/duties")


def sheet_of(page: Page, title: str) -> Locator:
    return page.locator("li.sheet").filter(has=page.get_by_role("heading", name=title))


def figure(sheet: Locator, key: str) -> Locator:
    return sheet.locator(f"[data-only={key}]")


def test_a_duty_begins_with_a_roster_from_a_file(
    board: BoardProcess, chief: Client, open_tab: OpenTab, tmp_path: Path
) -> None:
    """By keyboard but for the choosing of the file, which the system's own dialog does."""
    file = tmp_path / "roster.csv"
    file.write_text(ROSTER, "utf-8")
    page = entered(open_tab, board, chief)
    keys = Keyboard(page)
    keys.tab_to("Start a duty")
    keys.press("Enter")
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("Its first line names the columns")
    dialog.get_by_label("Title").fill("By file")
    dialog.get_by_label("Exercise").check()
    dialog.get_by_label(GROUP).check()
    dialog.get_by_label(OTHER).check()
    dialog.get_by_label("Who is expected").set_input_files(file)
    dialog.get_by_role("button", name="Start it").press("Enter")
    expect(dialog).to_have_count(0)
    sheet = sheet_of(page, "By file")
    expect(figure(sheet, "not_yet_heard")).to_contain_text("2")
    expect(figure(sheet, "checked_in")).to_contain_text("1")
    expect(sheet.locator("tr[data-key]")).to_have_count(3)
    expect(sheet.locator(f"tr[data-key={AWAY}]")).to_contain_text("Ysolt")
    assert keys.unseen == []


def test_the_numbers_follow_what_is_heard(
    board: BoardProcess, chief: Client, open_tab: OpenTab, gateways: Gateways
) -> None:
    begin(chief, "Heard")
    page = entered(open_tab, board, chief)
    sheet = sheet_of(page, "Heard")
    expect(figure(sheet, "not_yet_heard")).to_contain_text("2")
    gateways.clock.sleep_s(OVER_S + 0.5)  # else the over began before the duty
    gateways.key(LATE, "pellanq/vhf", None)
    row = sheet.locator(f"tr[data-key={LATE}]")
    expect(row).to_contain_text("heard, not checked in")
    expect(figure(sheet, "not_yet_heard")).to_contain_text("1")
    gateways.keep(LATE, "pellanq/vhf", GROUP)
    expect(row).to_contain_text("in reach")
    expect(row).to_contain_text(f"expected in {OTHER}")
    expect(figure(sheet, "checked_in")).to_contain_text("2")
    gateways.keep("QX9GST", "pellanq/vhf", GROUP)
    expect(figure(sheet, "others")).to_contain_text("1")
    expect(sheet.locator("tr[data-key=QX9GST]")).to_contain_text("not on the roster")
    for station in (LATE, "QX9GST"):
        gateways.silence(station)
        gateways.key(station, "pellanq/vhf", GROUP, text="OUT")
    expect(figure(sheet, "checked_out")).to_contain_text("1")


def test_a_number_shows_its_people_by_keyboard(
    board: BoardProcess, chief: Client, open_tab: OpenTab
) -> None:
    begin(chief, "Numbers")
    page = entered(open_tab, board, chief)
    sheet = sheet_of(page, "Numbers")
    expect(figure(sheet, "checked_in")).to_contain_text("1")
    rows = sheet.locator("tr[data-key]")
    everybody = rows.count()
    keys = Keyboard(page)
    keys.tab_to("1 ● checked in")
    keys.press("Space")
    expect(rows).to_have_count(1)
    expect(rows).to_contain_text(HERE)
    expect(figure(sheet, "checked_in")).to_have_attribute("aria-pressed", "true")
    here = keys.focus()
    assert here is not None
    assert "checked in" in here[1], "the focus stays on the number"
    keys.tab_to("everybody")
    keys.press("Enter")
    expect(rows).to_have_count(everybody)
    assert keys.unseen == []


def test_a_faulty_roster_is_told_line_by_line(
    board: BoardProcess, chief: Client, open_tab: OpenTab, tmp_path: Path
) -> None:
    """The dialog stays with what is wrong; the second file is in an older character set."""
    begin(chief, "Faults")
    tab = tab_of(open_tab, board, chief)
    page = tab.go("/duties")
    sheet = sheet_of(page, "Faults")
    sheet.get_by_role("button", name="Replace the roster").click()
    dialog, alert = page.get_by_role("dialog"), page.get_by_role("dialog").get_by_role("alert")
    expect(dialog).to_contain_text("3 people now")
    bad, old = tmp_path / "bad.csv", tmp_path / "old.csv"
    bad.write_text("call,group\nNOBODY,CONTROL\nQA1ABC,SHORE\n", "utf-8")
    old.write_bytes("call,name\nQA1ABC,Zoë\n".encode("latin-1"))
    with tab.forgiving(*LINES):
        dialog.get_by_label("Roster").set_input_files(bad)
        dialog.get_by_role("button", name="Take it").click()
        expect(alert.locator(".faults > span")).to_have_count(2)
        expect(alert).to_contain_text("line 2: call: 'NOBODY' is no call sign here")
        expect(alert).to_contain_text("line 3: group: 'SHORE' is no group of this duty")
        dialog.get_by_label("Roster").set_input_files(old)
        dialog.get_by_role("button", name="Take it").click()
        expect(alert).to_contain_text(
            "line 2: a letter was lost on the way; save it as CSV in UTF-8"
        )
    good = tmp_path / "good.csv"
    good.write_text(f"call,phone\n{AWAY},555\n", "utf-8")
    dialog.get_by_label("Roster").set_input_files(good)
    dialog.get_by_role("button", name="Take it").click()
    expect(dialog).to_have_count(0)
    expect(sheet.locator(".told")).to_have_text(
        "1 person is expected now. Columns not kept: phone."
    )
    expect(sheet.get_by_role("group", name="Of 1 expected")).to_be_visible()


def test_a_roll_call_of_all_groups(
    board: BoardProcess, chief: Client, open_tab: OpenTab, gateways: Gateways
) -> None:
    station = "QC5TRL"
    gateways.key(station, "brimsolt/vhf", OTHER)
    begin(chief, "Call", f"call,name\n{station},Tove\n")
    page = entered(open_tab, board, chief)
    sheet = sheet_of(page, "Call")
    sheet.get_by_role("button", name="Start a roll call").click()
    page.get_by_role("dialog").get_by_role("button", name="Start the roll call").click()
    waiting = sheet.locator(f".silent li[data-key={station}]")
    expect(waiting).to_contain_text("Tove")
    expect(sheet.locator(".duty-call")).to_contain_text(f"{GROUP}: held for")
    waiting.get_by_role("button", name=f"Answered: {station} in {OTHER}").click()
    page.get_by_role("dialog").get_by_role("button", name="It answered").click()
    expect(waiting).to_have_count(0)
    expect(sheet.locator(".duty-call details").filter(has_text=station)
           ).to_contain_text("marked by chief")  # fmt: skip
    sheet.get_by_role("button", name="End the roll call").click()
    page.get_by_role("dialog").get_by_role("button", name="End the roll call").click()
    expect(sheet.locator(".duty-call")).to_contain_text("No roll call is held")
    page.goto(f"{board.url}/log")
    ended = page.locator("tr").filter(has_text="end roll call").filter(has_text=station)
    expect(ended.first).to_contain_text(f"{station} (marked by chief")
    gateways.key(station, "brimsolt/vhf", OTHER, text="OUT")


def test_an_order_for_a_roll_call_that_is_over_is_not_for_the_next(
    board: BoardProcess, chief: Client, open_tab: OpenTab, gateways: Gateways
) -> None:
    """While the question is open somebody else ends the roll call and begins another."""
    station, held = "QC6TRL", f"/api/v1/groups/{OTHER}/roll-call"
    gateways.key(station, "brimsolt/vhf", OTHER)
    duty = begin(chief, "Two calls", None)
    chief.act("POST", held)
    tab, members, end = (
        tab_of(open_tab, board, chief),
        f"/groups/{OTHER}/members",
        "End the roll call",
    )
    for path, asks, does in (
        ("/duties", f"Answered: {station} in {OTHER}", "It answered"),
        ("/duties", f"{end}: Two calls", end),
        (members, f"Answered: {station}", "It answered"),
        (members, end, end),
    ):
        page = tab.go(path)
        page.get_by_role("button", name=asks, exact=True).click()
        dialog = page.get_by_role("dialog")
        expect(dialog).to_be_visible()
        chief.act("DELETE", held)
        chief.act("POST", held)
        with tab.forgiving(
            r"^answer 409: (POST|DELETE) .*/roll-call", r"status of 409 .*/roll-call"
        ):
            dialog.get_by_role("button", name=does).click()
            expect(dialog.get_by_role("alert")).to_contain_text("look again")
        (call,) = chief.http.get(f"/api/v1/duties/{duty}").json()["roll_calls"]
        assert station in call["silent"], (path, does)
    tab.go(members).get_by_role("button", name=end).click()
    tab.page.get_by_role("dialog").get_by_role("button", name=end).click()
    expect(tab.page.locator(".roll-call")).to_contain_text("No roll call is held")
    gateways.key(station, "brimsolt/vhf", OTHER, text="OUT")


def test_who_may_view_sees_call_signs_and_no_names(
    rig: Rig, board: BoardProcess, chief: Client, open_tab: OpenTab
) -> None:
    begin(chief, "Names")
    page = entered(open_tab, board, rig.client(board, "watch"))
    sheet = sheet_of(page, "Names")
    expect(sheet.locator(f"tr[data-key={AWAY}]")).to_contain_text("not yet heard")
    text = sheet.inner_text()
    assert "Ysolt" not in text
    assert "Net control" not in text
    assert sheet.get_by_role("button", name="End this duty").count() == 0
    assert sheet.get_by_role("button", name="Replace the roster").count() == 0
