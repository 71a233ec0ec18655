"""Loads the scripts and runs them with EVALSHA, sending the text when a server does not know it."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha1
from importlib import resources
from typing import Any, Final

import redis

from streamer.state.cluster import nodes_of
from streamer.state.running import Argument, Line, Running


class Script(StrEnum):
    """One job each; see the head of each file in `lua/`. Other files there are parts of these."""

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


_PARTS: Final = {Script.GATEWAY: ("sequences", "sheets")}


def _text(script: Script) -> str:
    folder = resources.files("streamer.state") / "lua"
    names = ("common", *_PARTS.get(script, ()), script)
    return "\n".join((folder / f"{name}.lua").read_text("utf-8") for name in names)


# A lease that is lost with a node is taken again, what the broker has is offered once more: nobody
# was told anything that would then be untrue.
_UNWAITED: Final = frozenset({Script.CLAIM_DUE, Script.CONFIRM})


@dataclass(frozen=True, slots=True)
class Call:
    """One script on one slot: every key must carry the same hash tag."""

    script: Script
    keys: Sequence[str]
    arguments: Sequence[Argument]


class Scripts:
    """The scripts bound to a client. Whatever is run here waits for the replicas that the client
    was told to wait for (`state/replicas.py`)."""

    def __init__(self, client: "redis.Redis") -> None:
        self.nodes = nodes_of(client)
        self._texts = {script: _text(script) for script in Script}
        # The name under which Redis keeps a script is the SHA-1 of its text; nothing is secured.
        self._names = {
            script: sha1(text.encode(), usedforsecurity=False).hexdigest()
            for script, text in self._texts.items()
        }

    def run(self, script: Script, keys: Sequence[str], arguments: Sequence[Argument]) -> Any:
        """One call. Raises as `Running.replies`."""
        return self.start([Call(script, keys, arguments)]).replies()[0]

    def start(self, calls: Sequence[Call]) -> Running:
        """Send calls that Redis works on while the caller does other things; those of one node in
        this order."""
        return Running(self.nodes, list(map(self._line, calls)))

    def write(self, commands: Sequence[Sequence[Argument]]) -> list[Any]:
        """Plain commands, each with its key as the second word and each by itself; their replies
        as Redis gives them. Raises as `Running.replies`."""
        return Running(self.nodes, [Line(str(c[1]), tuple(c)) for c in commands]).replies()

    def _line(self, call: Call) -> Line:
        rest = (len(call.keys), *call.keys, *call.arguments)
        return Line(
            call.keys[0],
            ("EVALSHA", self._names[call.script], *rest),
            ("EVAL", self._texts[call.script], *rest),
            waits=call.script not in _UNWAITED,
        )
