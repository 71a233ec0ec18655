"""The page in Chromium: on a phone, printed, for everybody; it asks nothing of anybody."""

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, sync_playwright

from streamer.report.page import PAGE_FILE, write_page
from tests.board.browser.tab import ARGUMENTS
from tests.npm import install
from tests.report.page_example import example
from tests.servers import program

pytestmark = pytest.mark.slow

PHONE: Final = ViewportSize(width=390, height=844)
REPORT = example(stations=8, keyed=60)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Ends with this file: while it runs, this thread counts as one with a running event loop."""
    found = program("chromium")
    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=found, args=list(ARGUMENTS))
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("page")
    title = "Drill <b>one</b> " + "w" * 90
    duty = REPORT.duty.model_copy(update={"title": title})
    write_page(REPORT.model_copy(update={"duty": duty}), made)
    return made


@pytest.fixture
def opened(chromium: Browser, folder: Path) -> Iterator[Page]:
    """The page on a phone; at the end the test fails if it asked for anything or complained."""
    context = chromium.new_context(viewport=PHONE, bypass_csp=True)  # axe is put into it
    page = context.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    address = (folder / PAGE_FILE).as_uri()
    page.goto(address)
    yield page
    context.close()
    assert asked == [address]
    assert complaints == []


def test_it_does_not_scroll_sideways_on_a_phone(opened: Page) -> None:
    """WCAG 2.2, 1.4.10 asks it at 320 CSS pixels; tables and charts, which it exempts, scroll by
    themselves."""
    for width in (PHONE["width"], 320):
        opened.set_viewport_size({"width": width, "height": PHONE["height"]})
        root = "document.documentElement"
        wide = opened.evaluate(f"() => {root}.scrollWidth - {root}.clientWidth")
        assert wide <= 0, f"{wide} px too wide at {width}"
    assert opened.locator("h1").inner_text().startswith("Drill <b>one</b> www")


def test_every_chart_is_drawn(opened: Page) -> None:
    charts = opened.locator("figure svg")
    assert charts.count() == 6
    for n in range(charts.count()):
        box = charts.nth(n).bounding_box()
        assert box
        assert box["width"] > 300
        assert box["height"] > 30
        assert charts.nth(n).locator("title").count() == 1


@pytest.mark.node
def test_axe_finds_nothing_serious(opened: Page, tmp_path_factory: Any) -> None:
    """Source of the rules: axe-core of npm, its default set (WCAG 2.x A and AA, good practice)."""
    folder = install(tmp_path_factory.mktemp("axe"), "axe-core")
    opened.add_script_tag(
        content=(folder / "node_modules" / "axe-core" / "axe.min.js").read_text("utf-8")
    )
    opened.set_viewport_size({"width": 1280, "height": 900})
    ask = """async () => (await axe.run(document)).violations.map(v =>
        [v.impact, v.id, v.help, ...v.nodes.map(n => n.html.slice(0, 160)).slice(0, 4)])"""
    assert opened.evaluate(ask) == []
    opened.evaluate("() => document.querySelector('main').append(document.createElement('button'))")
    assert "button-name" in [found[1] for found in opened.evaluate(ask)]


@pytest.mark.parametrize(("paper", "width_pt"), [("A4", 595), ("Letter", 612)])
def test_it_prints_on_either_paper_with_head_foot_and_numbers(
    paper: str, width_pt: int, opened: Page, tmp_path: Path
) -> None:
    made = tmp_path / "printed.pdf"
    opened.pdf(path=made, format=paper)
    told = subprocess.run(
        [program("pdftotext"), "-layout", str(made), "-"], capture_output=True, check=True
    ).stdout.decode()
    pages = [" ".join(page.split()) for page in told.split("\f") if page.strip()]
    assert len(pages) > 5
    for n, page in enumerate(pages, 1):
        assert page.startswith("EXERCISE Drill <b>one</b> ")
        assert f"page {n} of {len(pages)}" in page
        assert "Call signs are not authenticated on the air" in page
        assert "24 h, UTC" in page
    info = subprocess.run(
        [program("pdfinfo"), "-l", "99", str(made)], capture_output=True, check=True
    ).stdout.decode()
    sizes = re.findall(r"size: +([\d.]+) x ([\d.]+) pts", info)
    widths = {round(float(a)) for a, b in sizes if float(a) < float(b)}
    assert all(abs(one - width_pt) <= 1 for one in widths)
    lying = [n for n, (a, b) in enumerate(sizes) if float(a) > float(b)]
    assert [n for n, page in enumerate(pages) if "fields of ICS 211" in page] == lying[:1]
