"""The time on the air that overs to groups took, and would take everywhere: sums by the hour.

Whoever counts adds to the same sums, so that the board shows them whoever has counted. They are
figures for people: nothing is decided by them, and they tell how and when was counted (see
`streamer.worker.air`), so two runs over the same events may differ in them.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, fields
from typing import Final

from streamer.state.base import Base, guarded
from streamer.state.buckets import left_ms
from streamer.state.keys import HISTORY_MS, HOUR_MS

WANTED: Final = "#wanted"
"""The field of a group's hash with the repeaters of its fan-out as last committed, separated by
blanks; absent: no worker that knows the field has looked at the group yet."""


@dataclass(frozen=True, slots=True)
class AirSums:
    """Sums over overs addressed to groups. A repeater that sends for a second adds 1000 ms.

    `addressed_ms` is how long the overs themselves lasted; `carried_ms` what their fan-outs wanted
    of other repeaters, and `flooded_ms` what sending them on every other repeater would have taken.
    """

    overs: int = 0
    addressed_ms: int = 0
    carried_ms: int = 0
    flooded_ms: int = 0

    def __add__(self, other: "AirSums") -> "AirSums":
        return AirSums(
            self.overs + other.overs,
            self.addressed_ms + other.addressed_ms,
            self.carried_ms + other.carried_ms,
            self.flooded_ms + other.flooded_ms,
        )

    @property
    def saved_pct(self) -> float | None:
        """How much less than everywhere, in percent; None where there was nothing to send on."""
        if not self.flooded_ms:
            return None
        return 100 * (self.flooded_ms - self.carried_ms) / self.flooded_ms


_NAMES: Final = tuple(field.name for field in fields(AirSums))


def hours_of_day(now_ms: int) -> range:
    """The hours since 1970 that are shown as the last day: the running one and those before it, so
    it is between 23 and 24 hours."""
    last = now_ms // HOUR_MS
    return range(last + 1 - HISTORY_MS // HOUR_MS, last + 1)


class Air(Base):
    """Raises StoreUnavailable when Redis does not answer."""

    def wanted_on(self, groups: Sequence[str]) -> dict[str, frozenset[str]]:
        """The repeaters of each group's fan-out as last committed; a group of which that is not
        known is left out."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for group in groups:
                pipe.hget(self.keys.group(group), WANTED)
            texts = pipe.execute()
        pairs = zip(groups, texts, strict=True)
        return {group: frozenset(text.split()) for group, text in pairs if text is not None}

    def add_air_sums(self, by_hour: Mapping[int, AirSums], now_ms: int) -> None:
        """Add to the sums of hours since 1970, all at once; those that nobody can ask for any more
        are left out. Not to be repeated: it adds again."""
        kept = {hour: sums for hour, sums in by_hour.items() if left_ms(hour, now_ms) > 0}
        if not kept:
            return
        with guarded():
            pipe = self._client.pipeline(transaction=True)
            for hour, sums in kept.items():
                key = self.keys.air(hour)
                for name, value in zip(_NAMES, astuple(sums), strict=True):
                    pipe.hincrby(key, name, value)
                pipe.pexpire(key, left_ms(hour, now_ms))
            pipe.execute()

    def air_sums(self, hours: Iterable[int]) -> AirSums:
        """The sums of some hours together."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for hour in hours:
                pipe.hmget(self.keys.air(hour), _NAMES)
            lines = pipe.execute()
        totals: Counter[str] = Counter()
        for line in lines:
            totals.update({n: int(v or 0) for n, v in zip(_NAMES, line, strict=True)})
        return AirSums(**totals)
