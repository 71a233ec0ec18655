"""Whether this is still the store that was written to last, and what to do if it may have been put
back to what it was before: restored from a backup, lost, or taken over by a replica that lacked the
newest writes.

Every Redis process has an id of its own. The ids of those that the workers last worked with are
kept in the data; a backup carries the old ones, an empty store none. A mere restart is another
process too: then the same is done, and nobody notices anything but a higher version.

The store itself has an id too, made once: restarts, replicas and backups keep it, an empty one gets
another. By it workers notice one that works on another Redis (`worker/neighbours.py`).
"""

import secrets
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from streamer.state import keys as k
from streamer.state.base import guarded
from streamer.state.mending import Mender, Mending
from streamer.state.servers import Servers
from streamer.state.shapes import OutMessage

_FIELD: Final = "servers"
_STORE: Final = "store"
_MADE_ON: Final = "made_on"
_TRIES: Final = 10
_OF_A_GROUP: Final = ("fanout", "reach")


class Lineage(Mender, Servers):
    """Raises StoreUnavailable when Redis does not answer. Safe to do twice, and by two workers."""

    def servers(self) -> str | None:
        """The ids of the processes that hold the data now; None where Redis does not tell."""
        found = self.server_infos("server") or ()
        ids = sorted(str(one["run_id"]) for one in found if one.get("run_id"))
        return " ".join(ids) or None

    def known_servers(self) -> str | None:
        """Those that the workers last worked with; None in a store that nobody has worked with."""
        with guarded():
            found = self._client.hget(self.keys.meta(), _FIELD)
        return None if found is None else str(found)

    def note_servers(self, servers: str) -> None:
        """All is said anew for these."""
        with guarded():
            self._client.hset(self.keys.meta(), _FIELD, servers)

    def store_id(self) -> str:
        """The id of this store, made now if it has none."""
        known = self._store_id()
        if known is None:
            key = self.keys.meta()
            self._write(
                ("HSETNX", key, _MADE_ON, self.servers() or ""),
                ("HSETNX", key, _STORE, secrets.token_hex(8)),
            )
            known = self._store_id()
        return known or ""

    def is_new(self, servers: str) -> bool:
        """Whether the store was made on these processes and has been put back nowhere since; asked
        before they are noted as known."""
        with guarded():
            made_on = self._client.hget(self.keys.meta(), _MADE_ON)
        return made_on == servers and self.known_servers() is None

    def _store_id(self) -> str | None:
        with guarded():
            found = self._client.hget(self.keys.meta(), _STORE)
        return None if found is None else str(found)

    def fanout_versions(self, groups: Sequence[str]) -> dict[str, int]:
        """The versions of the groups' fan-outs as they stand here, 0 of those that have none."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for group in groups:
                pipe.hget(self.keys.group(group), "#fanout_version")
            versions = pipe.execute()
        return {group: int(v or 0) for group, v in zip(groups, versions, strict=True)}

    def say_group_anew(self, group: str, at_broker: Mapping[str, int], now_ms: int) -> None:
        """Have a group's fan-out and roster published again whether or not they have changed, above
        the versions by kind ('fanout', 'reach') that the broker holds."""
        key = self.keys.group(group)
        for _ in range(_TRIES):
            mending = self._mending_of(key, at_broker)
            if self.mend(key, mending, now_ms) == mending.places:
                return

    def _mending_of(self, key: str, at_broker: Mapping[str, int]) -> Mending:
        names = [f"#{kind}_{what}" for kind in _OF_A_GROUP for what in ("digest", "version")]
        with guarded():
            texts = dict(zip(names, self._client.hmget(key, names), strict=True))
        mending = Mending()
        for kind in _OF_A_GROUP:
            digest, version = texts[f"#{kind}_digest"], texts[f"#{kind}_version"]
            if digest is not None:
                mending.gone.append((f"#{kind}_digest", digest))
            if version is not None and int(version) < at_broker.get(kind, 0):
                mending.put.append((f"#{kind}_version", version, str(at_broker[kind])))
        return mending

    def say_record_anew(
        self, key: str, name: str, old: str, new: str, message: OutMessage, now_ms: int
    ) -> None:
        """Keep a duty or planned work under a higher version, and publish it, if it still is what
        was read."""
        if not self.mend(key, Mending(put=[(name, old, new)]), now_ms):
            return  # whoever changed it has published it
        key = self.keys.published(k.ALERTS)
        with guarded():
            known = self._client.hget(key, message.name)
        if known is not None:
            mending = Mending(put=[(message.name, str(known), message.content())])
            self.mend(key, mending, now_ms, self.keys.out(k.ALERTS))

    def take_back(self, topics: Iterable[str], now_ms: int) -> list[str]:
        """Have those of these topics of alerts, duties and planned work taken back of which nothing
        is known here; returns them."""
        key, out = self.keys.published(k.ALERTS), self.keys.out(k.ALERTS)
        names = list(topics)
        if not names:
            return []
        with guarded():
            known = self._client.hmget(key, names)
            strange = [n for n, content in zip(names, known, strict=True) if content is None]
            pipe = self._client.pipeline(transaction=False)
            for name in strange:
                pipe.hsetnx(key, name, OutMessage(name, str(now_ms), "", True).content())
                pipe.zadd(out, {name: now_ms}, nx=True)
            pipe.execute()
        return strange
