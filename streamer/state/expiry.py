"""What Redis and the workers forget once its time has come, by a clock that is not theirs: a replay
passes days in minutes, and must end with what would be left."""

from collections.abc import Callable

from streamer.state import buckets, learned
from streamer.state.base import Base, guarded
from streamer.state.lineage import Lineage
from streamer.state.tidying import Tidying, tidy


class Expiry(Base):
    """Raises StoreUnavailable when Redis does not answer."""

    def tidying(self) -> Tidying:
        """What a worker does about it, little by little."""
        return Tidying(self._client, lambda: self.view)

    def lineage(self) -> Lineage:
        """Whether this is still the store that was written to last."""
        return Lineage(self._client, self.view)

    def forget_expired(self, now_ms: int) -> int:
        """Forget hours of history and epochs of learning that would not be kept at `now_ms`, who
        was last heard before, and what `[privacy]` says; returns how many keys went."""
        gone = [
            *self._numbered("history", lambda hour: buckets.left_ms(hour, now_ms) <= 0),
            *self._numbered("learned", lambda epoch: learned.left_ms(epoch, now_ms) <= 0),
        ]
        with guarded():
            for key in gone:
                self._client.delete(key)
        tidy(self._client, self.view, now_ms)
        return len(gone) + self._unheard(now_ms - buckets.KEPT_MS)

    def _keys(self, kind: str) -> list[str]:
        with guarded():
            return [
                str(key)
                for partition in self.partitions
                for key in self._client.scan_iter(f"{{{self.view.name}:{partition}}}:{kind}:*")
            ]

    def _numbered(self, kind: str, over: Callable[[int], bool]) -> list[str]:
        return [key for key in self._keys(kind) if over(int(key.rpartition(":")[2]))]

    def _unheard(self, before_ms: int) -> int:
        """Take stations out of the lists of those heard; returns how many lists went whole."""
        gone = 0
        for key in self._keys("heard"):
            with guarded():
                self._client.zremrangebyscore(key, "-inf", f"({before_ms}")
                gone += not self._client.exists(key)
        return gone
