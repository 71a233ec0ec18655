"""What one walk along a day finds is what the state and the rules find at each of its moments.

The state is the real one: events through intake, scripts and records in a real Redis; the rules
are `look_at_group`. Only the walk is ours to judge.
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from streamer.config import RegionView
from streamer.domain.group_now import look_at_group
from streamer.domain.liveness import Sights
from streamer.lab.columns import Columns, columns_of
from streamer.lab.day import Day, Hearing, RecordedOver
from streamer.lab.holding import Rules, Walk
from streamer.lab.ordered import OrderSpan, order_spans
from tests.servers import Redis
from tests.state.scene import GROUPS, START_MS, Bench, BenchWorker, Teller, moment, region

pytestmark = pytest.mark.redis
EXAMPLES = int(os.environ.get("STREAMER_EXAMPLES", "60")) // 4
NOBODY = Sights({}, frozenset(), 90_000, START_MS)
CALLS = ("QA1ABC", "QB2DEF")
DURATION_MS = 400
# With the scene's linger of 30 s (NET: 10 s), expiry after 240 s, and some to either side.
GAPS_MS = (1000, 3000, 9999, 10_000, 12_000, 29_999, 30_000, 30_001, 239_999, 240_000, 275_000)


@dataclass(frozen=True)
class Said:
    ms: int
    call: str
    repeater: str
    to: str | None
    text: str | None

    @property
    def out(self) -> bool:
        return self.text is not None

    def over(self, view: RegionView) -> RecordedOver:
        group = self.to if self.to in view.groups else ""
        assert group is not None
        return RecordedOver(
            f"{self.call}-{self.ms}", self.call, self.to, group, self.ms, self.ms + DURATION_MS,
            self.ms, self.repeater, (Hearing(self.repeater, None, None),),
            group if self.out else "", "OUT" if self.out and not group else "", None,
        )  # fmt: skip


@st.composite
def histories(draw: st.DrawFn) -> list[Said]:
    """Mostly one station goes on where it was; so most of it is plain, and the rest comes after."""
    found, ms, at = [], START_MS, dict.fromkeys(CALLS, "ridge/uhf")
    for _ in range(draw(st.integers(4, 16))):
        ms += draw(st.sampled_from(GAPS_MS))
        call = CALLS[draw(st.sampled_from([0, 0, 0, 1]))]
        if draw(st.sampled_from([False, False, True])):
            at[call] = draw(st.sampled_from(["ridge/uhf", "ridge/vhf", "lake/vhf", "mill/vhf"]))
        to = draw(st.sampled_from(["NET", "RESCUE", "RESCUE", "RESCUE", None, None]))
        text = draw(st.sampled_from([None, None, None, None, "OUT"]))
        found.append(Said(ms, call, at[call], to, text))
    return found


def told(*events: tuple[int, str, str | None, str | None]) -> list[Said]:
    """Of one station: seconds, repeater, to, text."""
    return [Said(START_MS + s * 1000, CALLS[0], on, to, text) for s, on, to, text in events]


# Where the walk does not look closely, it must be right not to: keyings within a linger after a
# move, within one after a check-out, and before an expiry.
AFTER_A_MOVE = told(
    (1, "ridge/uhf", "RESCUE", None), (60, "lake/vhf", "RESCUE", None),
    (70, "lake/vhf", "RESCUE", None), (75, "lake/vhf", "RESCUE", None),
)  # fmt: skip
AFTER_A_CHECK_OUT = told(
    (1, "ridge/uhf", "RESCUE", None), (100, "ridge/uhf", "RESCUE", "OUT"),
    (110, "ridge/uhf", None, None), (115, "ridge/uhf", None, None),
)  # fmt: skip
BEFORE_AN_EXPIRY = told(
    (1, "ridge/uhf", "RESCUE", None), (100, "ridge/uhf", "RESCUE", None),
    (200, "ridge/uhf", None, None), (500, "lake/vhf", None, None),
)  # fmt: skip

# A check-in lasts while the station is heard, however old: here longer than anything is kept of it.
LONG = told(
    (1, "ridge/uhf", "RESCUE", None),
    *((200 * n, "lake/vhf", None, None) for n in range(1, 21)),
    (4100, "ridge/uhf", None, "OUT"), *((200 * n, "ridge/uhf", None, None) for n in range(21, 42)),
    (8300, "ridge/uhf", None, "OUT"), (8310, "lake/vhf", None, None),
)  # fmt: skip


def bench_of(url: str, view: RegionView) -> BenchWorker:
    bench = Bench(view, url)
    worker = bench.worker()
    worker.store.prepare(START_MS)
    return worker


def fan_out_by_the_state(worker: BenchWorker, group: str, now_ms: int) -> dict[str, bool]:
    """Repeater -> whether a member is on it."""
    (snapshot,) = worker.store.groups([group])
    now = look_at_group(worker.store.view, snapshot, NOBODY, now_ms)
    return {w.repeater: bool(w.members) for w in now.fanout.wanted}


def walks(columns: Columns, view: RegionView, group: str) -> list[tuple[str, int, int]]:
    """(repeater, from, until) of all stations."""
    held: list[tuple[str, int, int]] = []
    number = columns.groups.index(group)
    walk = Walk(Rules.of(view, group), columns.repeaters, columns.horizon_ms)
    for station in range(len(columns.stations)):
        own = columns.keyings.of(station)
        walked = walk.of(
            columns.keyings.ms[own].tolist(), columns.keyings.repeater[own].tolist(),
            (columns.keyings.group[own] == number).tolist(),
            columns.outs_ms.get((number, station), ()),
        )  # fmt: skip
        held += [(columns.repeaters[r], a, b) for r, a, b in walked.held]
    return held


def fan_out_by_the_walk(
    held: list[tuple[str, int, int]], orders: Sequence[OrderSpan], now_ms: int
) -> set[str]:
    (span,) = [s for s in orders if s.from_ms <= now_ms < s.until_ms]
    return ({r for r, a, b in held if a <= now_ms < b} | span.pins) - span.bars


def moments(history: Sequence[Said], at: int) -> list[int]:
    """After the event at `at` and before the next: when something may end, and just before."""
    said = history[at]
    since_ms = said.ms + (DURATION_MS if said.out else 0)
    end_ms = history[at + 1].ms if at + 1 < len(history) else said.ms + 400_000
    times = {since_ms, end_ms - 1}
    for earlier in history[: at + 1]:
        for later_ms in (10_000, 30_000, 240_000, 250_000, 270_000):
            for begun_ms in (earlier.ms, earlier.ms + DURATION_MS):
                times |= {begun_ms + later_ms - 1, begun_ms + later_ms}
    return sorted(t for t in times if since_ms <= t < end_ms)


@settings(max_examples=EXAMPLES, deadline=None)
@example(history=AFTER_A_MOVE)
@example(history=AFTER_A_CHECK_OUT)
@example(history=BEFORE_AN_EXPIRY)
@example(history=LONG)
@given(history=histories())
def test_the_walk_is_the_state_at_every_moment(redis_server: Redis, history: list[Said]) -> None:
    with redis_server.client() as client:
        client.flushall()
    view = region(policy={**region().region.policy.model_dump(), "overdue_after_s": 60})
    worker = bench_of(redis_server.url, view)
    overs = tuple(said.over(view) for said in history)
    last_ms = history[-1].ms + 400_000
    day = Day(view, START_MS, last_ms, overs, (), {}, ())
    columns = columns_of(day)
    held = {group: walks(columns, view, group) for group in GROUPS}
    orders = {
        group: order_spans(view.groups[group], (), columns.begin_ms, columns.horizon_ms)
        for group in GROUPS
    }
    tellers = {name: Teller(name) for name in view.gateways}
    for at, said in enumerate(history):
        end_ms = said.ms + DURATION_MS
        worker.bench.clock.advance_s((end_ms - worker.bench.clock.now_ms()) / 1000)
        gateway, port = said.repeater.split("/")
        worker.run([
            tellers[gateway].heard(
                end_ms, said.call, f"{said.call}-{said.ms}", port, to=said.to, text=said.text,
                phase="end", duration_s=DURATION_MS / 1000, started_at=moment(said.ms),
            )
        ])  # fmt: skip
        assert not worker.refusals
        for group in GROUPS:
            for now_ms in moments(history, at):
                by_state = fan_out_by_the_state(worker, group, now_ms)
                by_walk = fan_out_by_the_walk(held[group], orders[group], now_ms)
                assert by_walk == set(by_state), (group, now_ms - START_MS)
