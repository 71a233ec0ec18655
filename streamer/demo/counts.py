"""What has been counted, read from the state, where it is exact.

A worker's own metrics know only of answers that it got: what Redis counted while it was too slow to
say so comes again as a duplicate.
"""

from collections import Counter
from dataclasses import dataclass
from typing import Final

from streamer.config import RegionView
from streamer.state.store import Store, StoreUnavailable, connect

_NOT_EVENTS: Final = ("duplicate", "too_old", "given_up")


@dataclass(frozen=True, slots=True)
class Counts:
    """`by_tally` says what the counted events counted as."""

    counted: int
    duplicates: int
    by_tally: dict[str, int]


class Counting:
    """Counts from now on: a Redis that is not the demo's may remember earlier runs.

    Raises StoreUnavailable when it cannot be asked at the beginning.
    """

    def __init__(self, url: str, view: RegionView) -> None:
        self._client = connect(url)
        self._store = Store(self._client, view)
        self._before = self._tallies()

    def counts(self) -> Counts | None:
        """Those of this run; None when Redis does not answer."""
        try:
            tallies = self._tallies() - self._before
        except StoreUnavailable:
            return None
        by_tally = {name: n for name, n in sorted(tallies.items()) if name not in _NOT_EVENTS}
        return Counts(sum(by_tally.values()), tallies["duplicate"], by_tally)

    def close(self) -> None:
        self._client.close()

    def _tallies(self) -> Counter[str]:
        tallies: Counter[str] = Counter()
        for gateway in self._store.view.gateways:
            tallies.update(self._store.gateway(gateway).counts)
        return tallies
