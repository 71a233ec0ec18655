"""What every part of the state's face stands on: the client, the keys, running a script."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final, Generic, TypeVar, cast

import redis
from pydantic_core import to_json
from redis.backoff import NoBackoff
from redis.exceptions import (
    AuthenticationError,
    NoPermissionError,
    RedisClusterException,
    RedisError,
)
from redis.retry import Retry
from redis.sentinel import Sentinel

from streamer.clock import Clock
from streamer.config import RegionView
from streamer.redis_settings import Kind, RedisAddress, parse_redis_url
from streamer.state import keys as k
from streamer.state.cluster import ClusterClient, Server
from streamer.state.replicas import Replicas
from streamer.state.running import Argument, Running
from streamer.state.scripts import Call, Script, Scripts
from streamer.state.shapes import OutMessage

_OF_THE_MASTER: Final = ("username", "password")
LEASE_MS = 3000
"""A claimed subject or message comes up again after this, should the claimer have died."""


class StoreUnavailable(Exception):
    """Redis did not do what it was asked; nothing is lost as long as it is asked again."""


class StoreMismatch(Exception):
    """The state in Redis was made with settings that cannot be mixed with the present ones."""


def connect(
    address: RedisAddress | str, timeout_s: float = 5.0, clock: Clock | None = None
) -> "redis.Redis":
    """A client that fails fast and leaves trying again to its user. Nothing is asked yet: whether
    Redis is there shows with the first call.

    Raises ValueError if `address` is a text that is no address.
    """
    if isinstance(address, str):
        address = parse_redis_url(address)
    settings = address.settings
    replicas = Replicas(settings, clock)
    patient_s = settings.replicas_wait_s + 1 if settings.replicas else 0  # Redis waits so long
    options: dict[str, Any] = {
        "decode_responses": True,
        "socket_timeout": max(timeout_s, patient_s),
        "socket_connect_timeout": min(2.0, timeout_s),
    }
    once = {"retry": Retry(NoBackoff(), 0), "health_check_interval": 0}
    secured: dict[str, Any] = {}
    if address.tls:
        files = (settings.ca_file, settings.cert_file, settings.key_file)
        names = ("ssl_ca_certs", "ssl_certfile", "ssl_keyfile")
        secured = {n: str(file) for n, file in zip(names, files, strict=True) if file is not None}
    if address.kind is Kind.ONE:
        client: Any = Server.from_url(address.url, **options, **secured, **once)
    else:
        secured |= {"ssl": True} if address.tls else {}
        user, password = address.user, address.password
        options |= {"username": user} if user else {}
        options |= {"password": password.get_secret_value()} if password else {}
        if address.kind is Kind.CLUSTER:
            made: Any = ClusterClient(address, options | secured, replicas)
            return cast("redis.Redis", made)
        client = _master_of(address, options | secured | once)
    client.replicas = replicas
    return cast("redis.Redis", client)


def _master_of(address: RedisAddress, options: dict[str, Any]) -> Server:
    """A client of whoever is the master when it connects."""
    asking = {name: value for name, value in options.items() if name not in _OF_THE_MASTER}
    if address.settings.sentinel_user:
        asking["username"] = address.settings.sentinel_user
    if address.sentinel_password is not None:
        asking["password"] = address.sentinel_password.get_secret_value()
    sentinel: Any = Sentinel
    watching = sentinel(address.hosts, sentinel_kwargs=asking)
    found: Server = watching.master_for(
        address.service, redis_class=Server, db=address.number, **options
    )
    return found


@contextmanager
def guarded() -> Iterator[None]:
    """Whatever Redis has to complain about becomes StoreUnavailable."""
    try:
        yield
    except (RedisError, RedisClusterException) as error:
        raise StoreUnavailable(f"Redis: {type(error).__name__}: {error}") from error


def unavailable_advice(error: Exception) -> str:
    """What to do about a StoreUnavailable, by what Redis said."""
    said: BaseException | None = error
    while said is not None and not isinstance(said, RedisError | RedisClusterException):
        said = said.__cause__
    if isinstance(said, AuthenticationError):
        return (
            "it does not take this user and password: redis_password_file of the region file (or "
            "its variable) and the line of the user in redis.acl must go together"
        )
    if isinstance(said, NoPermissionError):
        return "redis.acl does not let this user do it: its line must be that of this region"
    return "is it running? redis_url of the region file or --redis says where"


def compact(value: Any) -> str:
    """JSON for the scripts."""
    return to_json(value).decode()


def flat(messages: Sequence[OutMessage]) -> list[str]:
    """Messages as the scripts take them: name, content, name, content."""
    return [part for message in messages for part in (message.name, message.content())]


def to_send(messages: Sequence[OutMessage], reply: Sequence[int]) -> list[OutMessage] | None:
    """Those of a commit's messages that its maker may send at once; None if it was refused."""
    stored, *ours = reply
    if not stored:
        return None
    return [m for m, flag in zip(messages, ours, strict=True) if flag]


Answer = TypeVar("Answer")


class Begun(Generic[Answer]):
    """Something that Redis is working on; `finish` or `abandon` must be called."""

    def __init__(self, running: Running, read: Callable[[list[Any]], Answer]) -> None:
        self._running = running
        self._read = read

    def finish(self) -> Answer:
        """Wait for the answer. Raises StoreUnavailable."""
        with guarded():
            replies = self._running.replies()
        return self._read(replies)

    def abandon(self) -> None:
        self._running.abandon()


class Base:
    """A region's keys and scripts, bound to a client."""

    def __init__(self, client: "redis.Redis", view: RegionView) -> None:
        self._client: Any = client  # its types leave open whether it answers in bytes
        self._scripts = Scripts(client)
        self.view = view
        self.keys = k.Keys(view.name, view.region.partitions)

    @property
    def replicas(self) -> Replicas:
        """Whether what is written stands in replicas too."""
        return self._scripts.nodes.replicas

    @property
    def partitions(self) -> range:
        return range(self.keys.partitions)

    def _subject_key(self, subject: str) -> str:
        """The hash of what is looked at: 'g/GROUP', 's/STATION' or 'w/GATEWAY'."""
        key = {"g": self.keys.group, "s": self.keys.station, "w": self.keys.gateway}[subject[0]]
        return key(subject[2:])

    def _run(self, script: Script, keys: Sequence[str], arguments: Sequence[str | int]) -> Any:
        with guarded():
            return self._scripts.run(script, keys, arguments)

    def _write(self, *commands: Sequence[Argument]) -> list[Any]:
        """Plain commands, each with its key as the second word: for what must not be lost behind
        something that is told afterwards. Done one by one; safe to do twice."""
        with guarded():
            return self._scripts.write(commands)

    def _start(self, calls: Sequence[Call], read: Callable[[list[Any]], Answer]) -> Begun[Answer]:
        with guarded():
            return Begun(self._scripts.start(calls), read)
