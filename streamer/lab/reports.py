"""When repeaters did not report, from what their gateways said all day long.

The rule is the domain's (`streamer.domain.liveness`); here only the states of a whole recording are
put together, of which the running state keeps no more than it needs.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from streamer.config import RegionView
from streamer.domain.liveness import Sights, merged
from streamer.domain.model import LiveState, SessionSpan

_Rank = tuple[str, int, bool, int]
"""Boot, session, whether it is the will, number: what a state is newer by."""


@dataclass(slots=True)
class _Said:
    """All that one gateway said. As in the state, a session is a minimum and maxima over its
    states, and the newest state goes by its number, not by its time."""

    newest: tuple[_Rank, int, int, str] | None = None
    """Rank, time and time noted in ms, content."""
    sessions: dict[tuple[str, int], tuple[int, int, bool]] = field(default_factory=dict)
    flips: dict[str, set[tuple[int, bool]]] = field(default_factory=lambda: defaultdict(set))


class Reports:
    """Feed it the journal's `state` lines in any order, then ask when repeaters were dark."""

    def __init__(self) -> None:
        self._said: dict[str, _Said] = {}

    def take(self, line: Mapping[str, Any]) -> None:
        """One `state` line. Twice makes no difference."""
        said = self._said.setdefault(line["gateway"], _Said())
        boot, session, ms, seq = line["boot"], line["session"], line["said_ms"], line.get("seq")
        rank = (boot, session, seq is None, seq or 0)
        if said.newest is None or rank > said.newest[0]:
            said.newest = rank, ms, line["noted_ms"], line["content"]
        key = boot, session
        first_ms, last_ms, ended = said.sessions.get(key, (ms, ms, False))
        said.sessions[key] = min(first_ms, ms), max(last_ms, ms), ended or not line["up"]
        for repeater, since_ms, up in line["flips"]:
            said.flips[repeater].add((since_ms, bool(up)))

    def dark(
        self, view: RegionView, repeaters: Iterable[str], end_ms: int
    ) -> dict[str, tuple[tuple[int, int], ...]]:
        """Of each repeater that was ever dark, the times in ms, oldest first, the one that lasts
        until `end_ms` among them. A gateway that never sent a state was never dark: what it hears
        is all that is known of it."""
        states = {
            name: live
            for name, said in self._said.items()
            if (live := _live(name, said)) is not None
        }
        lost_after_ms = round(view.limits.gateway_lost_after_s * 1000)
        sights = Sights(states, frozenset(), lost_after_ms, end_ms)
        found = {}
        for repeater in repeaters:
            sight = sights.repeater(repeater)
            spans = [(begin_ms, min(until_ms, end_ms)) for begin_ms, until_ms in sight.dark]
            if not sight.reporting and sight.since_ms is not None:
                spans.append((sight.since_ms, end_ms))
            known = merged((a, b) for a, b in spans if a < b)
            if known:
                found[repeater] = known
        return found


def _live(gateway: str, said: _Said) -> LiveState | None:
    if said.newest is None:
        return None
    rank, ms, noted_ms, content = said.newest
    state = json.loads(content)
    if not rank[2]:
        state.setdefault("seq", rank[3])
    sessions = tuple(SessionSpan(*said.sessions[key]) for key in sorted(said.sessions))
    flips = {repeater: tuple(sorted(times)) for repeater, times in said.flips.items()}
    return LiveState(gateway, rank[0], rank[1], ms, noted_ms, state, sessions, flips)
