"""What the Redis servers say of themselves: memory, and whether their writes are kept on disk."""

from dataclasses import dataclass
from typing import Any

from redis.exceptions import ResponseError

from streamer.state.base import Base, StoreUnavailable, guarded


@dataclass(frozen=True, slots=True)
class ServersFigures:
    """Of the fullest node: bytes in use, and the bytes that it may use at most (its maxmemory, or
    its machine's memory where none is set). `durable`: every node keeps its writes in a file of
    its own (AOF) and the last of them went well."""

    memory_bytes: int
    limit_bytes: int
    durable: bool


class Servers(Base):
    """Raises StoreUnavailable when Redis does not answer."""

    def servers_figures(self) -> ServersFigures | None:
        """Of all servers that hold the data; None where they do not tell, as hosted ones may."""
        memory, disk = self.server_infos("memory"), self.server_infos("persistence")
        if not memory or not disk:
            return None
        pairs = [(_used(one), _limit(one)) for one in memory]
        used, limit = max(pairs, key=lambda pair: pair[0] / pair[1])
        return ServersFigures(used, limit, all(map(_durable, disk)))

    def server_infos(self, section: str) -> list[dict[str, Any]] | None:
        """A section of INFO, one for each server that holds data; None where that is forbidden."""
        try:
            with guarded():
                masters = self._scripts.nodes.masters()
                return [client.info(section) for client in masters.values()]
        except StoreUnavailable as error:
            if isinstance(error.__cause__, ResponseError):
                return None
            raise


def _used(info: dict[str, Any]) -> int:
    return int(info["used_memory"])


def _limit(info: dict[str, Any]) -> int:
    """At least 1, so that it can be divided by."""
    return int(info.get("maxmemory") or 0) or int(info.get("total_system_memory") or 0) or 1


def _durable(info: dict[str, Any]) -> bool:
    return bool(int(info.get("aof_enabled", 0))) and info.get("aof_last_write_status") == "ok"
