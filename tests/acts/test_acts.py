"""What people order, and what the workers make of it, on a real Redis.

Pins, bars, roll calls and checking out by hand: common practice, no source.
"""

import json
from typing import Any

import pytest

from streamer.acts.acts import LONGEST_ORDER_S, Acts, NotThere, Refused
from streamer.contract.duty import DutyKind
from streamer.contract.published import Alert, FanOut, Maintenance, OrderKind, Reach, Standing, Why
from streamer.state.entries import Act
from tests.servers import Redis
from tests.state.scene import Bench, BenchWorker, Teller, region

pytestmark = pytest.mark.redis
CALLER, OTHER = "QA1ABC", "QB2DEF"


class Stage:
    """A bench with one worker, and somebody at the desk."""

    def __init__(self, url: str) -> None:
        self.bench = Bench(region(), url)
        self.worker = BenchWorker(self.bench)
        self.acts = Acts(self.worker.store, self.bench.clock)
        self.ridge = Teller("ridge")
        self.worker.store.prepare(self.now_ms)
        self.say(self.ridge.state(self.now_ms))

    @property
    def now_ms(self) -> int:
        return self.bench.clock.now_ms()

    def say(self, *messages: Any) -> None:
        self.worker.run(list(messages))
        self.worker.settle()

    def key(self, station: str, to: str | None = "TALK", over: str = "o1", ago_s: int = 0) -> None:
        self.say(self.ridge.heard(self.now_ms - ago_s * 1000, station, over, to=to))

    def wait(self, seconds: float) -> None:
        self.bench.clock.advance_s(seconds)
        self.say(self.ridge.state(self.now_ms))

    def fanout(self, group: str = "TALK") -> FanOut:
        return FanOut.model_validate_json(self.bench.retained[f"net/scene/fanout/{group}"])

    def reach(self, group: str = "TALK") -> Reach:
        return Reach.model_validate_json(self.bench.retained[f"net/scene/reach/{group}"])

    def alert(self, alert_id: str) -> Alert:
        return Alert.model_validate_json(self.bench.retained[f"net/scene/alert/{alert_id}"])

    def why(self, group: str = "TALK") -> dict[str, tuple[Why, ...]]:
        return {r.repeater: r.why for r in self.fanout(group).repeaters}

    def standing(self, station: str, group: str = "TALK") -> Standing:
        return {m.station: m.standing for m in self.reach(group).members}[station]


@pytest.fixture
def stage(empty_redis: Redis) -> Stage:
    return Stage(empty_redis.url)


class TestCheckOut:
    def test_a_member_goes_and_its_repeater_lingers(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.wait(1)
        stage.acts.check_out("TALK", CALLER, "ann", "went home")
        stage.worker.settle()
        assert stage.standing(CALLER) is Standing.CHECKED_OUT
        assert stage.why() == {"ridge/uhf": (Why.LINGER,)}
        (member,) = stage.reach().members
        assert "by hand" in member.reasons[0]

    def test_nobody_on_the_air_is_answered(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.bench.passing.clear()
        stage.wait(1)
        stage.acts.check_out("TALK", CALLER, "ann")
        stage.worker.settle()
        assert not [p for t, p in stage.bench.passing if json.loads(p).get("kind") == "ack"]

    def test_an_older_keying_that_arrives_late_does_not_undo_it(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.wait(20)
        stage.acts.check_out("TALK", CALLER, "ann")
        stage.key(CALLER, over="o2", ago_s=10)
        assert stage.standing(CALLER) is Standing.CHECKED_OUT

    def test_the_next_keying_checks_in_again(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.wait(1)
        stage.acts.check_out("TALK", CALLER, "ann")
        stage.wait(1)
        stage.key(CALLER, over="o2")
        assert stage.standing(CALLER) is Standing.IN_REACH

    def test_its_place_and_other_groups_stay(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.key(CALLER, to="RESCUE", over="o2")
        before = stage.worker.store.station(CALLER)
        stage.wait(1)
        stage.acts.check_out("TALK", CALLER, "ann")
        stage.worker.settle()
        after = stage.worker.store.station(CALLER)
        assert before is not None
        assert after is not None
        assert (after.place, after.path) == (before.place, before.path)
        assert stage.standing(CALLER, "RESCUE") is Standing.IN_REACH

    def test_a_board_that_dies_in_between_is_made_up_for(
        self, stage: Stage, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        stage.key(CALLER)
        stage.wait(1)
        with monkeypatch.context() as patch:
            patch.setattr(stage.worker.store, "apply_groups", lambda *_: None)
            stage.acts.check_out("TALK", CALLER, "ann")
        stage.wait(4)
        assert stage.standing(CALLER) is Standing.CHECKED_OUT

    def test_whom_the_group_does_not_know(self, stage: Stage) -> None:
        with pytest.raises(NotThere, match="QB2DEF has never checked in to TALK"):
            stage.acts.check_out("TALK", OTHER, "ann")
        with pytest.raises(NotThere, match=r"no group 'TALX'.*TALK"):
            stage.acts.check_out("TALX", OTHER, "ann")
        assert stage.acts.log() == []


class TestOrders:
    def test_a_pin_holds_for_its_time(self, stage: Stage) -> None:
        order = stage.acts.order("TALK", "lake/uhf", OrderKind.PIN, 60, "ann", "search there")
        stage.worker.settle()
        assert stage.why() == {"lake/uhf": (Why.PIN,)}
        assert stage.fanout().orders == (order,)
        assert (order.by, order.note) == ("ann", "search there")
        stage.wait(59)
        assert stage.why() == {"lake/uhf": (Why.PIN,)}
        stage.wait(1)
        assert stage.why() == {}
        assert stage.fanout().orders == ()
        assert stage.worker.store.groups(["TALK"])[0].orders == (), "cleared away"

    def test_a_bar_goes_before_the_pin_of_the_region_file(self, stage: Stage) -> None:
        assert stage.why("RESCUE") == {"mill/vhf": (Why.PIN,)}
        stage.acts.order("RESCUE", "mill/vhf", OrderKind.BAR, 60, "ann")
        stage.worker.settle()
        assert stage.why("RESCUE") == {}
        stage.wait(60)
        assert stage.why("RESCUE") == {"mill/vhf": (Why.PIN,)}

    def test_a_pin_goes_before_the_bar_of_the_region_file(self, stage: Stage) -> None:
        stage.acts.order("NET", "lake/vhf", OrderKind.PIN, 60, "ann")
        stage.worker.settle()
        assert stage.why("NET") == {"lake/vhf": (Why.PIN,)}

    def test_a_barred_member_is_named(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.acts.order("TALK", "ridge/uhf", OrderKind.BAR, 60, "ann")
        stage.worker.settle()
        assert stage.fanout().barred == ("ridge/uhf",)
        assert stage.why() == {}

    def test_the_last_word_counts_and_can_be_lifted(self, stage: Stage) -> None:
        stage.acts.order("TALK", "lake/uhf", OrderKind.PIN, 60, "ann")
        stage.acts.order("TALK", "lake/uhf", OrderKind.BAR, 30, "bob")
        stage.worker.settle()
        assert [(o.order, o.by) for o in stage.fanout().orders] == [(OrderKind.BAR, "bob")]
        stage.acts.lift("TALK", "lake/uhf", "ann")
        stage.worker.settle()
        assert stage.fanout().orders == ()
        with pytest.raises(NotThere, match="nothing is ordered of lake/uhf for TALK"):
            stage.acts.lift("TALK", "lake/uhf", "ann")

    def test_what_has_run_out_cannot_be_lifted(self, stage: Stage) -> None:
        stage.acts.order("TALK", "lake/uhf", OrderKind.PIN, 60, "ann")
        stage.bench.clock.advance_s(60)
        with pytest.raises(NotThere):
            stage.acts.lift("TALK", "lake/uhf", "ann")

    def test_what_makes_no_sense(self, stage: Stage) -> None:
        with pytest.raises(NotThere, match=r"no repeater 'lake/shf'.*lake/"):
            stage.acts.order("TALK", "lake/shf", OrderKind.PIN, 60, "ann")
        for seconds in (0, -1, LONGEST_ORDER_S + 1, float("nan"), float("inf")):
            with pytest.raises(Refused, match="at most 7 days"):
                stage.acts.order("TALK", "lake/uhf", OrderKind.PIN, seconds, "ann")


class TestRollCall:
    def test_who_keys_to_the_group_has_answered(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.key(OTHER, over="o2")
        stage.wait(10)
        call = stage.acts.start_roll_call("TALK", "ann")
        stage.worker.settle()
        assert stage.reach().roll_call == call
        assert [m.answered_at for m in stage.reach().members] == [None, None]
        stage.wait(10)
        stage.key(CALLER, over="o3")
        stage.key(OTHER, to=None, over="o4")
        stage.wait(6)
        members = {m.station: m for m in stage.reach().members}
        assert members[CALLER].answered_how == "air"
        assert members[OTHER].answered_how is None, "it keyed, but not to the group"

    def test_the_first_answer_stays_however_much_one_keys(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.wait(10)
        stage.acts.start_roll_call("TALK", "ann")
        stage.wait(5)
        stage.key(CALLER, over="first")
        stage.wait(6)
        first = stage.reach().members[0].answered_at
        assert first is not None
        for n in range(12):
            stage.key(CALLER, over=f"later-{n}")
            stage.wait(6)
        assert stage.reach().members[0].answered_at == first
        with pytest.raises(Refused, match="answered already"):
            stage.acts.answered("TALK", CALLER, "bob")
        stage.acts.end_roll_call("TALK", "ann")
        stage.worker.settle()
        assert stage.reach().members[0].answered_at is None

    def test_an_answer_that_arrives_late_is_still_the_first(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.wait(10)
        stage.acts.start_roll_call("TALK", "ann")
        stage.wait(10)
        stage.key(CALLER, over="o2")
        stage.wait(6)
        first = stage.reach().members[0].answered_at
        stage.key(CALLER, over="late", ago_s=10)
        stage.wait(6)
        earlier = stage.reach().members[0].answered_at
        assert first is not None
        assert earlier is not None
        assert earlier < first

    def test_others_are_marked_by_hand(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.wait(10)
        stage.acts.start_roll_call("TALK", "ann")
        stage.acts.answered("TALK", CALLER, "bob", "by telephone")
        stage.worker.settle()
        (member,) = stage.reach().members
        assert (member.answered_how, member.answered_by) == ("desk", "bob")
        stage.acts.end_roll_call("TALK", "ann")
        stage.worker.settle()
        assert stage.reach().roll_call is None
        assert stage.reach().members[0].answered_how is None
        assert list(stage.acts.log(1)[0].details["answered"]) == [CALLER]

    def test_what_was_meant_for_one_that_is_over_changes_no_other(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.wait(10)
        shown = stage.acts.start_roll_call("TALK", "ann")
        stage.acts.end_roll_call("TALK", "bob", shown.id)
        with pytest.raises(NotThere, match="no roll call of TALK"):
            stage.acts.answered("TALK", CALLER, "ann", call_id=shown.id)
        stage.wait(10)
        other = stage.acts.start_roll_call("TALK", "bob")
        with pytest.raises(Refused, match=r"begun at .*, is not the one that was shown"):
            stage.acts.answered("TALK", CALLER, "ann", call_id=shown.id)
        with pytest.raises(Refused, match="is not the one that was shown"):
            stage.acts.end_roll_call("TALK", "ann", shown.id)
        stage.worker.settle()
        assert stage.reach().roll_call == other
        assert stage.reach().members[0].answered_at is None
        stage.acts.answered("TALK", CALLER, "ann", call_id=other.id)
        stage.acts.end_roll_call("TALK", "ann", other.id)
        assert list(stage.acts.log(1)[0].details["answered"]) == [CALLER]

    def test_one_at_a_time(self, stage: Stage) -> None:
        with pytest.raises(NotThere, match="no roll call of TALK"):
            stage.acts.end_roll_call("TALK", "ann")
        stage.acts.start_roll_call("TALK", "ann")
        with pytest.raises(Refused, match="is going on"):
            stage.acts.start_roll_call("TALK", "bob")
        with pytest.raises(NotThere, match="never checked in"):
            stage.acts.answered("TALK", CALLER, "bob")


class TestDuties:
    def test_everything_said_of_its_groups_is_marked(self, stage: Stage) -> None:
        stage.key(CALLER)
        stage.key(CALLER, to="RESCUE", over="o2")
        stage.say(stage.ridge.route(stage.now_ms, "RESCUE", "carrying"))
        stage.say(stage.ridge.route(stage.now_ms, "TALK", "released"))
        stage.wait(6)
        starved = next(i for i in stage.worker.store.all_alerts() if "starved" in i and "TALK" in i)
        assert stage.alert(starved).duties == ()
        duty = stage.acts.start_duty("winter search", DutyKind.EXERCISE, ["TALK"], "ann")
        stage.wait(1)
        assert json.loads(stage.bench.retained[f"net/scene/duty/{duty.id}"])["kind"] == "exercise"
        assert stage.fanout().duties == stage.reach().duties == (duty.mark,)
        assert stage.alert(starved).duties == (duty.mark,)
        assert stage.fanout("RESCUE").duties == ()
        stage.bench.passing.clear()
        stage.key(OTHER, over="o3")
        answers = [json.loads(p) for t, p in stage.bench.passing if "/reply/" in t]
        marks = [a["duties"] for a in answers if a["kind"] == "ack"]
        assert marks == [[duty.mark.model_dump(mode="json")]]
        stage.acts.end_duty(duty.id, "bob")
        stage.wait(2)
        assert f"net/scene/duty/{duty.id}" not in stage.bench.retained
        assert stage.fanout().duties == stage.reach().duties == stage.alert(starved).duties == ()

    def test_its_end_is_said_once(self, stage: Stage) -> None:
        duty = stage.acts.start_duty("flood", DutyKind.ACTUAL, ["TALK", "NET", "TALK"], "ann")
        assert duty.groups == ("NET", "TALK")
        ended = stage.acts.end_duty(duty.id, "bob")
        stage.worker.settle()
        said = [json.loads(p) for t, p in stage.bench.passing if "/duty/" in t]
        assert [(s["ended_by"], s["version"]) for s in said] == [("bob", ended.version)]
        assert ended.version > duty.version
        with pytest.raises(Refused, match="ended at"):
            stage.acts.end_duty(duty.id, "bob")
        with pytest.raises(NotThere):
            stage.acts.end_duty("duty-1", "bob")

    def test_what_makes_no_duty(self, stage: Stage) -> None:
        with pytest.raises(Refused, match="at least one group"):
            stage.acts.start_duty("flood", DutyKind.ACTUAL, [], "ann")
        with pytest.raises(NotThere, match="no group 'NEXT'"):
            stage.acts.start_duty("flood", DutyKind.ACTUAL, ["NEXT"], "ann")

    def test_those_that_run_come_first(self, stage: Stage) -> None:
        made = []
        for n in range(3):
            made.append(stage.acts.start_duty(f"d{n}", DutyKind.ACTUAL, ["TALK"], "ann"))
            stage.bench.clock.advance_s(60)
        stage.acts.end_duty(made[2].id, "ann")
        assert [d.title for d in stage.acts.duties()] == ["d1", "d0", "d2"]

    def test_old_ones_are_not_kept_for_ever(
        self, stage: Stage, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("streamer.acts.duties.DUTIES_KEPT", 2)
        for n in range(5):
            duty = stage.acts.start_duty(f"d{n}", DutyKind.ACTUAL, ["TALK"], "ann")
            stage.acts.end_duty(duty.id, "ann")
            stage.bench.clock.advance_s(60)
        assert [d.title for d in stage.acts.duties()] == ["d4", "d3"]


class TestCalls:
    def test_an_accepted_identity_becomes_a_member(self, stage: Stage) -> None:
        stage.key("TACTICAL", over="o1")
        assert "TACTICAL" not in {m.station for m in stage.reach().members}
        stage.acts.accept_call("TACTICAL", "ann", "the command post")
        stage.worker.settle()
        stage.key("TACTICAL", over="o2")
        assert stage.standing("TACTICAL") is Standing.IN_REACH
        stage.acts.retract_call("TACTICAL", "ann")
        stage.worker.settle()
        stage.wait(1)
        stage.key("TACTICAL", over="o3")
        assert stage.reach().members[0].last_heard_at.second != stage.now_ms
        assert stage.worker.store.quarantined("ridge")["TACTICAL"][0] == 2

    def test_what_cannot_be_accepted(self, empty_redis: Redis) -> None:
        stage = Stage(empty_redis.url)
        stage.worker.store.view = region(denied_calls=["QB2DEF"])
        for call in ("NO BLANKS", "", "X" * 40, "RELAY_3"):
            with pytest.raises(Refused):
                stage.acts.accept_call(call, "ann")
        with pytest.raises(Refused, match="deny list"):
            stage.acts.accept_call("QB2DEF", "ann")
        stage.acts.accept_call("tactical", "ann")
        with pytest.raises(Refused, match="already"):
            stage.acts.accept_call("TACTICAL", "ann")
        with pytest.raises(NotThere):
            stage.acts.retract_call("OTHER", "ann")
        assert [c.call for c in stage.acts.accepted_calls()] == ["TACTICAL"]


def test_every_act_is_in_the_log_with_who_and_when(stage: Stage) -> None:
    stage.key(CALLER)
    stage.say(stage.ridge.route(stage.now_ms, "TALK", "released"))
    stage.wait(6)
    starved = next(i for i in stage.worker.store.all_alerts() if "starved" in i and "TALK" in i)
    duty = stage.acts.start_duty("search", DutyKind.EXERCISE, ["TALK"], "ann")
    works: list[Maintenance] = []
    plan = stage.acts.start_maintenance
    doings: list[tuple[Act, Any]] = [
        (Act.ACKNOWLEDGE, lambda: stage.acts.acknowledge(starved, "ann", "on my way")),
        (Act.PIN, lambda: stage.acts.order("TALK", "lake/uhf", OrderKind.PIN, 9, "ann")),
        (Act.BAR, lambda: stage.acts.order("TALK", "lake/uhf", OrderKind.BAR, 9, "ann")),
        (Act.LIFT, lambda: stage.acts.lift("TALK", "lake/uhf", "ann")),
        (Act.START_ROLL_CALL, lambda: stage.acts.start_roll_call("TALK", "ann")),
        (Act.MARK_ANSWERED, lambda: stage.acts.answered("TALK", CALLER, "ann")),
        (Act.END_ROLL_CALL, lambda: stage.acts.end_roll_call("TALK", "ann")),
        (Act.CHECK_OUT, lambda: stage.acts.check_out("TALK", CALLER, "ann")),
        (Act.ACCEPT_CALL, lambda: stage.acts.accept_call("TACTICAL", "ann")),
        (Act.RETRACT_CALL, lambda: stage.acts.retract_call("TACTICAL", "ann")),
        (Act.SET_ROSTER, lambda: stage.acts.set_roster(duty.id, [], "ann")),
        (Act.END_DUTY, lambda: stage.acts.end_duty(duty.id, "ann")),
        (Act.START_MAINTENANCE, lambda: works.append(plan("lake", 60, "ann"))),
        (Act.END_MAINTENANCE, lambda: stage.acts.end_maintenance(works[0].id, "ann")),
    ]
    for act, do in doings:
        stage.bench.clock.advance_s(0.5)
        do()
        entry = stage.acts.log(1)[0]
        assert (entry.act, entry.by) == (act, "ann")
        assert round(entry.at.timestamp() * 1000) == stage.now_ms
    # To forget somebody is no act of this class: see streamer/forget.
    assert {a for a, _ in doings} | {Act.START_DUTY, Act.FORGET} == set(Act)
    assert [e.act for e in stage.acts.log()][::-1] == [Act.START_DUTY, *(a for a, _ in doings)]


def test_an_alert_is_taken_in_hand_once(stage: Stage) -> None:
    stage.key(CALLER)
    stage.say(stage.ridge.route(stage.now_ms, "TALK", "released"))
    stage.wait(6)
    starved = next(i for i in stage.worker.store.all_alerts() if "starved" in i and "TALK" in i)
    stage.acts.acknowledge(starved, "ann", "on my way")
    stage.worker.settle()
    assert stage.alert(starved).acknowledged_by == "ann"
    with pytest.raises(Refused, match="in the hands of ann"):
        stage.acts.acknowledge(starved, "bob")
    assert stage.acts.acknowledge(starved, "bob", take_over=True).acknowledged_by == "bob"
    with pytest.raises(NotThere, match="no alert 'nothing' is open"):
        stage.acts.acknowledge("nothing", "bob")


class TestMaintenance:
    def test_it_is_published_and_taken_back(self, stage: Stage) -> None:
        work = stage.acts.start_maintenance("ridge", 3600, "ann", "new antenna")
        topic = f"net/scene/maintenance/{work.id}"
        stage.worker.settle()
        assert Maintenance.model_validate_json(stage.bench.retained[topic]) == work
        ended = stage.acts.end_maintenance(work.id, "bob")
        stage.worker.settle()
        assert topic not in stage.bench.retained
        assert (ended.ended_by, ended.version > work.version) == ("bob", True)
        with pytest.raises(Refused, match="is over"):
            stage.acts.end_maintenance(work.id, "bob")

    def test_when_its_time_is_over_it_is_over(self, stage: Stage) -> None:
        """Nobody ends it."""
        work = stage.acts.start_maintenance("ridge", 60, "ann")
        stage.wait(61)
        topic = f"net/scene/maintenance/{work.id}"
        assert topic not in stage.bench.retained
        (said,) = [p for t, p in stage.bench.passing if t == topic]
        ended = Maintenance.model_validate_json(said)
        assert (ended.ended_at, ended.ended_by) == (work.until, None)
        with pytest.raises(Refused, match="is over"):
            stage.acts.end_maintenance(work.id, "ann")

    @pytest.mark.parametrize(
        ("subject", "for_s", "error", "words"),
        [
            ("rigde", 60, NotThere, "did you mean 'ridge'"),
            ("ridge/shf", 60, NotThere, "no gateway, repeater or group"),
            ("ridge", 0, Refused, "more than 0 and at most 7 days"),
            ("ridge", 8 * 86400, Refused, "at most 7 days"),
        ],
    )
    def test_what_cannot_be_planned(
        self, stage: Stage, subject: str, for_s: float, error: type[Exception], words: str
    ) -> None:
        with pytest.raises(error, match=words):
            stage.acts.start_maintenance(subject, for_s, "ann")

    def test_one_maintenance_of_a_thing_at_a_time(self, stage: Stage) -> None:
        work = stage.acts.start_maintenance("ridge", 3600, "ann")
        with pytest.raises(Refused, match=f"by ann already .{work.id}.: end that first"):
            stage.acts.start_maintenance("ridge", 60, "bob")
        stage.acts.start_maintenance("ridge/uhf", 60, "bob")
        stage.acts.end_maintenance(work.id, "bob")
        stage.acts.start_maintenance("ridge", 60, "bob")

    def test_of_old_work_only_the_newest_is_kept(
        self, stage: Stage, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("streamer.acts.maintenance.MAINTENANCE_KEPT", 3)
        for _ in range(6):
            work = stage.acts.start_maintenance("ridge", 1, "ann")
            stage.bench.clock.advance_s(2)
        assert len(stage.worker.store.works()) == 3
        assert work.id in stage.worker.store.works()
