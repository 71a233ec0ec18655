"""Forgets a station in Redis: every key of the region is searched, and what names it goes.

Workers may be at work meanwhile. A part is changed only as it was read, a record that is changed
gets a new revision, so that nobody stores what was worked out from the old one, and it is searched
again until nothing is found.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from pydantic_core import from_json

from streamer.config import RegionView
from streamer.forget.name import Name
from streamer.state import keys as k
from streamer.state.base import guarded
from streamer.state.mending import Mender, Mending
from streamer.state.shapes import OutMessage
from streamer.state.store import Store

_PARTS: Final = {
    "station": "its own record",
    "group": "groups",
    "sent": "overs sent on",
    "gateway": "gateways' records",
    "live": "gateways' records",
    "quarantine": "quarantined identities",
    "heard": "lists of stations heard",
    "learned": "what repeaters learned of it",
    "found": "alerts",
    "cases": "alerts",
    "table": "alerts",
    "waiting": "notices to channels",
    "parcel": "notices to channels",
    "dead": "dead letters",
    "maintenance": "planned work",
    "duties": "duties and rosters",
    "rosters": "duties and rosters",
    "calls": "accepted identities",
    "log": "entries of the log",
    "refused": "refused input",
    "published": "published messages",
}
_AS_WRITTEN: Final = frozenset({"station"})
"""Records of others: only the name in them changes, not how they are written."""
_UNDER_A_PSEUDONYM: Final = frozenset({"log", "parcel", "dead"})
"""What is counted, or must stay in one piece. The log says the same as the journal's lines."""
_LATER: Final = frozenset({"due", "tell", "out"})
"""Sets of what is to be looked at: emptied last, or looking would find nothing to do."""
_ALERTS: Final = frozenset({"found", "cases", "table", "waiting", "parcel"})
TAKEN_BACK: Final = "forgotten"
"""Token of a retained message that is taken back."""


class StateForgetting(Mender):
    """Raises StoreUnavailable when Redis does not answer."""

    def __init__(self, client: Any, view: RegionView, name: Name) -> None:
        super().__init__(client, view)
        self._name = name

    def search(self) -> Counter[str]:
        """How many places name it, by what they are."""
        counts: Counter[str] = Counter()
        for _, kind, mending in self._all(lambda kind: True):
            counts[_PARTS.get(kind, "other")] += mending.places
        return counts

    def forget_but_alerts(self, now_ms: int) -> Counter[str]:
        """Forget what alerts follow from, so that workers clear those about it and tell of that."""
        return self._forget(lambda kind: kind not in _ALERTS | _LATER | {"published"}, now_ms)

    def forget(self, now_ms: int) -> Counter[str]:
        """Forget everywhere; to be repeated until it finds nothing."""
        return self._forget(lambda kind: True, now_ms)

    def told_of(self) -> bool:
        """Whether an alert about it stands, or a channel is to be told of one."""
        kinds = ("table", "waiting", "parcel")
        return any(m.places for _, _, m in self._all(lambda kind: kind in kinds))

    def to_take_back(self) -> int:
        """Messages about it that the broker retains until a worker has taken them back."""
        count = 0
        for partition in [*self.partitions, k.ALERTS]:
            with guarded():
                names = self._client.hkeys(self.keys.published(partition))
            count += sum(self._name.in_text(str(message)) for message in names)
        return count

    def wake(self, now_ms: int) -> None:
        """Have workers look at all that may follow from it."""
        store = Store(self._client, self.view)
        store.wake([f"g/{g}" for g in self.view.groups], now_ms)
        store.wake([f"w/{g}" for g in self.view.gateways], now_ms)
        store.wake_desk(now_ms)

    def _forget(self, wanted: Callable[[str], bool], now_ms: int) -> Counter[str]:
        counts: Counter[str] = Counter()
        for key, kind, mending in self._all(wanted):
            if kind == "published":
                out = self.keys.out(_partition(key))
                done = self.mend(key, mending, now_ms, out)
            elif self._is_its_own(key):
                done = int(self._write(("DEL", key))[0])
            else:
                done = self.mend(key, mending, now_ms)
            counts[_PARTS.get(kind, "other")] += done
        return +counts

    # -- searching -------------------------------------------------------------------------------

    def _all(self, wanted: Callable[[str], bool]) -> Iterator[tuple[str, str, Mending]]:
        """Keys with something to mend, each with its kind; the sets of what is due come last."""
        with guarded():
            keys = sorted({str(x) for x in self._client.scan_iter(self.keys.everything(), 1000)})
        for key in sorted(keys, key=lambda key: (_kind(key) in _LATER, key)):
            kind = _kind(key)
            if wanted(kind):
                mending = self._mending(key, kind)
                if mending.places:
                    yield key, kind, mending

    def _is_its_own(self, key: str) -> bool:
        return self._name.in_text(key.partition("}:")[2])

    def _mending(self, key: str, kind: str) -> Mending:
        if self._is_its_own(key):
            return Mending(gone=[(key, "")])
        with guarded():
            shape = str(self._client.type(key))
            if shape == "hash":
                return self._of_hash(key, kind, self._client.hgetall(key))
            if shape == "list":
                return self._of_list(kind, self._client.lrange(key, 0, -1))
            if shape == "zset":
                return self._of_set(key, kind, self._client.zrange(key, 0, -1))
        return Mending()

    def _of_hash(self, key: str, kind: str, fields: dict[str, str]) -> Mending:
        name, mending = self._name, Mending()
        if kind == "learned":
            mending.counts = k.COUNTS
        for field, text in fields.items():
            if name.in_text(field):
                if kind == "published":
                    self._take_back(mending, field, text)
                else:
                    mending.gone.append((field, text))
            elif name.in_text(text):
                mending.put.append((field, text, self._instead(kind, field, text)))
        return mending

    def _take_back(self, mending: Mending, message: str, content: str) -> None:
        """Of a retained message about it: the broker is to forget it too."""
        found = OutMessage.from_content(message, content)
        if not found.retain:
            mending.gone.append((message, content))
        elif found.payload:
            empty = OutMessage(message, TAKEN_BACK, "", True)
            mending.put.append((message, content, empty.content()))

    def _instead(self, kind: str, field: str, text: str) -> str:
        if kind in _AS_WRITTEN or (kind == "group" and field[0] == "="):
            return self._name.renamed(text)
        drop = kind not in _UNDER_A_PSEUDONYM
        made = self._name.cleared(text, drop=drop)
        if kind == "published":
            # Another token, or whoever is just sending the old one would take it for sent.
            head, _, payload = made.partition("\n")
            token, _, retain = head.partition(" ")
            made = f"{token}-{self._name.pseudonym} {retain}\n{payload}"
        return made

    def _of_list(self, kind: str, texts: Sequence[str]) -> Mending:
        mending, drop = Mending(), kind not in _UNDER_A_PSEUDONYM
        for text in texts:
            if not self._name.in_text(text):
                continue
            if kind == "waiting" and self._is_about_it(text):
                mending.gone.append(("", text))
            else:
                mending.put.append(("", text, self._name.cleared(text, drop=drop)))
        return mending

    def _is_about_it(self, notice: str) -> bool:
        """Whether a notice ('ms JSON') tells of the station itself."""
        try:
            return self._name.is_it(from_json(notice.partition(" ")[2])["alert"]["subject"])
        except (ValueError, LookupError, TypeError):
            return False

    def _of_set(self, key: str, kind: str, members: Sequence[str]) -> Mending:
        named = [member for member in members if self._name.in_text(member)]
        if kind == "out" and named:
            with guarded():
                waiting = self._client.hmget(self.keys.published(_partition(key)), named)
            named = [m for m, content in zip(named, waiting, strict=True) if content is None]
        return Mending(gone=[(member, "") for member in named])


def _kind(key: str) -> str:
    return key.partition("}:")[2].partition(":")[0]


def _partition(key: str) -> str:
    return key.partition("}:")[0].rpartition(":")[2]
