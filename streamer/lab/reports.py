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
from streamer.contract.published import FLOODS
from streamer.domain.liveness import GatewayStanding, Sights, merged
from streamer.domain.model import FloodSpan, LiveState, SessionSpan
from streamer.journal import lines as journal

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
    flooded_ms: set[int] = field(default_factory=set)
    """When it was told that messages were refused as a flood."""


class Reports:
    """Feed it the journal's `state` and `refused` lines in any order, then ask when repeaters were
    dark."""

    def __init__(self) -> None:
        self._said: dict[str, _Said] = {}

    def take(self, line: Mapping[str, Any]) -> None:
        """One `state` or `refused` line. Twice makes no difference."""
        if line["kind"] == journal.REFUSED:
            if line["reason"] in FLOODS:
                said = self._said.setdefault(line["gateway"], _Said())
                said.flooded_ms.add(line["noted_ms"])
            return
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
        sights = self._sights(view, end_ms)
        found = {}
        for repeater in repeaters:
            sight = sights.repeater(repeater)
            lasts_from_ms = None if sight.reporting else sight.since_ms
            if known := _spans(sight.dark, lasts_from_ms, end_ms):
                found[repeater] = known
        return found

    def dark_gateways(
        self, view: RegionView, end_ms: int
    ) -> dict[str, tuple[tuple[int, int], ...]]:
        """The same of each gateway that ever sent a state, whatever its repeaters did; without a
        span if it was never dark."""
        sights = self._sights(view, end_ms)
        found = {}
        for gateway in sights.known:
            sight = sights.gateway(gateway)
            up = sight.standing is GatewayStanding.UP
            found[gateway] = _spans(sight.dark, None if up else sight.since_ms, end_ms)
        return found

    def first_ms(self) -> dict[str, int]:
        """When each gateway first said anything of itself."""
        return {
            gateway: min(first_ms for first_ms, _, _ in said.sessions.values())
            for gateway, said in self._said.items()
            if said.sessions
        }

    def _sights(self, view: RegionView, end_ms: int) -> Sights:
        states = {
            name: live
            for name, said in self._said.items()
            if (live := _live(name, said)) is not None
        }
        # One for each telling: those within the hold of one another make one dark time.
        floods = {
            name: [FloodSpan(ms, ms, 0) for ms in sorted(said.flooded_ms) if ms <= end_ms]
            for name, said in self._said.items()
        }
        lost_after_ms, hold_ms = (
            round(s * 1000) for s in (view.limits.gateway_lost_after_s, view.limits.flood_hold_s)
        )
        return Sights(states, frozenset(), lost_after_ms, end_ms, floods, hold_ms)


def _spans(
    dark: Iterable[tuple[int, int]], lasts_from_ms: int | None, end_ms: int
) -> tuple[tuple[int, int], ...]:
    """Earlier dark times and the one that lasts, up to the end."""
    spans = [(begin_ms, min(until_ms, end_ms)) for begin_ms, until_ms in dark]
    if lasts_from_ms is not None:
        spans.append((lasts_from_ms, end_ms))
    return merged((a, b) for a, b in spans if a < b)


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
