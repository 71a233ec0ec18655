"""What counts as trouble, and in which words. common practice, no source."""

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, ClassVar

import pytest

from streamer.alert_settings import AlertSettings
from streamer.alerts.case import conditions_json
from streamer.alerts.causes import Ground, made_conditions
from streamer.alerts.conditions import Condition, Found, of_group, of_station
from streamer.alerts.deliveries import channel_conditions
from streamer.alerts.ears import LOST_MS, own_conditions
from streamer.alerts.gateways import of_gateway
from streamer.alerts.health import of_repeaters
from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.contract.published import AlertKind, Severity
from streamer.domain.group_now import look_at_group
from streamer.domain.liveness import Sights
from streamer.domain.model import Forwarding, GatewaySnapshot, GroupSnapshot, LiveState
from streamer.domain.places import TwoPlaces
from streamer.domain.repeater_health import Finding, Trouble
from streamer.limits_settings import Limits
from streamer.state.alerting import Delivery, Ears
from tests.alerts.story import condition as lost_gateway
from tests.domain.make import LAKE, RIDGE, at, group, live, sights, station, stay
from tests.state.scene import region

LIMITS = Limits(gateway_lost_after_s=90, events_lost_after_s=5)


def view(**changes: Any) -> RegionView:
    return region(group=[{"name": "RESCUE", **changes}])


def found_in(
    snapshot: GroupSnapshot, now: float, seen: Sights | None = None, **changes: Any
) -> Found:
    """RESCUE of the scene: overdue after 60 s, out of reach 120, expired 240, starved 5."""
    seen = seen or sights(now, routers=["ridge", "lake", "mill"])
    looked = look_at_group(view(**changes), snapshot, seen, at(now))
    return of_group(looked, seen, view().policies["RESCUE"], LIMITS, at(now))


def only(found: Found) -> Condition:
    assert len(found.conditions) == 1, found.conditions
    return found.conditions[0]


CARRIED = {RIDGE: (0.0, True), LAKE: (0.0, True)}


class TestMembers:
    def test_one_that_was_heard_is_no_trouble(self) -> None:
        found = found_in(group(station(ins=[0]), carrying=CARRIED), 59)
        assert found.conditions == ()
        said = "in reach as judged now: heard 08:00:00Z on ridge/uhf"
        assert found.endings == {"member.RESCUE.QA1ABC": said}

    def test_overdue(self) -> None:
        trouble = only(found_in(group(station(ins=[0]), carrying=CARRIED), 60))
        assert trouble.id == "member.RESCUE.QA1ABC"
        assert (trouble.kind, trouble.severity) == (AlertKind.MEMBER_OVERDUE, Severity.WARNING)
        assert not trouble.expired
        assert trouble.title == "QA1ABC of RESCUE is overdue"
        assert trouble.reasons == ("heard 08:00:00Z on ridge/uhf", "silent longer than 1 min")
        assert trouble.next_step == "Call QA1ABC on RESCUE; it was last heard on ridge/uhf."
        assert trouble.since_ms == at(60)

    def test_out_of_reach(self) -> None:
        trouble = only(found_in(group(station(ins=[0]), carrying=CARRIED), 120))
        assert trouble.id == "member.RESCUE.QA1ABC"
        assert (trouble.severity, trouble.expired) == (Severity.CRITICAL, False)
        assert trouble.title == "QA1ABC of RESCUE is out of reach"
        assert "near ridge/uhf" in trouble.next_step
        assert trouble.since_ms == at(120)

    @pytest.mark.parametrize(
        ("before", "opens"),
        [("blind ridge/uhf", True), ("in_reach ridge/uhf", True), ("expired ridge/uhf", False),
         ("checked_out ridge/uhf", False), (None, False)],
    )  # fmt: skip
    def test_who_was_a_member_before_it_expired_is_told_of(
        self, before: str | None, opens: bool
    ) -> None:
        """Its repeater may have been dark for so long that it was never overdue. Of whom nothing
        was known before is no news."""
        snapshot = group(station(ins=[0]), carrying=CARRIED)
        previous = {} if before is None else {"QA1ABC": before}
        trouble = only(found_in(replace(snapshot, previous=previous), 240))
        assert trouble.opens == opens
        assert (trouble.severity, trouble.expired) == (Severity.WARNING, True)
        assert trouble.title == "QA1ABC was never heard again and is no longer counted in RESCUE"

    def test_the_checked_out_are_nobodys_trouble(self) -> None:
        out = group(station(heard=5, ins=[0], out=5), carrying=CARRIED)
        found = found_in(out, 70)
        assert found.conditions == ()
        assert found.endings["member.RESCUE.QA1ABC"].startswith("checked out")

    def test_the_blind_only_keep_what_was_told_of_them_before(self) -> None:
        seen = sights(100, live("ridge", last=10, up=False), routers=["ridge"])
        trouble = only(found_in(group(station(ins=[0]), carrying=CARRIED), 100, seen))
        assert (trouble.opens, trouble.vague, trouble.expired) == (False, True, False)
        assert trouble.title == "QA1ABC of RESCUE was not in reach before and cannot be judged now"
        assert trouble.next_step.startswith("Go on looking for QA1ABC by another way")


class TestStarved:
    def test_after_the_grace_of_the_policy(self) -> None:
        snapshot = group(station(ins=[0]))
        early = found_in(snapshot, 4.999)
        assert (early.conditions, early.next_ms) == ((), at(5))
        trouble = only(found_in(snapshot, 5))
        assert trouble.id == "repeater_starved.RESCUE.ridge.uhf"
        assert trouble.subject == RIDGE
        assert trouble.severity is Severity.CRITICAL
        assert trouble.title == "RESCUE is wanted on ridge/uhf but not carried there"
        assert trouble.reasons == ("wanted for QA1ABC", "not carried since 08:00:00Z")
        assert trouble.affects == ("QA1ABC",)
        assert trouble.since_ms == at(0)

    def test_the_grace_begins_anew_when_the_repeater_says_it_stopped(self) -> None:
        snapshot = group(station(ins=[0]), carrying={RIDGE: (30.0, False)})
        assert found_in(snapshot, 34).next_ms == at(35)
        assert only(found_in(snapshot, 35)).since_ms == at(30)

    def test_a_pin_starves_less_urgently(self) -> None:
        trouble = only(found_in(group(born=-100), 0, pins=[RIDGE]))
        assert trouble.severity is Severity.WARNING
        assert trouble.reasons[0] == "wanted for a pin"
        assert trouble.affects == ()

    def test_a_linger_starves_nobody(self) -> None:
        stays = [stay(LAKE, 20, None), stay(RIDGE, 0, 20)]
        snapshot = group(
            station(heard=20, on=LAKE, ins=[0], stays=stays), carrying={LAKE: (0.0, True)}
        )
        assert found_in(snapshot, 40).conditions == ()


class TestLoops:
    PATHS = (
        Forwarding(at(10), "o1", "mill/uhf", "lake"),
        Forwarding(at(11), "o1", "mill/uhf", "ridge"),
    )
    RING = (Forwarding(at(50), "o2", LAKE, "ridge"), Forwarding(at(51), "o2", RIDGE, "lake"))

    def test_a_loop_stands_for_a_while_after_the_newest(self) -> None:
        snapshot = group(forwardings=(*self.PATHS, *self.RING))
        found = found_in(snapshot, 60)
        trouble = only(found)
        assert (trouble.id, trouble.kind) == ("loop.RESCUE", AlertKind.LOOP)
        assert trouble.severity is Severity.WARNING  # two are a mishap, three are a state
        assert trouble.reasons == (
            "one over went round lake > ridge > lake",
            "the newest of 2 such overs, at 08:00:51Z",
            "it keeps repeaters on the air for nobody",
        )
        assert trouble.next_step == (
            "Ask the keeper of one of lake, ridge to pass RESCUE on no more: that breaks the ring."
        )
        assert trouble.since_ms == at(11)
        assert found.next_ms == at(351)
        assert only(found_in(snapshot, 350.999)).since_ms == at(51)  # the older one is over
        two_ways = only(found_in(group(forwardings=self.PATHS), 20))
        assert two_ways.reasons[1] == "at 08:00:11Z"
        step = "Ask the keepers to let only one of lake, ridge send RESCUE to mill/uhf."
        assert two_ways.next_step == step
        assert found_in(snapshot, 351).conditions == ()

    def test_forwarding_in_a_tree_is_well(self) -> None:
        assert found_in(group(forwardings=self.PATHS[:1]), 20).conditions == ()


def gateway_found(
    now: float,
    state: LiveState | None = None,
    *,
    born: float = 0,
    behind: Sequence[tuple[str, str]] = (),
    **known: Any,
) -> Found:
    snapshot = GatewaySnapshot(
        "ridge", 1, 1, known.pop("counts", {}), known.pop("ranges", {}),
        0, known.pop("hole_ms", None), known.pop("future_ms", 0),
        skew_ms=known.pop("skew_ms", None),
    )  # fmt: skip
    flood = known.pop("flood", None)
    seen = sights(now, *([state] if state else []), floods={"ridge": [flood]} if flood else {})
    return of_gateway(snapshot, seen.gateway("ridge"), at(born), behind, LIMITS, at(now))


class TestGateways:
    def test_one_that_reports_is_well_until_its_heartbeat_is_overdue(self) -> None:
        assert gateway_found(10, live("ridge", last=0)) == Found((), at(90))

    def test_one_that_never_reported_has_a_grace(self) -> None:
        assert gateway_found(89, born=0) == Found((), at(90))
        trouble = only(gateway_found(90, born=0))
        assert trouble.reasons == ("has never sent a heartbeat",)
        assert trouble.since_ms == at(0)

    def test_silent(self) -> None:
        trouble = only(gateway_found(90, live("ridge", last=0)))
        assert (trouble.id, trouble.kind) == ("gateway_lost.ridge", AlertKind.GATEWAY_LOST)
        assert trouble.severity is Severity.WARNING
        assert trouble.title == "Gateway ridge is lost"
        assert trouble.reasons == ("no heartbeat for more than 90 s, the last at 08:00:00Z",)
        assert trouble.since_ms == at(0)

    def test_down_by_its_will(self) -> None:
        will = live("ridge", last=-500, taken=7, up=False, seq=None)
        trouble = only(gateway_found(8, will))
        assert trouble.reasons == ("it signed off, or its connection broke",)
        assert trouble.since_ms == at(7)

    def test_one_alert_names_all_whom_it_makes_blind(self) -> None:
        behind = [("QB2DEF", RIDGE), ("QA1ABC", "ridge/vhf"), ("QB2DEF", "ridge/vhf")]
        trouble = only(gateway_found(8, live("ridge", last=7, up=False), behind=behind))
        assert trouble.severity is Severity.CRITICAL
        assert trouble.affects == ("QA1ABC", "QB2DEF")
        assert (
            trouble.reasons[1]
            == "2 members were last heard behind it: silence there says nothing now"
        )

    def test_a_lost_repeater_of_one_that_reports(self) -> None:
        behind = [("QA1ABC", RIDGE), ("QB2DEF", "ridge/vhf")]
        trouble = only(gateway_found(8, live("ridge", last=7, down=[(RIDGE, 3)]), behind=behind))
        assert (trouble.id, trouble.kind) == (
            "repeater_lost.ridge.uhf",
            AlertKind.REPEATER_LOST,
        )
        assert (trouble.severity, trouble.affects) == (Severity.CRITICAL, ("QA1ABC",))
        assert trouble.reasons == (
            "its gateway reports it down since 08:00:03Z",
            "1 member was last heard on it: silence there says nothing now",
        )
        assert trouble.since_ms == at(3)
        alone = only(gateway_found(8, live("ridge", last=7, down=[(RIDGE, 3)])))
        assert (alone.severity, alone.affects) == (Severity.WARNING, ())

    def test_a_lost_gateway_is_the_one_cause_also_for_its_lost_repeaters(self) -> None:
        dead = live("ridge", last=7, up=False, down=[(RIDGE, 3)])
        assert only(gateway_found(8, dead)).kind is AlertKind.GATEWAY_LOST


class TestClockSkew:
    @pytest.mark.parametrize(
        ("offset_s", "words"),
        [
            (5.0, None),
            (-5.0, None),
            (5.1, "its clock is about 5 s behind; times are corrected"),
            (-7.0, "its clock is about 7 s ahead; times are corrected"),
        ],
    )
    def test_by_what_the_gateway_knows(self, offset_s: float, words: str | None) -> None:
        found = gateway_found(8, live("ridge", last=7, clock_offset_s=offset_s))
        assert [c.reasons for c in found.conditions] == ([(words,)] if words else [])
        if words:
            assert found.conditions[0].id == "clock_skew.ridge"
            assert found.conditions[0].severity is Severity.WARNING

    def test_an_offset_is_known_to_half_the_round_trip(self) -> None:
        """RFC 5905: the true one lies within half the delay of what is measured. 9 s by a trip of
        8 s may be 5 s, which is no more than is allowed; 9.1 s may not."""
        for offset_s, wrong in ((9.0, False), (9.1, True), (-9.0, False), (-9.1, True)):
            state = live("ridge", last=7, clock_offset_s=offset_s, round_trip_s=8.0)
            assert bool(gateway_found(8, state).conditions) is wrong

    def test_since_the_heartbeat_that_first_said_so(self) -> None:
        """Not since the gateway came up; by the corrected time of that heartbeat."""
        state = live(
            "ridge", began=-5000, last=7, clock_offset_s=6.0, sent_at=from_ms(at(1)).isoformat()
        )
        assert only(gateway_found(8, state)).since_ms == at(7)
        assert only(gateway_found(60, state, skew_ms=at(-20))).since_ms == at(-20)

    def test_by_refused_times_for_a_while(self) -> None:
        up = live("ridge", last=300)
        trouble = only(gateway_found(310, up, future_ms=at(11)))
        assert trouble.reasons == ("events from the future were refused, the last at 08:00:11Z",)
        assert trouble.since_ms == at(11)
        assert gateway_found(311, up, future_ms=at(11)).conditions == ()


class TestEventsLost:
    RANGES: ClassVar = {"boot0001": ((1, 4), (7, 9)), "boot0002": ((2, 2),)}

    def test_holes_are_told_after_a_grace(self) -> None:
        up = live("ridge", last=0)
        assert gateway_found(4, up, ranges=self.RANGES, hole_ms=at(0)) == Found((), at(5))
        trouble = only(gateway_found(5, up, ranges=self.RANGES, hole_ms=at(0)))
        assert (trouble.id, trouble.kind) == ("events_lost.ridge", AlertKind.EVENTS_LOST)
        assert trouble.severity is Severity.NOTICE
        assert trouble.title == "3 events of gateway ridge did not arrive"
        assert trouble.since_ms == at(0)

    def test_holes_that_were_given_up_are_counted_with_them(self) -> None:
        up = live("ridge", last=0)
        found = gateway_found(
            5, up, ranges=self.RANGES, hole_ms=at(0), counts={"given_up": 4, "heard": 9}
        )
        assert only(found).title == "7 events of gateway ridge did not arrive"

    def test_a_single_one(self) -> None:
        found = gateway_found(
            5, live("ridge", last=0), ranges={"boot0001": ((2, 3),)}, hole_ms=at(0)
        )
        assert only(found).title == "1 event of gateway ridge did not arrive"
        assert only(found).reasons[0] == "1 number is missing in its sequence"

    def test_a_closed_hole_is_forgotten(self) -> None:
        up = live("ridge", last=0)
        found = gateway_found(50, up, ranges={"boot0001": ((1, 9),)}, hole_ms=at(0))
        assert found.conditions == ()


class TestFlooding:
    """From when to when a flood stands is common practice, no source."""

    FLOOD = (100, 110, 7)
    """Since when, when last, messages."""

    def test_it_stands_for_a_while_after_the_newest_refusal(self) -> None:
        up = live("ridge", last=400)
        found = gateway_found(409, up, flood=self.FLOOD)
        trouble = only(found)
        assert (trouble.id, trouble.kind) == ("gateway_flooding.ridge", AlertKind.GATEWAY_FLOODING)
        assert (trouble.severity, trouble.since_ms) == (Severity.WARNING, at(100))
        assert trouble.title == "Gateway ridge floods: much of what it says is refused"
        assert "by another way" not in trouble.next_step
        assert found.next_ms == at(410)  # flood_hold_s is 300 where nothing is said
        over = gateway_found(410, up, flood=self.FLOOD)
        assert over.conditions == ()
        assert over.endings == {trouble.id: "nothing more was refused since 08:01:50Z"}

    def test_with_members_behind_it_it_is_critical_and_names_them(self) -> None:
        """Nothing is known of them, and the gateway seems to be there."""
        behind = [("QA1ABC", RIDGE), ("QB2DEF", RIDGE), ("QA1ABC", "ridge/vhf")]
        trouble = only(gateway_found(200, live("ridge", last=150), behind=behind, flood=self.FLOOD))
        assert trouble.severity is Severity.CRITICAL
        assert trouble.affects == ("QA1ABC", "QB2DEF")
        assert trouble.reasons[0] == "2 members were last heard behind it"
        assert trouble.reasons[2].endswith(
            "until it ends, and until what is missing was said anew, silence there says nothing"
        )
        assert trouble.next_step == (
            "Ask the keeper of ridge what it sends. Until it ends, call the members last heard "
            "there by another way. If nobody knows, the region's administrator can revoke its "
            "account: then nothing is heard from ridge at all."
        )

    def test_more_of_it_says_nothing_new(self) -> None:
        up, worse = live("ridge", last=400), (100, 150, 70_000)
        one, other = (gateway_found(160, up, flood=f) for f in (self.FLOOD, worse))
        assert only(one) == only(other)

    def test_of_a_lost_gateway_it_is_told_too(self) -> None:
        """Somebody else may be using its credentials."""
        found = gateway_found(200, live("ridge", last=0), flood=self.FLOOD)
        kinds = {c.kind for c in found.conditions}
        assert kinds == {AlertKind.GATEWAY_LOST, AlertKind.GATEWAY_FLOODING}


class TestTwoPlaces:
    EVIDENCE = TwoPlaces(at(100), (RIDGE, LAKE), "was on both")

    def test_it_stands_for_a_while_after_the_evidence(self) -> None:
        found = of_station("QA1ABC", self.EVIDENCE, LIMITS, at(200))
        trouble = only(found)
        assert (trouble.id, trouble.kind) == ("two_places.QA1ABC", AlertKind.TWO_PLACES)
        assert trouble.title == "QA1ABC was heard in two places"
        assert trouble.reasons == ("was on both",)
        assert trouble.affects == (RIDGE, LAKE)
        assert (trouble.since_ms, found.next_ms) == (at(100), at(1000))
        assert of_station("QA1ABC", self.EVIDENCE, LIMITS, at(1000)) == Found((), None)
        assert of_station("QA1ABC", None, LIMITS, at(0)) == Found((), None)


MANY = [lost_gateway(name) for name in ("ridge", "lake", "mill")]


def test_every_kind_has_words_fit_for_people() -> None:
    """Each kind of the contract is raised above; here: in one way, with a step to take."""
    made = [
        *found_in(group(station(ins=[0])), 60).conditions,
        *found_in(group(station(ins=[0])), 120).conditions,
        *found_in(group(forwardings=TestLoops.RING), 60).conditions,
        *gateway_found(90, live("ridge", last=0)).conditions,
        *gateway_found(8, live("ridge", last=7, down=[(RIDGE, 3)])).conditions,
        *gateway_found(8, live("ridge", last=7, clock_offset_s=9.0)).conditions,
        *gateway_found(
            5, live("ridge", last=0), ranges=TestEventsLost.RANGES, hole_ms=at(0)
        ).conditions,
        *gateway_found(120, live("ridge", last=100), flood=TestFlooding.FLOOD).conditions,
        *of_station("QA1ABC", TestTwoPlaces.EVIDENCE, LIMITS, at(200)).conditions,
        *of_repeaters({RIDGE: [Finding(trouble, at(0), ("so",)) for trouble in Trouble]}, ()),
        *own_conditions("scene", [Ears("w1", at(0), at(0), hears=False)], at(0)),
        *channel_conditions(
            {"hook": [Delivery("hook", 1, at(0), "503", 0, 0, 0, "")]}, {"hook": 0}, at(200)
        ),
        *own_conditions("scene", [Ears("w1", at(0), at(0), hears=True)], at(0) + LOST_MS),
        *made_conditions(
            {c.id: c for c in MANY}, {}, Ground("scene", 3, None, 90_000, AlertSettings())
        ),
    ]
    assert {c.kind for c in made} == set(AlertKind)
    for condition in made:
        assert re.fullmatch(r"[A-Za-z0-9_.-]+", condition.id)  # one level of a topic
        assert condition.id.startswith((condition.kind, "member."))
        assert 0 < len(condition.title) <= 80
        assert condition.next_step.endswith(".")
        assert condition.reasons
        assert conditions_json((condition,))
