"""The agent as it is, in a process that also writes each event that it stores to a file `ledger`.

Run as a program with the agent's file; the ledger lies beside it, a line an event: kind, tab,
payload. An event is there before its transaction ends: of a process that was killed the last ones
may have been taken back, which its spool tells.
"""

import os
import runpy
import sys
from pathlib import Path
from typing import Any

from streamer.agent import agent as made_of
from streamer.agent.spool import Spool
from streamer.contract.topics import Kind


class ToldSpool(Spool):
    """A spool that tells the ledger."""

    def __init__(self, *given: Any, **named: Any) -> None:
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT
        self._ledger = os.open(Path(sys.argv[1]).with_name("ledger"), flags, 0o600)
        super().__init__(*given, **named)

    def _insert(self, kind: Kind, payload: bytes) -> int:
        os.write(self._ledger, f"{kind}\t".encode() + payload + b"\n")
        return super()._insert(kind, payload)


if __name__ == "__main__":
    vars(made_of)["Spool"] = ToldSpool
    runpy.run_module("streamer.agent", run_name="__main__")
