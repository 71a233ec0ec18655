"""Whether the servers are set up so that the state is safe on them and their work is shared."""

from typing import Any

from redis.exceptions import ResponseError

from streamer.state.base import Base, StoreMismatch, guarded

_MOST_PARTITIONS = 256


class Setup(Base):
    """Raises StoreUnavailable when Redis does not answer."""

    def check_eviction(self) -> None:
        """Raises StoreMismatch where a server may throw keys away. One that does not let us ask, as
        hosted ones may, is trusted."""
        with guarded():
            for name, client in self._scripts.nodes.masters().items():
                try:
                    policy = dict(client.config_get("maxmemory-policy")).get("maxmemory-policy")
                except ResponseError:
                    continue
                if policy not in (None, "noeviction"):
                    raise StoreMismatch(
                        f"Redis has maxmemory-policy {policy} ({name}): it would throw members "
                        "away when full; set it to noeviction"
                    )

    def advice(self) -> list[str]:
        """What could be set up better, each with what to do about it."""
        with guarded():
            masters = self._scripts.nodes.masters()
            return [
                *self._of_partitions(len(masters)),
                *self._of_replicas(masters),
                *self._of_disks(masters),
            ]

    def _of_partitions(self, masters: int) -> list[str]:
        count = self.keys.partitions
        used = len(self._homes(count))
        if used == masters:
            return []
        wanted = next(
            (n for n in range(count, _MOST_PARTITIONS) if len(self._homes(n)) == masters), None
        )
        more = f"partitions = {wanted} would use all" if wanted else "give each master some slots"
        return [
            f"the {count} partitions of region {self.view.name} lie on {used} of {masters} "
            f"masters: {more}, with an empty database; or move the slot of one of them to a master "
            "that has none (CLUSTER KEYSLOT {REGION:NUMBER} tells it)"
        ]

    def _homes(self, partitions: int) -> set[str]:
        """The masters on which so many partitions would lie."""
        place_of = self._scripts.nodes.place_of
        return {place_of(self.keys.due(number)).name for number in range(partitions)}

    def _of_replicas(self, masters: dict[str, Any]) -> list[str]:
        wanted, found = self.replicas.wanted, []
        for name, client in masters.items() if wanted else ():
            try:
                connected = int(client.info("replication").get("connected_slaves", 0))
            except ResponseError:
                continue
            if connected < wanted:
                found.append(
                    f"{name} has {connected} replicas, redis.replicas asks for {wanted}: start "
                    f"them, or nothing is done for {self.view.region.redis.replicas_grace_s:g} s "
                    "and then without them"
                )
        return found

    def _of_disks(self, masters: dict[str, Any]) -> list[str]:
        """Not of one that does not let us ask, as hosted ones may."""
        found = []
        for name, client in masters.items():
            try:
                kept = dict(client.config_get("appendonly")).get("appendonly")
            except ResponseError:
                continue
            if kept == "no":
                found.append(
                    f"{name} has appendonly no: when it ends, members, alerts and duties that it "
                    "was told of are lost; set appendonly yes (configs/redis.conf)"
                )
        return found
