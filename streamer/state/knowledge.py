"""What was learned of stations and repeaters, read back; nothing of it is ever taken back."""

from collections.abc import Sequence

from streamer.domain.model import Learned, Presence
from streamer.state.base import Base, guarded
from streamer.state.learned import epochs, learned_from
from streamer.state.records import presence_from


class Knowledge(Base):
    """Raises StoreUnavailable when Redis does not answer."""

    def presences(self, stations: Sequence[str]) -> dict[str, Presence]:
        """When stations were heard; those of which nothing was learned are left out."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for station in stations:
                pipe.hget(self.keys.station(station), "heard")
            texts = pipe.execute()
        return {s: presence_from(t) for s, t in zip(stations, texts, strict=True) if t}

    def learned(self, repeater: str, now_ms: int) -> Learned:
        """What a repeater heard, the older the less of it. Up to seven sheets are read, of some
        thousand lines each on a busy site: whoever asks often keeps the answer for a while."""
        wanted = epochs(now_ms)
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for epoch in wanted:
                pipe.hgetall(self.keys.learned(repeater, epoch))
            sheets = pipe.execute()
        return learned_from(repeater, zip(wanted, sheets, strict=True), now_ms)

    def heard_since(self, repeater: str, since_ms: int) -> list[tuple[str, int]]:
        """The stations heard on a repeater last, each with when in ms, newest first; those not
        heard there since are left out."""
        key = self.keys.heard(repeater)
        with guarded():
            found = self._client.zrange(key, 0, -1, desc=True, withscores=True)
        return [(station, int(ms)) for station, ms in found if ms >= since_ms]
