"""Whether somebody keeps the picture: what workers say of themselves, and since when they do not.

Everything published is retained, so that it looks the same whether a worker stands behind it or
has been dead for hours.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from streamer.clock import to_ms
from streamer.contract.published import WorkerState

MISSED: Final = 3
"""So many signs of life in a row must be missing."""
_NEXT_WITHIN_S: Final = 5.0
"""Where a worker does not say it."""


@dataclass(frozen=True, slots=True)
class _Known:
    state: WorkerState
    alive_ms: int | None
    """When it last said that it is up; None if it never did."""

    def silent_ms(self, now_ms: int) -> int:
        return now_ms - (self.alive_ms or 0)

    def speaks(self, now_ms: int) -> bool:
        within_ms = 1000 * MISSED * (self.state.next_within_s or _NEXT_WITHIN_S)
        return self.state.up and self.silent_ms(now_ms) <= within_ms


class Workers:
    """Fed with what workers say; the caller's clock decides how long they have been silent."""

    def __init__(self) -> None:
        self._known: dict[str, _Known] = {}
        self._asked_ms: int | None = None

    def take(self, state: WorkerState, now_ms: int) -> None:
        """The first word may be a retained one of long ago: its own time counts. Later ones count
        by their arrival, since clocks differ; the same once more is the retained one again."""
        known = self._known.get(state.name)
        if known is not None and known.state == state:
            return
        if not state.up:
            alive_ms = known.alive_ms if known is not None else None
        else:
            alive_ms = now_ms if known is not None else min(now_ms, to_ms(state.at))
        self._known[state.name] = _Known(state, alive_ms)

    def leave(self, name: str) -> None:
        """A worker that has left for good."""
        self._known.pop(name, None)

    @property
    def names(self) -> Collection[str]:
        return self._known.keys()

    @property
    def states(self) -> list[WorkerState]:
        """The last word of each."""
        return [known.state for known in self._known.values()]

    def alive(self, now_ms: int, within_s: float) -> list[tuple[WorkerState, int]]:
        """Those that are up and said so within a time, each with when it did."""
        return [
            (known.state, known.alive_ms)
            for _, known in sorted(self._known.items())
            if known.state.up
            and known.alive_ms is not None
            and known.silent_ms(now_ms) <= 1000 * within_s
        ]

    @property
    def alive_ms(self) -> int | None:
        """When any worker last said that it is up; None if none ever did."""
        alive = [k.alive_ms for k in self._known.values() if k.alive_ms is not None]
        return max(alive, default=None)

    def age_s(self, now_ms: int) -> float | None:
        """How old the picture is: since when no worker has spoken; None if none ever did."""
        alive_ms = self.alive_ms
        return None if alive_ms is None else max(0, now_ms - alive_ms) / 1000

    def any_speaks(self, now_ms: int) -> bool:
        """Whether somebody keeps the picture."""
        return any(known.speaks(now_ms) for known in self._known.values())

    def events_per_s(self, now_ms: int) -> float | None:
        """What those that speak take over together; None if none of them tells."""
        told = [k.state.events_per_s for k in self._known.values() if k.speaks(now_ms)]
        known = [rate for rate in told if rate is not None]
        return sum(known) if known else None

    @property
    def waiting(self) -> int:
        """Messages that the workers have received and not yet taken over."""
        return sum(k.state.waiting or 0 for k in self._known.values())

    def troubles(self, now_ms: int) -> dict[str, str]:
        """By worker ('' if there is none at all): what is wrong, for people."""
        if self._asked_ms is None:
            self._asked_ms = now_ms
        if not self._known:
            if now_ms - self._asked_ms <= 1000 * MISSED * _NEXT_WITHIN_S:
                return {}
            return {"": "no worker has ever spoken: nobody keeps what is shown here"}
        so = (
            "what it was dealt is missing here"
            if self.any_speaks(now_ms)
            else "what is shown is outdated"
        )
        found = {}
        for name, known in sorted(self._known.items()):
            if not known.state.up:
                found[name] = f"worker {name} is down: {so}"
            elif not known.speaks(now_ms):
                silent_s = known.silent_ms(now_ms) // 1000
                found[name] = f"worker {name} has not spoken for {silent_s} s: {so}"
        return found
