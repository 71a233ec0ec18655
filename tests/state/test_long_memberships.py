"""A membership lasts as long as the station is heard, however long ago it checked in.

The times are worked out by hand from the scene's policy: overdue after 60 s, out of reach after
120 s, expired after 240 s of silence, events count up to 3600 s late; so a station is forgotten
3840 s after it was last heard.
"""

import json
import random
from collections.abc import Iterator, Sequence
from typing import Any

import pytest

from streamer.contract.published import Standing
from streamer.domain.membership import check_out_of, is_checked_in
from streamer.state.shapes import Keying
from streamer.state.store import Store, connect
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, BenchWorker, Teller, region
from tests.state.test_stations import NAME, apply, fresh, keying

pytestmark = pytest.mark.redis
FORGET_S = 3840
GROUPS: list[dict[str, Any]] = [
    {"name": "NET"},
    {"name": "TALK", "policy": {"check_out_words": ["BYE"]}},
]


@pytest.fixture
def worker(empty_redis: Redis) -> Iterator[BenchWorker]:
    """QA1ABC checks in to NET."""
    bench = Bench(region(), empty_redis.url)
    worker = bench.worker()
    worker.store.prepare(START_MS)
    worker.run([Teller("ridge", boot="first000").heard(START_MS, NAME, "o0", to="NET")])
    yield worker
    bench.client.close()


def key_on(worker: BenchWorker, seconds: int, step_s: int, **more: Any) -> None:
    """It is heard on lake at each step until so long after the start, whom ever it calls."""
    bench, lake = worker.bench, Teller("lake", boot=f"until{seconds:05d}")
    while bench.clock.now_ms() < START_MS + seconds * 1000:
        bench.clock.advance_s(step_s)
        now_ms = bench.clock.now_ms()
        worker.run([
            lake.state(now_ms), lake.heard(now_ms, NAME, f"at{now_ms}", **more),
        ])  # fmt: skip
        worker.settle()
    assert worker.refusals == []


def later(worker: BenchWorker, seconds: float) -> None:
    worker.bench.clock.advance_s(seconds)
    worker.settle()


def standing(worker: BenchWorker, group: str = "NET") -> str | None:
    roster = json.loads(worker.bench.retained[f"net/scene/reach/{group}"])["members"]
    (found,) = [m["standing"] for m in roster if m["station"] == NAME] or [None]
    return None if found is None else str(found)


def carried_on(worker: BenchWorker) -> list[str]:
    """The fan-out of NET."""
    fanout = json.loads(worker.bench.retained["net/scene/fanout/NET"])
    return [r["repeater"] for r in fanout["repeaters"]]


def missed(worker: BenchWorker) -> set[str]:
    """The alerts about members."""
    return {i for i in worker.store.all_alerts() if i.startswith("member.")}


def known_to(store: Store) -> set[str]:
    """The groups that keep a copy of the station."""
    found = store.groups(list(store.view.groups))
    return {g.group for g in found for s in g.members if s.station == NAME}


def test_who_is_heard_without_end_stays_a_member(worker: BenchWorker) -> None:
    """Checked in once, and calls nobody ever since: every over is heard."""
    key_on(worker, FORGET_S + 60, 60)
    key_on(worker, FORGET_S + 120, 30)  # a frozen copy would be overdue now
    assert standing(worker) == Standing.IN_REACH
    assert missed(worker) == set()
    assert carried_on(worker) == ["lake/uhf"]


def test_and_its_silence_is_told_after_that_as_ever(worker: BenchWorker) -> None:
    key_on(worker, FORGET_S + 60, 60)
    lake = Teller("lake", boot="whensilent")
    for _ in range(2):
        worker.bench.clock.advance_s(60)
        worker.run([lake.state(worker.bench.clock.now_ms())])
        worker.settle()
    assert standing(worker) == Standing.OUT_OF_REACH
    assert missed(worker) == {f"member.NET.{NAME}"}


def test_its_repeater_lingers_when_it_leaves_after_all(worker: BenchWorker) -> None:
    """NET lingers for 10 s."""
    key_on(worker, FORGET_S + 60, 150)
    key_on(worker, FORGET_S + 210, 150, text="out")
    assert standing(worker) == Standing.CHECKED_OUT
    assert carried_on(worker) == ["lake/uhf"]
    later(worker, 11)
    assert carried_on(worker) == []


def test_who_is_silent_is_forgotten_by_itself_and_by_its_groups(worker: BenchWorker) -> None:
    key_on(worker, FORGET_S + 60, 150)
    later(worker, FORGET_S - 1)
    assert worker.store.station(NAME) is not None
    assert known_to(worker.store) == {"NET"}
    later(worker, 1)
    assert worker.store.station(NAME) is None
    assert known_to(worker.store) == set()


@pytest.mark.parametrize("to", ["NET", None])
def test_who_checked_out_is_forgotten_by_the_group_though_heard_without_end(
    worker: BenchWorker, to: str | None
) -> None:
    """Its registers go as they grow old; the copy of its group, told no more, after as long."""
    key_on(worker, 60, 60, to=to, text="out")
    assert standing(worker) == Standing.CHECKED_OUT
    key_on(worker, 60 + FORGET_S, 120)
    assert known_to(worker.store) == {"NET"}
    key_on(worker, 60 + FORGET_S + 60, 60)
    record = worker.store.station(NAME)
    assert record is not None
    assert record.check_ins == record.check_outs == {}
    key_on(worker, 60 + 2 * FORGET_S + 120, 180)
    assert known_to(worker.store) == set()
    assert missed(worker) == set()


def old_with(redis: Redis, *said: Keying) -> Store:
    """A station that said this and was heard FORGET_S and 1 s later."""
    client = connect(redis.url)
    store = Store(client, region(group=GROUPS))
    apply(store, *said)
    apply(store, keying(FORGET_S * 1000 + 1000, 99))
    return store


def member_of(store: Store) -> set[str]:
    """By what the groups have been told, as the rules read it."""
    return {
        g.group
        for g in store.groups(list(store.view.groups))
        for s in g.members
        if is_checked_in(
            None if s.check_in is None else s.check_in.ms,
            None if (out := check_out_of(s, store.view.policies[g.group])) is None else out.ms,
        )
    }


def test_a_word_ends_the_memberships_of_those_groups_alone_that_have_it(
    empty_redis: Redis,
) -> None:
    """BYE is TALK's word and none of NET's."""
    came = [keying(0, 1, group="NET"), keying(0, 2, group="TALK")]
    store = old_with(empty_redis, *came, keying(500, 3, out_word="BYE"))
    record = store.station(NAME)
    assert record is not None
    assert set(record.check_ins) == {"NET"}
    assert member_of(store) == {"NET"}
    (member,) = store.groups(["NET"])[0].members
    assert member.place.ms == START_MS + FORGET_S * 1000 + 1000


def test_a_check_out_at_the_same_moment_ends_it_too(empty_redis: Redis) -> None:
    """It wins a tie."""
    store = old_with(
        empty_redis,
        keying(0, 1, group="NET", out_group="NET"),
        keying(0, 2, group="TALK", out_word="BYE"),
    )
    record = store.station(NAME)
    assert record is not None
    assert record.check_ins == {}


def test_an_older_check_out_does_not_end_it(empty_redis: Redis) -> None:
    store = old_with(
        empty_redis, keying(0, 1, out_group="NET", group="NET"), keying(1, 2, group="NET")
    )
    record = store.station(NAME)
    assert record is not None
    assert (set(record.check_ins), record.check_outs) == ({"NET"}, {})


def test_a_check_out_that_an_older_program_noted_ends_it(empty_redis: Redis) -> None:
    """It kept no times beside the register."""
    store = Store(connect(empty_redis.url), region())
    apply(store, keying(0, 1, group="NET"), keying(500, 2, out_group="NET"))
    key = store.keys.station(NAME)
    record = json.loads(store._client.hget(key, "record"))
    record["o"]["NET"] = record["o"]["NET"][:4]
    store._client.hset(key, "record", json.dumps(record))
    for at_ms, kept in ((FORGET_S * 1000 + 500, {"NET"}), (FORGET_S * 1000 + 501, set())):
        apply(store, keying(at_ms, at_ms))
        known = store.station(NAME)
        assert known is not None
        assert set(known.check_ins) == set(known.check_outs) == kept


def test_of_a_group_that_the_region_has_dropped_nothing_is_kept_longer(
    empty_redis: Redis,
) -> None:
    client = connect(empty_redis.url)
    apply(Store(client, region()), keying(0, 1, group="NET"), keying(0, 2, group="RESCUE"))
    store = Store(client, region(group=GROUPS))
    apply(store, keying(FORGET_S * 1000 + 1000, 3))
    record = store.station(NAME)
    assert record is not None
    assert set(record.check_ins) == {"NET"}


def long_history(turns: random.Random) -> list[Keying]:
    """One over after the other. Mostly it calls nobody and says nothing, so that check-ins and
    check-outs grow old. A word counts where the group called has it, or goes to all where none was
    called (as `CheckOutWords` reads it)."""
    made, at_s = [keying(0, 1, group="NET"), keying(0, 2, group="TALK")], 0
    for seq in range(3, 60):
        at_s += turns.choice([1, 200, 399, 450])
        repeater = turns.choice(["ridge/uhf", "lake/vhf"])
        to = turns.choice(["NET", "TALK", *[""] * 18])
        word = turns.choice(["OUT", "BYE", *[""] * 10])
        own = to if to and word == ("BYE" if to == "TALK" else "OUT") else ""
        more: dict[str, Any] = {"group": to, "out_group": own, "out_word": "" if to else word}
        made.append(keying(at_s * 1000, seq, on=repeater, **more))
    return made


def plain_reading(made: Sequence[Keying]) -> tuple[set[str], set[str]]:
    """By the plainest reading of the rules, the newest check-in against the newest check-out: the
    groups that it is a member of, and those whose check-out is not old enough to be forgotten."""
    members, ended = set(), set()
    for group, word in (("NET", "OUT"), ("TALK", "BYE")):
        came = max((k.ms for k in made if k.group == group), default=-1)
        out = max(
            (k.end_ms for k in made if k.out_group == group or k.out_word == word), default=-1
        )
        if came > out:
            members.add(group)
        elif out >= made[-1].ms - FORGET_S * 1000:
            ended.add(group)
    return members, ended


@pytest.mark.parametrize("seed", range(25))
def test_over_any_time_memberships_are_those_of_the_rules_in_any_order(
    empty_redis: Redis, seed: int
) -> None:
    """Some 15,000 s; eight in a row, less than late_after_s, come in any order and some twice."""
    turns = random.Random(seed)
    made = long_history(turns)
    # The scene's own words are OUT and others; here each group has one of its own.
    groups = [{"name": "NET", "policy": {"check_out_words": ["OUT"]}}, GROUPS[1]]
    view = region(group=groups)
    kept = []
    for disturbed in (False, True):
        store = Store(fresh(empty_redis.url)._client, view)
        for at in range(0, len(made), 8):
            some = made[at : at + 8]
            if disturbed:
                some += turns.sample(some, len(some) // 2)
                turns.shuffle(some)
                cut = turns.randint(0, len(some))
                parts = [some[:cut], some[cut:]]
            else:
                parts = [[k] for k in some]
            for part in filter(None, parts):
                apply(store, *part)
        record = store.station(NAME)
        assert record is not None
        members, ended = plain_reading(made)
        assert member_of(store) == members
        for group in store.groups(list(view.groups)):
            for summary in group.members:
                if group.group in members:
                    assert summary.place.ms == made[-1].ms  # no frozen copy
        assert members <= set(record.check_ins) <= members | ended
        oldest_ms = made[-1].ms - FORGET_S * 1000
        assert all(s.ms >= oldest_ms for s in record.check_outs.values())
        raw = json.loads(store._client.hget(store.keys.station(NAME), "record"))
        kept.append((record.place, record.path, record.check_ins, raw["o"], raw["x"]))
    assert kept[0] == kept[1]
