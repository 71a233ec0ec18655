"""Where a key lives: one server, or the node of a cluster that has its slot now."""

import threading
from dataclasses import dataclass
from typing import Any, Final

import redis
from redis.backoff import NoBackoff
from redis.cluster import ClusterNode, RedisCluster
from redis.exceptions import RedisClusterException, RedisError
from redis.retry import Retry

from streamer.redis_settings import RedisAddress
from streamer.state.replicas import Replicas

_ANOTHER_TRY: Final = 1
"""Of a command that is no script, by redis-py: a connection that has gone stale is no fault."""


@dataclass(frozen=True, slots=True)
class Place:
    """A node: its name, and its connections."""

    name: str
    pool: Any  # the library leaves its own types open


class Server(redis.Redis):
    """redis-py's client of one server, or of the master that sentinels name, with its replicas."""

    replicas: Replicas


class OneServer:
    """All keys live in one place."""

    redirects = False

    def __init__(self, client: "redis.Redis") -> None:
        pool: Any = client.connection_pool
        self.replicas: Replicas = getattr(client, "replicas", None) or Replicas()
        where = pool.connection_kwargs
        host = where.get("host")
        name = where.get("path") or (f"{host}:{where.get('port')}" if host else "the master")
        self._place = Place(str(name), pool)
        self._client = client

    def place_of(self, key: str) -> Place:
        return self._place

    def place_at(self, host: str, port: int) -> Place:
        return self._place

    def learn_anew(self) -> None:
        """There is nothing to learn."""

    def alive_replicas(self, name: str) -> int | None:
        """Nobody can say: a server knows who is connected to it, not who is alive."""
        return None

    def masters(self) -> dict[str, Any]:
        """A client for each node that takes writes, by its name."""
        return {self._place.name: self._client}


class ClusterClient:
    """redis-py's client of a cluster, made at the first use, as the cluster may not be there yet.

    Besides all methods of that it says where keys live. The addresses given are asked for the
    nodes too, always: those that the nodes say of each other may all have changed.
    """

    redirects = True

    def __init__(self, address: RedisAddress, options: dict[str, Any], replicas: Replicas) -> None:
        self.replicas = replicas
        self._address = address
        self._options = options
        self._made: RedisCluster | None = None
        self._lock = threading.Lock()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._cluster(), name)

    def __enter__(self) -> "ClusterClient":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Its connections; the next use makes it anew."""
        with self._lock:
            made, self._made = self._made, None
        if made is not None:
            made.close()

    def _cluster(self) -> Any:  # the library leaves its own types open
        with self._lock:
            if self._made is None:
                made = RedisCluster(
                    startup_nodes=self._given(),
                    retry=Retry(NoBackoff(), _ANOTHER_TRY),
                    # A part that is down is no reason not to serve the others.
                    require_full_coverage=False,
                    # In a transaction redis-py learns of a moved slot in no other way.
                    reinitialize_steps=1,
                    dynamic_startup_nodes=False,
                    **self._options,
                )
                self._know_all(made)
                self._made = made
            return self._made

    def _given(self) -> list[Any]:
        node: Any = ClusterNode
        return [node(host, port) for host, port in self._address.hosts]

    def _know_all(self, cluster: Any) -> None:
        """Have all known nodes asked for the others from now on."""
        manager = cluster.nodes_manager
        given = {node.name: node for node in self._given()}
        manager.startup_nodes = {**given, **manager.nodes_cache}
        if self.replicas.wanted:
            self.replicas.only({node.name for node in cluster.get_primaries()})

    # -- where keys live -----------------------------------------------------------------------

    def place_of(self, key: str) -> Place:
        """Raises RedisError and RedisClusterException."""
        cluster = self._cluster()
        return self._place(cluster.nodes_manager.get_node_from_slot(cluster.keyslot(key)))

    def place_at(self, host: str, port: int) -> Place:
        """The node to which another one has sent us."""
        node = self._cluster().get_node(host, port)
        if node is None:
            self.learn_anew()
            node = self._cluster().get_node(host, port)
        if node is None:
            raise RedisError(f"the cluster names a node that it does not list: {host}:{port}")
        return self._place(node)

    def _place(self, node: Any) -> Place:
        return Place(node.name, self._cluster().get_redis_connection(node).connection_pool)

    def learn_anew(self) -> None:
        """Ask the nodes who has which slots."""
        cluster = self._cluster()
        cluster.nodes_manager.initialize()
        self._know_all(cluster)

    def alive_replicas(self, name: str) -> int | None:
        """How many replicas of a node the majority of the masters takes for alive: one that is
        'fail' is dead for the majority, 'fail?' for the node that is asked alone."""
        try:
            cluster = self._cluster()
            node = cluster.get_node(node_name=name)
            seen = cluster.execute_command("CLUSTER NODES", target_nodes=node)
        except (RedisError, RedisClusterException):
            return None
        lines = [(one, str(one["flags"]).split(",")) for one in seen.values()]
        own = [one["node_id"] for one, flags in lines if "myself" in flags]
        return sum(
            one["master_id"] in own and "fail" not in flags and "slave" in flags
            for one, flags in lines
        )

    def masters(self) -> dict[str, Any]:
        """A client for each node that takes writes, by its name."""
        cluster = self._cluster()
        return {n.name: cluster.get_redis_connection(n) for n in cluster.get_primaries()}


Nodes = OneServer | ClusterClient


def nodes_of(client: Any) -> Nodes:
    """Where the keys of any client live."""
    return client if isinstance(client, ClusterClient) else OneServer(client)
