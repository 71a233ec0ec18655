"""The journal in shared/: recorded once, and read by every later version."""

import json
from pathlib import Path
from typing import Any

import pytest

from streamer.journal.names import files_in
from streamer.journal.reader import read, scan
from streamer.lab.replay import Replay
from streamer.state.shapes import OutMessage
from streamer.state.store import Store, connect
from tests.servers import Redis

FOLDER = Path(__file__).parents[2] / "shared" / "journal"


def never(words: str) -> None:
    raise AssertionError(words)


def test_it_is_whole() -> None:
    (path,) = files_in(FOLDER)
    report = scan(path)
    assert (report.closed, report.summed, report.troubles) == (True, True, [])
    assert report.kinds["heard"] > 100


@pytest.mark.redis
def test_a_replay_wants_what_the_live_worker_wanted(redis_server: Redis) -> None:
    """Up to a moment in the middle, by what was published then: the live worker's own word."""
    redis_server.client().flushall()
    lines = list(read([FOLDER], never))
    settled_ms = lines[0]["noted_ms"] + 20_000
    live: dict[str, Any] = {}
    for line in lines:
        of_fanout = line["kind"] == "published" and "/fanout/" in line["topic"]
        if of_fanout and line["noted_ms"] <= settled_ms:
            live[line["topic"]] = json.loads(line["payload"])
    said: dict[str, Any] = {}

    def publish(message: OutMessage) -> None:
        if "/fanout/" in message.topic:
            said[message.topic] = json.loads(message.payload)

    replay = Replay(
        lambda view: [Store(connect(redis_server.url), view)], 1000, publish=publish
    )  # fmt: skip
    for played in replay.play(lines, settled_ms):
        assert played.troubles == []
    assert len(live) == 5

    def wanted(fanout: Any) -> set[tuple[str, ...]]:
        return {(r["repeater"], *r["why"], *r["members"]) for r in fanout["repeaters"]}

    assert {t: wanted(f) for t, f in said.items()} == {t: wanted(f) for t, f in live.items()}
    redis_server.client().flushall()
