"""The picture against the commands that read: the same region, seen by other ways.

The commands work everything out anew from Redis; the picture knows what workers published and how
gateways stand. Where both speak of the same, they must say the same.
"""

import json
import random
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from paho.mqtt.client import topic_matches_sub

from streamer.board import making
from streamer.board.picture import Picture, filters
from streamer.board.rows import PUBLIC_TABLE, fanout_table, roster_table
from streamer.clock import from_ms
from streamer.contract import topics
from streamer.contract.common import Message
from streamer.contract.duty import DutyKind
from streamer.contract.published import (
    Alert,
    AlertKind,
    AlertState,
    Beat,
    Carriage,
    FanOut,
    FanOutRepeater,
    HeldAlert,
    Maintenance,
    Member,
    OrderKind,
    Severity,
    Standing,
    Why,
    WorkerState,
)
from streamer.reading import alerts as reading_alerts
from streamer.reading import gateway as reading_gateway
from streamer.reading import group as reading_group
from streamer.reading import where as reading_where
from streamer.reading.maintenance import works_now
from tests.board.seen import Seen
from tests.servers import Redis
from tests.state.scene import GATEWAYS, PORTS, START_MS, STATIONS, region

pytestmark = pytest.mark.redis


AT_ONCE = {"gateway_lost_after_s": 90, "events_lost_after_s": 5, "roster_refresh_s": 0}
"""A roster is published anew with each word of a member, not at the latest after some seconds."""


@pytest.fixture
def seen(empty_redis: Redis) -> Seen:
    return Seen(empty_redis.url, region(limits=AT_ONCE))


def as_json(model: Any) -> dict[str, Any]:
    found: dict[str, Any] = model.model_dump(mode="json")
    return found


def shared(row: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, Any]:
    """The part of `other` that `row` speaks of as well."""
    return {name: value for name, value in other.items() if name in row}


# -- the same as the commands say --------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_the_picture_agrees_with_the_commands(seen: Seen, seed: int) -> None:
    dice = random.Random(seed)
    for _ in range(40):
        seen.something(dice)
        seen.pass_s(2)  # there is a pause between two rosters of a group
        seen.show()
        _agree_on_groups(seen)
        _agree_on_gateways(seen)
        _agree_on_alerts(seen)
        _agree_on_places(seen)


def _agree_on_groups(seen: Seen) -> None:
    desk = seen.desk()
    lines = {line.group: as_json(line) for line in reading_group.groups(desk).groups}
    rows = seen.rows("groups")
    assert rows.keys() == lines.keys()
    for name, line in lines.items():
        row = rows[name]
        row["idle"] = [idle["repeater"] for idle in row["idle"]]
        assert shared(line, row) == shared(row, line), name
        told = as_json(reading_group.group(desk, name))
        _agree_on_fanout(seen.rows(fanout_table(name)), told)
        roster = seen.rows(roster_table(name))
        head = roster.pop("#roster")
        assert head["version"] == told["reach_version"]
        assert roster.keys() == {m["station"] for m in told["members"]}
        for member in told["members"]:
            other = roster[member["station"]]
            # Reasons hold times that go by; a roster is published anew at times.
            ours = {**shared(member, other), "reasons": member["reasons"]}
            assert ours == shared(other, member)
            assert other["hears_reason"]
        would = [m["hears"] for m in told["members"] if m["station"] in _present(told)]
        counts = [row["would_hear"], row["would_not_hear"], row["cannot_say"]]
        assert counts == [would.count("yes"), would.count("no"), would.count("unknown")]


def _present(told: Mapping[str, Any]) -> set[str]:
    closed = ("expired", "checked_out")
    return {m["station"] for m in told["members"] if m["standing"] not in closed}


def _agree_on_fanout(rows: Mapping[str, Any], told: Mapping[str, Any]) -> None:
    wanted = {r["repeater"]: r for r in told["repeaters"]}
    assert {r for r, row in rows.items() if row["wanted"]} == wanted.keys()
    for name, other in wanted.items():
        row = rows[name]
        assert shared(other, row) == shared(row, other)
        state = row["state"]
        assert (state in ("starved", "not_yet")) == other["starved"]
        assert (state == "not_yet") == other["not_yet"]
        assert (state == "carried") == (other["carriage"] == "carried")
        assert (state == "unknown") == (other["carriage"] == "unknown")
    barred = {r for r, row in rows.items() if row["state"] == "barred"}
    assert barred == set(told["barred"])
    idle = {idle["repeater"] for idle in told["idle"]}
    assert {r for r, row in rows.items() if row["state"] == "idle"} == idle - barred
    present = _present(told)
    for name in barred:
        on_it = {m["station"] for m in told["members"] if m["repeater"] == name}
        assert set(rows[name]["members"]) == on_it & present


def _agree_on_gateways(seen: Seen) -> None:
    looker = reading_gateway._Looker(seen.desk())
    rows = seen.rows("gateways")
    assert rows.keys() == set(looker.names)
    for name in looker.names:
        told, row = as_json(looker.look(name)), rows[name]
        assert [r["repeater"] for r in row["repeaters"]] == [
            r["repeater"] for r in told["repeaters"]
        ]
        for theirs, ours in zip(told["repeaters"], row["repeaters"], strict=True):
            assert (ours["since"], ours["reason"]) == (theirs["since"], theirs["reason"])
            away = told["standing"] in ("down", "silent")  # then nothing is known of its repeaters
            assert ours["reporting"] == (False if away else theirs["up"])
        plain = {k: v for k, v in told.items() if not isinstance(v, list | dict)}
        assert shared(plain, row) == shared(row, plain)


def _agree_on_alerts(seen: Seen) -> None:
    told = as_json(reading_alerts.alerts(seen.desk()))["alerts"]
    rows = seen.rows("alerts")
    assert rows.keys() == {alert["id"] for alert in told}
    for alert in told:
        del alert["age_s"]
        assert rows[alert["id"]] == alert


def _agree_on_places(seen: Seen) -> None:
    """Where a member of several groups was heard last, by the station's own record."""
    desk, rows = seen.desk(), seen.rows("places")
    for name in STATIONS:
        record = desk.store.station(name)
        if record is None:
            assert name not in rows
            continue
        told = as_json(reading_where.where(desk, record))
        closed = (None, "expired", "checked_out")
        member_of = [g["group"] for g in told["groups"] if g["standing"] not in closed]
        assert rows.get(name, {"groups": []})["groups"] == member_of
        if not member_of:
            continue
        row, last, fix = rows[name], told["last_heard"], told["position"]
        assert (row["repeater"], row["last_heard_at"]) == (last["repeater"], last["at"])
        place = (fix["lat"], fix["lon"], fix["at"]) if fix else (None, None, None)
        assert (row["lat"], row["lon"], row["position_at"]) == place
        worst = ["out_of_reach", "overdue", "blind", "in_reach"]
        found = {g["standing"] for g in told["groups"]}
        assert row["standing"] == next(s for s in worst if s in found)


def test_a_member_of_several_groups_is_shown_at_its_worst_and_newest() -> None:
    """Groups may have policies of their own, and rosters are of different ages."""
    common: dict[str, Any] = {"station": "QA1ABC", "checked_in_at": from_ms(NOW)}
    old = Member(
        **common, standing=Standing.OUT_OF_REACH, repeater="ridge/uhf", last_heard_at=from_ms(NOW),
        lat=-46.0, lon=20.0, position_at=from_ms(NOW),
    )  # fmt: skip
    new = Member(
        **common, standing=Standing.IN_REACH, repeater="lake/uhf", last_heard_at=from_ms(NOW + 1)
    )
    for members in ({"NET": old, "TALK": new}, {"TALK": new, "NET": old}):
        row = making.place_row("QA1ABC", members)
        assert (row.standing, row.repeater) == (Standing.OUT_OF_REACH, "lake/uhf")
        assert (row.lat, row.position_at, row.groups) == (-46.0, from_ms(NOW), ("NET", "TALK"))


# -- what is published -------------------------------------------------------------------------


REGION = "scene"
NOW = START_MS


def picture() -> Picture:
    made = Picture(region(), NOW)
    made.connected()
    return made


def give(to: Picture, topic: str, message: Message | None, now_ms: int = NOW) -> None:
    payload = message.model_dump_json().encode() if message is not None else b""
    to.take(topic, payload, now_ms)
    to.make(now_ms)
    to.tables.settle()


def rows_of(of: Picture, table: str) -> Any:
    return json.loads(of.tables.document(table))["rows"]


def fanout(version: int, *names: str, carriage: Carriage = Carriage.CARRIED) -> FanOut:
    repeaters = tuple(
        FanOutRepeater(repeater=n, why=(Why.PIN,), carriage=carriage, since=from_ms(NOW))
        for n in names
    )
    starved = names if carriage is Carriage.NOT_CARRIED else ()
    return FanOut(
        region=REGION, group="TALK", version=version, at=from_ms(NOW), repeaters=repeaters,
        starved=starved,
    )  # fmt: skip


FANOUT = topics.fanout_topic(REGION, "TALK")
TABLE = fanout_table("TALK")


def test_an_older_version_never_replaces_a_newer_one() -> None:
    p = picture()
    give(p, FANOUT, fanout(2, "ridge/uhf"))
    give(p, FANOUT, fanout(1, "lake/uhf"))
    assert rows_of(p, TABLE).keys() == {"ridge/uhf"}
    give(p, FANOUT, fanout(3, "lake/uhf"))
    assert rows_of(p, TABLE).keys() == {"lake/uhf"}


def test_a_topic_that_is_removed_takes_its_rows_along() -> None:
    p = picture()
    give(p, FANOUT, fanout(2, "ridge/uhf"))
    give(p, FANOUT, None)
    assert rows_of(p, TABLE) == {}
    assert rows_of(p, "groups")["TALK"]["wanted"] == 0


def alert(
    version: int, state: AlertState = AlertState.OPEN, name: str = "a-1", opened_ms: int = NOW
) -> Alert:
    return Alert(
        region=REGION, id=name, version=version, kind=AlertKind.REPEATER_LOST,
        severity=Severity.CRITICAL, state=state, subject="ridge/uhf", title="lost",
        reasons=("it says so",), next_step="Look.", since=from_ms(NOW),
        opened_at=from_ms(opened_ms),
    )  # fmt: skip


ALERT = topics.alert_topic(REGION, "a-1")


def test_an_alert_that_cleared_does_not_come_back_by_an_old_message() -> None:
    p = picture()
    give(p, ALERT, alert(1))
    assert rows_of(p, "alerts").keys() == {"a-1"}
    assert rows_of(p, "head")["head"]["alerts"]["critical"] == 1
    give(p, ALERT, alert(3, AlertState.CLEARED))
    give(p, ALERT, None)
    give(p, ALERT, alert(2))
    assert rows_of(p, "alerts") == {}
    give(p, ALERT, alert(4))  # the same trouble again
    assert rows_of(p, "alerts").keys() == {"a-1"}


def test_what_ended_while_there_was_no_connection_goes_some_time_after_the_next() -> None:
    p = picture()
    for name in ("a-1", "a-2"):
        give(p, topics.alert_topic(REGION, name), alert(1, name=name))
    p.lost(NOW)
    p.connected()
    give(p, topics.alert_topic(REGION, "a-2"), alert(1, name="a-2"))  # retained, again
    p.sweep()
    p.make(NOW)
    p.tables.settle()
    assert rows_of(p, "alerts").keys() == {"a-2"}
    give(p, ALERT, alert(1))  # it was only late
    assert rows_of(p, "alerts").keys() == {"a-1", "a-2"}
    p.connected()
    p.sweep({"alert/a-1"})  # a broker that came back with nothing: Redis has this one
    give(p, WORKER, None)
    assert rows_of(p, "alerts").keys() == {"a-1"}


def test_bad_content_is_counted_and_harms_nothing() -> None:
    p = picture()
    give(p, FANOUT, fanout(2, "ridge/uhf"))
    for bad in (b"{", b"[]", b'{"v":1}', b"\xff\xfe", b"null"):
        kinds = ("fanout/TALK", "reach/TALK", "alert/x", "duty/x", "worker/w", "maintenance/m")
        for kind in (*kinds, "beat"):
            p.take(f"net/{REGION}/{kind}", bad, NOW)
    p.take("net/other/fanout/TALK", b"{}", NOW)
    give(p, "net/scene/fanout/NOBODY", None)
    assert rows_of(p, TABLE).keys() == {"ridge/uhf"}
    assert "35 published messages could not be read" in rows_of(p, "head")["head"]["notes"]


def test_a_message_changes_only_the_rows_that_changed() -> None:
    p = picture()
    give(p, FANOUT, fanout(1, "ridge/uhf", "lake/uhf"))
    before = p.tables.version
    give(p, FANOUT, fanout(2, "ridge/uhf", "lake/uhf"))
    delta = p.tables.delta(TABLE, before)
    assert delta is None
    give(p, FANOUT, fanout(3, "ridge/uhf", "mill/uhf"))
    delta = p.tables.delta(TABLE, before)
    assert delta is not None
    assert b"mill/uhf" in delta.json
    assert b'"gone":["lake/uhf"]' in delta.json
    assert b'"ridge/uhf":' not in delta.json


# -- orders, duties, roll calls ----------------------------------------------------------------


def test_orders_are_shown_also_where_nobody_is(seen: Seen) -> None:
    seen.say(seen.tellers["ridge"].state(seen.now_ms))
    seen.acts.order("TALK", "ridge/vhf", OrderKind.BAR, 600, "desk", "noise")
    seen.acts.order("TALK", "lake/uhf", OrderKind.PIN, 600, "desk")
    seen.settle()
    seen.show()
    rows = seen.rows(fanout_table("TALK"))
    assert (rows["ridge/vhf"]["state"], rows["ridge/vhf"]["wanted"]) == ("barred", False)
    assert rows["ridge/vhf"]["order"]["note"] == "noise"
    assert (rows["lake/uhf"]["why"], rows["lake/uhf"]["order"]["order"]) == (["pin"], "pin")
    assert [o["repeater"] for o in seen.rows("groups")["TALK"]["orders"]] == [
        "lake/uhf", "ridge/vhf",
    ]  # fmt: skip
    seen.pass_s(601)
    seen.show()
    assert seen.rows(fanout_table("TALK")) == {}


def test_a_duty_marks_head_groups_and_rosters_while_it_runs(seen: Seen) -> None:
    duty = seen.acts.start_duty("Night walk", DutyKind.EXERCISE, ["TALK"], "desk")
    seen.settle()
    seen.show()
    (running,) = seen.rows("head")["head"]["duties"]
    assert (running["title"], running["kind"], running["groups"]) == (
        "Night walk", "exercise", ["TALK"],
    )  # fmt: skip
    mark = {"id": duty.id, "title": "Night walk", "kind": "exercise"}
    assert seen.rows("groups")["TALK"]["duties"] == [mark]
    assert seen.rows("groups")["NET"]["duties"] == []
    assert seen.rows(roster_table("TALK"))["#roster"]["duties"] == [mark]
    assert seen.rows(PUBLIC_TABLE)["region"]["exercises"] == 1
    seen.acts.end_duty(duty.id, "desk")
    seen.settle()
    seen.show()
    assert seen.rows("head")["head"]["duties"] == []
    assert seen.rows("groups")["TALK"]["duties"] == []


def test_a_roll_call_and_its_answers_are_in_the_roster(seen: Seen) -> None:
    seen.say(seen.tellers["ridge"].heard(seen.now_ms, "QA1ABC", "o1", to="TALK"))
    seen.pass_s(1)
    call = seen.acts.start_roll_call("TALK", "desk")
    seen.settle()
    seen.show()
    assert seen.rows("groups")["TALK"]["roll_call"]["id"] == call.id
    assert seen.rows(roster_table("TALK"))["#roster"]["roll_call"]["started_by"] == "desk"
    assert seen.rows(roster_table("TALK"))["QA1ABC"]["answered_at"] is None
    seen.acts.answered("TALK", "QA1ABC", "desk")
    seen.settle()
    seen.show()
    row = seen.rows(roster_table("TALK"))["QA1ABC"]
    assert (row["answered_how"], row["answered_by"]) == ("desk", "desk")


# -- what explains what, planned work ------------------------------------------------------------


def test_what_an_alert_explains_comes_with_it() -> None:
    p = picture()
    held = HeldAlert(
        id="member.TALK.QA1ABC", kind=AlertKind.MEMBER_OUT_OF_REACH, severity=Severity.CRITICAL,
        subject="QA1ABC", title="QA1ABC of TALK is out of reach", since=from_ms(NOW - 1000),
    )  # fmt: skip
    began = NOW - 600_000
    facts = {"held": (held,), "episode": f"a-1@{began}", "opened_times": 3, "unsteady": True}
    give(p, ALERT, alert(1).model_copy(update=facts))
    row = rows_of(p, "alerts")["a-1"]
    assert [h["subject"] for h in row["held"]] == ["QA1ABC"]
    assert (row["opened_times"], row["unsteady"]) == (3, True)
    assert row["first_opened_at"] == as_json(alert(1, opened_ms=began))["opened_at"]
    assert row["opened_at"] != row["first_opened_at"]


def test_an_alert_without_an_episode_began_when_it_opened() -> None:
    """Of a worker of an earlier version."""
    p = picture()
    give(p, ALERT, alert(1))
    row = rows_of(p, "alerts")["a-1"]
    assert row["first_opened_at"] == row["opened_at"]


def work(version: int, name: str = "work-1", **changes: Any) -> Maintenance:
    given = {
        "region": REGION, "id": name, "version": version, "subject": "ridge", "by": "desk",
        "until": from_ms(NOW + 3_600_000), "at": from_ms(NOW), "note": "new antenna", **changes,
    }  # fmt: skip
    return Maintenance.model_validate(given)


WORK = topics.maintenance_topic(REGION, "work-1")


def test_planned_work_is_shown_until_it_is_over() -> None:
    p = picture()
    give(p, WORK, work(1))
    row = rows_of(p, "maintenance")["work-1"]
    assert (row["subject"], row["by"], row["note"]) == ("ridge", "desk", "new antenna")
    give(p, WORK, work(2, ended_at=from_ms(NOW + 1000), ended_by="desk"))
    give(p, WORK, None)
    assert rows_of(p, "maintenance") == {}
    give(p, WORK, work(1))  # an old message, late
    assert rows_of(p, "maintenance") == {}


def test_planned_work_ends_at_its_time_though_nobody_says_so() -> None:
    p = picture()
    give(p, WORK, work(1))
    p.make(NOW + 3_599_999)
    p.tables.settle()
    assert rows_of(p, "maintenance").keys() == {"work-1"}
    p.make(NOW + 3_600_000)
    p.tables.settle()
    assert rows_of(p, "maintenance") == {}


def test_planned_work_that_was_taken_back_meanwhile_goes_after_the_next_connection() -> None:
    p = picture()
    for name in ("work-1", "work-2"):
        give(p, topics.maintenance_topic(REGION, name), work(1, name))
    p.connected()
    p.sweep({"maintenance/work-2"})  # Redis has this one: the broker has forgotten it
    p.make(NOW)
    p.tables.settle()
    assert rows_of(p, "maintenance").keys() == {"work-2"}


def test_acts_and_picture_agree_on_planned_work(seen: Seen) -> None:
    begun = seen.acts.start_maintenance("ridge", 3600, "desk", "new antenna")
    seen.settle()
    seen.show()
    assert seen.rows("maintenance") == {begun.id: as_json(begun)}
    assert [w.id for w in works_now(seen.desk())] == [begun.id]
    seen.acts.end_maintenance(begun.id, "desk")
    seen.settle()
    seen.show()
    assert seen.rows("maintenance") == {}
    assert list(works_now(seen.desk())) == []


BEAT = topics.beat_topic(REGION)


def beat(at_ms: int) -> Beat:
    return Beat(
        region=REGION, version=at_ms, at=from_ms(at_ms), next_within_s=60, open=0, acknowledged=0
    )


def test_a_missing_beat_is_told_with_the_time_of_the_last() -> None:
    """Three times `next_within_s`: the contract, Beat. Without a broker none can come here."""
    p = picture()
    p.expect_beats(NOW)
    give(p, BEAT, beat(NOW))
    silent_ms = NOW + 180_001
    assert head_of(p, silent_ms - 1)["alerts_silent_since"] is None
    assert head_of(p, silent_ms)["alerts_silent_since"] == "2027-01-15T08:00:00Z"
    p.lost(silent_ms)
    assert head_of(p, silent_ms)["alerts_silent_since"] is None
    p.connected()
    assert head_of(p, silent_ms)["alerts_silent_since"] == "2027-01-15T08:00:00Z"
    give(p, BEAT, beat(silent_ms), silent_ms)
    assert head_of(p, silent_ms)["alerts_silent_since"] is None


def test_a_record_that_is_played_misses_no_beat() -> None:
    p = picture()
    give(p, BEAT, beat(NOW))
    assert head_of(p, NOW + 10**7)["alerts_silent_since"] is None


def test_the_picture_asks_for_all_that_it_is_made_of() -> None:
    """Told by a general matcher of MQTT topics (paho-mqtt)."""
    asked = filters(REGION)
    told = [FANOUT, topics.reach_topic(REGION, "TALK"), ALERT, WORK, BEAT, WORKER]
    told += [topics.duty_topic(REGION, "d-1")]
    for topic in told:
        assert sum(topic_matches_sub(one, topic) for one in asked) == 1, topic
    assert not any(topic_matches_sub(one, topics.refused_topic(REGION)) for one in asked)


# -- how old it is -----------------------------------------------------------------------------


def worker(
    at_ms: int, name: str = "w-1", *, up: bool = True, rate: float | None = 3
) -> WorkerState:
    return WorkerState(
        region=REGION, name=name, up=up, at=from_ms(at_ms), waiting=2 if up else None,
        next_within_s=5 if up else None, events_per_s=rate if up else None,
    )  # fmt: skip


WORKER = topics.worker_topic(REGION, "w-1")


def head_of(of: Picture, now_ms: int) -> Any:
    of.make(now_ms)
    of.tables.settle()
    return rows_of(of, "head")["head"]


def test_the_head_tells_how_old_the_picture_is(seen: Seen) -> None:
    p = seen.picture
    seen.look()
    give(p, WORKER, worker(NOW))
    head = head_of(p, NOW)
    assert (head["broker"], head["redis"], head["worker"]) == ("connected", "answers", "live")
    assert (head["stale_since"], head["notes"]) == (None, [])
    assert (head["events_per_s"], head["waiting"]) == (3, 2)
    # Silent for three times `next_within_s`: the contract, WorkerState.
    assert head_of(p, NOW + 15_000)["worker"] == "live"
    silent = head_of(p, NOW + 15_001)
    assert (silent["worker"], silent["stale_since"]) == ("silent", "2027-01-15T08:00:00Z")
    assert silent["events_per_s"] is None
    assert "has not spoken for 15 s" in silent["notes"][0]
    give(p, WORKER, worker(NOW + 16_000), NOW + 16_000)
    assert head_of(p, NOW + 16_000)["stale_since"] is None


def test_broker_and_redis_away_are_told_with_the_time(seen: Seen) -> None:
    p = seen.picture
    seen.look()
    give(p, WORKER, worker(NOW))
    p.redis_away(NOW + 2000)
    head = head_of(p, NOW + 2000)
    assert (head["redis"], head["stale_since"]) == ("away", "2027-01-15T08:00:00Z")
    p.lost(NOW + 3000)
    p.lost(NOW + 4000)
    assert head_of(p, NOW + 4000)["broker"] == "away"
    seen.look()
    head = head_of(p, NOW + 4000)
    assert (head["redis"], head["stale_since"]) == ("answers", "2027-01-15T08:00:03Z")
    p.connected()
    assert head_of(p, NOW + 4000)["stale_since"] is None


def test_gateways_stay_as_they_were_while_redis_is_away(seen: Seen) -> None:
    seen.say(seen.tellers["ridge"].state(seen.now_ms))
    seen.show()
    before = seen.rows("gateways")
    assert before["ridge"]["standing"] == "up"
    seen.picture.redis_away(seen.now_ms)
    seen.picture.make(seen.now_ms)
    seen.picture.tables.settle()
    assert seen.rows("gateways") == before


def test_without_a_worker_ever_it_says_so() -> None:
    p = picture()
    assert head_of(p, NOW)["worker"] == "never"
    assert any("no worker has ever spoken" in n for n in head_of(p, NOW + 16_000)["notes"])


def test_a_worker_that_left_is_forgotten_and_one_that_is_down_is_not() -> None:
    p = picture()
    give(p, WORKER, worker(NOW))
    give(p, WORKER, worker(NOW, up=False))
    assert head_of(p, NOW)["worker"] == "silent"
    give(p, WORKER, None)
    assert head_of(p, NOW)["worker"] == "never"


# -- starved, and for how long -----------------------------------------------------------------


def test_a_starved_repeater_is_given_the_time_of_the_policy(seen: Seen) -> None:
    ridge = seen.tellers["ridge"]
    ports = [{"id": f"ridge/{p}", "up": True} for p in PORTS]
    seen.say(
        ridge.state(seen.now_ms, repeaters=ports),
        ridge.route(seen.now_ms, "NET", "carrying"),
        ridge.heard(seen.now_ms, "QA1ABC", "o1", to="TALK"),
    )
    seen.hand_over()
    seen.picture.make(seen.now_ms)  # Redis has not told yet since when
    seen.picture.tables.settle()

    def state() -> str:
        return str(seen.rows(fanout_table("TALK"))["ridge/uhf"]["state"])

    seen.look()
    seen.picture.make(seen.now_ms)
    seen.picture.tables.settle()
    assert state() == "not_yet"
    assert seen.rows(PUBLIC_TABLE)["group:TALK"]["state"] == "quiet"
    seen.bench.clock.advance_s(4.9)  # starved_after_s is 5; nothing is published meanwhile
    seen.show()
    assert state() == "not_yet"
    seen.bench.clock.advance_s(0.2)
    seen.show()
    assert state() == "starved"
    assert seen.rows("groups")["TALK"]["not_yet"] == []
    assert seen.rows(PUBLIC_TABLE)["group:TALK"]["state"] == "starved"


# -- the public, other region files ------------------------------------------------------------


def test_the_public_sees_no_call_sign_and_no_position(seen: Seen) -> None:
    dice = random.Random(3)
    for _ in range(60):
        seen.something(dice)
    seen.acts.start_duty(f"for {STATIONS[0]}", DutyKind.ACTUAL, ["TALK"], STATIONS[1])
    seen.settle()
    seen.show()
    text = seen.picture.tables.document(PUBLIC_TABLE).decode()
    assert any(name in seen.picture.tables.document("places").decode() for name in STATIONS)
    for name in (*STATIONS, "lat", "lon", "position", "station", "keeper", "note"):
        assert f'"{name}' not in text, name
        assert name not in STATIONS or name not in text
    keys = {"region", *(f"group:{g}" for g in seen.view.groups)}
    keys |= {f"repeater:{g}/{p}" for g in GATEWAYS for p in PORTS}
    assert seen.rows(PUBLIC_TABLE).keys() == keys


def test_a_group_that_the_region_file_drops_goes_with_its_tables(seen: Seen) -> None:
    seen.say(seen.tellers["ridge"].heard(seen.now_ms, "QA1ABC", "o1", to="TALK"))
    seen.show()
    assert seen.rows("places").keys() == {"QA1ABC"}
    kept: Callable[[str], bool] = lambda name: name != "TALK"  # noqa: E731
    groups = [as_json(g) for g in seen.view.region.group if kept(g.name)]
    seen.picture.reload(region(group=groups))
    seen.picture.make(seen.now_ms)
    seen.picture.tables.settle()
    assert seen.rows("groups").keys() == {"RESCUE", "NET"}
    assert seen.rows("places") == {}
    assert seen.rows(roster_table("TALK")) == {}
    assert roster_table("TALK") not in seen.picture.tables.names
    assert "group:TALK" not in seen.rows(PUBLIC_TABLE)


def test_keepers_come_from_the_region_file() -> None:
    gateways = [
        {"id": "ridge", "keeper": "the ridge crew", "repeater": [{"id": "uhf", "title": "Top"}]}
    ]
    groups = [{"name": "TALK"}]
    p = Picture(region(gateway=gateways, group=groups), NOW)
    give(p, ALERT, alert(1))
    assert rows_of(p, "alerts")["a-1"]["keeper"] == "the ridge crew"
    gateways[0]["keeper"] = "the valley crew"
    p.reload(region(gateway=gateways, group=groups))
    p.make(NOW)
    p.tables.settle()
    assert rows_of(p, "alerts")["a-1"]["keeper"] == "the valley crew"
