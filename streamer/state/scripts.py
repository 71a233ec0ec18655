"""Loads the scripts and runs them with EVALSHA, sending the text when a server does not know it."""

from collections.abc import Sequence
from enum import StrEnum
from hashlib import sha1
from importlib import resources
from typing import Any, cast

import redis
from redis.exceptions import NoScriptError

Argument = str | int | float


class Script(StrEnum):
    """One job each; see the head of each file in `lua/`."""

    STATION = "station"
    GROUP = "group"
    GATEWAY = "gateway"
    CLAIM_DUE = "claim_due"
    WAKE = "wake"
    COMMIT = "commit"
    COMMIT_ALERTS = "commit_alerts"
    CLAIM_OUT = "claim_out"
    CONFIRM = "confirm"
    REFUSE = "refuse"


def _text(script: str) -> str:
    return resources.files("streamer.state").joinpath(f"lua/{script}.lua").read_text("utf-8")


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
