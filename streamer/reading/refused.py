"""`streamer refused`: what was not accepted and why, and who is not taken for a station."""

import argparse
import json

from streamer.clock import Clock, from_ms
from streamer.contract.common import Moment
from streamer.contract.published import Refusal
from streamer.reading.common import (
    WELL,
    Answer,
    Desk,
    Document,
    Header,
    add_common,
    answer,
    note_lines,
    spoken,
)
from streamer.reading.text import ago, moment, plural, table, wrap
from streamer.state import lookups

NEWEST = 10
MOST = 100_000
_EXCERPT = 120


class Caged(Document):
    identity: str
    count: int
    last_heard_at: Moment
    reason: str


class Cage(Document):
    """Identities of one gateway, heard last first; `held` is how many there are."""

    gateway: str
    held: int
    identities: tuple[Caged, ...]


class Refused(Header):
    """`counts` are exact as long as workers do not die: a message that comes twice is refused
    twice. `newest` is newest first."""

    counts: dict[str, int]
    newest: tuple[Refusal, ...]
    quarantined: tuple[Cage, ...]


def _limit(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text) <= MOST):
        raise argparse.ArgumentTypeError(f"{text!r}: a number from 0 to {MOST} is expected")
    return int(text)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "What was not accepted: counts by reason, the newest with detail, and the identities of "
        "each gateway that are not taken for stations. Exit code 0: answered; 1: the state cannot "
        "be read."
    )
    parser.add_argument(
        "--limit",
        type=_limit,
        default=NEWEST,
        metavar="N",
        help=f"how many of the newest refusals, and of each gateway's identities ({NEWEST})",
    )
    add_common(parser)


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    limit: int = arguments.limit
    return answer("refused", arguments, lambda desk: _work(desk, limit), clock)


def _work(desk: Desk, limit: int) -> Answer:
    document = refused(desk, limit)
    return document, lambda: _text(desk, document), WELL


def refused(desk: Desk, limit: int) -> Refused:
    """Counts, the newest `limit` refusals, and as many identities of each gateway."""
    counts = desk.store.refusals()
    caged = lookups.quarantines(desk.reader, lookups.quarantine_gateways(desk.reader))
    return Refused(
        **desk.header(),
        counts=dict(sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))),
        newest=tuple(lookups.newest_refusals(desk.reader, limit)),
        quarantined=tuple(_cage(gateway, names, limit) for gateway, names in caged.items()),
    )


def _cage(gateway: str, names: lookups.Caged, limit: int) -> Cage:
    ordered = sorted(names.items(), key=lambda pair: (-pair[1][1], pair[0]))
    return Cage(
        gateway=gateway,
        held=len(names),
        identities=tuple(
            Caged(identity=name, count=count, last_heard_at=from_ms(ms), reason=reason)
            for name, (count, ms, reason) in ordered[:limit]
        ),
    )


def _text(desk: Desk, found: Refused) -> list[str]:
    lines = note_lines(desk)
    total = sum(found.counts.values())
    lines.append(f"{plural(total, 'refusal')} in all" if total else "Nothing was refused.")
    lines += (
        table(
            ["COUNT", "REASON"],
            [[str(n), spoken(reason)] for reason, n in found.counts.items()],
            "  ",
        )
        if total
        else []
    )
    if found.newest:
        lines += ["", "Newest"]
        for refusal in found.newest:
            lines += _refusal(desk, refusal)
    for cage in found.quarantined:
        more = (
            f", {len(cage.identities)} of {cage.held}" if cage.held > len(cage.identities) else ""
        )
        lines += ["", f"Not taken for stations at {cage.gateway}{more}"]
        rows = [
            [c.identity, plural(c.count, "event"), _when(c.last_heard_at, desk), spoken(c.reason)]
            for c in cage.identities
        ]
        lines += table(["IDENTITY", "HEARD", "LAST", "REASON"], rows, "  ")
    return lines


def _refusal(desk: Desk, refusal: Refusal) -> list[str]:
    place = "" if refusal.index is None else f", element {refusal.index + 1}"
    head = f"{_when(refusal.at, desk)} {refusal.topic}{place}, {refusal.size_bytes} bytes"
    lines = wrap(head, "  ", "    ")
    lines += wrap(f"{spoken(refusal.reason)}: {refusal.detail}", "    ")
    if refusal.excerpt:
        # Quoted, so that blanks and what a terminal would obey can be seen.
        lines += wrap(f"begins {json.dumps(refusal.excerpt[:_EXCERPT])}", "    ", "      ")
    return lines


def _when(at: Moment, desk: Desk) -> str:
    ms = round(at.timestamp() * 1000)
    return f"{moment(ms, desk.now_ms)} ({ago(ms, desk.now_ms)})"
