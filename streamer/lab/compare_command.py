"""`streamer compare`: what other settings would have cost on recorded days."""

import argparse
import math
import multiprocessing
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from streamer.lab.asking import add_day, answer
from streamer.lab.compare import compare, prepare
from streamer.lab.compare_advice import LEAST_S
from streamer.lab.compare_report import CompareReport, compare_report
from streamer.lab.compare_text import compare_lines
from streamer.lab.day import Day
from streamer.lab.grid import COMPARED, LISTS, GridError, settings_of
from streamer.lab.hindsight import ABSENCE_S, PRESENCE_S, Assumption
from streamer.lab.pareto import PRICE_FALSE_S, PRICE_MISSED_S, Prices
from streamer.lab.plot import check_plot, plot
from streamer.lab.truth import Truth, TruthError, read_truth
from streamer.reading.common import MISUSED, Misuse, NotFound
from streamer.reading.text import complain, plural

MOST_PROCESSES: Final = 256
_UNITS_S: Final = {"": 1.0, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "What other settings would have cost on recorded days: air-time carried, air-time carried "
        "where no member was, overs that a member present missed, alerts raised. The region file's "
        "own setting is always compared too. A change of alerts is only advised where --truth "
        "shows that nobody out of reach is told of later; a shorter expiry or a pin less never is. "
        "Exit code 1: part of the journal could not be read."
    )
    add_day(parser)
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="FIELD=V,V...",
        help="values of one field of [policy], or of one group as GROUP.FIELD=V,V...; several "
        f"--set are tried each with each. Fields: {', '.join(COMPARED)}; and of a group "
        f"{', '.join(LISTS)}, as GROUP.pins=+GATEWAY/PORT or -GATEWAY/PORT",
    )
    parser.add_argument(
        "--truth",
        type=Path,
        metavar="FILE",
        help="where stations truly were, lines of JSON: station, from_ms, until_ms, repeater "
        "(null: out of reach of all)",
    )
    parser.add_argument(
        "--presence",
        type=length_s,
        default=PRESENCE_S,
        metavar="TIME",
        help="how long a station is taken to be there before its first keying and after its last, "
        f"such as 30m; else {PRESENCE_S / 60:g}m",
    )
    parser.add_argument(
        "--absence",
        type=length_s,
        default=ABSENCE_S,
        metavar="TIME",
        help=f"a longer silence is an absence; else {ABSENCE_S / 3600:g}h",
    )
    parser.add_argument(
        "--least",
        type=length_s,
        default=LEAST_S,
        metavar="TIME",
        help="advise nothing of a record shorter than this, such as 1m for a try; else "
        f"{LEAST_S / 3600:g}h",
    )
    _add_weighing(parser)
    parser.add_argument(
        "--processes",
        type=_processes,
        default=os.cpu_count() or 1,
        metavar="N",
        help="work on so many at once; else one for each core",
    )
    parser.add_argument(
        "--plot", type=Path, metavar="FILE.svg|.png", help="draw it into a new file"
    )


def _add_weighing(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--price-missed",
        type=_price,
        default=PRICE_MISSED_S,
        metavar="SECONDS",
        help="seconds of wasted air-time that one missed over is worth; else "
        f"{PRICE_MISSED_S:g}, which is assumed",
    )
    parser.add_argument(
        "--price-false",
        type=_price,
        default=PRICE_FALSE_S,
        metavar="SECONDS",
        help="the same of one false alert, where --truth tells which are false; else "
        f"{PRICE_FALSE_S:g}, which is assumed",
    )


def length_s(word: str) -> float:
    """Seconds from a text such as 90, 90s, 30m, 1.5h."""
    found = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(s|m|min|h|)", word)
    seconds = float(found[1]) * _UNITS_S[found[2]] if found else math.inf
    if not seconds <= 366 * 86_400:
        raise argparse.ArgumentTypeError(f"must be a time such as 90s, 30m or 2h, but is {word!r}")
    return seconds


def _price(word: str) -> float:
    try:
        price = float(word)
    except ValueError:
        price = math.nan
    if not 0 <= price < math.inf:
        raise argparse.ArgumentTypeError(f"must be a number of seconds from 0, but is {word!r}")
    return price


def _processes(word: str) -> int:
    if not re.fullmatch("[0-9]{1,4}", word) or not 1 <= int(word) <= MOST_PROCESSES:
        raise argparse.ArgumentTypeError(f"must be 1 to {MOST_PROCESSES}, but is {word!r}")
    return int(word)


def main(arguments: argparse.Namespace) -> int:
    try:
        # Before a week is read, not after.
        if not arguments.set:
            raise Misuse("compare with what? Give --set, such as --set linger_s=60,120,300")
        if arguments.plot is not None:
            check_plot(arguments.plot)
    except Misuse as error:
        complain("compare", str(error))
        return MISUSED

    def work(day: Day, troubles: Sequence[str]) -> tuple[CompareReport, Callable[[], list[str]]]:
        report = _compare(arguments, day, troubles)
        if arguments.plot is not None:
            plot(report, arguments.plot)
        return report, lambda: compare_lines(report)

    return answer("compare", arguments, work)


def _compare(arguments: argparse.Namespace, day: Day, troubles: Sequence[str]) -> CompareReport:
    if not any(over.group for over in day.overs):
        raise NotFound("no over of the recording is to a group of the region file")
    try:
        settings = settings_of(day.view, arguments.set)
        truth: Truth = read_truth(arguments.truth) if arguments.truth else {}
    except GridError as error:
        raise Misuse(str(error)) from error
    except TruthError as error:
        raise NotFound(str(error)) from error
    assumption = Assumption(arguments.presence, arguments.absence)
    prepared = prepare(day, assumption, truth, settings)
    # Where a process cannot be forked all is done in this one.
    forks = "fork" in multiprocessing.get_all_start_methods()
    outcomes = compare(prepared, settings, arguments.processes if forks else 1)
    prices = Prices(arguments.price_missed, arguments.price_false)
    notes = [*troubles]
    if len(settings) == 1:
        notes.append("what is asked for is the setting as it is: nothing else was compared")
    unknown = len(truth.keys() - set(prepared.columns.stations))
    if unknown:
        notes.append(f"{plural(unknown, 'station')} of the truth file never heard")
    return compare_report(prepared, outcomes, prices, assumption, notes, arguments.least)
