"""Sends commands to the nodes of their keys, all at once, and reads the replies later.

On a cluster single commands may be refused because their slot has moved or is on the move, or may
not be sent because their node has died: those are sent again to where they belong. What was sent
and never answered is not: it may have been done, and its caller must know.
"""

import socket
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final

from redis.exceptions import (
    AskError,
    ClusterDownError,
    ConnectionError,  # noqa: A004 - the library's name
    MovedError,
    NoScriptError,
    RedisClusterException,
    RedisError,
    ResponseError,
    TimeoutError,  # noqa: A004 - the library's name
    TryAgainError,
)

from streamer.state.cluster import Nodes, Place

Argument = str | int | float
_SEND_BUFFER: Final = 4_000_000
_ROUNDS: Final = 8
"""How often a command is sent at most before its error is raised."""
_PAUSE_S: Final = 0.05
"""Before a command is sent again whose keys are just being moved, or whose cluster is down."""


@dataclass(frozen=True, slots=True)
class Line:
    """A command: the key that says where it belongs, its words, and the words for a server that
    does not know the script. `waits`: its caller must know that replicas have it."""

    key: str
    words: tuple[Argument, ...]
    instead: tuple[Argument, ...] = ()
    waits: bool = True


class _Part:
    """What was sent to one node, on a connection of its own: the replicas' answer counts for what
    was written on the same connection. `asking`: the node is just being given the slots."""

    def __init__(
        self,
        place: Place,
        connection: Any,
        lines: dict[int, tuple[Argument, ...]],
        asking: bool,
        asked: tuple[int, int] | None,
    ) -> None:
        self.place = place
        self.asked = asked
        self.numbers = list(lines)
        self._asking = asking
        words: list[tuple[Argument, ...]] = []
        for line in lines.values():
            words += [("ASKING",), line] if asking else [line]
        if asked is not None:
            words.append(("WAIT", *asked))
        self._connection = connection
        try:
            _widen(self._connection)
            if words:
                self._connection.send_packed_command(self._connection.pack_commands(words))
        except BaseException:
            self.abandon()
            raise

    def read(self) -> Iterator[tuple[int, Any]]:
        """Each line's number and reply; errors of Redis are replies here. Raises what a broken
        connection does."""
        for number in self.numbers:
            if self._asking:
                self.read_one()
            yield number, self.read_one()

    def read_one(self) -> Any:
        try:
            return self._connection.read_response()
        except ResponseError as error:
            return error

    def release(self) -> None:
        connection, self._connection = self._connection, None
        self.place.pool.release(connection)

    def abandon(self) -> None:
        """The connection is closed: its replies would be taken for others'."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.disconnect()
            self.place.pool.release(connection)


class Running:
    """Commands that were sent. Either `replies` or `abandon` ends it."""

    def __init__(self, nodes: Nodes, lines: Sequence[Line]) -> None:
        self._nodes = nodes
        self._lines = lines
        self._words = {number: line.words for number, line in enumerate(lines)}
        self._replies: dict[int, Any] = {}
        self._asking: dict[int, Place] = {}
        self._failed: dict[int, RedisError] = {}
        self._unreached = False
        self._parts: list[_Part] = []
        self._send(self._words)

    def replies(self) -> list[Any]:
        """Wait for the replies, one a command. Raises RedisError (ReplicasMissing among them), and
        RedisClusterException where no node of a cluster answers."""
        for number in range(_ROUNDS):
            self._read()
            if not self._failed:
                break
            self._send_again(last=number == _ROUNDS - 1)
        return [self._replies[number] for number in range(len(self._lines))]

    def abandon(self) -> None:
        """Do not wait."""
        parts, self._parts = self._parts, []
        for part in parts:
            part.abandon()

    @contextmanager
    def _ending(self) -> Iterator[None]:
        """Should it end here, nothing is left open, and where nodes were not reached they are
        asked who has their slots now."""
        try:
            yield
        except BaseException as error:
            self.abandon()
            if isinstance(error, (ConnectionError, TimeoutError)):
                with suppress(RedisError, RedisClusterException):
                    self._nodes.learn_anew()
            raise

    # -- sending -------------------------------------------------------------------------------

    def _send(self, numbers: Iterable[int]) -> None:
        by_place: dict[tuple[str, bool], tuple[Place, list[int]]] = {}
        with self._ending():
            for number in numbers:
                asking = self._asking.pop(number, None)
                place = asking or self._nodes.place_of(self._lines[number].key)
                by_place.setdefault((place.name, asking is not None), (place, []))[1].append(number)
            for (_, is_asking), (place, ours) in by_place.items():
                self._send_to(place, ours, is_asking)

    def _send_to(self, place: Place, numbers: Sequence[int], asking: bool) -> None:
        try:
            connection = place.pool.get_connection()
        except (ConnectionError, TimeoutError) as error:
            if not self._nodes.redirects:
                raise
            self._failed |= dict.fromkeys(numbers, error)
            return
        waits = any(self._lines[number].waits for number in numbers)
        asked = self._nodes.replicas.to_ask(place.name) if waits else None
        lines = {number: self._words[number] for number in numbers}
        self._parts.append(_Part(place, connection, lines, asking, asked))

    def _send_again(self, *, last: bool) -> None:
        """Send what was refused to where it belongs, or raise its error if there is no hope."""
        failed, self._failed = self._failed, {}
        errors = list(failed.values())
        unreached = [e for e in errors if isinstance(e, (ConnectionError, TimeoutError))]
        if unreached or any(isinstance(e, (MovedError, ClusterDownError)) for e in errors):
            self._nodes.learn_anew()
        if last or (unreached and self._unreached):
            raise (unreached or errors)[0]
        self._unreached = self._unreached or bool(unreached)
        if any(isinstance(e, (TryAgainError, ClusterDownError)) for e in errors):
            self._nodes.replicas.clock.sleep_s(_PAUSE_S)
        for number, error in failed.items():
            if isinstance(error, NoScriptError):
                self._words[number] = self._lines[number].instead
            elif isinstance(error, AskError):
                self._asking[number] = self._nodes.place_at(error.host, error.port)
        self._send(sorted(failed))

    # -- reading -------------------------------------------------------------------------------

    def _read(self) -> None:
        held: list[tuple[str, Any]] = []
        with self._ending():
            while self._parts:
                part = self._parts[0]
                some = self._take(part)
                if part.asked is not None:
                    answer = part.read_one()
                    if some:
                        held.append((part.place.name, answer))
                part.release()
                self._parts.pop(0)
        for name, answer in held:
            self._judge(name, answer)

    def _take(self, part: _Part) -> bool:
        """Whether any of its commands was done."""
        some = False
        for number, reply in part.read():
            if not isinstance(reply, ResponseError):
                self._replies[number] = reply
                some = True
            elif isinstance(reply, NoScriptError) or (
                self._nodes.redirects
                and isinstance(reply, (MovedError, AskError, TryAgainError, ClusterDownError))
            ):
                self._failed[number] = reply
            else:
                raise reply
        return some

    def _judge(self, name: str, answer: Any) -> None:
        if isinstance(answer, ResponseError):
            raise answer
        self._nodes.replicas.judge(name, int(answer), lambda: self._nodes.alive_replicas(name))


def _widen(connection: Any) -> None:
    """Let a UNIX socket take in a whole arrival: the sender would have to wait for Redis to work
    off most of it. The system grants what net.core.wmem_max allows; TCP grows by itself."""
    taken = connection._sock  # the library has no public way
    if taken is not None and taken.family == socket.AF_UNIX:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
