"""`python -m tests.board.shots FOLDER [PAGE...]`: pictures of the board's pages to be looked at.

Every page at three widths, light and dark, on a region with something going on. `storm` is many
alerts at once while no sign comes that alerts get through, and the dialog of planned work; `stale`
how a page looks that has lost its data. The folder must not lie in the project: pictures are not
kept there.
"""

import argparse
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final, Literal

from playwright.sync_api import Browser, Page, sync_playwright

from tests.board.base_map import write_base_map
from tests.board.browser.tab import ARGUMENTS, Tab
from tests.board.gateways import gateways_of
from tests.board.rig import BoardProcess, rig_in
from tests.board.scene import OPEN_PAGES, PAGES, PROBLEM, set_scene
from tests.board.troubles import Crier
from tests.servers import program, wait_until

WIDTHS: Final = {1440: 900, 1024: 768, 390: 844}
SCHEMES: Final[tuple[Literal["light", "dark"], ...]] = ("light", "dark")
PROJECT: Final = Path(__file__).parents[2]


def main(words: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.board.shots")
    parser.add_argument("folder", type=Path)
    parser.add_argument(
        "pages", nargs="*", help=f"of {', '.join([*PAGES, *OPEN_PAGES, 'storm', 'stale'])}"
    )
    chosen = parser.parse_args(words)
    folder = chosen.folder.resolve()
    if folder.is_relative_to(PROJECT):
        parser.error(f"{folder} lies in the project; choose a folder outside")
    folder.mkdir(parents=True, exist_ok=True)
    complaints: list[str] = []
    with (
        tempfile.TemporaryDirectory() as name,
        rig_in(Path(name)) as rig,
        gateways_of(rig) as gateways,
        sync_playwright() as tools,
    ):
        ground = write_base_map(Path(name) / "ground.json")
        local = rig.board("--base-map", str(ground))
        signed = rig.board("--users", str(rig.users), "--public")
        set_scene(gateways, rig.client(local))
        crier = Crier(rig)
        crier.troubles()
        browser = tools.chromium.launch(executable_path=program("chromium"), args=list(ARGUMENTS))

        def wanted(page: str) -> bool:
            return not chosen.pages or page in chosen.pages

        todo = [(local, page, path) for page, path in PAGES.items() if wanted(page)]
        todo += [(signed, page, path) for page, path in OPEN_PAGES.items() if wanted(page)]
        todo += [(local, "problem", PROBLEM)] if wanted("problem") else []
        for board, page, path in todo:
            complaints += _shoot(browser, board, path, folder / page)
        if wanted("storm"):
            crier.last_beat()
            watched = rig.client(local)
            wait_until(lambda: watched.rows("head")["head"]["alerts_silent_since"], "silence")
            for page, path in {"storm": "/", "storm-wall": "/wall"}.items():
                complaints += _shoot(browser, local, path, folder / page)
            complaints += _shoot(browser, local, "/", folder / "plan", _plan)
        crier.close()
        if wanted("stale"):
            tab = Tab(browser.new_context(), local.url)
            shown = tab.go("/groups")
            rig.redis.kill()
            rig.worker.kill()
            shown.wait_for_selector("html[data-stale]")
            shown.screenshot(path=folder / "stale.png", full_page=True)
        browser.close()
    print("\n".join(dict.fromkeys(complaints)))
    return 1 if complaints else 0


def _plan(page: Page) -> None:
    """Unfold what is folded, then open the dialog for planned work at a site with a member."""
    for summary in page.locator(".alerts summary").all():
        summary.click()
    page.get_by_role("button", name="Plan maintenance").click()
    page.get_by_role("dialog").locator("select").first.select_option("brimsolt/vhf")
    page.get_by_text("Tell them before it begins").wait_for()


def _shoot(
    browser: Browser,
    board: BoardProcess,
    path: str,
    name: Path,
    first: Callable[[Page], None] | None = None,
) -> list[str]:
    """The page at every width and scheme; what the browser complained about. `first`: what is done
    on it before."""
    complaints = []
    for width, height in WIDTHS.items():
        for scheme in SCHEMES:
            context = browser.new_context(
                viewport={"width": width, "height": height},
                color_scheme=scheme,
                reduced_motion="reduce",
            )
            tab = Tab(context, board.url)
            page = tab.whole(path)
            if first is not None:
                first(page)
            page.screenshot(path=f"{name}-{width}-{scheme}.png", full_page=True)
            found = tab.complaints if path != PROBLEM else []  # the browser tells of its 404
            complaints += [f"{path} {width} {scheme}: {c}" for c in found]
            context.close()
    return complaints


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
