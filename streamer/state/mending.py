"""Takes parts out of keys that others may just be changing: only what is still as it was read."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from streamer.state.base import Base, compact
from streamer.state.scripts import Script


@dataclass(slots=True)
class Mending:
    """What to take out of a key (what, its content), and what to put in other words (what, its
    content, the new one). `what` is a field of a hash, '' of a list, a member of a sorted set.
    `counts` as in `mend.lua`."""

    gone: list[tuple[str, str]] = field(default_factory=list)
    put: list[tuple[str, str, str]] = field(default_factory=list)
    counts: str = ""

    @property
    def places(self) -> int:
        return len(self.gone) + len(self.put)


class Mender(Base):
    """Raises StoreUnavailable when Redis does not answer."""

    def mend(self, key: str, mending: Mending, now_ms: int, out: str | None = None) -> int:
        """Do it in one step; returns how many were still as they had been read. `out` is the set
        of messages to publish where the key is the hash of their contents."""
        if not mending.places:
            return 0
        settings = {
            "gone": mending.gone,
            "put": mending.put,
            "counts": mending.counts,
            "now": now_ms,
        }
        keys: Sequence[str] = [key] if out is None else [key, out]
        return int(self._run(Script.MEND, keys, [compact(settings)]))
