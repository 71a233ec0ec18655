"""The registers of a station: the script against maxima and sorting in Python."""

import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from streamer.domain.model import Stay, Summary
from streamer.domain.places import find_two_places
from streamer.state.keys import CHECK_INS_KEPT, PATH_LENGTH
from streamer.state.shapes import Keying
from streamer.state.store import Store, connect
from tests.servers import Redis
from tests.state.scene import GATEWAYS, START_MS, region

pytestmark = pytest.mark.redis
REAL = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
NAME = "QA1ABC"


def keying(
    ms: int, seq: int = 1, *, on: str = "ridge/uhf", over: str = "", lasts: int = 0, **more: Any
) -> Keying:
    tie = f"{on.split('/', maxsplit=1)[0]} boot0001 {seq:016d}"
    made = Keying(
        NAME, START_MS + ms, tie, on, over or f"o{seq}",
        (None, None, lasts, None, None, None), None, "", "", "", START_MS + ms + lasts,
    )  # fmt: skip
    return replace(made, **more)


@pytest.fixture
def store(empty_redis: Redis) -> Iterator[Store]:
    client = connect(empty_redis.url)
    yield Store(client, region())
    client.close()


def fresh(url: str) -> Store:
    client = connect(url)
    client.flushall()
    return Store(client, region())


def apply(store: Store, *keyings: Keying) -> dict[str, Summary]:
    """Merge, tell the groups, and say what they know of the station then."""
    tells = store.apply_stations({NAME: list(keyings)}, START_MS)
    store.apply_groups(tells, [], START_MS)
    found = store.groups(list(store.view.groups))
    return {g.group: s for g in found for s in g.members if s.station == NAME}


def path_order(e: tuple[int, str, str]) -> tuple[int, tuple[int, ...], tuple[int, ...], str]:
    """Newest first; at one time the place register's order, so gateways and ports from above."""
    ms, repeater, over = e
    down = [tuple(255 - b for b in part.encode()) for part in (repeater.split("/")[0], repeater)]
    return -ms, down[0], down[1], over


keyings = st.builds(
    lambda ms, seq, on, over, lasts, group, out: keying(
        -ms, seq, on=on, over=over, lasts=lasts,
        group=group, out_group=group if out else "", out_word="" if group or not out else "OUT",
    ),
    st.integers(0, 40),
    st.integers(1, 10_000),
    st.sampled_from([f"{g}/{p}" for g in GATEWAYS for p in ("uhf", "vhf")]),
    st.sampled_from(["o1", "o2", "o3", "o4"]),
    st.sampled_from([0, 0, 2, 5]),
    st.sampled_from(["NET", "TALK", ""]),
    st.booleans(),
)  # fmt: skip


@REAL
@given(st.lists(keyings, min_size=1, max_size=45, unique_by=lambda k: k.tie), st.randoms())
def test_registers_are_maxima_and_lists_the_newest_few(
    redis_server: Redis, said: list[Keying], turns: random.Random
) -> None:
    store = fresh(redis_server.url)
    arriving = [*said, *turns.sample(said, len(said) // 2)]
    turns.shuffle(arriving)
    known: dict[str, Summary] = {}
    while arriving:
        size = turns.randint(1, 9)
        known, arriving = apply(store, *arriving[:size]), arriving[size:]
    record = store.station(NAME)
    assert record is not None
    newest = max(said, key=lambda k: (k.ms, k.tie.encode()))
    assert (record.place.ms, record.place.repeater, record.place.over) == (
        newest.ms,
        newest.repeater,
        newest.over,
    )
    lasted: dict[tuple[int, str, str], int] = {}
    for k in said:
        entry = (k.ms, k.repeater, k.over)
        lasted[entry] = max(lasted.get(entry, 0), k.end_ms - k.ms)
    path = [(e.ms, e.repeater, e.over) for e in record.path]
    assert path == sorted(lasted, key=path_order)[:PATH_LENGTH]
    for e in record.path:
        # What is among the newest of all was so from the first: no length of it can be missed.
        assert e.duration_ms == lasted[e.ms, e.repeater, e.over]
    for group in ("NET", "TALK"):
        came = [k for k in said if k.group == group]
        left = [k for k in said if k.out_group == group]
        assert (group in known) == bool(came)
        if not came:
            continue
        times = sorted({k.ms for k in came}, reverse=True)
        assert known[group].check_ins_ms == tuple(times[:CHECK_INS_KEPT])
        check_in, check_out = known[group].check_in, known[group].check_out
        assert check_in is not None
        last = max(came, key=lambda k: (k.ms, k.tie.encode()))
        assert (check_in.ms, check_in.repeater, check_in.over) == (
            last.ms,
            last.repeater,
            last.over,
        )
        assert (check_out is not None) == bool(left)
        if check_out is not None:
            last = max(left, key=lambda k: (k.end_ms, k.tie.encode()))
            assert (check_out.ms, check_out.gateway) == (last.end_ms, last.tie.split(" ")[0])


class TestStays:
    """Where a station was, from its path."""

    def stays(self, store: Store, *said: Keying) -> tuple[Stay, ...]:
        first = replace(said[0], group="TALK")
        return apply(store, first, *said[1:])["TALK"].stays

    def test_one_repeater_one_stay_since_the_first_over(self, store: Store) -> None:
        assert self.stays(store, keying(0, 1), keying(5, 2), keying(9, 3)) == (
            Stay("ridge/uhf", START_MS, START_MS + 9, None),
        )

    def test_it_leaves_when_it_is_heard_elsewhere(self, store: Store) -> None:
        lake = [keying(5, 2, on="lake/uhf"), keying(7, 4, on="lake/uhf")]
        moves = [keying(0, 1), *lake, keying(9, 3, on="ridge/uhf")]
        assert self.stays(store, *moves) == (
            Stay("ridge/uhf", START_MS + 9, START_MS + 9, None),
            Stay("lake/uhf", START_MS + 5, START_MS + 7, START_MS + 9),
            Stay("ridge/uhf", START_MS, START_MS, START_MS + 5),
        )

    def test_one_over_heard_on_two_repeaters_is_no_move(self, store: Store) -> None:
        """It counts where it put the station: the newest, or the higher name at the same time."""
        one = [keying(0, 1, over="one"), keying(0, 1, on="lake/uhf", over="one")]
        assert self.stays(store, *one) == (Stay("ridge/uhf", START_MS, START_MS, None),)
        again = [keying(9, 2, on="lake/uhf", over="two"), keying(10, 3, over="two")]
        assert self.stays(store, *one, *again) == (
            Stay("ridge/uhf", START_MS, START_MS + 10, None),
        )

    def test_a_silence_that_outlives_every_group_ends_a_stay(self, store: Store) -> None:
        """Stations of the region expire after 240 s."""
        assert self.stays(store, keying(0, 1), keying(239_999, 2)) == (
            Stay("ridge/uhf", START_MS, START_MS + 239_999, None),
        )
        back = START_MS + 239_999 + 240_000
        assert self.stays(store, keying(back - START_MS, 3)) == (
            Stay("ridge/uhf", back, back, None),
            Stay("ridge/uhf", START_MS, START_MS + 239_999, back),
        )

    def test_stays_that_no_linger_can_hold_are_left_out(self, store: Store) -> None:
        """The longest linger of the region is 30 s."""
        moves = [
            keying(0, 1),
            keying(10_000, 2, on="lake/uhf"),
            keying(60_000, 3, on="mill/uhf"),
            keying(90_000, 4, on="lake/uhf"),
        ]
        assert self.stays(store, *moves) == (
            Stay("lake/uhf", START_MS + 90_000, START_MS + 90_000, None),
            Stay("mill/uhf", START_MS + 60_000, START_MS + 60_000, START_MS + 90_000),
            Stay("lake/uhf", START_MS + 10_000, START_MS + 10_000, START_MS + 60_000),
        )


def test_a_group_is_told_of_whoever_checked_in_and_of_nobody_else(store: Store) -> None:
    assert apply(store, keying(0, 1)) == {}
    assert set(apply(store, keying(1, 2, group="NET"))) == {"NET"}
    # The word said to nobody checks out of groups, it does not make anyone known to them.
    assert set(apply(store, keying(2, 3, out_word="OUT"))) == {"NET"}
    assert apply(store, keying(2, 3))["NET"].words["OUT"].ms == START_MS + 2


def test_an_older_summary_never_replaces_a_newer_one(store: Store) -> None:
    old = store.apply_stations({NAME: [keying(0, 1, group="NET")]}, START_MS)
    new = store.apply_stations({NAME: [keying(5, 2, on="lake/uhf")]}, START_MS)
    for tells in (new, old):
        store.apply_groups(tells, [], START_MS)
    (member,) = store.groups(["NET"])[0].members
    assert member.place.repeater == "lake/uhf"


def test_the_position_is_that_of_the_newest_fix(store: Store) -> None:
    fix = (START_MS, -46.5, 20.25, 3.5, 90.0)
    older = (START_MS - 9, -46.0, 20.0, None, None)
    for order in ((fix, older), (older, fix)):
        for seq, where in enumerate(order, start=1):
            apply(store, keying(seq, seq, group="NET", position=where))
        record = store.station(NAME)
        assert record is not None
        assert record.fix is not None
        assert (record.fix.at_ms, record.fix.lat, record.fix.lon) == fix[:3]
        assert (record.fix.speed_mps, record.fix.course_deg) == fix[3:]


def test_a_membership_older_than_any_event_that_still_counts_is_forgotten(store: Store) -> None:
    forget_ms = store.forget_ms
    apply(store, keying(0, 1, group="NET", out_word="OUT"))
    apply(store, keying(forget_ms, 2))
    record = store.station(NAME)
    assert record is not None
    assert set(record.check_ins) == {"NET"}
    apply(store, keying(forget_ms + 1, 3))
    record = store.station(NAME)
    assert record is not None
    assert record.check_ins == record.check_outs == {}


def test_whose_groups_were_not_told_is_found_again(store: Store) -> None:
    """A worker may die between the stations and the groups."""
    tells = store.apply_stations({NAME: [keying(0, 1, group="NET")]}, START_MS)
    assert store.untold_stations(START_MS) == [NAME]
    store.apply_groups(tells, [], START_MS)
    store.settle_told(START_MS)
    assert store.untold_stations(START_MS + 10_000) == []


@REAL
@given(
    st.lists(
        st.tuples(
            st.integers(0, 40), st.sampled_from(["ridge/uhf", "lake/uhf", "mill/uhf"]),
            st.sampled_from([0, 0, 5]),
        ),
        min_size=2, max_size=24,
    )
)  # fmt: skip
def test_a_station_is_looked_at_when_the_evidence_of_two_places_changes(
    redis_server: Redis, drawn: list[tuple[int, str, int]]
) -> None:
    """Whatever came, went or changed in its path."""
    store = fresh(redis_server.url)
    due, subject = store.keys.due(store.keys.partition_of(NAME)), f"s/{NAME}"

    def evidence() -> Any:
        record = store.station(NAME)
        return record and find_two_places(record.path, store.view.sites, 250)

    for seq, (second, repeater, lasts_s) in enumerate(drawn):
        before = evidence()
        store._client.zrem(due, subject)
        apply(store, keying(1000 * second, seq, on=repeater, lasts=1000 * lasts_s))
        if evidence() != before:
            assert store._client.zscore(due, subject) == START_MS
