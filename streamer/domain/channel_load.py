"""How busy a radio channel is, and how often somebody who wants it finds it busy. Pure.

Load is counted in erlangs: the share of time that something is, or would be, on the air. Erlang's
and Engset's formulas take a blocked attempt to be given up. On the air it is not: whoever hears the
channel waits, and an over sent on from another repeater falls into the other one. So read a result
as the chance to *find the channel busy*, not as a loss.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

MANY_SOURCES: Final = 26
"""So many alike sources are as good as very many: at loads up to 1 erlang Erlang B is then less
than one percentage point below Engset. At 1 erlang they are 1/2 and S / (2 S - 1), which differ by
1 / (2 (2 S - 1)): below 0.01 from S = 26 on."""
_HALVINGS: Final = 200
"""More than the digits of a float: a bisection ends before, where it can no longer halve."""


class Model(StrEnum):
    """The formula that a chance was worked out by."""

    ENGSET = "Engset"
    ERLANG_B = "Erlang B"


@dataclass(frozen=True, slots=True)
class FindsBusy:
    """`chance` (0 to 1) if blocked overs are given up; `waiting` if all of them wait their turn and
    none overlap, so that the channel is busy for as long as its load says (Erlang C with one
    channel is the load itself). Of few sources both are nearly the same."""

    chance: float
    waiting: float
    model: Model


def erlangs(air_ms: float, span_ms: float) -> float:
    """The load of so much time on the air in a span of time; 0 for no time at all."""
    return air_ms / span_ms if span_ms > 0 else 0.0


def erlang_b(load_erlangs: float, channels: int) -> float:
    """Erlang's first formula: the share of time (and of attempts) in which all channels are busy,
    with very many sources. 0 to 1; 1 without a channel.

    By the recursion B(0) = 1, B(n) = A B(n-1) / (n + A B(n-1)), which neither overflows nor takes
    differences. Raises ValueError for a load below 0 or not finite, or channels below 0.
    """
    _must_be_load("load_erlangs", load_erlangs)
    _must_count("channels", channels, 0)
    busy = 1.0
    for number in range(1, channels + 1):
        busy *= load_erlangs
        busy /= number + busy
    return busy


def erlangs_for(blocking: float, channels: int) -> float:
    """The load (erlangs) at which that share of attempts finds all channels busy by Erlang B.

    Raises ValueError for a blocking outside 0 to below 1, or channels below 1.
    """
    _must_count("channels", channels, 1)
    if not 0 <= blocking < 1:
        raise ValueError(f"blocking: must be 0 or more and below 1, but is {blocking:g}")
    # What gets through, A (1 - B), is never more than there are channels.
    low, high = 0.0, channels / (1 - blocking)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if erlang_b(middle, channels) < blocking:
            low = middle
        else:
            high = middle
    return high if blocking else 0.0


def engset_time(sources: int, channels: int, idle_rate: float) -> float:
    """Engset's time congestion: the share of time in which all channels are busy, 0 to 1.

    `idle_rate` is how often an idle source begins, times how long it then sends (erlangs of an idle
    source); all sources alike. Where there are fewer sources than channels it is 0.
    By the recursion E(n) = x E(n-1) / (n + x E(n-1)) with x = (S - n + 1) a.

    Raises ValueError for a rate below 0 or not finite, or numbers below 0.
    """
    _must_count("sources", sources, 0)
    _must_count("channels", channels, 0)
    _must_be_load("idle_rate", idle_rate)
    busy = 1.0
    for number in range(1, channels + 1):
        if number > sources:
            return 0.0
        busy *= (sources - number + 1) * idle_rate
        busy /= number + busy
    return busy


def engset_call(sources: int, channels: int, idle_rate: float) -> float:
    """Engset's call congestion: the share of attempts that finds all channels busy, 0 to 1.

    An attempt sees what the other sources leave: the time congestion of one source fewer.
    Raises ValueError as `engset_time`, and for no source.
    """
    _must_count("sources", sources, 1)
    return engset_time(sources - 1, channels, idle_rate)


def idle_rate_of(load_erlangs: float, sources: int = 1, channels: int = 1) -> float:
    """The rate of an idle source (as for `engset_time`) of which attempts, those that find all
    channels busy among them, offer `load_erlangs` for each source.

    Solves M = load / (1 - load (1 - P)) with P the call congestion at M: the relation given in the
    documentation of the package fast-engset (PyPI). A source that is never blocked has M = load /
    (1 - load), and cannot offer 1 erlang or more.

    Raises ValueError for a load below 0, or more than the sources can offer.
    """
    _must_be_load("load_erlangs", load_erlangs)
    _must_count("channels", channels, 1)
    _must_count("sources", sources, 1)
    if sources <= channels:
        if load_erlangs >= 1:
            raise ValueError(
                "load_erlangs: a source that is never blocked offers less than 1 erlang, "
                f"but is given {load_erlangs:g}"
            )
        return load_erlangs / (1 - load_erlangs)

    def offered(rate: float) -> float:
        return rate / (1 + rate * (1 - engset_call(sources, channels, rate)))

    low, high = 0.0, 1.0
    while offered(high) < load_erlangs:
        low, high = high, 2 * high
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if offered(middle) < load_erlangs:
            low = middle
        else:
            high = middle
    return high if load_erlangs else 0.0


def alike_sources(loads_erlangs: Sequence[float]) -> float:
    """How many sources of one load would be as even as these: (sum)^2 / sum of squares. One large
    among many small ones is little more than one. 0 where nobody has a load.

    Kish's effective size of a sample, by its name in statistics.
    """
    squares = math.fsum(load * load for load in loads_erlangs)
    return math.fsum(loads_erlangs) ** 2 / squares if squares else 0.0


def finds_busy(loads_erlangs: Sequence[float]) -> FindsBusy:
    """The chance that somebody who is none of these sources finds one channel busy with them.

    A source is whoever never sends twice at once: a group whose members hear each other and take
    turns, or one station. Few of them are reckoned by Engset's model, each with its own rate while
    idle: the state in which source i sends is a_i times as likely as the idle one, so the channel
    is busy with sum(a) / (1 + sum(a)), which for alike sources is Engset's time congestion. From
    MANY_SOURCES alike on, Erlang B of their sum.

    `loads_erlangs` of 1 or more leave no gap: the chance is 1. Raises ValueError for a load below 0
    or not finite.
    """
    for load in loads_erlangs:
        _must_be_load("loads_erlangs", load)
    total = math.fsum(loads_erlangs)
    waiting = min(1.0, total)
    if alike_sources(loads_erlangs) >= MANY_SOURCES:
        return FindsBusy(erlang_b(total, 1), waiting, Model.ERLANG_B)
    if any(load >= 1 for load in loads_erlangs):
        return FindsBusy(1.0, waiting, Model.ENGSET)
    # One channel: the rates of unlike sources add up.
    rate = math.fsum(map(idle_rate_of, loads_erlangs))
    return FindsBusy(engset_time(1, 1, rate), waiting, Model.ENGSET)


def _must_be_load(name: str, value: float) -> None:
    if not (math.isfinite(value) and value >= 0):
        raise ValueError(f"{name}: must be a finite number, 0 or more, but is {value:g}")


def _must_count(name: str, value: int, least: int) -> None:
    if not isinstance(value, int) or value < least:
        raise ValueError(f"{name}: must be a whole number, at least {least}, but is {value!r}")
