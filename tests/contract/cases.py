"""Instances that schema and reader must both refuse, and the files they are compared with."""

import copy
import json
from pathlib import Path
from typing import Any

from streamer.contract.schemas import MESSAGES, MessageKind

ROOT = Path(__file__).parent.parent.parent
SHARED = ROOT / "shared"
KINDS = {kind.name: kind for kind in MESSAGES}
GONE = object()

_LONG = "x" * 600
_GOOD = {
    "heard": "in/05-heard-ridge-key-up.json",
    "route": "in/08-route-ridge-sent.json",
    "state": "in/01-state-ridge-up.json",
    "fanout": "out/fanout-moved.json",
    "reach": "out/reach-moved.json",
    "alert": "out/alert-open.json",
    "ack": "out/reply-in.json",
    "time": "out/reply-time.json",
    "refused": "out/refused-element.json",
    "duty": "out/duty-runs.json",
    "maintenance": "out/maintenance-runs.json",
    "beat": "out/beat-one.json",
    "worker": "out/worker-up.json",
}

# message, place of the changed value, the bad value (GONE: left out)
_Bad = tuple[str, str, Any]


def _each(message: str, place: str, *bad: Any) -> list[_Bad]:
    return [(message, place, value) for value in bad]


def _gone(message: str, *places: str) -> list[_Bad]:
    return [(message, place, GONE) for place in places]


BAD: list[_Bad] = [
    *_gone("heard", "v", "boot", "seq", "sent_at", "repeater", "station"),
    *_gone("heard", "over", "phase"),
    *_each("heard", "v", 0, 2, True, "1", None, 1.5),
    *_each("heard", "seq", 0, -1, 1.5, True, "7", None, 2**53, 10**30),
    *_each("heard", "boot", "", "short", "x" * 41, "has space", 12345678, None),
    *_each("heard", "sent_at", 0, 1767268800, "1767268800", "", None, True),
    ("heard", "sent_at", "2026-01-01"),
    ("heard", "sent_at", "2026-01-01T12:00:00"),
    ("heard", "sent_at", "2026-01-01T12:00Z"),
    ("heard", "sent_at", "2026-01-01 12:00:00Z"),
    ("heard", "sent_at", "2026-01-01T12:00:00,5Z"),
    ("heard", "sent_at", "2026-01-01T12:00:00.Z"),
    ("heard", "sent_at", "2026-01-01T12:00:00+0100"),
    ("heard", "sent_at", "2026-01-01T24:00:00Z"),
    ("heard", "sent_at", "2026-02-30T12:00:00Z"),
    ("heard", "sent_at", "2026-13-01T12:00:00Z"),
    ("heard", "sent_at", "2026-01-01T12:00:61Z"),
    ("heard", "sent_at", "2026-01-01T12:00:00+25:00"),
    *_each("heard", "repeater", "ridge", "ridge/", "/uhf", "a/b/c", "Ridge/uhf"),
    *_each("heard", "repeater", "ridge/#", "+/uhf", "x" * 33 + "/uhf", 1, None),
    *_each("heard", "station", "", "Q" * 33, 1, None, ["QA1ABC"]),
    *_each("heard", "to", "", "Q" * 33, 1, []),
    *_each("heard", "over", "", "a b", "x" * 41, "\u00e9", 7, None),
    *_each("heard", "phase", "", "START", "middle", 1, None),
    *_each("heard", "duration_s", -0.1, 86_401, "3", True),
    *_each("heard", "ber_pct", -1, 100.5, "0", False),
    *_each("heard", "rssi_dbm", -201, 51, "-97"),
    *_each("heard", "text", "x" * 21, 1, []),
    *_each("heard", "clock_offset_s", 1e10, -1e10, "0", True),
    *_each("heard", "position", [], "here", {"lat": 1}),
    *_each("heard", "position.lat", 90.1, -91, "1", None, True),
    *_each("heard", "position.lon", 180.1, -181, None),
    *_each("heard", "position.course_deg", -1, 361),
    *_each("heard", "position.speed_mps", -1, 1501),
    *_gone("route", "repeater", "group", "action", "at"),
    *_each("route", "group", "", "search", "A/B", "X" * 17, "+", "#", None),
    *_each("route", "action", "carried", "", None, 1),
    *_each("route", "from_gateway", "", "Cove", "a/b", 1),
    *_each("route", "latency_s", -1, "1", 86_401),
    *_gone("state", "v", "boot", "sent_at", "up"),
    *_each("state", "up", 1, 0, "true", None),
    *_each("state", "session", -1, 2**31 + 1, None, 1.5),
    *_each("state", "software", "x" * 65, 1),
    *_each("state", "spooled", -1, "0", 0.5),
    *_each("state", "repeaters", None, {}, ["ridge/uhf"], [{"id": "ridge/uhf"}]),
    ("state", "repeaters", [{"id": "ridge/uhf", "up": True}] * 65),
    ("state", "repeaters", [{"id": "ridge", "up": True}]),
    ("state", "repeaters", [{"id": "ridge/uhf", "up": True, "freq_mhz": 0}]),
    ("state", "repeaters", [{"id": "ridge/uhf", "up": True, "range_km": -1}]),
    *_gone("fanout", "region", "group", "version", "at", "repeaters"),
    *_each("fanout", "version", 0, "1", None),
    *_each("fanout", "repeaters", None, {}, ["cove/vhf"]),
    ("fanout", "repeaters", [{"repeater": "cove/vhf", "why": ["whim"], "carriage": "carried"}]),
    ("fanout", "repeaters", [{"repeater": "cove/vhf", "why": ["pin"], "carriage": "perhaps"}]),
    ("fanout", "starved", ["cove"]),
    *_gone("reach", "group", "version", "members"),
    ("reach", "members", [{"station": "QA1ABC"}]),
    *_gone("alert", "id", "kind", "severity", "state", "next_step", "since"),
    *_each("alert", "state", "shut", None),
    *_each("alert", "kind", "weather", None),
    *_each("alert", "severity", "bad", 1),
    *_each("alert", "opened_times", 0, -1, "3", 1.5),
    *_each("alert", "escalated", -1, "1", None),
    *_each("alert", "unsteady", 1, "true", None),
    *_each("alert", "held", None, {}, ["member.SEARCH.QA1ABC"], [{"id": "x"}]),
    *_gone("maintenance", "region", "id", "version", "subject", "until", "by", "at"),
    *_each("maintenance", "id", "Work 1", "a/b", None),
    *_each("maintenance", "version", 0, "1", None),
    *_each("maintenance", "until", "tomorrow", 1767276000, None),
    *_gone("beat", "region", "version", "at", "next_within_s", "open", "acknowledged"),
    *_each("beat", "next_within_s", 0, -1, "60", None),
    *_each("beat", "open", -1, 0.5, "0", None),
    *_gone("ack", "kind", "station", "group", "repeater", "text", "at"),
    *_each("ack", "text", "x" * 21, None),
    *_each("ack", "kind", "nack", None, "time"),
    *_gone("time", "boot", "session", "seq", "received_at", "replied_at"),
    *_gone("refused", "at", "topic", "reason", "detail", "size_bytes"),
    *_each("refused", "reason", "dislike", None),
    *_each("refused", "detail", _LONG, None),
    *_gone("duty", "id", "kind", "title", "groups", "started_at", "started_by"),
    *_each("duty", "kind", "drill", None),
    *_each("duty", "id", "Duty 1", None),
    *_gone("worker", "region", "name", "up", "at"),
    *_each("worker", "name", "", "Worker", "a/b", "+", "a.b", "x" * 33, None),
    *_each("worker", "up", 1, "true", None),
    *_each("worker", "next_within_s", 0, -1, "5"),
    *_each("worker", "waiting", -1, 0.5, "0"),
]


def kind_of(message: str) -> MessageKind:
    return KINDS["reply" if message in ("ack", "time") else message]


def schema_of(kind: MessageKind) -> Any:
    """The committed schema, not the one just made."""
    return json.loads((SHARED / f"schema/{kind.name}.schema.json").read_text())


def good(message: str) -> dict[str, Any]:
    """A fresh copy of a good example."""
    content: dict[str, Any] = json.loads((SHARED / "examples" / _GOOD[message]).read_text())
    return content


def spoilt(message: str, place: str, bad: Any) -> dict[str, Any]:
    """A good example with one thing wrong."""
    content = good(message)
    inner = content
    *path, last = place.split(".")
    for step in path:
        inner = inner[step]
    if bad is GONE:
        del inner[last]
    else:
        inner[last] = copy.deepcopy(bad)
    return content


def bad_ids() -> list[str]:
    return [
        f"{message}.{place}={'gone' if bad is GONE else json.dumps(bad)[:30]}"
        for message, place, bad in BAD
    ]
