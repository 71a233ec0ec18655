"""`streamer whatif`: a recorded day with something failed or added."""

import argparse
from collections.abc import Callable, Sequence

from streamer.config import Site
from streamer.lab.asking import add_day, answer
from streamer.lab.day import Day
from streamer.lab.hindsight import Assumption
from streamer.lab.load_air import gateway_of
from streamer.lab.whatif import Failure, lose
from streamer.lab.whatif_ears import Ears, learn
from streamer.lab.whatif_known import whereabouts_of
from streamer.lab.whatif_new import FORM, gain, new_site
from streamer.lab.whatif_rank import rank, single_failures
from streamer.lab.whatif_report import WhatIf, report_of
from streamer.lab.whatif_scene import Scene
from streamer.lab.whatif_text import whatif_lines
from streamer.problems import suggestion
from streamer.reading.common import MISUSED, Misuse
from streamer.reading.text import complain


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "What a failure would have cost on a recorded day: who would have been out of reach and "
        "for how long, which overs nobody would have heard; which single failure hurts most; what "
        "a new repeater would have heard. Exit code 1: part of the journal could not be read."
    )
    add_day(parser)
    parser.add_argument(
        "--off",
        action="append",
        default=[],
        metavar="REPEATER",
        help="a repeater that is off, or a gateway with all of its repeaters; several together",
    )
    parser.add_argument(
        "--cut",
        action="append",
        default=[],
        metavar="GATEWAY",
        help="a gateway whose backhaul is cut: its repeaters work, nothing is handed on",
    )
    parser.add_argument(
        "--new",
        action="append",
        default=[],
        metavar=FORM,
        help="a repeater at a place (degrees), such as hill,-46.2,20.5,30,146.0",
    )
    parser.add_argument(
        "--rank", action="store_true", help="try every single failure and rank them"
    )
    parser.add_argument(
        "--explain", action="store_true", help="say also what was taken, and what it rests on"
    )


def main(arguments: argparse.Namespace) -> int:
    def work(day: Day, troubles: Sequence[str]) -> tuple[WhatIf, Callable[[], list[str]]]:
        report = what_if(day, arguments.off, arguments.cut, arguments.new, arguments.rank, troubles)
        return report, lambda: whatif_lines(report, explain=arguments.explain)

    if not (arguments.off or arguments.cut or arguments.new or arguments.rank):
        complain(
            "whatif", "what if what? Give --off, --cut or --new, or --rank to try each failure"
        )
        return MISUSED
    return answer("whatif", arguments, work)


def what_if(
    day: Day,
    off: Sequence[str],
    cut: Sequence[str],
    new: Sequence[str],
    ranking: bool,
    troubles: Sequence[str] = (),
) -> WhatIf:
    """The answer for a day; raises Misuse for what is not in it."""
    repeaters = sorted({*day.view.sites, *(h.repeater for o in day.overs for h in o.heard)})
    failures = [_failure(off, cut, repeaters)] if off or cut else []
    sites, notes = _sites(day, new)
    learned = learn(day.overs, day.view.learning)
    old = Ears(learned, day.view.sites, day.view.learning)
    ears = Ears(learned, {**day.view.sites, **sites}, day.view.learning) if sites else old
    scene = Scene(day, whereabouts_of(day, Assumption(), {}), old)
    return report_of(
        day,
        scene,
        ears,
        gains=[gain(scene, ears, name) for name in sites],
        losses=[lose(scene, ears, failure) for failure in failures],
        without=[lose(scene, old, failure) for failure in failures] if sites else [],
        ranked=rank(scene, ears, single_failures(repeaters)) if ranking else None,
        troubles=troubles,
        notes=notes,
    )


def _sites(day: Day, new: Sequence[str]) -> tuple[dict[str, Site], list[str]]:
    sites: dict[str, Site] = {}
    notes: list[str] = []
    for text in new:
        try:
            site, said = new_site(text, {**day.view.sites, **sites})
        except ValueError as error:
            raise Misuse(f"--new: {error}") from error
        sites[site.repeater] = site
        notes += said
    return sites, notes


def _failure(off: Sequence[str], cut: Sequence[str], repeaters: Sequence[str]) -> Failure:
    gone = frozenset(r for name in off for r in _named("--off", name, repeaters))
    behind = frozenset(r for name in cut for r in _named("--cut", name, repeaters, whole=True))
    words = [f"{name} off" for name in off] + [f"{name} cut" for name in cut]
    return Failure(", ".join(words), gone, behind - gone)


def _named(option: str, name: str, repeaters: Sequence[str], *, whole: bool = False) -> list[str]:
    """The repeaters meant by the name of one, or of a gateway (`whole`: of a gateway only)."""
    gateways = sorted({gateway_of(r) for r in repeaters})
    if name in gateways:
        return [r for r in repeaters if gateway_of(r) == name]
    if name in repeaters and not whole:
        return [name]
    what = "gateway" if whole else "repeater or gateway"
    known = suggestion(name, gateways if whole or "/" not in name else repeaters)
    raise Misuse(f"{option}: no such {what} {name!r} in the region or the record; {known}")
