"""Rosters of duties and roll calls of all their groups, on a real Redis. Common practice, no
source."""

import json
from datetime import datetime
from typing import Any

import pytest

from streamer.acts.acts import NotThere, Refused
from streamer.acts.duties import AlreadyRuns
from streamer.contract.duty import DutyKind
from streamer.contract.published import Duty
from streamer.domain.roster import RosterFault, RosterLine, roster_of_details
from streamer.lab.acting import do_again
from streamer.state.entries import Act, Entry
from tests.acts.test_acts import CALLER, OTHER, Stage
from tests.servers import Redis

pytestmark = pytest.mark.redis
ANN = RosterLine(call=CALLER, name="Ann of the hill", agency="Hill club", group="TALK")
BOB = RosterLine(call=OTHER, assignment="relay")


@pytest.fixture
def stage(empty_redis: Redis) -> Stage:
    return Stage(empty_redis.url)


def published(stage: Stage, duty: Duty) -> Duty:
    stage.worker.settle()
    return Duty.model_validate_json(stage.bench.retained[f"net/scene/duty/{duty.id}"])


def begin(stage: Stage, *roster: RosterLine) -> Duty:
    groups = ["TALK", "RESCUE"]
    return stage.acts.start_duty("search", DutyKind.EXERCISE, groups, "ann", None, roster)


class TestRoster:
    def test_a_duty_begins_with_it_in_one_step(self, stage: Stage) -> None:
        duty = begin(stage, BOB, ANN)
        assert published(stage, duty) == duty
        assert duty.expected == (CALLER, OTHER)
        assert stage.acts.roster(duty.id) == (BOB, ANN), "as in the file"
        entries = [e for e in stage.acts.log() if e.subject == duty.id]
        assert {e.act for e in entries} == {Act.START_DUTY, Act.SET_ROSTER}
        (roster,) = [e for e in entries if e.act is Act.SET_ROSTER]
        assert roster.details["roster"] == [
            {"call": OTHER, "assignment": "relay"},
            {"call": CALLER, "name": "Ann of the hill", "agency": "Hill club", "group": "TALK"},
        ]
        assert roster_of_details(roster.details) == (BOB, ANN)
        in_order = [e.act for e in sorted(entries, key=lambda e: e.at)]
        assert in_order == [Act.START_DUTY, Act.SET_ROSTER]

    def test_one_of_the_same_title_only_if_it_is_wanted(self, stage: Stage) -> None:
        duty = begin(stage)
        with pytest.raises(AlreadyRuns, match=f"'search' runs in RESCUE already: {duty.id}, "):
            stage.acts.start_duty("SEARCH", DutyKind.ACTUAL, ["RESCUE"], "bob")
        again = stage.acts.start_duty("SEARCH", DutyKind.ACTUAL, ["RESCUE"], "bob", another=True)
        assert again.id != duty.id
        for entry in [e for e in stage.acts.log() if e.act is Act.START_DUTY]:
            assert do_again(stage.worker.store, entry) is None, "a replay does not judge it again"
        stage.acts.end_duty(duty.id, "ann")
        stage.acts.end_duty(again.id, "ann")
        assert begin(stage).started_by == "ann", "those that are over stand in nobody's way"

    def test_the_duty_tells_call_signs_alone(self, stage: Stage) -> None:
        duty = begin(stage, ANN, BOB)
        published(stage, duty)
        assert "Ann of the hill" not in json.dumps([*stage.bench.retained.values()])

    def test_a_newer_one_takes_its_place(self, stage: Stage) -> None:
        duty = begin(stage, ANN)
        later = stage.acts.set_roster(duty.id, [BOB], "bob", "the new list")
        assert (later.expected, later.version > duty.version) == ((OTHER,), True)
        assert published(stage, duty) == later
        assert stage.acts.roster(duty.id) == (BOB,)
        assert stage.acts.log(1)[0].note == "the new list"
        assert stage.acts.set_roster(duty.id, [], "bob").expected == ()
        assert stage.acts.roster(duty.id) == ()

    def test_what_the_roster_does_not_change(self, stage: Stage) -> None:
        duty = begin(stage)
        assert stage.acts.roster(duty.id) == ()
        later = stage.acts.set_roster(duty.id, [ANN], "bob")
        same = {"expected": (), "version": duty.version}
        assert later.model_copy(update=same) == duty
        ended = stage.acts.end_duty(duty.id, "ann")
        assert ended.expected == (CALLER,)
        assert stage.acts.roster(duty.id) == (ANN,), "kept for as long as the duty"

    def test_what_cannot_be(self, stage: Stage) -> None:
        with pytest.raises(RosterFault, match="stands twice"):
            begin(stage, ANN, ANN)
        assert stage.acts.duties() == []
        duty = begin(stage, ANN)
        other = RosterLine(call="QC3GHI", group="NET")
        with pytest.raises(
            RosterFault, match="'NET' is no group of this duty; it has RESCUE, TALK"
        ):
            stage.acts.set_roster(duty.id, [other], "ann")
        with pytest.raises(NotThere, match=f"no duty 'duty-1'; of those that run: .*{duty.id}"):
            stage.acts.set_roster("duty-1", [BOB], "ann")
        assert stage.acts.roster(duty.id) == (ANN,)
        stage.acts.end_duty(duty.id, "ann")
        with pytest.raises(Refused, match="'search' ended at"):
            stage.acts.set_roster(duty.id, [BOB], "ann")

    def test_two_at_once_do_not_mix(self, stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
        """Another import comes between reading and writing: the one that is too late is refused."""
        duty = begin(stage)
        acts, written = stage.acts, stage.worker.store.write_duty

        def late(*words: Any) -> bool:
            monkeypatch.undo()
            acts.set_roster(duty.id, [BOB], "bob")
            return written(*words)

        monkeypatch.setattr(stage.worker.store, "write_duty", late)
        with pytest.raises(Refused, match="just been changed"):
            acts.set_roster(duty.id, [ANN], "ann")
        assert acts.roster(duty.id) == (BOB,)
        assert acts.duty(duty.id).expected == (OTHER,)

    def test_accepted_identities_are_known(self, stage: Stage) -> None:
        duty = begin(stage)
        with pytest.raises(RosterFault, match="no call sign here"):
            stage.acts.read_roster(b"call\nTACTICAL\n", duty.groups)
        stage.acts.accept_call("TACTICAL", "ann")
        read = stage.acts.read_roster(b"call\nTACTICAL\n", duty.groups)
        assert read.lines == (RosterLine(call="TACTICAL"),)

    def test_it_goes_with_its_duty(self, stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("streamer.acts.duties.DUTIES_KEPT", 1)
        old = begin(stage, ANN)
        stage.acts.end_duty(old.id, "ann")
        stage.bench.clock.advance_s(60)
        stage.acts.end_duty(begin(stage, BOB).id, "ann")
        stage.bench.clock.advance_s(60)
        begin(stage)
        assert stage.worker.store.roster(old.id) is None

    def test_a_replay_does_it_again(self, stage: Stage) -> None:
        duty = begin(stage, ANN, BOB)
        stage.bench.clock.advance_s(60)
        stage.acts.set_roster(duty.id, [BOB], "bob")
        entries = [*stage.acts.log()][::-1]
        client = stage.worker.store._client
        client.delete(stage.worker.store.keys.duties(), stage.worker.store.keys.rosters())
        expected = []
        for entry in sorted(entries, key=lambda e: e.at):
            again = Entry.model_validate_json(entry.model_dump_json())
            assert do_again(stage.worker.store, again) is None
            expected.append(stage.acts.duty(duty.id).expected)
        assert expected == [(), (CALLER, OTHER), (OTHER,)]
        assert stage.acts.roster(duty.id) == (BOB,)


class TestRollCall:
    def test_one_begins_in_each_group(self, stage: Stage) -> None:
        duty = begin(stage)
        begun = stage.acts.start_duty_roll_call(duty.id, "ann")
        assert begun.keys() == {"RESCUE", "TALK"}
        stage.worker.settle()
        assert {g: stage.reach(g).roll_call for g in begun} == begun
        entries = stage.acts.log(2)
        assert {e.details["duty"] for e in entries} == {duty.id}
        with pytest.raises(Refused, match="of each group of 'search' is going on"):
            stage.acts.start_duty_roll_call(duty.id, "bob")
        assert stage.acts.end_duty_roll_call(duty.id, "bob") == ("RESCUE", "TALK")
        with pytest.raises(NotThere, match="no roll call of a group of 'search'"):
            stage.acts.end_duty_roll_call(duty.id, "bob")

    def test_a_group_that_has_one_keeps_it(self, stage: Stage) -> None:
        duty = begin(stage)
        own = stage.acts.start_roll_call("TALK", "bob")
        stage.bench.clock.advance_s(5)
        assert stage.acts.start_duty_roll_call(duty.id, "ann").keys() == {"RESCUE"}
        stage.worker.settle()
        assert stage.reach("TALK").roll_call == own

    def test_of_a_duty_that_is_over(self, stage: Stage) -> None:
        duty = begin(stage)
        stage.acts.start_duty_roll_call(duty.id, "ann")
        stage.acts.end_duty(duty.id, "ann")
        with pytest.raises(Refused, match="ended at"):
            stage.acts.start_duty_roll_call(duty.id, "ann")
        assert stage.acts.end_duty_roll_call(duty.id, "ann") == ("RESCUE", "TALK")

    def test_only_those_that_were_shown_are_ended(self, stage: Stage) -> None:
        """Another begun meanwhile, in the same group or in another one, refuses all."""
        duty = begin(stage)
        first = stage.acts.start_roll_call("TALK", "ann")
        stage.wait(5)
        stage.acts.start_roll_call("RESCUE", "bob")
        with pytest.raises(Refused, match="RESCUE has another roll call than was shown"):
            stage.acts.end_duty_roll_call(duty.id, "ann", [first.id])
        stage.acts.end_roll_call("RESCUE", "bob")
        stage.acts.end_roll_call("TALK", "bob")
        stage.wait(5)
        again = stage.acts.start_duty_roll_call(duty.id, "bob")
        shown = [first.id, again["RESCUE"].id]
        with pytest.raises(Refused, match="TALK has another roll call than was shown"):
            stage.acts.end_duty_roll_call(duty.id, "ann", shown)
        stage.worker.settle()
        assert {group: stage.reach(group).roll_call for group in again} == again
        stage.acts.end_roll_call("RESCUE", "bob")
        shown = [call.id for call in again.values()]
        assert stage.acts.end_duty_roll_call(duty.id, "ann", shown) == ("TALK",), "one was over"

    def test_the_log_says_who_answered_when_and_how_and_who_did_not(self, stage: Stage) -> None:
        """On paper, in seconds: four are members at the begin. QA keys to the group at 10: air. QC
        keys to nobody at 15: silent. QB is marked at 20: desk. QD checks out at 25: no longer
        asked. QE becomes a member at 30 by keying to the group: that is an answer."""
        for n, call in enumerate((CALLER, OTHER, "QC3GHI", "QD4JKL")):
            stage.key(call, over=f"o{n}")
        stage.wait(10)
        begun = stage.acts.start_roll_call("TALK", "ann")
        began_ms = stage.now_ms
        stage.wait(10)
        stage.key(CALLER, over="a1")
        stage.wait(5)
        stage.key("QC3GHI", to=None, over="c1")
        stage.wait(5)
        stage.acts.answered("TALK", OTHER, "bob", "by telephone")
        stage.wait(5)
        stage.acts.check_out("TALK", "QD4JKL", "bob")
        stage.wait(5)
        stage.key("QE5MNO", over="e1")
        stage.wait(5)
        stage.acts.end_roll_call("TALK", "ann")
        details = stage.acts.log(1)[0].details
        assert details["id"] == begun.id
        assert details["silent"] == ["QC3GHI"]
        assert details["count"] == 3
        told = {c: (a["how"], a["by"], since_s(a["at"], began_ms)) for c, a in
                details["answered"].items()}  # fmt: skip
        assert told == {
            CALLER: ("air", None, 10),
            OTHER: ("desk", "bob", 20),
            "QE5MNO": ("air", None, 30),
        }
        assert since_s(details["started_at"], began_ms) == 0

    def test_who_expires_meanwhile_has_not_answered(self, stage: Stage) -> None:
        policy = stage.worker.store.view.policies["TALK"]
        stage.key(CALLER)
        stage.wait(1)
        stage.acts.start_roll_call("TALK", "ann")
        stage.wait(policy.expire_after_s)
        stage.acts.end_roll_call("TALK", "ann")
        assert stage.acts.log(1)[0].details["silent"] == [CALLER]
        stage.acts.start_roll_call("TALK", "ann")
        stage.wait(1)
        stage.acts.end_roll_call("TALK", "ann")
        assert stage.acts.log(1)[0].details["silent"] == [], "no member when it began"


def since_s(at: str, began_ms: int) -> float:
    return datetime.fromisoformat(at).timestamp() - began_ms / 1000
