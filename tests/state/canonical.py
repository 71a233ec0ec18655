"""The state of a region without the traces of how it came about.

Left out, because they tell of the way and not of the state: revisions and versions, when something
was committed or an alert first noticed, how often events arrived twice, when a subject will next
be looked at, how well repeaters were when last judged, which stations' groups still have to be
confirmed as told, and the time on the air that was saved, which is counted by the fan-outs as they
stood when an end was counted.
"""

import json
from typing import Any

import redis

from streamer.contract.published import AlertKind

_OF_THE_WAY = {"version", "at", "opened_at", "rev"}
_FIELDS_OF_THE_WAY = {
    "#rev", "#ver", "#fanout_version", "#reach_version", "#reach_ms", "n:duplicate", "hole_ms",
    "#checkup",
}  # fmt: skip


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
    if kind == "owners":
        ids = text.split(" ")[1:]
        return " ".join(alert_id for alert_id in ids if not _is_of_health(alert_id))
    of_json = kind == "table" or name == "record" or (kind == "live" and name[0] != "@")
    return _json(text) if of_json else text


def _hash(kind: str, fields: dict[Any, Any]) -> dict[str, Any]:
    found = {
        k: _field(kind, k, v)
        for k, v in fields.items()
        if k not in _FIELDS_OF_THE_WAY and v != "" and not _is_of_health(k)
    }
    if kind == "gateway":
        found.pop("#conditions", None)  # a digest of its alerts, those of health among them
    return {k: v for k, v in found.items() if kind != "owners" or v}


def canonical(client: "redis.Redis", region: str) -> dict[str, Any]:
    """Every key of the region that says something of its state."""
    state: dict[str, Any] = {}
    for key in sorted(str(k) for k in client.scan_iter(f"{{{region}:*")):
        kind = key.split("}:", 1)[1].split(":")[0]
        if kind in ("tell", "workers", "air"):
            continue
        if kind == "due":
            state[key] = sorted(client.zrange(key, 0, -1))
        elif client.type(key) == "zset":
            state[key] = client.zrange(key, 0, -1, withscores=True)
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
        if not _is_of_health(topic)
    }
