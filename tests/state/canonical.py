"""The state of a region without the traces of how it came about.

What is wrong is compared; what alerts became of it is not: that is the history of what was noticed
when. Left out, because they tell of the way and not of the state: revisions, versions, when
something was committed or an alert first noticed, how often events arrived twice, when a subject
will next be looked at, by which heartbeat a clock was first seen to be wrong, how well repeaters
were when last judged, which stations' groups still have to be confirmed as told, the time on the
air that was saved, which is counted by the fan-outs as they stood when an end was counted, and the
numbers by which a store and its servers are known again.
"""

import json
from typing import Any

import redis

from streamer.contract.published import AlertKind

_OF_THE_WAY = {
    "version", "at", "opened_at", "first_opened_at", "episode", "opened_times", "unheld_since",
    "rev",
}  # fmt: skip
_FIELDS_OF_THE_WAY = {
    "#rev", "#ver", "#fanout_version", "#reach_version", "#reach_ms", "n:duplicate", "hole_ms",
    "#checkup", "skew_ms", "store", "servers", "made_on",
}  # fmt: skip


_OF_ALERTS = frozenset({"table", "cases", "maintenance", "waiting", "parcel", "dead", "senders"})
_HEALTH = (
    AlertKind.REPEATER_DEAF, AlertKind.REPEATER_DEGRADED, AlertKind.CARRIER_STUCK,
    AlertKind.REPEATER_BUSY,
)  # fmt: skip


def _is_of_health(name: str) -> bool:
    """Whether an alert or its topic tells how well a repeater was when somebody looked."""
    return any(f"{kind}." in name for kind in _HEALTH)


def without_traces(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: without_traces(v) for k, v in value.items() if k not in _OF_THE_WAY}
    if isinstance(value, list):
        return [without_traces(v) for v in value]
    return value


def _json(text: str) -> Any:
    return without_traces(json.loads(text)) if text else ""


def _group_field(name: str, text: str) -> Any:
    if name.startswith("="):
        _, placed, signature, body = text.split(" ", 3)
        return placed, signature, _json(body)
    return text


def _published(content: str) -> Any:
    return _json(content.split("\n", 1)[1])


def _field(kind: str, name: str, text: str) -> Any:
    if kind == "group":
        return _group_field(name, text)
    if kind == "published":
        return _published(text)
    if kind == "found":
        return _wrong(text)
    of_json = name == "record" or (kind == "live" and name[0] not in "@!")
    return _json(text) if of_json else text


def _wrong(text: str) -> Any:
    """What an owner says is wrong, without why something no longer is."""
    report = json.loads(text)
    said = [c for c in report["conditions"] if not _is_of_health(c["id"])]
    for condition in said:
        condition.pop("opens")  # whether it was there before it came to be closed
        if condition["kind"] == AlertKind.CLOCK_SKEW:
            condition.pop("since_ms")  # the first heartbeat that somebody looked at
    return [said, report["duties"]] if said else ""


def _is_of_alerts(topic: str) -> bool:
    """Published by the desk."""
    return "/alert/" in topic or topic.endswith("/beat") or "/maintenance/" in topic


def _hash(kind: str, fields: dict[Any, Any]) -> dict[str, Any]:
    found = {
        k: _field(kind, k, v)
        for k, v in fields.items()
        if k not in _FIELDS_OF_THE_WAY and v != "" and not _is_of_alerts(k)
    }
    if kind == "gateway":
        found.pop("#conditions", None)  # a digest of its alerts, those of health among them
    return {k: v for k, v in found.items() if kind != "found" or v}


def canonical(client: "redis.Redis", region: str) -> dict[str, Any]:
    """Every key of the region that says something of its state."""
    state: dict[str, Any] = {}
    for key in sorted(str(k) for k in client.scan_iter(f"{{{region}:*")):
        kind = key.split("}:", 1)[1].split(":")[0]
        if kind in _OF_ALERTS or kind in ("tell", "workers", "air", "ears", "gone"):
            continue
        if kind == "due":
            subjects = sorted(s for s in client.zrange(key, 0, -1) if s != "desk")
            if subjects:
                state[key] = subjects
        elif client.type(key) == "zset":
            scored = client.zrange(key, 0, -1, withscores=True)
            kept = [pair for pair in scored if not _is_of_alerts(str(pair[0]))]
            if kept:
                state[key] = kept
        elif client.type(key) == "hash":
            fields = _hash(kind, client.hgetall(key))
            if fields:  # nothing else was there but what is of the way
                state[key] = fields
        elif client.type(key) == "list":
            state[key] = client.lrange(key, 0, -1)
    return state


def retained_content(retained: dict[str, str]) -> dict[str, Any]:
    return {
        topic: _json(payload)
        for topic, payload in sorted(retained.items())
        if not _is_of_alerts(topic)
    }
