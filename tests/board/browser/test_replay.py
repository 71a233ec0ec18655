"""A record on a real board in a browser: said to be one, moved by keyboard, acted on by nobody."""

import re
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from types import SimpleNamespace
from typing import Any, Final

import pytest
from playwright.sync_api import Page, ViewportSize, expect

from streamer.clock import SystemClock
from streamer.journal.reader import read
from streamer.lab.player import Player
from streamer.lab.player_board import app_of, databases, settings_for
from streamer.lab.player_tape import look_through
from tests.board.browser.conftest import OpenTab
from tests.board.desk import served
from tests.lab.player_record import at_ms, write_record
from tests.npm import install
from tests.servers import Redis

pytestmark = [pytest.mark.redis, pytest.mark.slow]

MEMBERS: Final = "/groups/RESCUE/members"
PATHS: Final = ("/", MEMBERS, "/map", "/wall", "/duties", "/groups/NOWHERE")
"""Of each kind of page one, those where most is to be acted with among them."""
NOT_THERE: Final = (r"^answer 404: GET .*/groups/NOWHERE$", r"status of 404 .*/groups/NOWHERE\)$")
PHONE: ViewportSize = {"width": 390, "height": 844}
BEGIN: Final = "08:00:00 UTC"
"""START_MS is 2027-01-15 08:00 UTC; a step of the slider is 5 s of the 480."""


@pytest.fixture(scope="module")
def player(tmp_path_factory: pytest.TempPathFactory, redis_server: Redis) -> Player:
    folder = write_record(tmp_path_factory.mktemp("record"))
    tape = look_through(partial(read, [folder]), print)
    return Player(tape, databases(redis_server.url), SystemClock())


@pytest.fixture(scope="module")
def board(player: Player) -> Iterator[Any]:
    with served(app_of(player, settings_for(0), SystemClock())) as url:
        yield SimpleNamespace(url=url)


@pytest.fixture(autouse=True)
def _at_the_begin(player: Player) -> None:
    player.ask(to_ms=at_ms(0), speed=1, playing=False)


def slider_of(page: Page) -> Any:
    return page.get_by_label("Time of the record")


def test_the_keyboard_moves_the_time_and_what_is_shown(board: Any, open_tab: OpenTab) -> None:
    """PageDown is a tenth of the slider in Chromium, here 48 s, in whole steps 50 s. QB2DEF is
    first heard at 40 s, and overdue from 160 s on."""
    page = open_tab(board).go(MEMBERS)
    slider, said = slider_of(page), page.locator("#replay-said")
    expect(said).to_have_text("of 2027-01-15 08:00 to 08:08, at 08:00:00Z: not live")
    expect(slider).to_have_attribute("aria-valuetext", BEGIN)
    expect(page.locator("[data-key=QB2DEF]")).to_have_count(0)
    slider.focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    expect(said).to_contain_text("at 08:00:15Z")
    expect(slider).to_have_attribute("aria-valuetext", "08:00:15 UTC")
    page.keyboard.press("End")
    expect(said).to_contain_text("at 08:08:00Z")
    expect(page.locator("[data-key=QB2DEF]")).to_contain_text("expired")
    expect(page.get_by_role("button", name="Play")).to_be_disabled()
    for _ in range(6):
        page.keyboard.press("PageDown")
    expect(said).to_contain_text("at 08:03:00Z")
    expect(page.locator("[data-key=QB2DEF]")).to_contain_text("overdue")
    page.keyboard.press("Home")
    expect(said).to_contain_text("at 08:00:00Z")
    expect(page.locator("[data-key=QB2DEF]")).to_have_count(0)
    assert page.evaluate("document.activeElement.id") == "replay-time"


def test_the_slider_is_drawn_and_let_go(board: Any, open_tab: OpenTab) -> None:
    """To the middle, by the mouse; then away and back to where it was: that is no move."""
    page = open_tab(board).go(MEMBERS)
    slider, said = slider_of(page), page.locator("#replay-said")
    expect(slider).to_have_attribute("aria-valuetext", BEGIN)
    box = slider.bounding_box()
    y, left, middle = box["y"] + box["height"] / 2, box["x"] + 8, box["x"] + box["width"] / 2
    page.mouse.move(left, y)
    page.mouse.down()
    page.mouse.move(middle, y, steps=5)
    expect(slider).to_have_attribute("aria-valuetext", "08:04:00 UTC")
    expect(said).to_contain_text("at 08:00:00Z")
    page.mouse.up()
    expect(said).to_contain_text("at 08:04:00Z")
    page.mouse.down()
    page.mouse.move(left, y, steps=5)
    expect(slider).to_have_attribute("aria-valuetext", BEGIN)
    page.mouse.move(middle, y, steps=5)
    page.mouse.up()
    expect(slider).to_have_attribute("aria-valuetext", "08:04:00 UTC")
    page.get_by_role("button", name="+1 min").click()
    expect(said).to_contain_text("at 08:05:00Z")
    expect(slider).to_have_attribute("aria-valuetext", "08:05:00 UTC")


def test_it_plays_and_rests_and_every_page_follows(board: Any, open_tab: OpenTab) -> None:
    """At 600 times eight minutes are over in a second; a page of one station sees it too."""
    page, other = open_tab(board).go(MEMBERS), open_tab(board).go("/stations/QA1ABC")
    page.get_by_label("Speed").select_option("600")
    page.get_by_role("button", name="Play").click()
    for shown in (page, other):
        expect(shown.locator("#replay-said")).to_contain_text("at 08:08:00Z")
        expect(shown.get_by_role("button", name="Play")).to_be_disabled()
    expect(page.locator("[data-key=QB2DEF]")).to_contain_text("expired")
    other.get_by_role("button", name="−1 min").click()
    expect(page.locator("#replay-said")).to_contain_text("at 08:07:00Z")
    expect(other.locator("main")).to_contain_text("lake/uhf")
    page.get_by_label("Speed").select_option("1")
    page.get_by_role("button", name="Play").click()
    expect(other.get_by_role("button", name="Pause")).to_be_visible()
    expect(other.locator("#replay-said")).to_contain_text("at 08:07:01Z")
    other.get_by_role("button", name="Pause").click()
    expect(page.get_by_role("button", name="Play")).to_be_visible()


def test_no_page_can_be_taken_for_live(board: Any, open_tab: OpenTab, player: Player) -> None:
    """The banner is in sight, also where a page is scrolled; nothing is there to be acted with."""
    player.ask(to_ms=at_ms(200))
    for path in PATHS:
        tab = open_tab(board, viewport=PHONE, has_touch=True)
        with tab.forgiving(*NOT_THERE):
            page = tab.whole(path)
            page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
            expect(page.get_by_label("Replay, not live")).to_be_in_viewport()
            expect(page.get_by_label("Replay, not live")).to_contain_text("not live")
            assert page.title().startswith("REPLAY, not live: "), path
            assert page.locator("[data-act]:not([data-act=path]), dialog").count() == 0, path
            for width in (390, 320):
                page.set_viewport_size({"width": width, "height": PHONE["height"]})
                root = "document.documentElement"
                wide = page.evaluate(f"() => {root}.scrollWidth - {root}.clientWidth")
                assert wide <= 0, (path, width)


def test_nothing_of_it_reads_as_the_present(board: Any, open_tab: OpenTab, player: Player) -> None:
    """At 200 s QB2DEF is overdue: a warning. The wall has one time, and the word before it."""
    player.ask(to_ms=at_ms(200))
    page = open_tab(board).go("/")
    expect(page.get_by_role("heading", level=1)).to_have_text("As it was at 08:03:20 UTC")
    expect(page.locator(".next strong")).to_have_text("Next, then: ")
    expect(page.locator("[data-key^='Air-time saved']")).to_contain_text("not counted in a replay")
    expect(page.locator("#data-age")).to_have_count(0)
    page.get_by_role("button", name="+1 min").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("As it was at 08:04:20 UTC")
    expect(page.locator(".alert.is-critical")).to_have_count(1)
    expect(page).to_have_title(re.compile(r"^REPLAY, not live: \(1 critical\) As it was"))
    page = open_tab(board).go(MEMBERS)
    expect(page.locator("#members-head")).to_have_text("Members as they were at 08:04:20 UTC")
    wall = open_tab(board).go("/wall")
    expect(wall.locator(".head")).to_contain_text("Recorded 08:04:20 UTC")
    assert wall.locator(".head").inner_text().count(":") == 2


@pytest.fixture
def blank(tmp_path: Any) -> Iterator[tuple[Any, Player]]:
    """A record whose first line is 5 s before the gateways' first word."""
    tape = look_through(partial(read, [write_record(tmp_path, begin_s=-5)]), print)
    redis = Redis()
    with closing(redis):
        redis.start()
        player = Player(tape, databases(redis.url), SystemClock())
        with served(app_of(player, settings_for(0), SystemClock())) as url:
            yield SimpleNamespace(url=url), player


def test_where_a_record_begins_nothing_is_wrong(blank: Any, open_tab: OpenTab) -> None:
    """Of three gateways none has spoken at the begin, nor 4 s later; then all do."""
    board, player = blank
    page, wall = open_tab(board).go("/"), open_tab(board).go("/wall")
    words = "The record begins here: nothing is known yet."
    expect(page.locator("#verdict")).to_have_text(f"{words} Press Play.")
    expect(wall.locator("#verdict")).to_have_text(words)
    expect(page.get_by_role("heading", name="Not reporting")).to_have_count(0)
    expect(page.locator("[data-key='Gateways up']")).to_have_count(0)
    player.ask(to_ms=at_ms(-1))
    expect(page.locator("#verdict")).to_have_text(
        "Nothing is known to be wrong; 3 gateways are not heard of yet."
    )
    expect(page.locator("[data-key='Gateways up']")).to_contain_text("0 of 3")
    player.ask(to_ms=at_ms(30))
    expect(page.locator("#verdict")).to_have_text("All is well with the network.")


def test_the_banner_has_an_ink_of_its_own(board: Any, open_tab: OpenTab) -> None:
    """Not that of trouble, in either scheme."""
    page = open_tab(board).go(MEMBERS)
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        banner, spot = page.evaluate(
            """() => {
              const probe = document.body.appendChild(document.createElement("i"));
              probe.style.color = "var(--spot)";
              const of = (node, name) => getComputedStyle(node)[name];
              return [of(document.querySelector(".replay"), "backgroundColor"), of(probe, "color")];
            }"""
        )
        assert banner not in {spot, "rgba(0, 0, 0, 0)"}


def test_on_a_phone_it_leaves_room(board: Any, open_tab: OpenTab) -> None:
    """Banner and controls in less than a fifth of the screen; unfolded, all is there."""
    page = open_tab(board, viewport=PHONE, has_touch=True).go(MEMBERS)
    expect(page.get_by_role("button", name="Play")).to_be_visible()
    boxes = [page.locator(q).bounding_box() for q in (".replay", "#replay-controls")]
    assert sum(box["height"] for box in boxes if box is not None) < PHONE["height"] / 5
    assert None not in boxes
    expect(slider_of(page)).to_be_hidden()
    page.get_by_text("Speed and time line").click()
    expect(slider_of(page)).to_be_visible()
    page.set_viewport_size({"width": 1000, "height": 800})
    expect(slider_of(page)).to_be_visible()
    page.set_viewport_size(PHONE)
    expect(slider_of(page)).to_be_hidden()


@pytest.mark.node
def test_axe_finds_nothing_serious(board: Any, open_tab: OpenTab, tmp_path: Any) -> None:
    """Source of the rules: axe-core of npm, its default set."""
    folder = install(tmp_path, "axe-core")
    tab = open_tab(board, bypass_csp=True)
    tab.context.add_init_script(path=folder / "node_modules" / "axe-core" / "axe.min.js")
    for path in (MEMBERS, "/wall"):
        page = tab.whole(path)
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            found = page.evaluate(
                "async () => (await axe.run(document)).violations.map(v => [v.impact, v.id, "
                "...v.nodes.map(n => n.html.slice(0, 160)).slice(0, 4)])"
            )
            assert [v for v in found if v[0] in ("serious", "critical")] == [], (path, scheme)
            for violation in found:
                print(path, scheme, *violation)
