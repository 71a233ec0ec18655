"""Each event counts once, by (gateway, boot, seq): the script against Python's sets."""

import random
from collections import Counter, defaultdict
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from streamer.contract.common import MAX_SEQ
from streamer.domain.model import FloodSpan, GatewaySnapshot, SessionSpan
from streamer.state.keys import (
    BOOTS_KEPT,
    FLIPS_KEPT,
    FLOODS_KEPT,
    HOLES_KEPT,
    RANGES_KEPT,
    SESSIONS_KEPT,
)
from streamer.state.shapes import GatewayBatch, GatewayWord
from streamer.state.store import Store, connect
from tests.servers import Redis
from tests.state.scene import START_MS, region

pytestmark = pytest.mark.redis
REAL = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
Event = tuple[str, int, str]


@pytest.fixture
def store(empty_redis: Redis) -> Iterator[Store]:
    client = connect(empty_redis.url)
    yield Store(client, region())
    client.close()


def fresh(url: str) -> Store:
    client = connect(url)
    client.flushall()
    return Store(client, region())


def count(store: Store, events: list[Event], gateway: str = "ridge") -> str:
    batch = GatewayBatch([(boot, seq, kind, "", "", START_MS) for boot, seq, kind in events])
    return store.apply_gateways({gateway: batch}, START_MS)[gateway][0]


def ranges_of(numbers: set[int]) -> tuple[tuple[int, int], ...]:
    """Runs of neighbours, by the plainest way."""
    firsts = sorted(n for n in numbers if n - 1 not in numbers)
    lasts = sorted(n for n in numbers if n + 1 not in numbers)
    return tuple(zip(firsts, lasts, strict=True))


def counted(snapshot: GatewaySnapshot) -> dict[str, int]:
    return {k: n for k, n in snapshot.counts.items() if k != "duplicate"}


boots = st.sampled_from(["boot0000a", "boot0000b", "boot0000B"])
kinds = {0: "heard", 1: "route", 2: "refused"}
events = st.tuples(boots, st.integers(1, 30)).map(lambda e: (*e, kinds[e[1] % 3]))
batches = st.lists(st.lists(events, max_size=25), max_size=8)


@REAL
@given(batches, st.sampled_from([RANGES_KEPT, 1, 2, 3]))
def test_any_order_repetition_and_batching_counts_each_event_once(
    redis_server: Redis, batches: list[list[Event]], kept: int
) -> None:
    """Also when nearly all holes are put away."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("streamer.state.keys.RANGES_KEPT", kept)
        _count_each_once(fresh(redis_server.url), batches, whole=kept == RANGES_KEPT)


def _count_each_once(store: Store, batches: list[list[Event]], *, whole: bool) -> None:
    seen: dict[str, set[int]] = defaultdict(set)
    duplicates = 0
    for batch in batches:
        expected = ""
        for boot, seq, _ in batch:
            new = seq not in seen[boot]
            expected += "1" if new else "0"
            duplicates += not new
            seen[boot].add(seq)
        assert count(store, batch) == expected
    snapshot = store.gateway("ridge")
    if whole:
        assert snapshot.ranges == {b: ranges_of(s) for b, s in seen.items()}
    assert snapshot.missing == sum(max(s) - len(s) for s in seen.values())
    tally = Counter(kinds[seq % 3] for s in seen.values() for seq in s)
    assert counted(snapshot) == dict(tally)
    assert snapshot.counts.get("duplicate", 0) == duplicates
    assert (snapshot.hole_ms is not None) >= (snapshot.missing > 0)


def test_a_hole_is_looked_at_after_the_grace_and_a_late_event_closes_it(store: Store) -> None:
    store.apply_gateways({"ridge": GatewayBatch()}, START_MS)
    count(store, [("boot0001", n, "heard") for n in (1, 2, 4)])
    partition = store.keys.partition_of("ridge")
    assert store.gateway("ridge").missing == 1
    assert store.claim_due(partition, START_MS + 4999) == []  # events_lost_after_s = 5
    assert [c.subject for c in store.claim_due(partition, START_MS + 5000)] == ["w/ridge"]
    assert count(store, [("boot0001", 3, "heard")]) == "1"
    assert store.gateway("ridge").missing == 0
    assert store.gateway("ridge").ranges == {"boot0001": ((1, 4),)}


def test_what_is_missing_at_the_begin_is_a_hole_too(store: Store) -> None:
    count(store, [("boot0001", 3, "heard")])
    assert store.gateway("ridge").missing == 2
    assert store.gateway("ridge").hole_ms == START_MS


def test_the_largest_numbers_are_kept_exactly(store: Store) -> None:
    top = [("boot0001", MAX_SEQ - 1, "heard"), ("boot0001", MAX_SEQ, "heard")]
    assert count(store, [*top, ("boot0001", MAX_SEQ - 3, "heard"), *top]) == "11100"
    snapshot = store.gateway("ridge")
    assert snapshot.ranges["boot0001"] == (
        (MAX_SEQ - 3, MAX_SEQ - 3),
        (MAX_SEQ - 1, MAX_SEQ),
    )
    assert snapshot.missing == MAX_SEQ - 3


def test_gateways_of_one_batch_do_not_mix(store: Store) -> None:
    one = GatewayBatch([("boot0001", 1, "heard", "", "", START_MS)])
    for _ in range(2):
        store.apply_gateways({"ridge": one, "lake": one, "mill": one}, START_MS)
    for name in ("ridge", "lake", "mill"):
        assert store.gateway(name).counts == {"heard": 1, "duplicate": 1}


class TestBounds:
    def test_what_is_late_is_told_from_what_comes_again_however_much_it_is(
        self, store: Store
    ) -> None:
        """Every second number is late, as when one of two workers is away."""
        last = 20 * RANGES_KEPT
        odd = [("boot0001", n, "heard") for n in range(1, last, 2)]
        assert set(count(store, odd)) == {"1"}
        assert store.gateway("ridge").missing == len(odd) - 1
        assert len(store.gateway("ridge").ranges["boot0001"]) == RANGES_KEPT
        assert set(count(store, odd)) == {"0"}
        late = [("boot0001", n, "heard") for n in range(2, last, 2)]
        random.Random(1).shuffle(late)
        for at in range(0, len(late), 500):
            assert set(count(store, late[at : at + 500])) == {"1"}
        assert set(count(store, late)) == {"0"}
        snapshot = store.gateway("ridge")
        assert snapshot.ranges == {"boot0001": ((1, last - 1),)}
        assert snapshot.missing == 0
        assert counted(snapshot) == {"heard": len(odd) + len(late)}
        assert self._old_holes(store) == []

    def test_the_oldest_holes_are_given_up_and_counted(self, store: Store) -> None:
        more = 45
        odd = [("boot0001", 2 * n + 1, "heard") for n in range(RANGES_KEPT + HOLES_KEPT + more)]
        assert set(count(store, odd)) == {"1"}
        snapshot = store.gateway("ridge")
        assert len(snapshot.ranges["boot0001"]) == RANGES_KEPT
        assert len(self._old_holes(store)) == HOLES_KEPT
        assert snapshot.counts["given_up"] == more  # each hole is one number wide
        assert snapshot.missing == RANGES_KEPT - 1 + HOLES_KEPT
        # One of those given up is no longer told from one that was seen; one kept is.
        assert count(store, [("boot0001", 2 * more, "heard")]) == "0"
        assert count(store, [("boot0001", 2 * more + 2, "heard")]) == "1"

    def test_those_of_the_oldest_boot_are_given_up_first(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("streamer.state.keys.RANGES_KEPT", 1)
        monkeypatch.setattr("streamer.state.keys.HOLES_KEPT", 3)
        count(store, [("boot0002", n, "heard") for n in (1, 3, 5)])
        count(store, [("boot0001", n, "heard") for n in (1, 4, 9)])  # holes of 2 and of 4
        snapshot = store.gateway("ridge")
        assert snapshot.counts["given_up"] == 2
        assert snapshot.missing == 4 + 2
        assert [hole.split(" ")[0] for hole in self._old_holes(store)] == [
            "boot0001", "boot0002", "boot0002",
        ]  # fmt: skip

    def test_wide_holes_between_wide_ranges(self, store: Store) -> None:
        """Of every ten numbers four arrive; so each hole is six wide."""
        starts = [10 * n + 1 for n in range(3 * RANGES_KEPT)]
        count(store, [("boot0001", s + k, "heard") for s in starts for k in range(4)])
        assert store.gateway("ridge").missing == 6 * (len(starts) - 1)
        # A hole is divided, its ends are taken away, it is closed.
        for number, left in ((17, 5), (15, 4), (20, 3), (16, 2), (18, 1), (19, 0)):
            assert count(store, [("boot0001", number, "heard")]) == "1"
            assert count(store, [("boot0001", number, "heard")]) == "0"
            assert store.gateway("ridge").missing == 6 * (len(starts) - 2) + left

    def test_holes_go_with_their_boot(self, store: Store) -> None:
        odd = [("boot0000", 2 * n + 1, "heard") for n in range(RANGES_KEPT + 5)]
        count(store, odd)
        assert len(self._old_holes(store)) == 5
        count(store, [(f"boot{n:04d}", 1, "heard") for n in range(1, BOOTS_KEPT)])
        assert len(self._old_holes(store)) == 5
        count(store, [("boot9999", 1, "heard")])
        assert self._old_holes(store) == []
        assert store.gateway("ridge").missing == 0

    def test_the_largest_numbers_are_put_away_exactly(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("streamer.state.keys.RANGES_KEPT", 1)
        count(store, [("boot0001", 1, "heard"), ("boot0001", MAX_SEQ, "heard")])
        assert store.gateway("ridge").missing == MAX_SEQ - 2
        assert count(store, [("boot0001", MAX_SEQ - 1, "heard")]) == "1"
        assert count(store, [("boot0001", MAX_SEQ - 1, "heard")]) == "0"
        assert count(store, [("boot0001", 2, "heard")]) == "1"
        assert store.gateway("ridge").missing == MAX_SEQ - 4

    @staticmethod
    def _old_holes(store: Store) -> list[str]:
        key = store.keys.holes("ridge")
        return [str(name) for name in store._client.zrange(key, 0, -1)]

    @pytest.mark.parametrize("seed", range(5))
    def test_boots_are_kept_by_their_order_not_by_arrival(self, store: Store, seed: int) -> None:
        names = [f"boot{n:04d}" for n in range(BOOTS_KEPT + 6)]
        turns = names * 2
        random.Random(seed).shuffle(turns)
        kept: set[str] = set()
        seen: set[str] = set()
        new, too_old = 0, 0
        for turn in turns:
            newest = set(sorted(kept | {turn})[-BOOTS_KEPT:])
            expected = "-" if turn not in newest else "0" if turn in seen else "1"
            kept = newest
            seen.add(turn)
            assert count(store, [(turn, 1, "heard")]) == expected
            new += expected == "1"
            too_old += expected == "-"
        snapshot = store.gateway("ridge")
        assert set(snapshot.ranges) == kept == set(names[-BOOTS_KEPT:])
        assert snapshot.counts["heard"] == new
        assert snapshot.counts.get("too_old", 0) == too_old

    def test_boots_are_ordered_by_bytes(self, store: Store) -> None:
        """Upper case before lower case, digits before both, whatever the server's language."""
        names = ["0boot000", "Boot0000", "Zoot0000", "aoot0000", "boot0000"]
        fill = [f"x{n:07d}" for n in range(BOOTS_KEPT - 3)]
        count(store, [(n, 1, "heard") for n in [*names, *fill]])
        assert set(store.gateway("ridge").ranges) == {*names[2:], *fill}


class TestQuarantine:
    def cage(self, store: Store, call: str, ms: int, seq: int, reason: str = "word") -> None:
        said = ("boot0001", seq, "quarantined", call, reason, ms)
        store.apply_gateways({"ridge": GatewayBatch([said])}, START_MS)

    def test_each_is_counted_once_with_the_time_it_was_heard_last(self, store: Store) -> None:
        self.cage(store, "NOBODY", START_MS, 1)
        self.cage(store, "NOBODY", START_MS - 500, 2)
        self.cage(store, "NOBODY", START_MS + 900, 2)  # a repetition
        assert store.quarantined("ridge") == {"NOBODY": (2, START_MS, "word")}
        assert store.gateway("ridge").counts == {"quarantined": 2, "duplicate": 1}
        assert store.quarantined("lake") == {}

    def test_those_heard_last_are_kept(self, empty_redis: Redis) -> None:
        client = connect(empty_redis.url)
        store = Store(client, region(limits={"quarantine_size": 3}))
        for seq, ms in enumerate((50, 10, 40, 20, 30, 10), start=1):
            self.cage(store, f"NAME{seq}", START_MS + ms, seq)
        found = store.quarantined("ridge")
        assert {call: ms - START_MS for call, (_, ms, _) in found.items()} == {
            "NAME1": 50,
            "NAME3": 40,
            "NAME5": 30,
        }
        assert store.gateway("ridge").counts["quarantined"] == 6
        client.close()


State = GatewayWord
states = st.tuples(
    st.sampled_from(["boot0000A", "boot0000a", "boot0000b"]),
    st.integers(0, 2),
    st.one_of(st.integers(1, 12), st.just("will")),
    st.integers(0, 50).map(lambda n: START_MS - 1000 * n),
)


def state_key(state: State) -> tuple[bytes, int, float]:
    """The order of states (rule: boot, session, seq; the will is its session's last word)."""
    boot, session, seq, *_ = state
    return boot.encode(), session, float("inf") if isinstance(seq, str) else seq


@REAL
@given(st.lists(states, min_size=1, max_size=12, unique_by=lambda s: s[:3]), st.randoms())
def test_the_newest_state_wins_in_any_order(
    redis_server: Redis, said: list[tuple[str, int, int | str, int]], turns: random.Random
) -> None:
    store = fresh(redis_server.url)
    complete: list[State] = [
        (*s, f'{{"n":{n}}}', int(s[2] != "will"), [], START_MS) for n, s in enumerate(said)
    ]
    arriving = [*complete, *complete]
    turns.shuffle(arriving)
    newest: State | None = None
    for state in arriving:
        batch = GatewayBatch(states=[state])
        verdict = store.apply_gateways({"ridge": batch}, START_MS)["ridge"][1]
        better = newest is None or state_key(state) > state_key(newest)
        assert verdict == ("1" if better else "0")
        newest = state if better else newest
    assert newest is not None
    (live,) = store.live()[0].values()
    assert newest == max(complete, key=state_key)
    assert (live.boot, live.session, live.ms) == (newest[0], newest[1], newest[3])
    assert live.state == {"n": complete.index(newest)}
    spans: dict[tuple[bytes, int], SessionSpan] = {}
    for boot, session, _, ms, _, up, _, _ in complete:
        key = (boot.encode(), session)
        known = spans.get(key, SessionSpan(ms, ms, False))
        spans[key] = SessionSpan(
            min(known.began_ms, ms), max(known.last_ms, ms), known.ended or not up
        )
    assert live.sessions == tuple(spans[key] for key in sorted(spans))[-SESSIONS_KEPT:]


@REAL
@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 1)), max_size=15), st.randoms())
def test_the_newest_flips_of_a_repeater_are_kept_in_any_order(
    redis_server: Redis, said: list[tuple[int, int]], turns: random.Random
) -> None:
    store = fresh(redis_server.url)
    turns.shuffle(said)
    for number, (second, up) in enumerate(said, 1):
        flips = [("ridge/uhf", START_MS + second, up)]
        word: State = ("boot0001", 1, number, START_MS, "{}", 1, flips, START_MS)
        store.apply_gateways({"ridge": GatewayBatch(states=[word])}, START_MS)
    expected = tuple((START_MS + ms, bool(up)) for ms, up in sorted(set(said))[-FLIPS_KEPT:])
    kept = [live.flips.get("ridge/uhf", ()) for live in store.live()[0].values()]
    assert kept == ([expected] if said else [])


HOLD_MS = 300_000


@REAL
@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(1, 9)), min_size=1, max_size=20),
    st.integers(1, 5),
    st.randoms(),
)
def test_what_was_told_within_the_hold_is_one_flood_in_any_order_and_batches(
    redis_server: Redis, said: list[tuple[int, int]], at_once: int, turns: random.Random
) -> None:
    """Against Python: the times in order, cut where nothing was told for longer than the hold."""
    store = fresh(redis_server.url)
    told = [(START_MS + minutes * 60_000, number) for minutes, number in said]
    runs: list[list[tuple[int, int]]] = []
    for ms, number in sorted(told):
        if not runs or ms - runs[-1][-1][0] > HOLD_MS:
            runs.append([])
        runs[-1].append((ms, number))
    turns.shuffle(told)
    for first in range(0, len(told), at_once):
        batch = GatewayBatch(floods=told[first : first + at_once])
        store.apply_gateways({"ridge": batch}, START_MS)
    expected = [FloodSpan(r[0][0], r[-1][0], sum(n for _, n in r)) for r in runs]
    assert store.live()[2] == {"ridge": tuple(expected)}
    assert store.live()[0] == {}


def test_the_newest_floods_are_kept(store: Store) -> None:
    apart_ms = HOLD_MS + 1
    for n in range(FLOODS_KEPT + 2):
        store.apply_gateways({"ridge": GatewayBatch(floods=[(START_MS + n * apart_ms, 1)])}, 0)
    (kept,) = store.live()[2].values()
    assert [f.since_ms for f in kept] == [
        START_MS + n * apart_ms for n in range(2, FLOODS_KEPT + 2)
    ]
    assert store.gateways_heard() == []


@REAL
@given(st.permutations([30, 10, 20, 40]))
def test_a_session_began_with_its_earliest_state(redis_server: Redis, order: list[int]) -> None:
    store = fresh(redis_server.url)
    for ago in order:
        said: State = ("boot0001", 1, 100 - ago, START_MS - ago, "{}", 1, [], START_MS)
        store.apply_gateways({"ridge": GatewayBatch(states=[said])}, START_MS)
    (live,) = store.live()[0].values()
    assert live.sessions == (SessionSpan(START_MS - 40, START_MS - 10, False),)


def test_a_gateway_that_spoke_of_routes_is_known_to_and_looked_at(store: Store) -> None:
    count(store, [("boot0001", 1, "heard")])
    assert store.live()[1] == frozenset()
    count(store, [("boot0001", 2, "route")], "lake")
    assert store.live()[1] == {"lake"}
    partition = store.keys.partition_of("lake")
    assert "w/lake" in [c.subject for c in store.claim_due(partition, START_MS)]
