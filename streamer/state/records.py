"""The records as they stand in Redis, read into typed form. No I/O."""

import json
from functools import lru_cache
from itertools import accumulate, takewhile
from operator import sub
from typing import Any

from streamer.contract.events import RouteAction
from streamer.domain.model import (
    Carrying,
    Fix,
    FloodSpan,
    Forwarding,
    GatewaySnapshot,
    GroupSnapshot,
    HeldRollCall,
    LiveState,
    Ordered,
    PathEntry,
    Place,
    Presence,
    Said,
    SessionSpan,
    StationRecord,
    Stay,
    Summary,
)
from streamer.state.keys import MARKS_KEPT

CHECKUP = "#checkup"
"""The field of a gateway's hash with how well its repeaters are."""
SKEW = "skew_ms"
"""The field of a gateway's hash with since when its clock is known to be wrong."""
# How fields of a group's hash begin that people write: an order of a repeater, who answered.
ORDER, ANSWER, ROLL_CALL = "!", "?", "#roll_call"


def _said(register: list[Any] | None) -> Said | None:
    if not register:
        return None
    return Said(int(register[0]), register[1].split(" ", 1)[0], register[2], register[3])


def _registers(content: Any) -> dict[str, Said]:
    return {k: s for k, v in content.items() if (s := _said(v))} if content else {}


def _place(register: list[Any]) -> Place:
    ms, tie, repeater, over = register[:4]
    info = register[4] or (None,) * 6
    duration = int(info[2]) if info[2] is not None else None
    gateway = tie.split(" ", 1)[0]
    return Place(int(ms), gateway, repeater, over, info[0], info[1], duration, *info[3:6])


def _fix(register: list[Any] | None) -> Fix | None:
    if not register:
        return None
    at_ms, lat, lon, speed, course = register[2]
    return Fix(int(at_ms), lat, lon, speed, course)


def _stay(repeater: str, arrived: float, last: float, left: float | None = None) -> Stay:
    return Stay(repeater, int(arrived), int(last), None if left is None else int(left))


@lru_cache(maxsize=2048)  # most members of a group have not changed since the last look
def summary_from(station: str, text: str) -> Summary:
    """A group's field '=station', as the station script wrote it."""
    rev, _, _, body = text.split(" ", 3)
    content = json.loads(body)
    came = content.get("i")
    return Summary(
        station,
        rev,
        _place(content["p"]),
        _fix(content.get("q")),
        _said(came),
        tuple(int(ms) for ms in came[4]) if came else (),
        _said(content.get("o")),
        _registers(content.get("x")),
        tuple(_stay(*stay) for stay in content["s"]),
    )


class Summaries:
    """Summaries read before: few of a group's members have spoken since it was last looked at."""

    def __init__(self, most: int = 100_000) -> None:
        self._most = most
        self._read: dict[tuple[str, str], tuple[str, Summary]] = {}

    def read(self, group: str, station: str, text: str) -> Summary:
        """As `summary_from`."""
        known = self._read.get((group, station))
        if known is not None and known[0] == text:
            return known[1]
        if len(self._read) >= self._most:
            self._read.clear()
        summary = summary_from(station, text)
        self._read[group, station] = text, summary
        return summary


def carrying_from(text: str) -> Carrying:
    """What a repeater said of carrying a group, newest word first."""
    marks = [mark.split(" ", 3) for mark in text.split(";")]
    ms, action, latency, _ = marks[0]
    alike = list(takewhile(lambda mark: mark[1] == action, marks))
    known = len(alike) < MARKS_KEPT
    return Carrying(
        int(ms),
        action == RouteAction.CARRYING,
        None if latency == "-" else float(latency),
        int(alike[-1][0]) if known else None,
    )


def _forwarding(member: str, score: float) -> Forwarding:
    over, repeater, source = member.split(" ")
    return Forwarding(int(score), over, repeater, "" if source == "-" else source)


def group_from(
    group: str,
    fields: dict[str, str],
    sent: list[tuple[str, float]],
    summaries: Summaries,
) -> GroupSnapshot:
    """A group's hash and its set of forwardings."""
    return GroupSnapshot(
        group,
        int(fields.get("#rev", 0)),
        int(fields.get("#ver", 0)),
        tuple(summaries.read(group, k[1:], v) for k, v in sorted(fields.items()) if k[0] == "="),
        {k[1:]: carrying_from(v) for k, v in fields.items() if k[0] == "@"},
        tuple(_forwarding(member, score) for member, score in sent),
        json.loads(fields.get("#previous", "{}")),
        int(fields.get("#fanout_version", 0)),
        int(fields.get("#reach_version", 0)),
        int(fields.get("#reach_ms", 0)),
        fields.get("#fanout_digest", ""),
        fields.get("#reach_digest", ""),
        fields.get("#conditions", ""),
        int(fields["#born"]) if "#born" in fields else None,
        tuple(_ordered(k[1:], v) for k, v in sorted(fields.items()) if k[0] == ORDER),
        _call(fields),
        fields.get("#answered", ""),
    )


def ordered_text(order: Ordered) -> str:
    return json.dumps([order.pin, order.until_ms, order.at_ms, order.by, order.note])


def _ordered(repeater: str, text: str) -> Ordered:
    return Ordered(repeater, *json.loads(text))


def call_text(call: HeldRollCall) -> str:
    return json.dumps([call.id, call.started_ms, call.started_by])


def answer_text(ms: int, by: str) -> str:
    return json.dumps([ms, by])


def _call(fields: dict[str, str]) -> HeldRollCall | None:
    text = fields.get(ROLL_CALL)
    if not text:
        return None
    answers = {k[1:]: json.loads(v) for k, v in fields.items() if k[0] == ANSWER}
    call_id, started_ms, by = json.loads(text)
    return HeldRollCall(call_id, started_ms, by, {s: (ms, who) for s, (ms, who) in answers.items()})


def _over(ms: float, repeater: str, over: str, told: float | str) -> PathEntry:
    """`told` is the duration alone, or duration, signal and errors as the station script joins
    them."""
    duration, *values = str(told).split(" ")
    rssi, ber = (None if v == "-" else float(v) for v in values or "--")
    return PathEntry(int(ms), repeater, over, int(duration), rssi, ber)


def presence_from(text: str) -> Presence:
    """A station's field of when it was heard: how many grains, the newest, the steps down."""
    _, newest, *steps = (int(part) for part in text.split(" "))
    return tuple(accumulate((newest, *steps), sub))


def station_from(station: str, fields: dict[str, str]) -> StationRecord | None:
    """A station's hash; None if nothing is known of it."""
    if "record" not in fields:
        return None
    record = json.loads(fields["record"])
    return StationRecord(
        station,
        int(fields.get("#rev", 0)),
        int(fields.get("#ver", 0)),
        _place(record["p"]),
        _fix(record.get("q")),
        tuple(_over(*entry) for entry in record["k"]),
        _registers(record["i"]),
        _registers(record["o"]),
        fields.get("#conditions", ""),
    )


def _ranges(text: str) -> tuple[tuple[int, int], ...]:
    pairs = (part.split("-") for part in text.split(",") if part)
    return tuple((int(first), int(last)) for first, last in pairs)


def gateway_from(gateway: str, fields: dict[str, str]) -> GatewaySnapshot:
    """A gateway's hash."""
    return GatewaySnapshot(
        gateway,
        int(fields.get("#rev", 0)),
        int(fields.get("#ver", 0)),
        {k[2:]: int(v) for k, v in fields.items() if k.startswith("n:")},
        {k[5:]: _ranges(v) for k, v in fields.items() if k.startswith("seen:")},
        sum(int(v) for k, v in fields.items() if k.startswith("old:")),
        int(fields["hole_ms"]) if "hole_ms" in fields else None,
        int(fields.get("future_ms", 0)),
        fields.get("#conditions", ""),
        int(fields["#born"]) if "#born" in fields else None,
        fields.get("#standing", ""),
        fields.get(CHECKUP, ""),
        int(fields[SKEW]) if SKEW in fields else None,
    )


def floods_from(text: str) -> tuple[FloodSpan, ...]:
    """The field of a gateway's floods in the hash of newest states, oldest first."""
    return tuple(FloodSpan(*map(int, flood.split(" "))) for flood in text.split(";"))


def live_from(gateway: str, text: str) -> LiveState:
    """A field of the hash of newest states."""
    content = json.loads(text)
    return LiveState(
        gateway,
        content["boot"],
        int(content["session"]),
        int(content["ms"]),
        int(content["taken"]),
        json.loads(content["state"]),
        tuple(SessionSpan(int(s[2]), int(s[3]), bool(s[4])) for s in content["sessions"]),
        {
            repeater: tuple((int(ms), bool(up)) for ms, up in reversed(flips))
            for repeater, flips in dict(content["flips"] or {}).items()
        },
    )
