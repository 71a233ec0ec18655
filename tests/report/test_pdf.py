"""The PDF: read back by poppler, made without fetching anything."""

import builtins
import http.server
import re
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from streamer.contract.published import CAUTION
from streamer.report import pdf
from streamer.report.page import PAGE_FILE, PDF_FILE, write_page
from streamer.report.pdf import PdfMissing, write_pdf
from tests.report.page_example import NO_COVERAGE, example
from tests.servers import program

REPORT = example(stations=8, keyed=60)
SMALL = example(stations=3, keyed=3, coverage=NO_COVERAGE, groups=())


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pdf")
    assert [path.name for path in write_page(REPORT, folder, pdf=True)] == [PAGE_FILE, PDF_FILE]
    return folder / PDF_FILE


def told(tool: str, *words: str) -> str:
    done = subprocess.run([program(tool), *words], capture_output=True, check=True, timeout=60)
    return done.stdout.decode()


def pages(path: Path) -> list[str]:
    text = told("pdftotext", "-layout", str(path), "-")
    return [" ".join(page.split()) for page in text.split("\f") if page.strip()]


def test_title_and_language_are_in_it_and_it_is_tagged(made: Path) -> None:
    info = told("pdfinfo", str(made))
    assert re.search(r"^Title: +EXERCISE: Spring flood drill$", info, re.M)
    assert re.search(r"^Tagged: +yes$", info, re.M)
    assert re.search(r"^JavaScript: +no$", info, re.M)
    assert "CreationDate" not in info


def test_every_page_says_what_it_is(made: Path) -> None:
    found = pages(made)
    assert len(found) > 5
    for n, page in enumerate(found, 1):
        assert page.startswith(f"EXERCISE Spring flood drill page {n} of {len(found)}")
        assert CAUTION.split(". ")[0] in page
        assert "heard does not mean safe" in page
        assert "24 h, UTC" in page


def test_the_numbers_are_in_it(made: Path) -> None:
    text = " ".join(pages(made))
    assert "60 overs, 24 h, UTC" in text
    for over in REPORT.overs:
        assert f"{over.number} {over.at:%H:%M:%S} {over.station}" in text
    for group in REPORT.groups:
        assert f"{group.wanted_air_s:,.0f} {group.carried_air_s:,.0f}" in text
    assert "86.21 5:00:00 0:48:00 0:12:00 1 0:48:00" in text
    assert "median after 3 min 15 s, longest after 4 min 50 s" in text


def test_heads_of_tables_are_repeated_and_contents_have_pages(made: Path) -> None:
    found = pages(made)
    with_log = [page for page in found if re.search(r"No\. Time From To Message and remarks", page)]
    assert len(with_log) >= 2
    listed = dict(re.findall(r"(Activity log|Roll calls|Alerts), page (\d+)", found[0] + found[1]))
    assert "4 Activity log" in found[int(listed["Activity log"]) - 1]
    assert "3 Roll calls" in found[int(listed["Roll calls"]) - 1]
    # The log of every over is the last part, from its first page to the last of all.
    begins = next(
        n
        for n, page in enumerate(found)
        if "Annex: Communications log EX" in page
        or "Annex: Communications log Communications log" in page
    )
    assert begins > int(listed["Activity log"])
    assert "Prepared by" in found[-1]


@pytest.mark.parametrize(
    ("paper", "size"), [("A4", (595.28, 841.89)), ("Letter", (612.0, 792.0))]
)  # ISO 216: 210 mm by 297 mm; ANSI Letter: 8.5 by 11 inches; 72 points an inch
def test_pages_are_of_the_paper_asked_for_and_the_wide_form_lies(
    paper: Any, size: tuple[float, float], tmp_path: Path
) -> None:
    write_page(SMALL, tmp_path, pdf=True, paper=paper)
    info = told("pdfinfo", "-l", "99", str(tmp_path / PDF_FILE))
    sizes = {
        (round(float(a), 1), round(float(b), 1))
        for a, b in re.findall(r"size: +([\d.]+) x ([\d.]+) pts", info)
    }
    wide, high = (round(one, 1) for one in size)
    assert {(round(a), round(b)) for a, b in sizes} == {
        (round(wide), round(high)), (round(high), round(wide))
    }  # fmt: skip
    (lying,) = [page for page in pages(tmp_path / PDF_FILE) if "fields of ICS 211" in page]
    assert "14 Incident" in lying


# -- nothing is fetched --------------------------------------------------------------------------


@contextmanager
def listening() -> Iterator[tuple[int, list[str]]]:
    """A web server that notes what it is asked for."""
    asked: list[str] = []

    class Noting(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        def log_message(self, format: str, *args: Any) -> None: ...  # noqa: A002

    server = http.server.HTTPServer(("127.0.0.1", 0), Noting)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield server.server_port, asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


ASKING = """<!DOCTYPE html><html><head><title>t</title>
<link rel="stylesheet" href="{0}/a.css"><style>@import url({0}/b.css);
@font-face {{ font-family: x; src: url({0}/c.woff) }} p {{ background: url({0}/d.png) }}</style>
</head><body><p style="font-family: x">words</p><img src="{0}/e.png"><img src="{1}">
<svg xmlns="http://www.w3.org/2000/svg"><image href="{0}/f.png" width="9" height="9"/>
<use href="{0}/g.svg#x"/></svg><object data="{0}/h.svg"></object></body></html>"""


def test_nothing_of_the_network_or_of_this_machine_is_fetched(tmp_path: Path) -> None:
    secret = tmp_path / "secret.svg"
    secret.write_text('<svg xmlns="http://www.w3.org/2000/svg"><text>SECRET</text></svg>')
    with listening() as (port, asked):
        page = ASKING.format(f"http://127.0.0.1:{port}", secret.as_uri())
        write_pdf(page, tmp_path / "made.pdf")
        assert asked == []
        # The same page, printed as the library would by itself, does ask: the judge is at work.
        from weasyprint import HTML

        by_itself = tmp_path / "by-itself.pdf"
        HTML(string=page).write_pdf(by_itself)
        assert {"/a.css", "/e.png"} <= set(asked)
    assert "SECRET" in told("pdftotext", str(by_itself), "-")
    assert "SECRET" not in told("pdftotext", str(tmp_path / "made.pdf"), "-")


# -- where it cannot be made ---------------------------------------------------------------------


def test_without_the_library_the_page_is_written_and_what_to_do_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf, "find_spec", {"weasyprint": None}.__getitem__)
    with pytest.raises(PdfMissing, match=r"pip install '\.\[pdf\]'.*report\.html is written"):
        write_page(SMALL, tmp_path, pdf=True)
    assert [path.name for path in tmp_path.iterdir()] == [PAGE_FILE]


def test_a_library_that_cannot_be_loaded_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def failing(name: str, *args: Any, **more: Any) -> Any:
        if name.startswith("weasyprint"):
            raise OSError("cannot load library 'pango'")
        return real(name, *args, **more)

    monkeypatch.setattr(builtins, "__import__", failing)
    with pytest.raises(PdfMissing, match=r"cannot load library 'pango'.*Pango"):
        write_page(SMALL, tmp_path, pdf=True)
    assert (tmp_path / PAGE_FILE).exists()
