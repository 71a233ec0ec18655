"""What Redis forgets by itself once its time has come, by a clock that is not Redis' own: a replay
passes days in minutes, and must end with what would be left."""

from collections.abc import Callable

from streamer.state import buckets, learned
from streamer.state.base import Base, guarded


class Expiry(Base):
    """Raises StoreUnavailable when Redis does not answer."""

    def forget_expired(self, now_ms: int) -> int:
        """Forget hours of history, epochs of learning and lists of stations heard that would not
        be kept at `now_ms`; returns how many keys went."""
        gone = [
            *self._numbered("history", lambda hour: buckets.left_ms(hour, now_ms) <= 0),
            *self._numbered("learned", lambda epoch: learned.left_ms(epoch, now_ms) <= 0),
            *self._unheard(now_ms - buckets.KEPT_MS),
        ]
        with guarded():
            for key in gone:
                self._client.delete(key)
        return len(gone)

    def _keys(self, kind: str) -> list[str]:
        with guarded():
            return [
                str(key)
                for partition in self.partitions
                for key in self._client.scan_iter(f"{{{self.view.name}:{partition}}}:{kind}:*")
            ]

    def _numbered(self, kind: str, over: Callable[[int], bool]) -> list[str]:
        return [key for key in self._keys(kind) if over(int(key.rpartition(":")[2]))]

    def _unheard(self, before_ms: int) -> list[str]:
        gone = []
        for key in self._keys("heard"):
            with guarded():
                newest = self._client.zrange(key, -1, -1, withscores=True)
            if newest and newest[0][1] < before_ms:
                gone.append(key)
        return gone
