"""The day on paper, compared and told."""

from streamer.config import RegionView
from streamer.lab.compare import compare, prepare
from streamer.lab.compare_report import CompareReport, compare_report
from streamer.lab.compare_text import compare_lines
from streamer.lab.grid import settings_of
from streamer.lab.pareto import Prices
from streamer.lab.truth import Truth
from tests.lab.paper import ASSUMED, day


def report(
    *asked: str,
    prices: Prices | None = None,
    truth: Truth | None = None,
    view: RegionView | None = None,
    least_s: float = 600,
) -> CompareReport:
    """The record is 2200 s long."""
    one = day(view)
    found = settings_of(one.view, asked)
    prepared = prepare(one, ASSUMED, truth or {}, found)
    outcomes = compare(prepared, found, processes=1)
    return compare_report(prepared, outcomes, prices or Prices(), ASSUMED, (), least_s)


def words(found: CompareReport) -> str:
    return " ".join(" ".join(compare_lines(found)).split())
