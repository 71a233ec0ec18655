"""What is known of people goes when `[privacy]` says so: by a clock that the test moves, in a real
Redis, as a worker's slow tick does it. The times are worked out beside each check."""

import json
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from pydantic import ValidationError
from redis.exceptions import ConnectionError as RedisConnectionError

from streamer.acts.acts import Acts
from streamer.clock import ManualClock, from_ms, to_ms
from streamer.contract.duty import DutyKind
from streamer.contract.published import Refusal, RefusalReason
from streamer.domain.roster import RosterLine
from streamer.privacy_settings import Privacy
from streamer.state.alerting import Decided, Waiting
from streamer.state.entries import Act, Entry
from streamer.state.keys import HISTORY_MS, HOUR_MS
from streamer.state.ledger import Writing
from streamer.state.store import Store, StoreUnavailable, connect
from streamer.state.tidying import JOBS_AT_ONCE, PORTION, ROUND_MS, tidy
from streamer.worker.metrics import Metrics
from streamer.worker.recording import OrdersSeen, Recorder
from streamer.worker.region_orders import RegionOrders
from streamer.worker.upkeep import Upkeep
from tests.servers import Redis
from tests.state.scene import STATIONS, Bench, BenchWorker, Teller, region

pytestmark = pytest.mark.redis
DAY_MS = 86_400_000
DAYS = {"quarantine_keep_days": 2, "refused_keep_days": 3, "rosters_keep_days": 4}
DAYS |= {"log_keep_days": 10, "dead_letters_keep_days": 5}


class World:
    """A region whose privacy is set, a worker of it, and the upkeep that the worker does."""

    def __init__(self, url: str, **privacy: float) -> None:
        # Groups that expire late, so that what is tested is not forgotten for another reason.
        policy = {"late_after_s": 30 * 86_400, "expire_after_s": 30 * 86_400}
        self.bench = Bench(region(privacy=DAYS | privacy, policy=policy), url)
        self.clock: ManualClock = self.bench.clock
        self.worker: BenchWorker = self.bench.worker()
        self.store: Store = self.worker.store
        self.client: Any = connect(url)
        self.store.prepare(self.now_ms)
        self.acts = Acts(self.store, self.clock)
        self.tidying = self.store.tidying()

    @property
    def now_ms(self) -> int:
        return self.clock.now_ms()

    def pass_ms(self, ms: int) -> None:
        self.clock.advance_s(ms / 1000)

    def round(self) -> int:
        """As many ticks as a round takes; how many that were."""
        self.tidying.tick(self.now_ms)
        ticks = 1
        while self.tidying._jobs:
            self.tidying.tick(self.now_ms)
            ticks += 1
        return ticks

    def gone_at(self, held: Callable[[], object], keep_ms: int) -> None:
        """Something noted just now is kept for `keep_ms` and not longer than a round more."""
        begun_ms = self.now_ms
        self.pass_ms(keep_ms - 1000)
        self.round()
        assert held(), "it went too early"
        self.pass_ms(ROUND_MS + 2000)
        self.round()
        assert not held(), f"it is still there after {self.now_ms - begun_ms} ms"


@pytest.fixture
def world(empty_redis: Redis) -> World:
    return World(empty_redis.url)


def refuse(world: World, number: int = 0) -> None:
    refusal = Refusal(
        at=from_ms(world.now_ms), topic="net/scene/gw/ridge/heard", gateway="ridge",
        reason=RefusalReason.JSON, detail="not JSON", size_bytes=9, excerpt=f"QA1ABC {number}",
    )  # fmt: skip
    world.store.refuse([(refusal.reason.value, refusal.model_dump_json())])


# -- each kind -----------------------------------------------------------------------------------


def test_quarantined_identities_go_two_days_after_they_were_last_heard(world: World) -> None:
    teller = Teller("ridge")
    world.worker.run([teller.heard(world.now_ms, "NOBODY", "o1")])
    world.pass_ms(DAY_MS)
    world.worker.run([teller.heard(world.now_ms, "NOBODY", "o2")])
    world.gone_at(lambda: world.store.quarantined("ridge"), 2 * DAY_MS)
    assert world.store.gateway("ridge").counts["quarantined"] == 2  # counted all the same


def test_one_heard_again_meanwhile_is_not_lost(world: World) -> None:
    """Another worker counts it between the look and the taking out."""
    teller = Teller("ridge")
    world.worker.run([teller.heard(world.now_ms, "NOBODY", "o1")])
    world.pass_ms(3 * DAY_MS)
    real = world.client.hgetall

    class Late:
        """Redis, on which somebody is quicker."""

        def __getattr__(self, name: str) -> Any:
            return getattr(world.client, name)

        def hgetall(self, key: str) -> Any:
            found = real(key)
            if "quarantine:ridge" in key:
                world.worker.run([teller.heard(world.now_ms, "NOBODY", "o2")])
            return found

    tidy(Late(), world.bench.view, world.now_ms)
    assert world.store.quarantined("ridge")["NOBODY"][0] == 2


def test_refused_input_goes_after_three_days_and_its_count_stays(world: World) -> None:
    for number in range(PORTION * 2 + 5):
        refuse(world, number)
    world.gone_at(lambda: world.client.llen(world.store.keys.refused()), 3 * DAY_MS)
    assert world.store.refusals() == {"json": PORTION * 2 + 5}


def test_only_what_is_older_goes(world: World) -> None:
    refuse(world, 1)
    world.pass_ms(2 * DAY_MS)
    refuse(world, 2)
    world.pass_ms(2 * DAY_MS)
    world.round()
    (left,) = world.client.lrange(world.store.keys.refused(), 0, -1)
    assert json.loads(left)["excerpt"] == "QA1ABC 2"


def test_the_log_goes_after_ten_days_in_every_part(world: World) -> None:
    world.acts.accept_call("BASECAMP", "desk")  # the region's part
    duty = world.acts.start_duty("Search", DutyKind.ACTUAL, ["NET"], "desk")  # that of alerts
    world.acts.start_roll_call("NET", "desk")  # a group's
    assert {e.act for e in world.acts.log()} == {
        Act.ACCEPT_CALL, Act.START_DUTY, Act.START_ROLL_CALL,
    }  # fmt: skip
    world.gone_at(world.acts.log, 10 * DAY_MS)
    # What still holds is not history: the call is accepted, the duty runs.
    assert [a.call for a in world.acts.accepted_calls()] == ["BASECAMP"]
    assert [d.id for d in world.acts.duties()] == [duty.id]


def test_duties_go_ten_days_after_their_end(world: World) -> None:
    duty = world.acts.start_duty("Search", DutyKind.ACTUAL, ["NET"], "desk")
    world.pass_ms(20 * DAY_MS)
    world.round()
    assert world.acts.duties()
    world.acts.end_duty(duty.id, "desk")
    world.gone_at(world.acts.duties, 10 * DAY_MS)


def test_a_roster_goes_four_days_after_its_duty_wherever_it_stands(world: World) -> None:
    roster = [RosterLine(call="QA1ABC", name="Some Body", agency="Red Hats", group="NET")]
    duty = world.acts.start_duty("Search", DutyKind.ACTUAL, ["NET"], "desk", roster=roster)
    other = world.acts.start_duty("Other", DutyKind.ACTUAL, ["NET"], "desk", roster=roster)
    world.pass_ms(5 * DAY_MS)
    world.round()
    assert world.acts.roster(duty.id)  # it runs
    world.acts.end_duty(duty.id, "desk")

    def held() -> bool:
        return bool(world.acts.roster(duty.id) or world.acts.duty(duty.id).expected)

    world.gone_at(held, 4 * DAY_MS)
    assert world.acts.roster(other.id)[0].name == "Some Body"  # that one still runs
    set_for = {e.subject: e for e in world.acts.log() if e.act is Act.SET_ROSTER}
    assert set_for[duty.id].details == {"roster": [], "dropped": 1}
    assert set_for[other.id].details["roster"] == [
        {"call": "QA1ABC", "name": "Some Body", "agency": "Red Hats", "group": "NET"}
    ]


def test_messages_that_could_not_be_delivered_go_after_five_days(world: World) -> None:
    def dead() -> int:
        return len(world.store.dead_letters("mail"))

    for number in range(3):
        waiting = [Waiting("mail", world.now_ms, f'{{"id": "{number}"}}')]
        assert world.store.commit_cases(Decided(expect={}, waiting=waiting), world.now_ms) == []
        parcel = world.store.take_parcel(
            "mail", "w", now_ms=world.now_ms, lease_ms=1, pause_ms=0, begin=False
        )
        assert parcel is not None
        assert world.store.parcel_dead("mail", parcel, world.now_ms, "refused")
    assert dead() == 3
    world.gone_at(dead, 5 * DAY_MS)


def test_planned_work_goes_ten_days_after_its_end(world: World) -> None:
    work = world.acts.start_maintenance("ridge", 3600, "desk", "new mast")

    def held() -> bool:
        return work.id in world.client.hgetall(world.store.keys.maintenance())

    assert held()
    world.gone_at(held, HOUR_MS + 10 * DAY_MS)


def test_who_was_heard_a_day_ago_leaves_the_list_though_others_go_on(world: World) -> None:
    teller = Teller("ridge")
    key = world.store.keys.heard("ridge/uhf")
    world.worker.run([teller.heard(world.now_ms, STATIONS[0], "o1")])

    def held() -> bool:
        world.worker.run([teller.heard(world.now_ms, STATIONS[1], f"o{world.now_ms}")])
        return STATIONS[0] in world.client.zrange(key, 0, -1)

    world.gone_at(held, HISTORY_MS + HOUR_MS)
    assert world.client.zrange(key, 0, -1) == [STATIONS[1]]


# -- positions -----------------------------------------------------------------------------------


def fixes(world: World) -> dict[str, Any]:
    """Wherever a position of the first station stands: its record, its group's copy, the roster."""
    record = world.store.station(STATIONS[0])
    (group,) = world.store.groups(["NET"])
    copies = [m.fix for m in group.members if m.station == STATIONS[0]]
    reach = json.loads(world.bench.retained.get("net/scene/reach/NET", '{"members": []}'))
    told = [m["lat"] for m in reach["members"] if m["station"] == STATIONS[0]]
    assert record is not None
    return {"record": record.fix, "group": any(copies), "told": any(told)}


def test_a_position_goes_after_two_hours_and_the_member_stays(empty_redis: Redis) -> None:
    world = World(empty_redis.url, positions_keep_h=2)
    teller, place = Teller("ridge"), {"lat": -46.5, "lon": 20.1}
    world.worker.run([teller.heard(world.now_ms, STATIONS[0], "o1", to="NET", position=place)])
    world.worker.settle()
    world.pass_ms(10_000)
    world.worker.settle()
    assert all(fixes(world).values())
    world.pass_ms(2 * HOUR_MS - 11_000)  # a second before its time
    world.worker.settle()
    assert all(fixes(world).values())
    world.pass_ms(2000)
    world.worker.settle()
    world.pass_ms(round(world.bench.view.limits.roster_refresh_s * 1000) + 1000)
    world.worker.settle()
    assert fixes(world) == {"record": None, "group": False, "told": False}
    (group,) = world.store.groups(["NET"])
    assert [m.station for m in group.members] == [STATIONS[0]]
    # Nor does one that comes late, of before, come back.
    late = world.now_ms - 3 * HOUR_MS
    world.worker.run([teller.heard(late, STATIONS[0], "o0", to="NET", position=place)])
    world.worker.settle()
    assert fixes(world) == {"record": None, "group": False, "told": False}
    # A new one is kept for as long.
    world.worker.run([teller.heard(world.now_ms, STATIONS[0], "o2", to="NET", position=place)])
    assert fixes(world)["record"] is not None


def test_whoever_keys_on_keeps_only_its_newest_position_for_so_long(empty_redis: Redis) -> None:
    world = World(empty_redis.url, positions_keep_h=2)
    teller, place = Teller("ridge"), {"lat": -46.5, "lon": 20.1}
    world.worker.run([teller.heard(world.now_ms, STATIONS[0], "o1", position=place)])
    for number in range(5):  # half an hour apart, the last 2 h 30 min after the position
        world.pass_ms(HOUR_MS // 2)
        world.worker.run([teller.heard(world.now_ms, STATIONS[0], f"n{number}")])
        record = world.store.station(STATIONS[0])
        assert record is not None
        assert (record.fix is not None) == (number < 4), number


def test_without_the_setting_a_position_stays_as_long_as_the_station(world: World) -> None:
    teller, place = Teller("ridge"), {"lat": -46.5, "lon": 20.1}
    world.worker.run([teller.heard(world.now_ms, STATIONS[0], "o1", to="NET", position=place)])
    world.pass_ms(5 * DAY_MS)
    world.worker.settle()
    assert fixes(world)["record"] is not None


def test_a_new_setting_holds_for_those_who_are_silent(empty_redis: Redis) -> None:
    world = World(empty_redis.url)
    teller, place = Teller("ridge"), {"lat": -46.5, "lon": 20.1}
    world.worker.run([teller.heard(world.now_ms, STATIONS[0], "o1", to="NET", position=place)])
    world.worker.settle()
    world.pass_ms(DAY_MS)
    stricter = region(privacy={"positions_keep_h": 1}, policy={"expire_after_s": 30 * 86_400})
    world.store.view = stricter
    world.round()
    world.worker.settle()
    assert fixes(world)["record"] is None
    assert not fixes(world)["group"]


# -- in portions, and with whatever stands there -------------------------------------------------


def test_a_tick_does_a_bounded_amount_of_work(world: World) -> None:
    for number in range(1000):
        refuse(world, number)
    world.pass_ms(4 * DAY_MS)
    left = [world.client.llen(world.store.keys.refused())]
    while left[-1]:
        world.tidying.tick(world.now_ms)
        left.append(world.client.llen(world.store.keys.refused()))
    steps = [a - b for a, b in pairwise(left)]
    assert max(steps) <= JOBS_AT_ONCE * PORTION
    assert len(steps) > 3


def test_between_rounds_nothing_is_asked(world: World) -> None:
    world.round()
    world.tidying._client = None  # whoever asks now fails
    world.pass_ms(ROUND_MS - 1)
    world.tidying.tick(world.now_ms)
    world.pass_ms(2)
    with pytest.raises(AttributeError):
        world.tidying.tick(world.now_ms)


def test_what_redis_did_not_answer_is_asked_again(world: World) -> None:
    refuse(world)
    world.pass_ms(4 * DAY_MS)
    real, failures = world.client, [0]

    class Away:
        """Redis, gone for the first question of each kind."""

        def __getattr__(self, name: str) -> Any:
            if name == "lrange" and failures[0] < 2:
                failures[0] += 1
                raise RedisConnectionError("gone")
            return getattr(real, name)

    world.tidying._client = Away()
    for _ in range(2):
        with pytest.raises(StoreUnavailable):
            world.round()
    world.round()
    assert world.client.llen(world.store.keys.refused()) == 0


def test_what_a_newer_program_wrote_is_left_to_it(world: World) -> None:
    keys = world.store.keys
    world.client.lpush(keys.log("alerts"), "{}", "no JSON", '{"at": 5}', '{"at": "2001"}')
    world.client.lpush(keys.refused(), "{}")
    world.client.hset(keys.duties(), "d", "{}")
    world.pass_ms(100 * DAY_MS)
    world.round()
    assert world.client.llen(keys.log("alerts")) == 4
    assert world.client.llen(keys.refused()) == 1
    assert world.client.hkeys(keys.duties()) == ["d"]


def test_a_workers_upkeep_does_it(world: World) -> None:
    metrics = Metrics()
    orders = RegionOrders(world.store)
    recorder = Recorder(None, world.store, world.clock, metrics)
    upkeep = Upkeep("w", world.store, world.clock, metrics, orders, recorder)
    refuse(world)
    world.pass_ms(4 * DAY_MS)
    for _ in range(20):
        upkeep.tick()
    assert world.client.llen(world.store.keys.refused()) == 0


# -- what reads the log --------------------------------------------------------------------------


def log_of(world: World, by: str) -> None:
    at = from_ms(world.now_ms)
    entry = Entry(at=at, by=by, act=Act.ACCEPT_CALL, subject="X").model_dump_json()
    world.store.write_call(Writing(entry), world.now_ms)


@pytest.mark.parametrize("change", ["reworded", "gone", "all"])
def test_an_entry_that_was_changed_makes_nobody_note_the_log_again(
    world: World, change: str
) -> None:
    seen = OrdersSeen(world.store)
    for number in range(3):
        world.pass_ms(1000)
        log_of(world, f"before-{number}")
    assert len(seen.news(lambda _: True)) == 3
    key = world.store.keys.log("region")
    if change == "reworded":
        world.client.lset(key, 0, world.client.lindex(key, 0).replace('"X"', '"FORGOTTEN"'))
    elif change == "gone":
        world.client.lpop(key)
    else:
        world.client.delete(key)
    assert seen.news(lambda _: True) == []
    world.pass_ms(1000)
    log_of(world, "after")
    (text,) = seen.news(lambda _: True)
    assert json.loads(text)["by"] == "after"
    assert to_ms(Entry.model_validate_json(text).at) == world.now_ms


# -- settings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [{"positions_keep_h": 0}, {"log_keep_days": 0.5}, {"rosters_keep_days": "5"}, {"other": 1}],
)
def test_settings_that_cannot_be(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Privacy.model_validate(wrong)


def test_the_defaults_are_what_the_readme_says() -> None:
    assert Privacy().model_dump() == {
        "positions_keep_h": None, "quarantine_keep_days": 30, "refused_keep_days": 30,
        "rosters_keep_days": 30, "log_keep_days": 366, "dead_letters_keep_days": 30,
    }  # fmt: skip
