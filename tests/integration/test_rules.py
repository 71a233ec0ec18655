"""The rules of the trade, played through a real broker, Redis and worker.

What nets expect of a group is common practice, no source: each test says which practice it plays.
"""

import json
import re
from functools import partial
from itertools import count
from typing import Any

import pytest

from streamer.contract.topics import Kind, gateway_topic
from tests.integration.conftest import MakeStage
from tests.integration.stage import Stage
from tests.servers import wait_until
from tests.state.scene import Teller, moment

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis]

GATEWAYS = ("ridge", "lake", "mill", "pass", "quay")
FAR = "isle"
LINGER_S = 1.0
POLICY = {
    "overdue_after_s": 60, "out_of_reach_after_s": 120, "expire_after_s": 240,
    "linger_s": LINGER_S, "starved_after_s": 60,
}  # fmt: skip
LIMITS = {
    "gateway_lost_after_s": 60, "events_lost_after_s": 0.5, "reply_within_s": 10,
    "two_places_hold_s": 60, "loop_hold_s": 60, "roster_refresh_s": 0.2,
}  # fmt: skip
QUIET = {**LIMITS, "gateway_lost_after_s": 3600}
_overs = count(1)


def content(**changes: Any) -> dict[str, Any]:
    """A region of five gateways whose ranges overlap and one far off; times of about a second."""
    return {
        "partitions": 2,
        "policy": {**POLICY, **changes.pop("policy", {})},
        "limits": {**QUIET, **changes.pop("limits", {})},
        "gateway": [
            {
                "id": g,
                "repeater": [
                    {"id": p, "lat": lat, "lon": 20.0, "range_km": 30} for p in ("uhf", "vhf")
                ],
            }
            for g, lat in [*((g, -46.0 - n / 10) for n, g in enumerate(GATEWAYS)), (FAR, -48.0)]
        ],
        "group": [{"name": "RESCUE"}, {"name": "NET"}],
        # A handful of gateways: several at once are no sign of a common cause here.
        "alerts": {"settle_s": 0.5, "clear_s": 0.5, "many_gateways": 99},
        **changes,
    }


class Scene:
    """A stage with one worker and gateways that number what they say."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        stage.worker()
        self.tellers = {name: Teller(name) for name in (*GATEWAYS, FAR)}
        self.ridge, self.lake, self.mill = (self.tellers[g] for g in ("ridge", "lake", "mill"))

    def key(self, station: str, repeater: str, to: str | None = None, **more: Any) -> int:
        """A key down, heard now; its time in ms."""
        gateway, port = repeater.split("/")
        now_ms = self.stage.now_ms
        over = f"over-{next(_overs)}"
        self.stage.say(self.tellers[gateway].heard(now_ms, station, over, port, to=to, **more))
        return now_ms

    def route(self, group: str, repeater: str, action: str, **more: Any) -> int:
        gateway, port = repeater.split("/")
        now_ms = self.stage.now_ms
        self.stage.say(self.tellers[gateway].route(now_ms, group, action, port, **more))
        return now_ms

    def wanted(self, group: str, **places: Any) -> None:
        """Wait for exactly these repeaters, each with its reasons."""
        expected = {name.replace("_", "/"): _why(why) for name, why in places.items()}
        self.stage.expect(lambda: self.stage.wanted(group), expected, f"the fan-out of {group}")

    def standings(self, group: str, **stations: str) -> None:
        self.stage.expect(lambda: self.stage.standings(group), stations, f"the roster of {group}")

    def alerts(self, *ids: str) -> None:
        """Wait until exactly these alerts stand."""
        self.stage.expect(lambda: sorted(self.stage.alerts()), sorted(ids), "the alerts")


def _why(words: str) -> tuple[str, ...]:
    return tuple(words.split())


@pytest.fixture
def scene(make_stage: MakeStage) -> Scene:
    return Scene(make_stage(**content()))


# -- check-in, moving, leaving -------------------------------------------------------------------


def test_keying_to_the_group_checks_in(scene: Scene) -> None:
    # Common practice, no source: whoever calls the net is in it, and is told so.
    stage = scene.stage
    scene.key("QA1ABC", "ridge/uhf", "RESCUE")
    scene.wanted("RESCUE", ridge_uhf="member")
    scene.standings("RESCUE", QA1ABC="in_reach")
    wait_until(lambda: stage.replies("ridge"), "the acknowledgement")
    (reply,) = stage.replies("ridge")
    assert (reply["station"], reply["repeater"]) == ("QA1ABC", "ridge/uhf")
    assert reply["text"] == "IN RESCUE"
    scene.key("QA1ABC", "ridge/uhf", "RESCUE")  # being in already is not acknowledged again
    scene.key("QB2DEF", "ridge/vhf", "QA1ABC")  # who calls a station has not called the net
    stage.quiet()
    wait_until(lambda: stage.counted("ridge") == 3, "all to be counted")
    scene.standings("RESCUE", QA1ABC="in_reach")
    assert stage.replies("ridge") == [reply]
    assert stage.standings("NET") == {}
    assert stage.wanted("NET") == {}


def test_a_key_to_anyone_moves_the_station_for_all_its_groups(scene: Scene) -> None:
    # Common practice, no source: where somebody was heard last is where to reach them.
    scene.key("QA1ABC", "ridge/uhf", "RESCUE")
    scene.key("QA1ABC", "ridge/uhf", "NET")
    for group in ("RESCUE", "NET"):
        scene.wanted(group, ridge_uhf="member")
    for repeater, to in (("lake/uhf", "QZ9ZZZ"), ("mill/vhf", None), ("pass/uhf", "NET")):
        scene.key("QA1ABC", repeater, to)
        for group in ("RESCUE", "NET"):
            scene.stage.expect(
                partial(scene.stage.places, group), {"QA1ABC": repeater}, "the place"
            )
            scene.wanted(group, **{repeater.replace("/", "_"): "member"})  # when lingers are over


def test_the_group_leaves_a_repeater_after_its_last_member(scene: Scene) -> None:
    # Common practice, no source: as long as one member is there the group stays; then it lingers
    # a little, since people come back and answers are on their way.
    scene.key("QA1ABC", "ridge/uhf", "RESCUE")
    scene.key("QB2DEF", "ridge/uhf", "RESCUE")
    scene.wanted("RESCUE", ridge_uhf="member")
    scene.key("QA1ABC", "lake/uhf")
    scene.wanted("RESCUE", lake_uhf="member", ridge_uhf="member")
    left_ms = scene.key("QB2DEF", "lake/uhf")
    scene.wanted("RESCUE", lake_uhf="member")
    told = [
        r
        for f in scene.stage.all(f"net/{scene.stage.region}/fanout/RESCUE")
        for r in f["repeaters"]
        if r["repeater"] == "ridge/uhf" and r["why"] == ["linger"]
    ]
    assert {r["until"] for r in told} == {moment(left_ms + round(LINGER_S * 1000))}


@pytest.mark.parametrize("to_the_group", [True, False])
def test_check_out_by_text(make_stage: MakeStage, to_the_group: bool) -> None:
    # Common practice, no source: "out" ends the membership, and the net acknowledges it.
    longest = "SEARCH-AND-FIND1"  # 16 characters, the longest name of a group
    groups = [{"name": longest}, {"name": "NET"}]
    scene = Scene(make_stage(**content(group=groups)))
    stage = scene.stage
    for group in (longest, "NET"):
        scene.key("QA1ABC", "ridge/uhf", group)
    scene.standings(longest, QA1ABC="in_reach")
    scene.standings("NET", QA1ABC="in_reach")
    scene.key("QA1ABC", "lake/uhf", longest if to_the_group else None, text="Out ")
    scene.standings(longest, QA1ABC="checked_out")
    scene.standings("NET", QA1ABC="in_reach" if to_the_group else "checked_out")
    scene.wanted(longest)
    if to_the_group:
        scene.wanted("NET", lake_uhf="member")
    else:
        scene.wanted("NET")
    told = {f"OUT {longest}"} | (set() if to_the_group else {"OUT NET"})
    stage.expect(lambda: {r["text"] for r in stage.replies("lake")}, told, "the answers")
    for reply in stage.replies("ridge") + stage.replies("lake"):
        assert len(reply["text"]) <= 20
    scene.key("QA1ABC", "lake/uhf", longest)  # back again
    scene.standings(longest, QA1ABC="in_reach")


def test_a_field_team_moves_about(make_stage: MakeStage) -> None:
    """Six stations, five repeaters. RESCUE lingers for long, so that nothing here depends on how
    fast the test runs; NET does not linger at all."""
    # Common practice, no source.
    groups = [{"name": "RESCUE"}, {"name": "NET", "policy": {"linger_s": 0}}]
    scene = Scene(make_stage(**content(group=groups, policy={"linger_s": 50})))
    a, b, c, d, e, f = "QA1ABC", "QB2DEF", "QC3GHI", "QD4JKL", "QE5MNO", "QF6PQR"

    def everybody(places: dict[str, str]) -> None:
        for group in ("RESCUE", "NET"):
            scene.stage.expect(partial(scene.stage.places, group), places, group)

    # They gather at the base on the ridge, all in both groups.
    for station in (a, b, c, d, e, f):
        scene.key(station, "ridge/uhf", "RESCUE")
        scene.key(station, "ridge/uhf", "NET")
        scene.wanted("RESCUE", ridge_uhf="member")
        scene.wanted("NET", ridge_uhf="member")
    everybody(dict.fromkeys((a, b, c, d, e, f), "ridge/uhf"))

    # The first pair drives down to the lake and calls the base.
    scene.key(a, "lake/uhf", "QZ9ZZZ")
    scene.wanted("RESCUE", ridge_uhf="member linger", lake_uhf="member")
    scene.wanted("NET", ridge_uhf="member", lake_uhf="member")
    scene.key(b, "lake/uhf", a)
    scene.wanted("RESCUE", ridge_uhf="member linger", lake_uhf="member")
    scene.wanted("NET", ridge_uhf="member", lake_uhf="member")

    # The second pair goes over the pass to the mill; one of them is heard half way.
    scene.key(c, "pass/uhf")
    scene.wanted("RESCUE", ridge_uhf="member linger", lake_uhf="member", pass_uhf="member")
    scene.wanted("NET", ridge_uhf="member", lake_uhf="member", pass_uhf="member")
    scene.key(d, "mill/uhf", "NET")
    scene.wanted(
        "RESCUE", ridge_uhf="member linger", lake_uhf="member", pass_uhf="member", mill_uhf="member"
    )
    scene.key(c, "mill/uhf", d)
    scene.wanted(
        "RESCUE", ridge_uhf="member linger", lake_uhf="member", pass_uhf="linger", mill_uhf="member"
    )
    scene.wanted("NET", ridge_uhf="member", lake_uhf="member", mill_uhf="member")

    # The boat takes one of the lake's pair to the quay; the other remains.
    scene.key(b, "quay/uhf", "RESCUE")
    scene.wanted(
        "RESCUE", ridge_uhf="member linger", lake_uhf="member linger", pass_uhf="linger",
        mill_uhf="member", quay_uhf="member",
    )  # fmt: skip
    scene.wanted("NET", ridge_uhf="member", lake_uhf="member", mill_uhf="member", quay_uhf="member")

    # The last two leave the base, which is then empty.
    scene.key(e, "lake/uhf")
    scene.key(f, "quay/uhf", e)
    scene.wanted(
        "RESCUE", ridge_uhf="linger", lake_uhf="member linger", pass_uhf="linger",
        mill_uhf="member", quay_uhf="member",
    )  # fmt: skip
    scene.wanted("NET", lake_uhf="member", mill_uhf="member", quay_uhf="member")
    everybody({a: "lake/uhf", b: "quay/uhf", c: "mill/uhf", d: "mill/uhf", e: "lake/uhf",
               f: "quay/uhf"})  # fmt: skip

    # The mill's pair has done its work: one checks out of everything, one of RESCUE alone.
    scene.key(c, "mill/uhf", text="OUT")
    scene.key(d, "mill/uhf", "RESCUE", text="OUT")
    scene.wanted(
        "RESCUE", ridge_uhf="linger", lake_uhf="member linger", pass_uhf="linger",
        mill_uhf="linger", quay_uhf="member",
    )  # fmt: skip
    scene.wanted("NET", lake_uhf="member", mill_uhf="member", quay_uhf="member")
    stays = {a: "in_reach", b: "in_reach", e: "in_reach", f: "in_reach"}
    scene.standings("RESCUE", **stays, QC3GHI="checked_out", QD4JKL="checked_out")
    scene.standings("NET", **stays, QC3GHI="checked_out", QD4JKL="in_reach")
    assert scene.stage.refused() == []


# -- pins, bars, carrying ------------------------------------------------------------------------


def test_pins_and_bars(make_stage: MakeStage) -> None:
    # Common practice, no source: a repeater may be for a group always, or never.
    groups = [{"name": "RESCUE", "pins": ["mill/vhf"], "bars": ["lake/uhf"]}]
    scene = Scene(make_stage(**content(group=groups)))
    scene.wanted("RESCUE", mill_vhf="pin")
    scene.key("QA1ABC", "lake/uhf", "RESCUE")
    scene.standings("RESCUE", QA1ABC="in_reach")
    stage = scene.stage
    stage.expect(lambda: stage.fanout("RESCUE")["barred"], ["lake/uhf"], "the bar to be told")
    assert stage.wanted("RESCUE") == {"mill/vhf": ("pin",)}
    scene.key("QA1ABC", "mill/vhf")
    scene.wanted("RESCUE", mill_vhf="member pin")
    assert stage.fanout("RESCUE")["barred"] == []
    scene.key("QA1ABC", "mill/vhf", text="QRT")
    scene.wanted("RESCUE", mill_vhf="pin")


def test_starved_and_idle(make_stage: MakeStage) -> None:
    # Common practice, no source: somebody who should hear and does not is urgent; air time that
    # nobody needs is a waste.
    scene = Scene(make_stage(**content(policy={"starved_after_s": 0.5})))
    stage = scene.stage
    scene.route("NET", "lake/vhf", "released")  # from now on lake is known to speak of routes
    scene.key("QA1ABC", "lake/uhf", "RESCUE")
    stage.expect(lambda: stage.fanout("RESCUE").get("starved"), ["lake/uhf"], "it to be starved")
    scene.alerts("repeater_starved.RESCUE.lake.uhf")
    alert = stage.alerts()["repeater_starved.RESCUE.lake.uhf"]
    assert (alert["severity"], alert["affects"]) == ("critical", ["QA1ABC"])
    scene.route("RESCUE", "lake/uhf", "carrying")
    scene.alerts()
    stage.expect(lambda: stage.fanout("RESCUE")["starved"], [], "it to be fed")
    (entry,) = stage.fanout("RESCUE")["repeaters"]
    assert entry["carriage"] == "carried"
    assert entry["carried_after_s"] >= 0.5
    assert stage.fanout("RESCUE")["idle"] == []

    said_ms = scene.route("RESCUE", "mill/uhf", "carrying")
    idle = [{"repeater": "mill/uhf", "since": moment(said_ms)}]
    stage.expect(lambda: stage.fanout("RESCUE")["idle"], idle, "it to be idle")
    scene.route("RESCUE", "mill/uhf", "released")
    stage.expect(lambda: stage.fanout("RESCUE")["idle"], [], "it to be released")
    assert stage.wanted("RESCUE") == {"lake/uhf": ("member",)}


LOOPS = {
    "two paths": (
        [("lake/uhf", "ridge"), ("lake/uhf", "mill")],
        "one over was sent at lake/uhf by way of mill and of ridge",
    ),
    "cycle": (
        [("lake/uhf", "ridge"), ("mill/uhf", "lake"), ("ridge/uhf", "mill")],
        "one over went round lake > mill > ridge > lake",
    ),
}


@pytest.mark.parametrize("shape", LOOPS)
def test_loops(scene: Scene, shape: str) -> None:
    # Common practice, no source: an over must reach a repeater by one way only.
    hops, reason = LOOPS[shape]
    scene.route("RESCUE", "lake/uhf", "sent", over="chain", from_gateway="ridge")
    scene.route("RESCUE", "mill/uhf", "sent", over="chain", from_gateway="lake")
    for repeater, source in hops[:-1]:
        scene.route("NET", repeater, "sent", over="round", from_gateway=source)
    scene.stage.quiet()
    assert scene.stage.alerts() == {}
    scene.route("NET", hops[-1][0], "sent", over="round", from_gateway=hops[-1][1])
    scene.alerts("loop.NET")
    assert scene.stage.alerts()["loop.NET"]["reasons"][0] == reason


# -- who can be judged ---------------------------------------------------------------------------


def test_one_call_sign_in_two_places_at_once(scene: Scene) -> None:
    # Common practice, no source: nobody keys in two places at the same time, though somebody may
    # use two radios in one. 2 degrees of latitude are 222 km.
    stage, isle = scene.stage, scene.tellers[FAR]
    for teller in (scene.ridge, isle):
        stage.say(teller.state(stage.now_ms, clock_offset_s=0.1))
    now_ms = stage.now_ms
    ended: dict[str, Any] = {"phase": "end", "duration_s": 8, "sent_at": moment(now_ms)}
    for station, over in (("QA1ABC", "o1"), ("QB2DEF", "o2"), ("QC3GHI", "o3"), ("QD4JKL", "o4")):
        stage.say(scene.ridge.heard(now_ms - 10_000, station, over, to="NET", **ended))
    ended["duration_s"] = 5
    stage.say(isle.heard(now_ms - 6_000, "QB2DEF", "o2", to="NET", **ended))
    stage.say(scene.ridge.heard(now_ms - 6_000, "QC3GHI", "o5", port="vhf", to="NET", **ended))
    stage.say(scene.mill.heard(now_ms - 6_000, "QD4JKL", "o6", to="NET", **ended))
    stage.say(isle.heard(now_ms - 6_000, "QA1ABC", "o7", to="NET", **ended))
    # QB2DEF is one over heard twice; QC3GHI on the same mast; QD4JKL where ranges meet.
    scene.alerts("two_places.QA1ABC")
    alert = stage.alerts()["two_places.QA1ABC"]
    assert alert["reasons"] == [
        f"was sending on ridge/uhf and on {FAR}/uhf, 222 km apart, at the same time for 4 s"
    ]


def test_one_call_sign_faster_than_anybody_drives(scene: Scene) -> None:
    # Common practice, no source. The mile was made to be a minute of latitude (1852 m): 2 degrees
    # are 222 km, so that between the edges of ranges of 30 km there are 162.
    scene.key("QA1ABC", "ridge/uhf", "NET")
    scene.key("QB2DEF", "ridge/uhf", "NET")
    scene.key("QB2DEF", "ridge/vhf", "NET")  # the same mast
    scene.key("QB2DEF", "lake/uhf", "NET")  # whose range it may have been in all the time
    scene.key("QA1ABC", f"{FAR}/uhf", "NET")
    scene.alerts("two_places.QA1ABC")
    (reason,) = scene.stage.alerts()["two_places.QA1ABC"]["reasons"]
    assert f"from ridge/uhf to {FAR}/uhf, 222 km apart, it would have crossed" in reason
    doubt = "(, of which 2 s are allowed for the clocks)?"  # said where that is much of the time
    assert re.search(rf"at least 162 km in \d+ s{doubt}$", reason)


@pytest.mark.parametrize("how", ["will", "silence"])
def test_a_lost_gateway_is_one_alert_that_names_those_behind_it(
    make_stage: MakeStage, how: str
) -> None:
    # Common practice, no source: when a site goes dark nothing can be said of those behind it, and
    # one call to its keeper is due, not one for each of them.
    limits = {"gateway_lost_after_s": 2.0 if how == "silence" else 60}
    policy = {"overdue_after_s": 5, "out_of_reach_after_s": 100}
    scene = Scene(make_stage(**content(limits=limits, policy=policy)))
    stage, ridge = scene.stage, scene.ridge
    beating = [t for t in scene.tellers.values() if t is not ridge]

    def beat() -> None:
        stage.say(*(t.state(stage.now_ms, session=1) for t in beating))

    topic = gateway_topic(stage.region, "ridge", Kind.STATE)
    will = {"v": 1, "boot": ridge.boot, "session": 1, "sent_at": moment(stage.now_ms), "up": False}
    peer = stage.peer("ridge", will=(topic, json.dumps(will).encode()))
    peer.publish(topic, ridge.state(stage.now_ms, session=1).payload, retain=True)
    beat()
    for gateway in GATEWAYS:
        wait_until(partial(stage.times, gateway), "the heartbeat's answer")
    scene.key("QA1ABC", "ridge/uhf", "RESCUE")
    scene.key("QB2DEF", "ridge/vhf", "NET")
    scene.key("QC3GHI", "lake/uhf", "RESCUE")
    scene.standings("RESCUE", QA1ABC="in_reach", QC3GHI="in_reach")
    scene.standings("NET", QB2DEF="in_reach")
    if how == "will":
        peer.vanish()

    def overdue_elsewhere() -> bool:
        beat()
        return "member.RESCUE.QC3GHI" in stage.alerts()

    wait_until(overdue_elsewhere, "a member behind a living gateway to be overdue")
    scene.alerts("gateway_lost.ridge", "member.RESCUE.QC3GHI")
    alert = stage.alerts()["gateway_lost.ridge"]
    assert alert["severity"] == "critical"
    stage.expect(
        lambda: stage.alerts()["gateway_lost.ridge"]["affects"], ["QA1ABC", "QB2DEF"], "names"
    )
    scene.standings("RESCUE", QA1ABC="blind", QC3GHI="overdue")
    scene.standings("NET", QB2DEF="blind")
    assert stage.ever("member_overdue") == {"member.RESCUE.QC3GHI"}
    assert stage.ever("member_out_of_reach") == set()
    assert stage.wanted("NET") == {"ridge/vhf": ("member",)}  # it is wanted there all the same

    # It comes back: the alert ends, and silence is counted from now on.
    stage.say(ridge.state(stage.now_ms, session=2))
    stage.expect(lambda: "gateway_lost.ridge" in stage.alerts(), False, "the alert to be cleared")
    scene.standings("NET", QB2DEF="in_reach")


def test_a_lost_repeater_is_one_alert_that_names_those_on_it(make_stage: MakeStage) -> None:
    # Common practice, no source.
    scene = Scene(make_stage(**content()))
    stage, ridge = scene.stage, scene.ridge
    both = [{"id": "ridge/uhf", "up": True}, {"id": "ridge/vhf", "up": True}]
    stage.say(ridge.state(stage.now_ms, repeaters=both))
    scene.key("QA1ABC", "ridge/uhf", "RESCUE")
    scene.key("QB2DEF", "ridge/vhf", "RESCUE")
    scene.standings("RESCUE", QA1ABC="in_reach", QB2DEF="in_reach")
    broken = [{"id": "ridge/uhf", "up": False, "changed_at": moment(stage.now_ms)}, both[1]]
    stage.say(ridge.state(stage.now_ms, repeaters=broken))
    scene.standings("RESCUE", QA1ABC="blind", QB2DEF="in_reach")
    scene.alerts("repeater_lost.ridge.uhf")
    names = ["QA1ABC"]
    stage.expect(lambda: stage.alerts()["repeater_lost.ridge.uhf"]["affects"], names, "names")
    # The broken radio is heard no more, but its member is, by another: it can be judged again.
    scene.key("QA1ABC", "ridge/vhf")
    scene.standings("RESCUE", QA1ABC="in_reach", QB2DEF="in_reach")
    stage.expect(lambda: stage.alerts()["repeater_lost.ridge.uhf"]["affects"], [], "nobody")
    stage.say(ridge.state(stage.now_ms, repeaters=both))
    scene.alerts()


# -- clocks and sequences ------------------------------------------------------------------------


def test_a_wrong_clock_is_corrected_and_told(scene: Scene) -> None:
    # Common practice, no source: who was heard last must not depend on whose clock is right.
    stage = scene.stage
    behind_s = 12
    theirs_ms = stage.now_ms - behind_s * 1000
    stage.say(scene.ridge.state(theirs_ms, clock_offset_s=behind_s))
    scene.alerts("clock_skew.ridge")
    reason = stage.alerts()["clock_skew.ridge"]["reasons"][0]
    assert reason == "its clock is about 12 s behind; times are corrected"
    scene.key("QA1ABC", "lake/uhf", "NET")
    now_ms = stage.now_ms
    theirs_ms = now_ms - behind_s * 1000
    stage.say(scene.ridge.heard(theirs_ms, "QA1ABC", "o1", clock_offset_s=behind_s))
    stage.expect(lambda: stage.places("NET"), {"QA1ABC": "ridge/uhf"}, "the later keying to win")
    (member,) = stage.reach("NET")["members"]
    assert member["last_heard_at"] == moment(now_ms)
    stage.say(scene.ridge.state(stage.now_ms, clock_offset_s=0.2))
    scene.alerts()


def test_events_lost_on_the_way(scene: Scene) -> None:
    # Common practice, no source: a number that is missing is a message that is missing.
    stage = scene.stage
    said = [scene.ridge.heard(stage.now_ms, "QA1ABC", f"o{n}", to="NET") for n in range(6)]
    missing = [said.pop(4), said.pop(2)]
    stage.say(*said)
    scene.alerts("events_lost.ridge")

    def lost() -> str:
        return str(stage.alerts()["events_lost.ridge"]["title"])

    assert lost().startswith("2 events")
    stage.say(missing[0])
    stage.expect(lambda: lost()[:7], "1 event", "one to be found")
    stage.say(missing[1], missing[1], said[0])
    scene.alerts()
    assert stage.counted("ridge") == 6


def test_a_late_backlog_mends_the_state_and_notifies_nobody(scene: Scene) -> None:
    # Common practice, no source: what is over is for the record, not for the duty desk.
    stage = scene.stage
    scene.key("QA1ABC", "lake/uhf", "NET")
    scene.key("QB2DEF", "lake/uhf", "NET")
    scene.standings("NET", QA1ABC="in_reach", QB2DEF="in_reach")
    before = len(stage.replies("lake"))
    now_ms = stage.now_ms
    ended: dict[str, Any] = {"phase": "end", "duration_s": 8, "sent_at": moment(now_ms - 80_000)}
    backlog = [
        # Somebody who came while the site was cut off, and whose membership has ended since.
        scene.ridge.heard(now_ms - 300_000, "QC3GHI", "b1", to="NET"),
        # Somebody who came and went.
        scene.ridge.heard(now_ms - 95_000, "QD4JKL", "b2", to="NET"),
        scene.ridge.heard(now_ms - 94_000, "QD4JKL", "b3", to="NET", text="out"),
        # Heard elsewhere before it moved to the lake; and a loop, as it was then.
        scene.ridge.heard(now_ms - 93_000, "QA1ABC", "b4", to="RESCUE", **ended),
        scene.mill.heard(now_ms - 90_000, "QA1ABC", "b5", **ended),
        scene.ridge.route(now_ms - 92_000, "NET", "sent", over="b4", from_gateway="lake"),
        scene.ridge.route(now_ms - 92_000, "NET", "sent", over="b4", from_gateway="mill"),
        # In two places then: longer ago than such an alert stands.
        scene.ridge.heard(now_ms - 93_000, "QF6PQR", "b6", **ended),
        scene.tellers[FAR].heard(now_ms - 90_000, "QF6PQR", "b7", **ended),
    ]
    stage.say(*backlog)
    stage.quiet()
    scene.standings(
        "NET", QA1ABC="in_reach", QB2DEF="in_reach", QC3GHI="expired", QD4JKL="checked_out"
    )
    scene.standings("RESCUE", QA1ABC="in_reach")  # a member since then, and heard at the lake
    assert stage.places("RESCUE") == {"QA1ABC": "lake/uhf"}
    assert stage.wanted("NET") == {"lake/uhf": ("member",)}
    assert (stage.replies("ridge"), stage.replies("mill")) == ([], [])
    assert len(stage.replies("lake")) == before
    # What happens now, though, is answered: so the silence before was no failure.
    scene.key("QE5MNO", "ridge/uhf", "NET")
    stage.expect(lambda: [r["text"] for r in stage.replies("ridge")], ["IN NET"], "the answer")
    kinds = ("two_places", "loop", "member_overdue", "member_out_of_reach", "events_lost")
    assert {kind: stage.ever(kind) for kind in kinds} == {kind: set() for kind in kinds}


def test_an_event_from_the_future_is_refused(scene: Scene) -> None:
    # Common practice, no source: else it would rule until that time comes.
    stage = scene.stage
    future_ms = stage.now_ms + 120_000
    scene.key("QA1ABC", "lake/uhf", "NET")
    stage.say(scene.ridge.heard(future_ms, "QA1ABC", "o1", to="RESCUE"))
    wait_until(stage.refused, "the refusal")
    (refusal,) = stage.refused()
    assert (refusal["reason"], refusal["gateway"]) == ("future", "ridge")
    assert "ahead of the server's" in refusal["detail"]
    scene.alerts("clock_skew.ridge")
    scene.standings("NET", QA1ABC="in_reach")
    assert stage.places("NET") == {"QA1ABC": "lake/uhf"}
    assert stage.standings("RESCUE") == {}
    assert stage.store.gateway("ridge").counts == {"future": 1}
    assert stage.store.refusals() == {"future": 1}
