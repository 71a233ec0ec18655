"""Every page as a browser sees it: whole, its parts named, readable for everybody, at any width."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple

import pytest
from playwright.sync_api import Page, expect

from tests.board.base_map import write_base_map
from tests.board.browser.conftest import OpenTab
from tests.board.browser.tab import Tab
from tests.board.gateways import Gateways
from tests.board.rig import BoardProcess, Rig
from tests.board.scene import EXERCISE, GROUP, OPEN_PAGES, PAGES, PROBLEM, set_scene
from tests.npm import install

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

WIDE: Final = {"width": 1440, "height": 900}
PHONE: Final = {"width": 390, "height": 844}
ALL: Final = {**PAGES, **OPEN_PAGES, "problem": PROBLEM}
NOT_THERE: Final = (r"^answer 404: GET .*/groups/NOWHERE$", r"status of 404 .*/groups/NOWHERE\)$")
SCHEMES: Final[tuple[Literal["light", "dark"], ...]] = ("light", "dark")
SEVERE: Final = ("serious", "critical")


class Boards(NamedTuple):
    """Two boards on one region with something going on."""

    local: BoardProcess
    """Everybody is its administrator."""
    signed: BoardProcess
    """With users, and a public view for those who have not signed in."""

    def of(self, page: str) -> BoardProcess:
        return self.signed if page in OPEN_PAGES else self.local


@pytest.fixture(scope="module")
def boards(rig: Rig, gateways: Gateways, tmp_path_factory: pytest.TempPathFactory) -> Boards:
    ground = write_base_map(tmp_path_factory.mktemp("ground") / "ground.json")
    local = rig.board("--base-map", str(ground))
    signed = rig.board("--users", str(rig.users), "--public")
    set_scene(gateways, rig.client(local))
    return Boards(local, signed)


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = install(tmp_path_factory.mktemp("axe"), "axe-core")
    return folder / "node_modules" / "axe-core" / "axe.min.js"


def opened(tab: Tab, page: str) -> Tab:
    with tab.forgiving(*(NOT_THERE if page == "problem" else ())):
        tab.whole(ALL[page])
    return tab


@pytest.mark.parametrize("page", ALL)
def test_a_page_is_whole(page: str, boards: Boards, open_tab: OpenTab) -> None:
    """One heading, a title, landmarks, a language; nothing the browser complains about. While an
    exercise runs it is marked."""
    shown = opened(open_tab(boards.of(page), viewport=WIDE), page).page
    assert shown.locator("h1").count() == 1
    assert shown.locator("h1").inner_text().strip()
    region = "Far Isle, an invented region"
    assert shown.title().endswith(region)
    assert len(shown.title()) > len(region)
    assert shown.locator("html").get_attribute("lang") == "en"
    assert shown.get_by_role("main").count() == 1
    assert shown.get_by_role("banner").count() == 1
    if page not in ("wall", *OPEN_PAGES):  # nothing to click there, nowhere to go from there
        assert shown.get_by_role("navigation").count() >= 1
    assert shown.get_by_text("Not heard does not mean in danger").count() >= 1
    if page not in ("sign-in", "problem"):
        exercise_is_marked(shown, page)


def exercise_is_marked(shown: Page, page: str) -> None:
    banner = shown.locator("#duties")
    banner.wait_for(state="visible")
    assert "exercise" in banner.inner_text().lower()
    assert (EXERCISE in banner.inner_text()) == (page != "public")


@pytest.mark.parametrize("page", ALL)
def test_no_page_scrolls_sideways_on_a_phone(page: str, boards: Boards, open_tab: OpenTab) -> None:
    """WCAG 2.2, 1.4.10 asks it at 320 CSS pixels; the project at 390 too."""
    tab = open_tab(boards.of(page), viewport=PHONE, has_touch=True)
    shown = opened(tab, page).page
    for width in (PHONE["width"], 320):
        shown.set_viewport_size({"width": width, "height": PHONE["height"]})
        root = "document.documentElement"
        wide = shown.evaluate(f"() => {root}.scrollWidth - {root}.clientWidth")
        assert wide <= 0, f"{wide} px too wide at {width}: {widest(tab, width)}"


def widest(tab: Tab, width: int) -> Any:
    """What stands over the edge, for the failure's text."""
    return tab.page.evaluate(
        """width => [...document.querySelectorAll("body *")]
            .filter(node => node.getBoundingClientRect().right + window.scrollX > width + 1)
            .map(node => `${node.tagName}.${node.getAttribute("class")} ${node.id} `
                + node.textContent.slice(0, 40)).slice(0, 10)""",
        width,
    )


def test_learned_coverage_is_drawn_when_it_is_asked_for(boards: Boards, open_tab: OpenTab) -> None:
    shown = open_tab(boards.local, viewport=WIDE).whole("/map")
    cells, box = shown.locator("svg.map .cell"), shown.get_by_label("Learned coverage")
    assert not box.is_checked()
    assert cells.count() == 0
    shown.get_by_label("of repeater").select_option("ondrik/vhf")
    box.check()
    expect(cells).not_to_have_count(0)
    number = cells.count()
    expect(shown.get_by_text(f"learned from what it heard in {number} cells")).to_be_visible()
    shown.get_by_text("The cells as a table").click()
    expect(shown.get_by_role("table", name="Cells of learned coverage").locator("tbody tr")
           ).to_have_count(number)  # fmt: skip
    box.uncheck()
    expect(cells).to_have_count(0)


def test_a_missed_station_has_words_where_to_look(boards: Boards, open_tab: OpenTab) -> None:
    """With the caution beside them, and the way to the map that shows the cells."""
    shown = open_tab(boards.local, viewport=PHONE).whole(PAGES["station"])
    look = shown.get_by_role("region", name="Where to look")
    expect(look).to_contain_text("no search plan")
    expect(look).to_contain_text(f"out of reach in {GROUP}")
    expect(look).to_contain_text("most likely within")
    look.get_by_role("link", name="on the map").click()
    expect(shown.locator("svg.map .cell.is-look")).not_to_have_count(0)
    expect(shown.get_by_role("region", name="Where to look")).to_contain_text("no search plan")


def ground_of(page: Page) -> str:
    return str(page.evaluate("() => getComputedStyle(document.body).backgroundColor"))


def with_axe(open_tab: OpenTab, board: BoardProcess, axe: Path, **context: Any) -> Tab:
    """A tab whose pages have it, which their own policy would not let in; that the pages keep to
    the policy is seen by the other tests."""
    tab = open_tab(board, bypass_csp=True, **context)
    tab.context.add_init_script(path=axe)
    return tab


@pytest.mark.node
@pytest.mark.parametrize("page", ALL)
def test_axe_finds_nothing_serious(page: str, boards: Boards, open_tab: OpenTab, axe: Path) -> None:
    """Source of the rules: axe-core of npm, its default set (WCAG 2.x A and AA, good practice)."""
    tab = with_axe(open_tab, boards.of(page), axe, viewport=WIDE, color_scheme="light")
    shown = opened(tab, page).page
    grounds = []
    for scheme in SCHEMES:
        shown.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        grounds.append(ground_of(shown))
        found = shown.evaluate(
            """async () => (await axe.run(document)).violations.map(v =>
                [v.impact, v.id, v.help, ...v.nodes.map(n => n.html.slice(0, 160)).slice(0, 4)])"""
        )
        assert [v for v in found if v[0] in SEVERE] == [], scheme
        for violation in found:
            print(page, scheme, *violation)
    assert grounds[0] != grounds[1], "it was looked at in both"


def test_axe_is_at_work(boards: Boards, open_tab: OpenTab, axe: Path) -> None:
    """It does find what is wrong on a page of ours when something is."""
    tab = with_axe(open_tab, boards.local, axe)
    shown = opened(tab, "now").page
    shown.evaluate("() => document.querySelector('main').append(document.createElement('button'))")
    found = shown.evaluate("async () => (await axe.run(document)).violations.map(v => v.id)")
    assert "button-name" in found


@pytest.mark.parametrize("page", ["now", "wall", "sign-in", "public"])
def test_without_javascript_a_page_says_so(page: str, boards: Boards, open_tab: OpenTab) -> None:
    tab = open_tab(boards.of(page), java_script_enabled=False)
    # Its modules are named to be loaded ahead, and the browser then refuses them by itself.
    with tab.forgiving(r"^failed: GET .*/static/js/\w+\.js: csp$"):
        tab.page.goto(tab.base + ALL[page])
    said = tab.page.locator("noscript p")
    assert said.is_visible()
    assert "JavaScript, which is off" in " ".join(said.inner_text().split())


def test_the_theme_can_be_chosen_and_stays(boards: Boards, open_tab: OpenTab) -> None:
    tab = open_tab(boards.local, color_scheme="light")
    shown = tab.go("/")

    light, button = ground_of(shown), shown.locator("#theme")
    button.click()
    assert ground_of(shown) == light
    button.click()
    dark = ground_of(shown)
    assert dark != light
    tab.go("/groups")
    assert ground_of(shown) == dark


@pytest.fixture(scope="module", autouse=True)
def _ended(boards: Boards) -> Iterator[None]:
    """The scene is still the scene at the end: no page's opening has changed anything."""
    yield
    assert boards.local.process is not None
    assert boards.local.process.poll() is None, boards.local.log()[-2000:]
