"""What was learned of stations and repeaters, read back; nothing of it is ever taken back."""

from collections.abc import Sequence

from streamer.domain.model import Learned, Presence
from streamer.state.base import Base, guarded
from streamer.state.buckets import PER_HOUR, Bucket, bucket_from, field_of
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

    def learned_of(self, repeater: str, lines: Sequence[str], now_ms: int) -> Learned:
        """The same of some cells and stations alone ('@' before a station), which takes no longer
        where much is known."""
        if not lines:
            return Learned(repeater, {}, {})
        wanted = epochs(now_ms)
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for epoch in wanted:
                pipe.hmget(self.keys.learned(repeater, epoch), lines)
            answers = pipe.execute()
        sheets = [{line: t for line, t in zip(lines, a, strict=True) if t} for a in answers]
        return learned_from(repeater, zip(wanted, sheets, strict=True), now_ms)

    def buckets(self, repeater: str, numbers: range) -> list[Bucket]:
        """The buckets of those numbers, counted since 1970, in which something was heard."""
        gateway = repeater.partition("/")[0]
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for number in numbers:
                pipe.hget(
                    self.keys.history(gateway, number // PER_HOUR), field_of(repeater, number)
                )
            texts = pipe.execute()
        return [bucket_from(n, text) for n, text in zip(numbers, texts, strict=True) if text]

    def heard_since(self, repeater: str, since_ms: int) -> list[tuple[str, int]]:
        """The stations heard on a repeater last, each with when in ms, newest first; those not
        heard there since are left out."""
        key = self.keys.heard(repeater)
        with guarded():
            found = self._client.zrange(key, 0, -1, desc=True, withscores=True)
        return [(station, int(ms)) for station, ms in found if ms >= since_ms]
