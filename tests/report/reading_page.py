"""A printed page read back by a general parser (lxml)."""

from typing import Any, cast

from lxml import html

from streamer.report.facts import DutyReport
from streamer.report.layout import Most
from streamer.report.page import Page


def shown(report: DutyReport, most: Most | None = None) -> Any:
    """The page of a report as a tree of elements."""
    return html.document_fromstring(Page(report, most=most).html())


def text_of(element: Any) -> str:
    return " ".join("".join(element.itertext()).split())


def words(page: Any, path: str) -> list[str]:
    """The text of each element found, blanks made single."""
    return [text_of(found) for found in page.xpath(path)]


def rows(page: Any, table: str) -> list[list[str]]:
    """The rows of a table's body, lines of a cell parted by `|`."""
    found = page.xpath(f"//table[@id='{table}']/tbody/tr")
    assert found, f"no table {table}"
    return [[_cell(cell) for cell in row.xpath("./td")] for row in found]


def _cell(cell: Any) -> str:
    parts = [cell.text or ""]
    for line in cell:
        assert line.tag == "br"
        parts.append(line.tail or "")
    return "|".join(parts)


def heads(page: Any, table: str) -> list[str]:
    return words(page, f"//table[@id='{table}']/thead/tr/th")


def asides(page: Any, table: str) -> list[str]:
    return words(page, f"//table[@id='{table}']//tr[@class='aside']")


def ids(page: Any) -> list[str]:
    return cast("list[str]", page.xpath("//@id"))
