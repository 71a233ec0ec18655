"""`streamer load`: how busy repeaters were on a recorded day, and will be."""

import argparse
import re
from collections.abc import Callable, Sequence
from typing import Final

from streamer.demo.command import duration_s
from streamer.lab.asking import add_day, answer
from streamer.lab.day import Day
from streamer.lab.load import LoadReport, load_report
from streamer.lab.load_advice import LEAST_S
from streamer.lab.load_ruled import ruled_spans
from streamer.lab.load_text import load_lines
from streamer.lab.load_weigh import weigh
from streamer.reading.common import Misuse

MOST_MORE: Final = 100_000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "How busy each repeater was on a recorded day, in erlangs by the hour; how often a group's "
        "overs find it busy with others, by the formula and by the record; which groups overlap "
        "most; which stand in others' way, and where a bar would cut off nobody who was heard. "
        "Exit code 1: part of the journal could not be read."
    )
    add_day(parser)
    parser.add_argument("--hour", action="store_true", help="also every hour of every repeater")
    parser.add_argument(
        "--said-only",
        action="store_true",
        help="count as sent on only what repeaters said that they carry; without it the rules "
        "speak for gateways that never say",
    )
    parser.add_argument(
        "--grow",
        action="append",
        default=[],
        type=_grow,
        metavar="GROUP=+N",
        help="what if so many more members were in a group; may be given several times",
    )
    parser.add_argument(
        "--least",
        type=duration_s,
        default=LEAST_S,
        metavar="DURATION",
        help="give a line to bar a group only for repeaters of which so much counts as recorded "
        f"(default {LEAST_S // 3600}h; less is for trying this on a demo, not for a real region)",
    )
    parser.add_argument(
        "--explain", action="store_true", help="also all that these figures rest on"
    )


def _grow(word: str) -> tuple[str, int]:
    found = re.fullmatch(r"([^=]+)=\+?([0-9]{1,6})", word)
    if not found or not 1 <= int(found[2]) <= MOST_MORE:
        raise argparse.ArgumentTypeError(
            f"must be GROUP=+N with N from 1 to {MOST_MORE}, such as SEARCH=+20, but is {word!r}"
        )
    return found[1].upper(), int(found[2])


def main(arguments: argparse.Namespace) -> int:
    def work(day: Day, troubles: Sequence[str]) -> tuple[LoadReport, Callable[[], list[str]]]:
        more = dict(arguments.grow)
        if len(more) < len(arguments.grow):
            raise Misuse("--grow: give each group once")
        ruled = None if arguments.said_only else ruled_spans(day)
        report = load_report(weigh(day, ruled), more, troubles, arguments.least)
        return report, lambda: load_lines(report, arguments.hour, arguments.explain)

    return answer("load", arguments, work)
