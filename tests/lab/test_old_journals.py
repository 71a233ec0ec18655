"""Journals that old code recorded, replayed by the present one. What is expected is in
`shared/journal/old/COMMIT.json`: the last word of the replay of that commit, run then on the same
file."""

import json
from pathlib import Path
from typing import Any

import pytest

from streamer.cli import main
from streamer.journal.reader import read, scan
from streamer.lab.replay import Replay
from streamer.state.shapes import OutMessage
from streamer.state.store import Store, connect
from tests.servers import Redis

JOURNALS = Path(__file__).parents[2] / "shared" / "journal"
OLD = JOURNALS / "old"
FOLDERS = {"e22f803": OLD / "e22f803", "b6ffac5": JOURNALS, "484c9d8": OLD / "484c9d8"}
SAME_JUDGEMENT = ("b6ffac5", "484c9d8")
"""Since then the rules of reach are those of today; e22f803 judged a standing by the clock of the
look, so of its rosters only who was placed where is compared."""
SAME_ALERTS = ("484c9d8",)
"""Before, each lost gateway was an alert of its own, and each had another form."""


@pytest.fixture(params=FOLDERS)
def commit(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def never(words: str) -> None:
    raise AssertionError(words)


def test_it_is_whole(commit: str) -> None:
    (path,) = FOLDERS[commit].glob("*.zst")
    report = scan(path)
    assert (report.closed, report.summed, report.troubles) == (True, True, [])
    assert path.stat().st_size < 100_000


def reduced(content: Any, like: Any) -> Any:
    """Content with those fields alone that the old one has: newer code says more."""
    if isinstance(like, dict) and isinstance(content, dict):
        return {k: reduced(content[k], v) for k, v in like.items() if k in content}
    if isinstance(like, list) and isinstance(content, list) and len(like) == len(content):
        return [reduced(c, v) for c, v in zip(content, like, strict=True)]
    return content


def placed(roster: Any) -> Any:
    out = "checked_out"
    return {m["station"]: (m["repeater"], m["standing"] == out) for m in roster["members"]}


@pytest.mark.redis
def test_the_state_after_a_replay_is_what_the_old_code_said(
    commit: str, empty_redis: Redis
) -> None:
    old = json.loads((OLD / f"{commit}.json").read_text())
    said: dict[str, Any] = {}

    def publish(message: OutMessage) -> None:
        if message.payload and message.retain:
            said[message.topic] = json.loads(message.payload)
        elif message.retain:
            said.pop(message.topic, None)

    replay = Replay(
        lambda view: [Store(connect(empty_redis.url), view)], 6 * 3_600_000, publish=publish
    )  # fmt: skip
    (played,) = list(replay.play(read([FOLDERS[commit]], never)))[-1:]
    assert played.troubles == []
    for name in ("events", "refusals", "acts"):
        assert getattr(played, name) == old[name], name
    assert old["events"] > 200
    counts = {name: dict(replay.store.gateway(name).counts) for name in old["counts"]}
    assert counts == old["counts"]
    assert len(old["retained"]) == 10  # a fan-out and a roster of each of five groups
    for topic, content in old["retained"].items():
        if "/reach/" in topic and commit not in SAME_JUDGEMENT:
            assert placed(said[topic]) == placed(content), topic
        else:
            assert reduced(said[topic], content) == content, topic
    if commit in SAME_ALERTS:
        assert sorted(t.split("/")[3] for t in said if "/alert/" in t) == old["alerts"]


def test_the_commands_that_ask_a_recorded_day_read_it(
    commit: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = str(FOLDERS[commit])
    assert main(["journal", folder]) == 0
    capsys.readouterr()
    words = ["--set", "linger_s=60", "--processes", "1", "--least", "10s"]
    assert main(["compare", folder, "--json", *words]) == 0
    compared = json.loads(capsys.readouterr().out)
    assert compared["region"] == "farisle"
    assert main(["load", folder, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["region"] == "farisle"


def test_a_report_of_a_duty_in_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Only the newest of them holds one."""
    folder = str(FOLDERS["484c9d8"])
    assert main(["report", folder, "--json"]) == 0
    (duty,) = json.loads(capsys.readouterr().out)["duties"]
    assert main(["report", duty["id"], folder, "--out", str(tmp_path / "report")]) == 0
    assert (tmp_path / "report" / "report.html").stat().st_size > 10_000
