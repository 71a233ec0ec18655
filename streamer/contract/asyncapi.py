"""The AsyncAPI 3.0 document: servers, topics, who says what there, and with which MQTT settings.

`send` and `receive` are seen from the workers (AsyncAPI 3.0.0, Operation Object: from the
application's side). A gateway does the opposite: it publishes what the workers receive.
"""

from collections.abc import Sequence
from typing import Any, Final

from streamer.contract.common import GROUP_PATTERN, MAX_PAYLOAD_BYTES, NAME_PATTERN, VERSION
from streamer.contract.example import Example
from streamer.contract.schemas import Schema, component_schemas, one_or_many
from streamer.contract.topics import (
    Kind,
    alert_topic,
    beat_topic,
    duty_topic,
    fanout_topic,
    gateway_topic,
    maintenance_topic,
    reach_topic,
    refused_topic,
    reply_topic,
    worker_topic,
)

_BINDING_VERSION: Final = "0.2.0"
_SCHEMAS: Final = "#/components/schemas/{model}"

_TEXT: Final = f"""\
Gateways of a regional voice-radio network say what they hear and what they carry; workers answer \
with the repeaters a group should be carried on, the standing of its members, and alerts. \
The operations are those of the workers: a gateway publishes where they receive and reads where \
they send. A payload is UTF-8 JSON of at most {MAX_PAYLOAD_BYTES} bytes. Fields that a reader does \
not know are to be ignored. Whole numbers are written without a point (1, not 1.0)."""

_PARAMETERS: Final[dict[str, tuple[str, str, str]]] = {
    "region": ("the administrative network, root of its topics", NAME_PATTERN, "farisle"),
    "gateway": ("a site's computer; publishes under its own name only", NAME_PATTERN, "ridge"),
    "group": ("a group's name", GROUP_PATTERN, "SEARCH"),
    "alert": ("the same trouble of the same subject has the same id", ".+", "gateway_lost.ridge"),
    "duty": ("a duty's id", NAME_PATTERN, "duty-20260101-120000-3f9a"),
    "maintenance": (
        "a maintenance's id",
        NAME_PATTERN,
        "work-20260101-123000-7c1e",
    ),
    "worker": ("a worker's name, its client id as well", NAME_PATTERN, "worker-1"),
}

# name of the message -> (model, title, text)
_MESSAGES: Final[dict[str, tuple[str, str, str]]] = {
    "heard": ("Heard", "Heard", "A station was heard on a repeater."),
    "route": ("Route", "Route", "A repeater began or ceased to carry a group, or sent an over."),
    "state": ("State", "State", "A heartbeat; the will is one with `up` false."),
    "fanout": ("FanOut", "Fan-out", "The repeaters a group should be carried on now."),
    "reach": ("Reach", "Reach", "The roster of a group with standings."),
    "alert": ("Alert", "Alert", "Something is wrong: what, why and what to do next."),
    "duty": ("Duty", "Duty", "An exercise or an incident of some groups runs."),
    "maintenance": (
        "Maintenance",
        "Maintenance",
        "Planned work: what it makes to fail is known beforehand.",
    ),
    "beat": ("Beat", "Beat", "The way of alerts works, and how many stand."),
    "ack": ("AckReply", "Acknowledgement", "A check-in or check-out, to be sent on the air."),
    "time": ("TimeReply", "Time", "A heartbeat answered with the server's times."),
    "refused": ("Refusal", "Refused", "Input that was not accepted, and why."),
    "worker": (
        "WorkerState",
        "Worker",
        "A worker's sign of life; the will is one with `up` false.",
    ),
}

# name of the channel -> (address, messages, text)
_CHANNELS: Final[dict[str, tuple[str, tuple[str, ...], str]]] = {
    "heard": (
        gateway_topic("{region}", "{gateway}", Kind.HEARD),
        ("heard",),
        "What a gateway hears. Numbered together with `route`.",
    ),
    "route": (
        gateway_topic("{region}", "{gateway}", Kind.ROUTE),
        ("route",),
        "What a gateway's repeaters carry. Numbered together with `heard`.",
    ),
    "state": (
        gateway_topic("{region}", "{gateway}", Kind.STATE),
        ("state",),
        "The gateway's newest heartbeat, or its will.",
    ),
    "fanout": (
        fanout_topic("{region}", "{group}"),
        ("fanout",),
        "Keep the message with the highest `version` and drop any older one.",
    ),
    "reach": (
        reach_topic("{region}", "{group}"),
        ("reach",),
        "Keep the message with the highest `version` and drop any older one.",
    ),
    "alert": (
        alert_topic("{region}", "{alert}"),
        ("alert",),
        "One topic for each alert. An empty retained payload removes what was retained.",
    ),
    "duty": (
        duty_topic("{region}", "{duty}"),
        ("duty",),
        "One topic for each duty that runs. An empty retained payload removes what was retained.",
    ),
    "maintenance": (
        maintenance_topic("{region}", "{maintenance}"),
        ("maintenance",),
        "One topic for each maintenance that runs. An empty retained payload removes what was "
        "retained.",
    ),
    "beat": (
        beat_topic("{region}"),
        ("beat",),
        "Silent for three times `next_within_s`: alerts may not arrive. Keep the message with the "
        "highest `version`.",
    ),
    "reply": (
        reply_topic("{region}", "{gateway}"),
        ("ack", "time"),
        "Answers to one gateway; `kind` tells them apart.",
    ),
    "refused": (
        refused_topic("{region}"),
        ("refused",),
        "Everything that was not accepted, with the reason.",
    ),
    "worker": (
        worker_topic("{region}", "{worker}"),
        ("worker",),
        "Silent for three times `next_within_s`, or `up` false: what it publishes is outdated. "
        "An empty retained payload removes a worker that left for good.",
    ),
}

# name of the operation -> (action, channel, retain, answered by, text)
_OPERATIONS: Final[dict[str, tuple[str, str, bool, tuple[str, ...], str]]] = {
    "receiveHeard": (
        "receive", "heard", False, ("ack",),
        "A check-in or check-out heard just now is acknowledged to the gateway that heard it.",
    ),
    "receiveRoute": ("receive", "route", False, (), "Not answered."),
    "receiveState": (
        "receive", "state", True, ("time",),
        "Every heartbeat with a `seq` is answered, so that the gateway learns its clock's error.",
    ),
    "sendFanout": ("send", "fanout", True, (), "Sent at each change."),
    "sendReach": ("send", "reach", True, (), "Sent at each change."),
    "sendAlert": ("send", "alert", True, (), "Sent when it opens and at each change."),
    "sendAlertCleared": (
        "send", "alert", False, (),
        "Sent once with `state` cleared; an empty retained payload to the same topic follows.",
    ),
    "sendDuty": ("send", "duty", True, (), "Sent when it starts."),
    "sendDutyEnded": (
        "send", "duty", False, (),
        "Sent once with `ended_at`; an empty retained payload to the same topic follows.",
    ),
    "sendMaintenance": ("send", "maintenance", True, (), "Sent when it starts."),
    "sendMaintenanceEnded": (
        "send", "maintenance", False, (),
        "Sent once with `ended_at`, at its time or earlier by hand; an empty retained payload to "
        "the same topic follows.",
    ),
    "sendBeat": (
        "send", "beat", True, (),
        "Sent by the way that alerts take, again and again while it works.",
    ),
    "sendReply": ("send", "reply", False, (), "Not retained: nobody waits for it later."),
    "sendRefused": ("send", "refused", False, (), "Sent before the input is acknowledged."),
    "sendWorker": (
        "send", "worker", True, (), "Sent every few seconds while messages are taken over.",
    ),
}  # fmt: skip


def asyncapi_document(examples: Sequence[Example]) -> Schema:
    """The whole document."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Streamer: the wire contract",
            "version": f"{VERSION}.0.0",
            "description": _TEXT,
        },
        "defaultContentType": "application/json",
        "servers": _servers(),
        "channels": {name: _channel(name) for name in _CHANNELS},
        "operations": {name: _operation(name) for name in _OPERATIONS},
        "components": {
            "schemas": {n: _draft7(s) for n, s in component_schemas(_SCHEMAS).items()},
            "messages": {name: _message(name, examples) for name in _MESSAGES},
            "parameters": {name: _parameter(name) for name in _PARAMETERS},
            "securitySchemes": {
                "account": {
                    "type": "userPassword",
                    "description": "One account for each gateway; it may publish under its own "
                    "name only.",
                }
            },
        },
    }


def _servers() -> dict[str, Any]:
    will = {
        "topic": gateway_topic("{region}", "{gateway}", Kind.STATE),
        "qos": 1,
        "retain": True,
        "message": "a state with up false and without seq",
    }
    binding = {"cleanSession": False, "lastWill": will, "keepAlive": 30}
    variables = {"host": {"default": "localhost", "description": "the region's broker"}}
    common = {
        "variables": variables,
        "security": [{"$ref": "#/components/securitySchemes/account"}],
        "bindings": {"mqtt": {**binding, "bindingVersion": _BINDING_VERSION}},
    }
    return {
        "plain": {
            "host": "{host}:1883",
            "protocol": "mqtt",
            "protocolVersion": "5.0",
            "description": "Inside a network of one's own. MQTT 3.1.1 serves as well.",
            **common,
        },
        "tls": {
            "host": "{host}:8883",
            "protocol": "mqtts",
            "protocolVersion": "5.0",
            "description": "Over any other network. MQTT 3.1.1 serves as well.",
            **common,
        },
    }


def _channel(name: str) -> dict[str, Any]:
    address, messages, text = _CHANNELS[name]
    parameters = [parameter for parameter in _PARAMETERS if f"{{{parameter}}}" in address]
    return {
        "address": address,
        "description": text,
        "messages": {m: {"$ref": f"#/components/messages/{m}"} for m in messages},
        "parameters": {p: {"$ref": f"#/components/parameters/{p}"} for p in parameters},
    }


def _operation(name: str) -> dict[str, Any]:
    action, channel, retain, answers, text = _OPERATIONS[name]
    made: dict[str, Any] = {
        "action": action,
        "channel": {"$ref": f"#/channels/{channel}"},
        "description": text,
        "messages": [_message_of(channel, m) for m in _CHANNELS[channel][1]],
        "bindings": {"mqtt": {"qos": 1, "retain": retain, "bindingVersion": _BINDING_VERSION}},
    }
    if answers:
        made["reply"] = {
            "channel": {"$ref": "#/channels/reply"},
            "messages": [_message_of("reply", m) for m in answers],
        }
    return made


def _message_of(channel: str, message: str) -> dict[str, str]:
    return {"$ref": f"#/channels/{channel}/messages/{message}"}


def _message(name: str, examples: Sequence[Example]) -> dict[str, Any]:
    model, title, text = _MESSAGES[name]
    reference = _SCHEMAS.format(model=model)
    shown = [
        {"name": e.name, "summary": e.says, "payload": e.payload}
        for e in examples
        if e.message == name or (e.message == "reply" and e.payload["kind"] == name)
    ]
    return {
        "name": name,
        "title": title,
        "summary": text,
        "contentType": "application/json",
        "payload": one_or_many(reference) if name in list(Kind) else {"$ref": reference},
        "examples": shown,
    }


def _parameter(name: str) -> dict[str, Any]:
    text, pattern, example = _PARAMETERS[name]
    # A Parameter Object of AsyncAPI 3.0 has no schema; extensions begin with x-.
    return {"description": text, "examples": [example], "x-pattern": f"^{pattern}$"}


def _draft7(schema: Any) -> Any:
    """A schema for AsyncAPI's default format, a superset of draft 07: there, what stands beside a
    reference is not read."""
    if isinstance(schema, list):
        return [_draft7(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: _draft7(part) for key, part in schema.items()}
    if isinstance(made.get("$ref"), str) and len(made) > 1:
        return {"allOf": [{"$ref": made.pop("$ref")}], **made}
    return made
