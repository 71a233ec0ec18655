"""A recorded demo once more: the same state, field by field.

Nothing outside says what the state should be; here two ways to it are compared, one of which (the
live one) never saw the journal's code but for its writing.
"""

import json
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from streamer.acts.acts import Acts
from streamer.clock import SystemClock
from streamer.config import RegionView
from streamer.contract.duty import DutyKind
from streamer.contract.published import OrderKind
from streamer.journal.names import files_in
from streamer.journal.reader import JournalError, read, region_of, scan
from streamer.lab.replay import Played, Replay
from streamer.state.store import Store, connect
from tests.servers import Redis, wait_until
from tests.state.canonical import canonical

pytestmark = [pytest.mark.redis, pytest.mark.mosquitto, pytest.mark.slow]
DEMO_S = 14
LATER_MS = 30_000
"""After the last line: whoever was there is judged at the same moment in both states."""


@dataclass
class Recorded:
    """A demo that has ended: its journal, what the live state has become, and what was ordered."""

    folder: Path
    live: dict[str, Any]
    until_ms: int
    acts: int


def regions(folder: Path) -> list[dict[str, Any]]:
    """The lines with the region file, as soon as there are any."""
    try:
        return [line for line in read([folder], lambda _: None) if line["kind"] == "region"]
    except JournalError:
        return []


def never(_: str) -> None:
    raise AssertionError("the journal is whole")


def order(live: Redis, view: RegionView) -> int:
    """What people may order, each of it once; returns how many acts that are."""
    store = Store(connect(live.url), view)
    acts = Acts(store, SystemClock())

    def members(group: str) -> list[str]:
        return [s.station for s in store.groups([group])[0].members]

    wait_until(lambda: members("SEARCH-2") and members("SUPPLY"), "members")
    wait_until(store.all_alerts, "an alert")
    acts.order("SEARCH-1", "mirrosk/vhf", OrderKind.PIN, 3600, "admin", "for the night")
    acts.order("SUPPLY", "kelmarra/vhf", OrderKind.BAR, 3600, "admin")
    acts.order("SHORE", "kelmarra/vhf", OrderKind.BAR, 3600, "admin")
    acts.lift("SHORE", "kelmarra/vhf", "admin")
    acts.start_roll_call("SEARCH-2", "officer")
    acts.answered("SEARCH-2", members("SEARCH-2")[0], "officer")
    duty = acts.start_duty("Night exercise", DutyKind.EXERCISE, ["SEARCH-1"], "officer", "try-out")
    acts.start_duty("Storm", DutyKind.ACTUAL, ["SUPPLY"], "officer")
    acts.end_duty(duty.id, "officer")
    acts.accept_call("BASECAMP", "admin")
    acts.check_out("SUPPLY", members("SUPPLY")[0], "officer")
    acts.acknowledge(sorted(store.all_alerts())[0], "officer", "looking into it")
    return 12


@pytest.fixture(scope="module", params=[1, 2], ids=["one-worker", "two-workers"])
def recorded(request: pytest.FixtureRequest, tmp_path_factory: Any) -> Iterator[Recorded]:
    folder = tmp_path_factory.mktemp("journal")
    redis = Redis()
    redis.start()
    try:
        demo = subprocess.Popen(
            [sys.executable, "-m", "streamer", "demo", "--for", f"{DEMO_S}s", "--json",
             "--no-board", "--redis", redis.url, "--record", str(folder),
             "--workers", str(request.param)],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        wait_until(lambda: regions(folder), "a journal")
        head = regions(folder)[0]
        acts = order(redis, region_of(head))
        said, _ = demo.communicate(timeout=DEMO_S + 60)
        assert demo.returncode == 0, said
        until_ms = max(scan(path).last_ms or 0 for path in files_in(folder)) + LATER_MS
        yield Recorded(folder, settled(redis, region_of(head), until_ms), until_ms, acts)
    finally:
        redis.close()


def settled(redis: Redis, view: RegionView, now_ms: int) -> dict[str, Any]:
    """The state after a worker has looked at all that is due at a time."""
    work = Replay(lambda v: [Store(connect(redis.url), v)], 1000, view=view)
    work.begin(view, now_ms)
    work.reach(now_ms)
    return canonical(redis.client(), view.name)


def replayed(
    recorded: Recorded, redis: Redis, *, portion: int, workers: int, every_ms: int
) -> tuple[dict[str, Any], Played]:
    redis.client().flushall()

    def stores(view: RegionView) -> Sequence[Store]:
        return [Store(connect(redis.url), view) for _ in range(workers)]

    replay = Replay(stores, every_ms, portion=portion)
    for _ in replay.play(read([recorded.folder], never), recorded.until_ms):
        pass
    return canonical(redis.client(), replay.store.view.name), replay.played


def same(a: dict[str, Any], b: dict[str, Any]) -> None:
    found = difference(a, b)
    if found:
        pytest.fail("\n".join(found[:12]), pytrace=False)


def difference(a: Any, b: Any, path: str = "") -> list[str]:
    """Where two values differ, in words; for the test's message."""
    if isinstance(a, dict) and isinstance(b, dict):
        return [
            words
            for key in sorted({*a, *b})
            for words in difference(a.get(key), b.get(key), f"{path}/{key}")
        ]
    same = json.dumps(a, default=str) == json.dumps(b, default=str)
    return [] if same else [f"{path}: {str(a)[:300]} != {str(b)[:300]}"]


@pytest.mark.parametrize(
    ("portion", "workers"), [(20_000, 1), (7, 1), (150, 2)], ids=["one", "small", "two"]
)
def test_a_replay_comes_to_the_live_state_field_by_field(
    recorded: Recorded, redis_server: Redis, portion: int, workers: int
) -> None:
    state, played = replayed(
        recorded, redis_server, portion=portion, workers=workers, every_ms=1000
    )
    assert played.troubles == []
    assert played.acts == recorded.acts
    assert played.events > 150
    assert len(state) > 100
    same(recorded.live, state)


def test_twice_is_the_same_and_looking_less_often_too(
    recorded: Recorded, redis_server: Redis
) -> None:
    first, _ = replayed(recorded, redis_server, portion=500, workers=1, every_ms=1000)
    again, _ = replayed(recorded, redis_server, portion=500, workers=1, every_ms=1000)
    same(first, again)
    seldom, played = replayed(recorded, redis_server, portion=500, workers=1, every_ms=3_600_000)
    assert played.looks < 30  # an act has it looked at too
    same(first, seldom)
