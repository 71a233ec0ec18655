"""How far a page trusts what it shows: `feed.js` run in Node, fed by the test in place of the
browser's EventSource. Expected answers are worked out on paper beside each test."""

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from streamer.board.rows import Beat
from streamer.clock import from_ms
from tests.board.scripts import SCRIPTS
from tests.servers import program

pytestmark = pytest.mark.node

FOLLOW = """
import fs from 'node:fs';
const heard = {};
globalThis.EventSource = class {
  addEventListener(name, work) { heard[name] = work; }
  close() {}
};
globalThis.addEventListener = () => {};
globalThis.document = { addEventListener() {}, documentElement: { dataset: {} } };
globalThis.setInterval = () => {};
const { Feed } = await import('./js/feed.js');
const feed = new Feed(['head']);
const states = JSON.parse(fs.readFileSync(0)).map(([name, data]) => {
  heard[name]({ data: JSON.stringify(data) });
  return feed.state();
});
process.stdout.write(JSON.stringify(states));
"""
NOW_MS = 1_767_225_600_000


def states(folder: Path, *events: tuple[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """What the page thinks after each event."""
    shutil.copytree(SCRIPTS, folder / "js")
    (folder / "package.json").write_text('{"private": true, "type": "module"}')
    (folder / "follow.mjs").write_text(FOLLOW)
    done = subprocess.run(
        [program("node"), "follow.mjs"], cwd=folder, input=json.dumps(events),
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return list(json.loads(done.stdout))


def beat(at_ms: int, made_ms: int | None) -> tuple[str, dict[str, Any]]:
    said = Beat(at=from_ms(at_ms), made_at=None if made_ms is None else from_ms(made_ms))
    return "beat", said.model_dump(mode="json")


def test_a_board_that_speaks_and_no_longer_makes_its_picture_is_not_believed(
    tmp_path: Path,
) -> None:
    """Made at second 0: 5 s old, then 10 s (more than 8), then made again, then of a record."""
    head = {"broker": "connected", "redis": "answers", "worker": "live", "stale_since": None}
    rows = {"table": "head", "full": True, "rows": {"head": head}, "gone": []}
    found = states(
        tmp_path,
        ("rows", rows),
        beat(NOW_MS + 5_000, NOW_MS),
        beat(NOW_MS + 10_000, NOW_MS),
        beat(NOW_MS + 15_000, NOW_MS + 14_900),
        beat(NOW_MS + 20_000, NOW_MS),
        beat(NOW_MS + 25_000, None),
    )
    assert [state["stale"] for state in found] == [False, False, True, False, True, False]
    assert found[2]["since"] == NOW_MS
    assert found[2]["why"] == ["the board cannot bring what it shows up to date"]
