"""The board's scripts that draw nothing, run in Node: a function called from a test."""

import json
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import streamer.board
from tests.contract.npm import copy_script
from tests.servers import program

SCRIPTS = Path(streamer.board.__file__).parent / "static" / "js"
Call = Callable[..., Any]


@contextmanager
def running(folder: Path) -> Iterator[Call]:
    """`calls([(module, name, args, methods), ...])` runs functions of the scripts and gives their
    results; see tests/peers/call.mjs. Skips the test where there is no Node."""
    shutil.copytree(SCRIPTS, folder / "js")
    (folder / "package.json").write_text('{"private": true, "type": "module"}')
    command = [program("node"), str(copy_script("call.mjs", folder))]
    with subprocess.Popen(
        command, cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as node:
        asked, answered = node.stdin, node.stdout
        assert asked
        assert answered

        def run(tasks: list[tuple[Any, ...]]) -> list[Any]:
            names = ("module", "name", "args", "methods")
            asked.write(json.dumps([dict(zip(names, one, strict=False)) for one in tasks]) + "\n")
            asked.flush()
            answer = json.loads(answered.readline())
            assert "error" not in answer, answer["error"]
            return list(answer["results"])

        yield run
        asked.close()


def call(calls: Call, module: str, name: str, *args: Any) -> Any:
    (result,) = calls([(module, name, list(args))])
    return result
