"""A small recorded duty, written out line by line; every number of it is worked out on paper.

Region `scene` (tests/state/scene.py): gateways ridge, lake, mill with /uhf and /vhf each; lost 90 s
after the last heartbeat; a member expires 240 s after it was last heard. Seconds since T:

  -60        the record begins. ridge and lake send heartbeats every 30 s, mill never says a word
   -8        A keys to RESCUE for 2 s at ridge/uhf: a member before the duty began
    0        duty D begins: RESCUE and NET. On the roster: A, B, E
  100        B to RESCUE, 4 s, ridge/uhf; also heard at lake/uhf
  120        C to NET, 3 s, lake/uhf, with a position
  130        A to QZ9ZZZ (no group), 5 s, lake/uhf: an over of a member to somebody else
  140        X (nobody's member) to TALK, 6 s: none of the duty's business
  200        C to NET, 2 s, lake/uhf, "OUT": checks out at 202
  210 - 270  ridge says goodbye at 210 and is there again at 270
  300 - 420  nothing is recorded: the worker was down
  450        B to RESCUE, 1 s, lake/uhf; last heard 350 s ago it had expired, and joins anew
  500        C to NET, 2.5 s, ridge/uhf: joins anew
  550        duty D ends
  560        the last line

Fan-out of RESCUE as published: at 0 {ridge/uhf}, at 101 {ridge/uhf, mill/vhf}, at 451 {lake/uhf,
mill/vhf}; of NET: at 121 {lake/uhf}. By their own word lake/vhf carried RESCUE from 90 to 460 and
ridge/vhf NET from 190 on.
"""

import json
from collections.abc import Iterable
from typing import Any, Final

from streamer.clock import from_ms
from streamer.contract.published import Alert, AlertKind, AlertState, HeldAlert, Severity
from streamer.contract.topics import alert_topic, fanout_topic, reach_topic
from streamer.journal.reader import settings_text
from streamer.report.duties import duties_of
from streamer.report.facts import DutyReport
from streamer.report.make import report_of
from streamer.report.record import record_of
from tests.lab.test_gather import BOOT, T, begin, ended, route
from tests.state.scene import region

A, B, C, E, X = "QA1ABC", "QB2DEF", "QC3GHI", "QE5MNO", "QX9XYZ"
DUTY: Final = "duty-1"
LAT, LON = -46.123456, 20.234567


def at(seconds: float) -> int:
    return T + round(seconds * 1000)


def moment(seconds: float) -> str:
    return from_ms(at(seconds)).isoformat().replace("+00:00", "Z")


def over(
    seq: int, begin_s: float, length_s: float, repeater: str, station: str, name: str, **more: Any
) -> Any:
    return ended(seq, at(begin_s), round(length_s * 1000), repeater, station, name, **more)


def beat(gateway: str, said_s: float, boot: str = BOOT, *, up: bool = True) -> Any:
    """A heartbeat; its number is its time, so that it rises."""
    seq = 1000 + round(said_s)
    content = {"v": 1, "boot": boot, "session": 0, "seq": seq, "up": up, "repeaters": []}
    return {
        "kind": "state", "noted_ms": at(said_s), "gateway": gateway, "boot": boot, "session": 0,
        "seq": seq, "said_ms": at(said_s), "up": up, "flips": [],
        "content": json.dumps({**content, "sent_at": moment(said_s)}),
    }  # fmt: skip


def act(at_s: float, name: str, subject: str, by: str = "desk1", **more: Any) -> Any:
    entry = {"at": moment(at_s), "by": by, "act": name, "subject": subject, **more}
    return {"kind": "act", "noted_ms": at(at_s) + 500, "entry": json.dumps(entry)}


def fanout(at_s: float, group: str, *repeaters: str) -> Any:
    said = [{"repeater": r, "why": ["member"], "carriage": "unknown"} for r in repeaters]
    content = {
        "v": 1, "region": "scene", "group": group, "version": 100 + round(at_s),
        "at": moment(at_s), "repeaters": said,
    }  # fmt: skip
    return published(at_s, fanout_topic("scene", group), content)


def reach(at_s: float, group: str, **standings: str) -> Any:
    """`standings` by call sign, each `standing since_s`."""
    members = []
    for station, text in standings.items():
        standing, since_s = text.split(" ")
        members.append({
            "station": station, "standing": standing, "standing_since": moment(float(since_s)),
            "repeater": "ridge/uhf", "last_heard_at": moment(float(since_s)),
            "checked_in_at": moment(-8),
        })  # fmt: skip
    content = {
        "v": 1, "region": "scene", "group": group, "version": 100 + round(at_s),
        "at": moment(at_s), "members": members,
    }  # fmt: skip
    return published(at_s, reach_topic("scene", group), content)


def published(at_s: float, topic: str, content: Any, retain: bool = True) -> Any:
    payload = content if isinstance(content, str) else json.dumps(content)
    return {
        "kind": "published", "noted_ms": at(at_s) + 20, "topic": topic, "payload": payload,
        "retain": retain,
    }  # fmt: skip


def alert(at_s: float, version: int, state: str, opened_s: float, **more: Any) -> Any:
    """A message about gateway_lost.ridge, or about what `more` says."""
    fields: dict[str, Any] = {
        "region": "scene", "id": "gateway_lost.ridge", "kind": AlertKind.GATEWAY_LOST,
        "severity": Severity.WARNING, "subject": "ridge", "title": "Gateway ridge is lost",
        "reasons": ("so",), "next_step": "Call.", "since": from_ms(at(opened_s)),
        "episode": "e1", **more,
    }  # fmt: skip
    for name in ("acknowledged_at", "cleared_at"):
        if name in fields:
            fields[name] = from_ms(at(fields[name]))
    made = Alert(
        version=version, state=AlertState(state), opened_at=from_ms(at(opened_s)), **fields
    )
    return published(at_s, alert_topic("scene", made.id), made.model_dump_json())


def held(name: str) -> HeldAlert:
    return HeldAlert(
        id=name, kind=AlertKind.REPEATER_LOST, severity=Severity.CRITICAL, subject="ridge/uhf",
        title="Repeater ridge/uhf is lost", since=from_ms(at(212)),
    )  # fmt: skip


ROSTER: Final = [
    {"call": A, "name": "Ann", "agency": "Team 1", "assignment": "Leader", "group": "RESCUE"},
    {"call": B, "name": "=1+1", "agency": "", "assignment": "", "group": ""},
    {"call": E, "name": "Eve", "agency": "", "assignment": "", "group": ""},
]
BEATS: Final = [
    *(beat("lake", s) for s in range(-60, 551, 30) if not 300 <= s < 420),
    *(beat("ridge", s) for s in range(-60, 210, 30)),
    beat("ridge", 210, up=False),
    *(beat("ridge", s, "0190000000000002") for s in range(270, 551, 30) if not 300 <= s < 420),
]
LINES: Final = [
    begin(noted_ms=at(-60)),
    {"kind": "region", "noted_ms": at(-60), "settings": settings_text(region())},
    begin(noted_ms=at(420)),
    *BEATS,
    over(1, -8, 2, "ridge/uhf", A, "o0", to="RESCUE"),
    reach(-7, "RESCUE", QA1ABC="in_reach -8"),
    fanout(0, "RESCUE", "ridge/uhf"),
    act(0, "start_duty", DUTY, note="of the winter",
        details={"title": "Search", "kind": "actual", "groups": ["RESCUE", "NET"]}),
    act(0, "set_roster", DUTY, details={"roster": ROSTER}),
    act(0, "start_duty", "duty-2",
        details={"title": "Other", "kind": "exercise", "groups": ["TALK"]}),
    route(2, at(90), "lake/vhf", "RESCUE", "carrying"),
    over(3, 100, 4, "ridge/uhf", B, "o1", to="RESCUE"),
    over(4, 100, 4, "lake/uhf", B, "o1", to="RESCUE"),
    fanout(101, "RESCUE", "ridge/uhf", "mill/vhf"),
    over(5, 120, 3, "lake/uhf", C, "o2", to="NET", fix_ms=at(120), lat=LAT, lon=LON),
    fanout(121, "NET", "lake/uhf"),
    reach(121, "NET", QC3GHI="in_reach 120"),
    over(6, 130, 5, "lake/uhf", A, "o3", to="QZ9ZZZ"),
    over(7, 140, 6, "lake/uhf", X, "o4", to="TALK"),
    route(4, at(190), "ridge/vhf", "NET", "carrying"),
    over(8, 200, 2, "lake/uhf", C, "o5", to="NET", text="OUT"),
    reach(202, "NET", QC3GHI="checked_out 202"),
    # ridge's numbers 5 to 9 never came.
    over(10, 205, 1, "ridge/uhf", "QX8XYZ", "o6"),
    reach(211, "RESCUE", QA1ABC="in_reach 130", QB2DEF="blind 210"),
    {"kind": "end", "noted_ms": at(300), "lines": 1},
    reach(420, "RESCUE", QA1ABC="expired 370", QB2DEF="expired 340"),
    over(9, 450, 1, "lake/uhf", B, "o7", to="RESCUE"),
    fanout(451, "RESCUE", "lake/uhf", "mill/vhf"),
    reach(451, "RESCUE", QA1ABC="expired 370", QB2DEF="in_reach 450"),
    route(10, at(460), "lake/vhf", "RESCUE", "released"),
    over(11, 500, 2.5, "ridge/uhf", C, "o8", to="NET"),
    reach(501, "NET", QC3GHI="in_reach 500"),
    act(550, "end_duty", DUTY, "desk2"),
    {"kind": "end", "noted_ms": at(560), "lines": 1},
]  # fmt: skip


def report(
    *more: Any,
    but: Iterable[Any] = (),
    duty: str = DUTY,
    troubles: tuple[str, ...] = (),
    **how: Any,
) -> DutyReport:
    """Of the day above with more lines, and without some."""
    lines = sorted([line for line in LINES if line not in but] + [*more], key=_noted)
    record = record_of(lines, None, lambda words: None)
    return report_of(record, duties_of(record.day.acts)[duty], troubles=troubles, **how)


def _noted(line: Any) -> int:
    return int(line["noted_ms"])
