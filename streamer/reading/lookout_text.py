"""The lookout for people: a page of plain text."""

from streamer.contract.common import Moment
from streamer.reading.lookout import Lookout, VisitSeen, WhereToLook
from streamer.reading.text import moment, wrap

_NAME: int = 14
MOST_VISITS = 6


def lookout_lines(found: Lookout, now_ms: int) -> list[str]:
    """How it keys, its signal, its visits, what comes next, and where to look for it."""
    lines = [
        *_fact("usual", found.pauses.words),
        *_fact("signal", f"on {found.trend.repeater}: {found.trend.words}"),
        *_fact("leaving", "; ".join(found.leaving.reasons)),
        *_fact("likely next", _next(found)),
        "",
        "Where it was",
        *(line for visit in found.visits[:MOST_VISITS] for line in _visit(visit, now_ms)),
    ]
    if found.look is not None:
        lines += ["", *where_to_look_lines(found.look)]
    return lines


def _next(found: Lookout) -> str:
    if found.next is None:
        return f"nobody was heard to move away from {found.trend.repeater} in the last day"
    return f"{found.next.repeater}: {found.next.reason}"


def where_to_look_lines(look: WhereToLook) -> list[str]:
    """The sentences, with the caution behind them."""
    lines = [f"Where to look ({look.why})"]
    lines += [line for words in look.words for line in wrap(words, "  ", "    ")]
    if look.cells:
        lines += wrap("--geojson prints the cells that it may be in", "  ", "    ")
    return [*lines, *wrap(f"CAUTION: {look.caution}", "  ")]


def _fact(name: str, text: str) -> list[str]:
    return wrap(text, f"  {name:<12}", " " * _NAME)


def _visit(visit: VisitSeen, now_ms: int) -> list[str]:
    span = f"{_time(visit.from_at, now_ms)} to {_time(visit.last_over_at, now_ms)}"
    where = visit.reason or f"on {visit.repeaters[0]}"
    return wrap(f"{span}  {where}", "  ", "    ")


def _time(at: Moment, now_ms: int) -> str:
    return moment(round(at.timestamp() * 1000), now_ms)
