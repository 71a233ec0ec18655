"""An exercise of the demo's people: a duty with a roster, a roll call, an alert taken in hand. It
is what `streamer report` can be tried with.

Times are seconds of the show. What cannot be done just now, because nothing is wrong or somebody at
the board was quicker, is left out.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final

import redis

from streamer.acts.acts import Acts, NotThere, Refused
from streamer.clock import Clock
from streamer.config import RegionView
from streamer.contract.duty import DutyKind
from streamer.demo.cast import Station
from streamer.domain.roster import RosterLine
from streamer.state.store import Store, connect

GROUPS: Final = ("CONTROL", "SEARCH-1", "SEARCH-2")
TITLE: Final = "Winter search on Far Isle"
DESK: Final = "demo desk"
ABSENT: Final = ("QN7ABS", "QN8ABS")
"""Two who are expected and are never heard."""
BEGINS_S: Final = 4.0
CALLS_S: Final = 24.0
TAKES_S: Final = 36.0
HANGS_UP_S: Final = 44.0
_UNASKED: Final = 3
"""So many members of each group are not on the roster."""


def roster_of(cast: Sequence[Station]) -> tuple[RosterLine, ...]:
    """Most members of the drill's groups, and two who do not come. Names are numbers: nobody's."""
    lines: list[RosterLine] = []
    for group in GROUPS:
        members = [station.call for station in cast if station.group == group]
        lines += [
            RosterLine(
                call=call, name=f"Volunteer {len(lines) + number}", agency="Far Isle Search",
                assignment=f"team {number}", group=group,
            )
            for number, call in enumerate(members[:-_UNASKED] or members, 1)
        ]  # fmt: skip
    lines += [RosterLine(call=call, agency="Far Isle Search", group=GROUPS[1]) for call in ABSENT]
    return tuple(lines)


class Drill:
    """Raises StoreUnavailable where Redis cannot be asked."""

    def __init__(self, url: str, view: RegionView, clock: Clock, cast: Sequence[Station]) -> None:
        self._client: redis.Redis = connect(url)
        self._store = Store(self._client, view)
        self._acts = Acts(self._store, clock)
        self._cast = cast
        self._duty = ""
        self._steps: list[tuple[float, Callable[[], object]]] = [
            (BEGINS_S, self._begin),
            (CALLS_S, self._call),
            (TAKES_S, self._take),
            (HANGS_UP_S, self._hang_up),
        ]

    def turn(self, now_s: float) -> None:
        """Do what has become due."""
        while self._steps and self._steps[0][0] <= now_s:
            _, step = self._steps.pop(0)
            with suppress(NotThere, Refused):
                step()

    def end(self) -> None:
        """The duty is over when the show is."""
        if self._duty:
            with suppress(NotThere, Refused):
                self._acts.end_duty(self._duty, DESK, "the show is over")
        self._duty = ""

    def close(self) -> None:
        self._client.close()

    def _begin(self) -> None:
        roster = roster_of(self._cast)
        duty = self._acts.start_duty(TITLE, DutyKind.EXERCISE, GROUPS, DESK, roster=roster)
        self._duty = duty.id

    def _call(self) -> None:
        self._acts.start_roll_call(GROUPS[1], DESK)

    def _hang_up(self) -> None:
        self._acts.end_roll_call(GROUPS[1], DESK)

    def _take(self) -> None:
        for alert_id in sorted(self._store.all_alerts())[:1]:
            self._acts.acknowledge(alert_id, DESK, "asked the keeper")
