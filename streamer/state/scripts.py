"""Loads the scripts and runs them with EVALSHA, sending the text when a server does not know it."""

import socket
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha1
from importlib import resources
from typing import Any, cast

import redis
from redis.exceptions import NoScriptError

Argument = str | int | float
_SEND_BUFFER = 4_000_000


class Script(StrEnum):
    """One job each; see the head of each file in `lua/`."""

    STATION = "station"
    GROUP = "group"
    GATEWAY = "gateway"
    CLAIM_DUE = "claim_due"
    WAKE = "wake"
    COMMIT = "commit"
    COMMIT_CASES = "commit_cases"
    TAKE_PARCEL = "take_parcel"
    SETTLE_PARCEL = "settle_parcel"
    RAISE = "raise"
    CLAIM_OUT = "claim_out"
    CONFIRM = "confirm"
    REFUSE = "refuse"
    WRITE = "write"
    MEND = "mend"


def _text(script: str) -> str:
    return resources.files("streamer.state").joinpath(f"lua/{script}.lua").read_text("utf-8")


@dataclass(frozen=True, slots=True)
class Call:
    """One script on one slot."""

    script: Script
    keys: Sequence[str]
    arguments: Sequence[Argument]


class Scripts:
    """The scripts bound to a client."""

    def __init__(self, client: "redis.Redis") -> None:
        self._client = client
        common = _text("common")
        self._texts = {script: f"{common}\n{_text(script)}" for script in Script}
        # The name under which Redis keeps a script is the SHA-1 of its text; nothing is secured.
        self._names = {s: sha1(t.encode()).hexdigest() for s, t in self._texts.items()}  # noqa: S324

    def run(self, script: Script, keys: Sequence[str], arguments: Sequence[Argument]) -> Any:
        """One call on one slot: every key must carry the same hash tag."""
        try:
            return self._client.evalsha(
                self._names[script], len(keys), *keys, *cast("Sequence[str]", arguments)
            )
        except NoScriptError:
            return self._client.eval(
                self._texts[script], len(keys), *keys, *cast("Sequence[str]", arguments)
            )

    def start(self, calls: Sequence[Call]) -> "Running":
        """Send calls that Redis works on, in this order, while the caller does other things."""
        lines = [
            ("EVALSHA", self._names[c.script], len(c.keys), *c.keys, *c.arguments) for c in calls
        ]
        return Running(self, calls, lines, self._client.connection_pool)


def _widen(connection: Any) -> None:
    """Let a UNIX socket take in a whole arrival: the sender would have to wait for Redis to work
    off most of it. The system grants what net.core.wmem_max allows; TCP grows by itself."""
    taken = connection._sock  # the library has no public way
    if taken is not None and taken.family == socket.AF_UNIX:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)


class Running:
    """Calls that were sent on a connection of their own. Either `replies` or `abandon` ends it."""

    def __init__(
        self,
        scripts: Scripts,
        calls: Sequence[Call],
        lines: Sequence[Sequence[Argument]],
        pool: Any,  # the library leaves its own types open
    ) -> None:
        self._scripts = scripts
        self._calls = calls
        self._pool = pool
        self._connection: Any = pool.get_connection()
        try:
            _widen(self._connection)
            if lines:
                self._connection.send_packed_command(self._connection.pack_commands(lines))
        except BaseException:
            self.abandon()
            raise

    def replies(self) -> list[Any]:
        """Wait for the replies, one a call. Raises RedisError."""
        replies = []
        try:
            for _ in self._calls:
                try:
                    replies.append(self._connection.read_response())
                except NoScriptError as error:
                    replies.append(error)
        except BaseException:
            self.abandon()
            raise
        connection, self._connection = self._connection, None
        self._pool.release(connection)
        return [
            self._scripts.run(c.script, c.keys, c.arguments) if isinstance(r, NoScriptError) else r
            for c, r in zip(self._calls, replies, strict=True)
        ]

    def abandon(self) -> None:
        """Do not wait: the connection is closed, its replies would be taken for others'."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.disconnect()
            self._pool.release(connection)
