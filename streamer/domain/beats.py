"""Whether the way of alerts works: the beat that takes this way, and since when it is missing."""

from streamer.clock import to_ms
from streamer.contract.published import Beat
from streamer.domain.workers import MISSED


class Beats:
    """Fed with the beats that come; the caller's clock decides how long none has come. Nothing is
    missed before somebody says that beats are expected: a record that is played has none."""

    def __init__(self) -> None:
        self._newest: Beat | None = None
        self._alive_ms: int | None = None
        self._within_ms = 0
        self._expected = False
        self._retained = True

    def expect(self, now_ms: int, within_s: float) -> None:
        """From now on one must come; `within_s` holds until the first has said it better."""
        self._expected = True
        if self._alive_ms is None:
            self._alive_ms, self._within_ms = now_ms, round(1000 * within_s)

    def connected(self) -> None:
        """A new connection: the next may be a retained one of long ago."""
        self._retained = True

    def take(self, beat: Beat, now_ms: int) -> None:
        """The first of a connection counts by its own time, later ones by their arrival, since
        clocks differ. An older one than is known already says nothing."""
        if self._newest is not None and beat.version <= self._newest.version:
            return
        at_ms = min(now_ms, to_ms(beat.at)) if self._retained else now_ms
        if self._newest is not None and self._alive_ms is not None:
            at_ms = max(self._alive_ms, at_ms)  # what was heard is not made older
        self._alive_ms, self._newest, self._retained = at_ms, beat, False
        self._within_ms = round(1000 * beat.next_within_s)

    def silent_since_ms(self, now_ms: int) -> int | None:
        """When the last came, or since when one is waited for, if three in a row are missing; None
        while they come, and where none is expected."""
        if not self._expected or self._alive_ms is None:
            return None
        missing = now_ms - self._alive_ms > MISSED * self._within_ms
        return self._alive_ms if missing else None
