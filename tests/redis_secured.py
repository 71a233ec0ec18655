"""Redis as the files in configs/ set it up: with accounts, and by TLS with certificates on both
sides. Ports, paths, passwords and how long a node must be silent are put in; the rest is theirs."""

import hashlib
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import redis
from pydantic import SecretStr

from streamer.enroll.authority import Authority
from streamer.redis_settings import RedisAddress, RedisSettings, parse_redis_url
from tests.redis_cluster import (
    NODE_TIMEOUT_MS,
    Cluster,
    ClusterNode,
    Node,
    SentinelServer,
    Watched,
)
from tests.servers import Redis, free_port

CONFIGS = Path(__file__).parents[1] / "configs"
WORDS = {name: f"the-{name}s-own-word" for name in ("streamer", "replica", "sentinel", "admin")}
"""Passwords of the accounts in redis.acl."""


def acl_text(region: str) -> str:
    """configs/redis.acl, filled in as configs/README.md says."""
    lines = []
    for line in (CONFIGS / "redis.acl").read_text().splitlines():
        name = line.split(" ")[1]
        digest = hashlib.sha256(WORDS.get(name, "").encode()).hexdigest()
        lines.append(line.replace("#PASSWORD", f"#{digest}").replace("{REGION:", f"{{{region}:"))
    return "\n".join(lines) + "\n"


class Certificates:
    """Of one authority, in a folder: ca.pem, server.pem and .key for 127.0.0.1, client.pem and
    .key."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        now = datetime.now(UTC)
        authority = Authority.found("tests", now)
        (folder / "ca.pem").write_bytes(authority.certificate)
        signed = {
            "server": authority.server(["127.0.0.1"], now),
            "client": authority.client("streamer", now, 1),
        }
        for name, one in signed.items():
            (folder / f"{name}.pem").write_bytes(one.certificate)
            (folder / f"{name}.key").write_bytes(one.key)

    def settings(self, **more: Any) -> RedisSettings:
        files = {"ca_file": "ca.pem", "cert_file": "client.pem", "key_file": "client.key"}
        given: dict[str, Any] = {name: self.folder / file for name, file in files.items()}
        return RedisSettings(**given, **more)

    @property
    def options(self) -> dict[str, Any]:
        """For redis-py's own client."""
        settings = self.settings()
        return {
            "ssl": True, "ssl_ca_certs": str(settings.ca_file),
            "ssl_certfile": str(settings.cert_file), "ssl_keyfile": str(settings.key_file),
        }  # fmt: skip


def _always(text: str) -> Callable[[re.Match[str]], str]:
    return lambda _: text  # as it stands: a backslash in it means nothing


def put_in(name: str, changes: dict[str, str]) -> str:
    """A file of configs/; each pattern must be there, once or more."""
    text = (CONFIGS / name).read_text()
    for pattern, instead in changes.items():
        text, count = re.subn(pattern, _always(instead), text, flags=re.MULTILINE)
        assert count, f"{name} has no {pattern}"
    return text


class PlainServer(Node):
    """One server as configs/redis.conf has it."""

    def __init__(self, region: str) -> None:
        super().__init__()
        (self.folder / "redis.acl").write_text(acl_text(region))
        changes = {
            "^bind .*": "bind 127.0.0.1",
            "^port 6379$": f"port {self.port}",
            "/etc/redis/streamer": str(self.folder),
            "/var/lib/redis": str(self.folder),
        }
        (self.folder / "redis.conf").write_text(put_in("redis.conf", changes))

    def command(self) -> list[str]:
        return [self._program, str(self.folder / "redis.conf")]

    def client(self) -> "redis.Redis":
        return redis.Redis(
            port=self.port, username="admin", password=WORDS["admin"], decode_responses=True
        )


class SecuredNode(ClusterNode):
    """A node as configs/redis-cluster.conf has it; `watched`: not of a cluster but a server that
    sentinels watch, a replica of `master` if that is given."""

    def __init__(
        self,
        certificates: Certificates,
        region: str,
        timeout_ms: int,
        *,
        watched: bool = False,
        master: "SecuredNode | None" = None,
    ) -> None:
        Redis.__init__(self)
        self.port, self.bus_port = free_port(), free_port()
        self._certificates = certificates
        (self.folder / "redis.acl").write_text(acl_text(region))
        changes = {
            "^bind .*": "bind 127.0.0.1",
            "^tls-port 6379$": f"tls-port {self.port}\ncluster-port {self.bus_port}",
            "/etc/redis/streamer/redis.acl": str(self.folder / "redis.acl"),
            "/etc/redis/streamer": str(certificates.folder),
            "/var/lib/redis": str(self.folder),
            "PASSWORD-OF-REPLICA": WORDS["replica"],
            "^cluster-node-timeout 5000$": f"cluster-node-timeout {timeout_ms}",
            "^repl-diskless-sync yes$": "repl-diskless-sync yes\nrepl-diskless-sync-delay 0",
        }
        text = put_in("redis-cluster.conf", changes)
        if watched:
            text = re.sub(r"(?m)^(cluster-|tls-cluster).*\n", "", text)
        if master is not None:
            text += f"replicaof 127.0.0.1 {master.port}\n"
        (self.folder / "redis.conf").write_text(text)

    def command(self) -> list[str]:
        return [self._program, str(self.folder / "redis.conf")]

    def client(self) -> "redis.Redis":
        return redis.Redis(
            "127.0.0.1", self.port, username="admin", password=WORDS["admin"],
            decode_responses=True, **self._certificates.options,
        )  # fmt: skip


class SecuredCluster(Cluster):
    """Three masters and three replicas for one region; `address` is that of its workers."""

    def __init__(self, folder: Path, region: str, timeout_ms: int = NODE_TIMEOUT_MS) -> None:
        self.certificates = Certificates(folder)
        self.nodes = [SecuredNode(self.certificates, region, timeout_ms) for _ in range(6)]
        self._masters = 3
        self.migrate_as = ("AUTH2", "admin", WORDS["admin"])

    @property
    def url(self) -> str:
        return super().url.replace("redis+cluster://", "rediss+cluster://streamer@")

    def address(self, **settings: Any) -> RedisAddress:
        found = parse_redis_url(self.url, self.certificates.settings(**settings))
        return replace(found, password=SecretStr(WORDS["streamer"]))


class SecuredSentinel(SentinelServer):
    """A sentinel as configs/redis-sentinel.conf has it."""

    def __init__(self, master: SecuredNode, certificates: Certificates) -> None:
        super().__init__(master, 2)
        self._certificates = certificates
        changes = {
            "^bind .*": "bind 127.0.0.1",
            "^tls-port 26379$": f"tls-port {self.port}",
            "/etc/redis/streamer": str(certificates.folder),
            "/var/lib/redis": str(self.folder),
            "MASTER-ADDRESS 6379": f"127.0.0.1 {master.port}",
            "PASSWORD-OF-SENTINEL": WORDS["sentinel"],
            "-milliseconds state 5000$": f"-milliseconds state {NODE_TIMEOUT_MS}",
            "failover-timeout state 20000$": "failover-timeout state 5000",
        }
        self.file.write_text(put_in("redis-sentinel.conf", changes))

    def client(self) -> "redis.Redis":
        options = self._certificates.options
        return redis.Redis("127.0.0.1", self.port, decode_responses=True, **options)


class SecuredWatched(Watched):
    """A master and a replica for one region, and three sentinels that watch them."""

    def __init__(self, folder: Path, region: str) -> None:
        self.certificates = Certificates(folder)
        self.master = SecuredNode(self.certificates, region, NODE_TIMEOUT_MS, watched=True)
        self.replica = SecuredNode(
            self.certificates, region, NODE_TIMEOUT_MS, watched=True, master=self.master
        )
        self.sentinels = [SecuredSentinel(self.master, self.certificates) for _ in range(3)]

    @property
    def url(self) -> str:
        return super().url.replace("redis+sentinel://", "rediss+sentinel://streamer@")
