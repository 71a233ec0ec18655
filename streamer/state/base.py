"""What every part of the state's face stands on: the client, the keys, running a script."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Generic, TypeVar

import redis
from pydantic_core import to_json
from redis.backoff import NoBackoff
from redis.exceptions import RedisError
from redis.retry import Retry

from streamer.config import RegionView
from streamer.state import keys as k
from streamer.state.scripts import Call, Running, Script, Scripts
from streamer.state.shapes import OutMessage

LEASE_MS = 3000
"""A claimed subject or message comes up again after this, should the claimer have died."""


class StoreUnavailable(Exception):
    """Redis did not do what it was asked; nothing is lost as long as it is asked again."""


class StoreMismatch(Exception):
    """The state in Redis was made with settings that cannot be mixed with the present ones."""


def connect(url: str, timeout_s: float = 5.0) -> "redis.Redis":
    """A client that fails fast and leaves trying again to its user."""
    return redis.Redis.from_url(
        url,
        decode_responses=True,
        socket_timeout=timeout_s,
        socket_connect_timeout=min(2.0, timeout_s),
        retry=Retry(NoBackoff(), 0),
        health_check_interval=0,
    )


@contextmanager
def guarded() -> Iterator[None]:
    """Whatever Redis has to complain about becomes StoreUnavailable."""
    try:
        yield
    except RedisError as error:
        raise StoreUnavailable(f"Redis: {type(error).__name__}: {error}") from error


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
    def partitions(self) -> range:
        return range(self.keys.partitions)

    def _run(self, script: Script, keys: Sequence[str], arguments: Sequence[str | int]) -> Any:
        with guarded():
            return self._scripts.run(script, keys, arguments)

    def _start(self, calls: Sequence[Call], read: Callable[[list[Any]], Answer]) -> Begun[Answer]:
        with guarded():
            return Begun(self._scripts.start(calls), read)
