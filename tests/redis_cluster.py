"""Redis Cluster and Redis Sentinel on loopback: nodes that can be killed and slots that move."""

import contextlib
import signal
from collections.abc import Iterator, Sequence
from functools import cached_property, partial
from typing import Any

import redis
from redis.backoff import NoBackoff
from redis.crc import key_slot
from redis.retry import Retry

from tests.servers import Redis, Server, free_port, program, wait_until

NODE_TIMEOUT_MS = 1000
"""So long a node must be silent before the others take it for dead."""
SLOTS = 16384


class Node(Redis):
    """A Redis by TCP. `more` are further words of its command line; writes go to a file (AOF), so
    that it comes back with what it had."""

    def __init__(self, *more: str, aof: bool = True) -> None:
        super().__init__(aof=aof)
        self.port = free_port()
        self._more = more

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.port}"

    @property
    def url(self) -> str:
        return f"redis://{self.address}/0"

    def command(self) -> list[str]:
        words = super().command()
        words[words.index("--port") + 1] = str(self.port)
        # As configs/redis-cluster.conf has it; a replica is made at once, without a pause.
        words[words.index("--appendfsync") + 1] = "everysec"
        words += ["--bind", "127.0.0.1", "--repl-diskless-sync-delay", "0"]
        return [*words, *self._more]

    @cached_property
    def admin(self) -> "redis.Redis":
        """One connection for all that tests ask, as each costs a while."""
        client = self.client()
        client.set_retry(Retry(NoBackoff(), 1))
        return client

    def freeze(self) -> None:
        """As when its machine hangs."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)


class ClusterNode(Node):
    """One node in cluster mode; it holds no slots yet."""

    def __init__(self, *more: str, timeout_ms: int = NODE_TIMEOUT_MS) -> None:
        self.bus_port = free_port()
        super().__init__(
            "--cluster-enabled", "yes", "--cluster-port", str(self.bus_port),
            "--cluster-node-timeout", str(timeout_ms), *more,
        )  # fmt: skip

    def does(self, words: str) -> Any:
        parts = words.split(" ")
        if parts[0] == "CLUSTER":  # redis-py reads its answers by both words
            parts[:2] = [" ".join(parts[:2])]
        admin: Any = self.admin  # the library leaves this open
        return admin.execute_command(*parts)

    @property
    def id(self) -> str:
        return str(self.does("CLUSTER MYID"))

    @property
    def is_master(self) -> bool:
        return bool(self.does("ROLE")[0] == "master")


class Cluster:
    """Three masters, each with as many replicas as asked for; their slots in equal shares."""

    def __init__(
        self, masters: int = 3, replicas: int = 1, *more: str, timeout_ms: int = NODE_TIMEOUT_MS
    ) -> None:
        self.nodes = [
            ClusterNode(*more, timeout_ms=timeout_ms) for _ in range(masters * (1 + replicas))
        ]
        self._masters = masters
        self.migrate_as: Sequence[str] = ()

    @property
    def url(self) -> str:
        """As the region file has it: some of the nodes are enough."""
        return f"redis+cluster://{','.join(node.address for node in self.nodes[:3])}"

    def start(self) -> None:
        for node in self.nodes:
            node.launch()
        for node in self.nodes:
            wait_until(node.answers, "a node")
        masters, replicas = self.nodes[: self._masters], self.nodes[self._masters :]
        share = -(-SLOTS // len(masters))
        for number, node in enumerate(masters):
            last = min(SLOTS, (number + 1) * share) - 1
            node.does(f"CLUSTER ADDSLOTSRANGE {number * share} {last}")
        for number, node in enumerate(self.nodes):
            node.does(f"CLUSTER SET-CONFIG-EPOCH {number + 1}")
        for node in self.nodes[1:]:
            node.does(f"CLUSTER MEET 127.0.0.1 {self.nodes[0].port} {self.nodes[0].bus_port}")
        wait_until(lambda: all(self._knows_all(node) for node in self.nodes), "nodes to meet")
        for number, node in enumerate(replicas):
            node.does(f"CLUSTER REPLICATE {masters[number % len(masters)].id}")
        self.wait_well()

    def _knows_all(self, node: ClusterNode) -> bool:
        lines = node.does("CLUSTER NODES")
        return len(lines) == len(self.nodes) and not any(
            "handshake" in one["flags"] for one in lines.values()
        )

    def wait_well(self) -> None:
        """Until every slot is served and every replica has what its master has."""
        wait_until(lambda: all(map(self._is_well, self.nodes)), "the cluster to be well", 30)

    def _is_well(self, node: ClusterNode) -> bool:
        try:
            role = node.does("ROLE")
            state = node.does("CLUSTER INFO")["cluster_state"]
        except redis.RedisError:
            return False
        wanted = len(self.nodes) // self._masters - 1
        following = role[3] == "connected" if role[0] == "slave" else len(role[2]) >= wanted
        return bool(state == "ok" and following)

    def master_of(self, key: str) -> ClusterNode:
        """The node that serves a key now."""
        slot = key_slot(key.encode())
        for node in self.nodes:
            with contextlib.suppress(redis.RedisError):
                for low, high, owner, *_ in _slots(node):
                    if low <= slot <= high:
                        return next(n for n in self.nodes if n.port == owner)
        raise AssertionError(f"nobody serves {key}")

    def replica_of(self, master: ClusterNode) -> ClusterNode:
        return next(
            node for node in self.nodes
            if node is not master and node.does("ROLE")[:3] == ["slave", "127.0.0.1", master.port]
        )  # fmt: skip

    def move_slot(self, key: str, to: ClusterNode, *, keys_at_once: int = 10) -> Iterator[int]:
        """Move the slot of a key to another master, by the steps of the Redis Cluster
        specification; yields after each portion how many keys have been moved."""
        slot, source = key_slot(key.encode()), self.master_of(key)
        to.does(f"CLUSTER SETSLOT {slot} IMPORTING {source.id}")
        source.does(f"CLUSTER SETSLOT {slot} MIGRATING {to.id}")
        moved = 0
        while keys := source.does(f"CLUSTER GETKEYSINSLOT {slot} {keys_at_once}"):
            where = ("127.0.0.1", to.port, "", 0, 5000)
            admin: Any = source.admin
            admin.execute_command("MIGRATE", *where, *self.migrate_as, "KEYS", *keys)
            moved += len(keys)
            yield moved
        for node in (to, source):  # the new owner first, or the old one would send there in vain
            node.does(f"CLUSTER SETSLOT {slot} NODE {to.id}")

    def close(self) -> None:
        for node in self.nodes:
            node.admin.close()
            if node.process is not None and node.process.poll() is None:
                node.thaw()
            node.close()

    def flush(self) -> None:
        """Empty it, replicas too."""
        for node in self.nodes:
            if node.is_master:
                node.does("FLUSHALL")


def _slots(node: ClusterNode) -> Sequence[tuple[int, int, int]]:
    """First, last, port of the master."""
    found = node.does("CLUSTER SLOTS")
    if isinstance(found, dict):
        return [(low, high, one["primary"][1]) for (low, high), one in found.items()]
    return [(one[0], one[1], one[2][1]) for one in found]


class SentinelServer(Server):
    """One sentinel; it watches a master under the name `state`."""

    def __init__(self, master: Node, quorum: int, more: str = "") -> None:
        super().__init__()
        self._program = program("redis-server", "valkey-server")
        self.port = free_port()
        self.file = self.folder / "sentinel.conf"
        self.file.write_text(
            f"port {self.port}\nbind 127.0.0.1\ndir {self.folder}\n"
            f"sentinel monitor state 127.0.0.1 {master.port} {quorum}\n"
            f"sentinel down-after-milliseconds state {NODE_TIMEOUT_MS}\n"
            f"sentinel failover-timeout state 5000\n{more}"
        )

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.port}"

    def client(self) -> "redis.Redis":
        return redis.Redis.from_url(f"redis://{self.address}", decode_responses=True)

    def command(self) -> list[str]:
        return [self._program, str(self.file), "--sentinel"]

    def answers(self) -> bool:
        with contextlib.suppress(redis.RedisError), self.client() as client:
            return bool(client.ping())
        return False


class Watched:
    """A master, a replica, and three sentinels that watch them."""

    def __init__(self) -> None:
        self.master: Node = Node()
        self.replica: Node = Node("--replicaof", "127.0.0.1", str(self.master.port))
        self.sentinels: Sequence[SentinelServer] = [
            SentinelServer(self.master, 2) for _ in range(3)
        ]

    @property
    def url(self) -> str:
        return f"redis+sentinel://{','.join(s.address for s in self.sentinels)}/state/0"

    def start(self) -> None:
        self.master.start()
        self.replica.start()
        with self.replica.client() as client:
            wait_until(lambda: client.execute_command("ROLE")[3] == "connected", "the replica")
        for sentinel in self.sentinels:
            sentinel.start()
        for sentinel in self.sentinels:
            wait_until(partial(self._knows_all, sentinel), "sentinels to find each other")

    def _knows_all(self, sentinel: SentinelServer) -> bool:
        with sentinel.client() as client:
            seen = client.execute_command("SENTINEL", "MASTER", "state")
        if isinstance(seen, list):
            seen = dict(zip(seen[::2], seen[1::2], strict=True))
        return int(seen["num-slaves"]) == 1 and int(seen["num-other-sentinels"]) == 2

    def close(self) -> None:
        for server in (*self.sentinels, self.replica, self.master):
            server.close()
