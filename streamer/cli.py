"""The `streamer` command. Each subcommand is imported when it is used, so the agent stays small.

Exit codes everywhere: 0 well, 1 found wrong, 2 used wrongly.
"""

import argparse
import importlib
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import ModuleType

from streamer import __version__

_COMMANDS = {
    "agent": ("streamer.agent.command", "run a gateway's agent", None),
    "worker": ("streamer.worker.command", "run a worker", "worker"),
    "check": ("streamer.reading.check", "say what is wrong with a region file", None),
    "where": ("streamer.reading.where", "where a station was last heard", "worker"),
    "group": ("streamer.reading.group", "where a group is carried and why", "worker"),
    "gateway": ("streamer.reading.gateway", "whether a gateway is up and what is on it", "worker"),
    "alerts": ("streamer.reading.alerts", "what is wrong now; acknowledge it", "worker"),
    "duty": ("streamer.reading.duty", "exercises and incidents: who is accounted for", "worker"),
    "channels": ("streamer.reading.channels", "who is told of alerts, and how; try it", "alerts"),
    "refused": ("streamer.reading.refused", "what was rejected and why", "worker"),
    "journal": ("streamer.journal.command", "what a journal holds, and how whole it is", "worker"),
    "replay": ("streamer.lab.replay_command", "a recorded day once more, up to the end", "worker"),
    "catch-up": ("streamer.lab.catch_up_command", "after a restore: what journals hold", "worker"),
    "compare": ("streamer.lab.compare_command", "what other settings would cost", "worker"),
    "load": ("streamer.lab.load_command", "how busy repeaters were, and will be", "worker"),
    "whatif": ("streamer.lab.whatif_command", "which single failure would hurt most", "worker"),
    "forget": ("streamer.forget.command", "take a station out of state and journal", "worker"),
    "report": ("streamer.report.command", "what happened in a duty, for print", "report"),
    "contract": ("streamer.reading.contract", "write the wire contract's documents", None),
    "board": ("streamer.board.command", "serve the board: live pages and their API", "board"),
    "enroll": ("streamer.enroll.entry", "accounts at the broker: certificates", "enroll"),
    "user": ("streamer.board.user_command", "who may sign in on the board", "board"),
    "demo": ("streamer.demo.command", "an invented region, live in this terminal", "demo"),
}


def _load(name: str) -> ModuleType:
    module, _, extra = _COMMANDS[name]
    with _telling_what_to_install(name, extra):
        return importlib.import_module(module)


@contextmanager
def _telling_what_to_install(name: str, extra: str | None) -> Iterator[None]:
    try:
        yield
    except ModuleNotFoundError as error:
        if extra is None or (error.name or "").startswith("streamer"):
            raise
        print(
            f"streamer {name}: the package {error.name!r} is missing; "
            f"install it with: pip install '.[{extra}]' in the folder of streamer's sources",
            file=sys.stderr,
        )
        raise SystemExit(2) from error


def main(argv: Sequence[str] | None = None) -> int:
    """Run one subcommand; returns its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(
        prog="streamer",
        description="Follows a regional voice-radio network live: who was heard where, which "
        "repeaters carry which group, who dropped out of reach.",
    )
    parser.add_argument("--version", action="version", version=f"streamer {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    chosen = next((word for word in words if not word.startswith("-")), None)
    for name, (_, text, _) in _COMMANDS.items():
        sub = commands.add_parser(name, help=text, description=text)
        if name == chosen:
            module = _load(name)
            module.add_arguments(sub)
            sub.set_defaults(run=module.main)
    arguments = parser.parse_args(words)
    try:
        with _telling_what_to_install(arguments.command, _COMMANDS[arguments.command][2]):
            code: int = arguments.run(arguments)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    return code
