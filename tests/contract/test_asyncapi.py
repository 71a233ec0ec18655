"""The AsyncAPI document: valid by AsyncAPI's own schema, and in agreement with the code."""

import json
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator

from streamer.contract import topics
from streamer.contract.topics import Kind
from tests.contract.cases import BAD, KINDS, SHARED, good, kind_of, schema_of, spoilt
from tests.contract.npm import copy_script
from tests.servers import program

DOCUMENT: dict[str, Any] = json.loads((SHARED / "asyncapi.json").read_text())


def follow(reference: str) -> Any:
    found: Any = DOCUMENT
    for step in reference.removeprefix("#/").split("/"):
        found = found[step]
    return found


def references(content: Any) -> list[str]:
    if isinstance(content, list):
        return [r for part in content for r in references(part)]
    if isinstance(content, dict):
        own = [content["$ref"]] if isinstance(content.get("$ref"), str) else []
        return own + [r for part in content.values() for r in references(part)]
    return []


@pytest.mark.node
def test_valid_by_the_schema_that_asyncapi_publishes(node_folder: Path) -> None:
    """OUTSIDE: npm @asyncapi/specs, schemas/3.0.0.json (draft 07)."""
    path = node_folder / "node_modules/@asyncapi/specs/schemas/3.0.0.json"
    validator = Draft7Validator(json.loads(path.read_text()))
    assert list(validator.iter_errors(DOCUMENT)) == []
    # That it looks: each of these breaks a rule of AsyncAPI 3.0.0.
    for broken in (
        {**DOCUMENT, "asyncapi": "2.6.0"},
        {**DOCUMENT, "info": {"title": "no version"}},
        {**DOCUMENT, "operations": {"x": {"action": "listen", "channel": {"$ref": "#/x"}}}},
        {**DOCUMENT, "servers": {"x": {"protocol": "mqtt"}}},
    ):
        assert not validator.is_valid(broken)


def test_every_reference_leads_somewhere() -> None:
    found = references(DOCUMENT)
    assert len(found) > 50
    for reference in found:
        assert follow(reference) is not None


def test_addresses_are_those_of_the_code() -> None:
    """The parameters filled in give what `streamer.contract.topics` makes."""
    filled = {
        "region": "farisle", "gateway": "ridge", "group": "SEARCH", "alert": "x.ridge",
        "worker": "worker-1", "duty": "duty-1", "maintenance": "maintenance-1",
    }  # fmt: skip
    made = {
        name: re.sub(r"\{(\w+)\}", lambda m: filled[m[1]], channel["address"])
        for name, channel in DOCUMENT["channels"].items()
    }
    assert made == {
        "heard": topics.gateway_topic("farisle", "ridge", Kind.HEARD),
        "route": topics.gateway_topic("farisle", "ridge", Kind.ROUTE),
        "state": topics.gateway_topic("farisle", "ridge", Kind.STATE),
        "fanout": topics.fanout_topic("farisle", "SEARCH"),
        "reach": topics.reach_topic("farisle", "SEARCH"),
        "alert": topics.alert_topic("farisle", "x.ridge"),
        "duty": topics.duty_topic("farisle", "duty-1"),
        "maintenance": topics.maintenance_topic("farisle", "maintenance-1"),
        "beat": topics.beat_topic("farisle"),
        "reply": topics.reply_topic("farisle", "ridge"),
        "refused": topics.refused_topic("farisle"),
        "worker": topics.worker_topic("farisle", "worker-1"),
    }
    for channel in DOCUMENT["channels"].values():
        assert set(channel["parameters"]) == set(re.findall(r"\{(\w+)\}", channel["address"]))


def test_gateways_are_received_from_and_all_else_is_sent() -> None:
    seen = {"receive": set(), "send": set()}  # type: dict[str, set[str]]
    for operation in DOCUMENT["operations"].values():
        seen[operation["action"]].add(operation["channel"]["$ref"].rsplit("/", 1)[1])
        assert operation["bindings"]["mqtt"]["qos"] == 1
    assert seen["receive"] == {"heard", "route", "state"}
    assert seen["send"] == {
        "fanout", "reach", "alert", "duty", "maintenance", "beat", "reply", "refused", "worker",
    }  # fmt: skip
    retained = {
        name for name, op in DOCUMENT["operations"].items() if op["bindings"]["mqtt"]["retain"]
    }
    assert retained == {
        "receiveState", "sendFanout", "sendReach", "sendAlert", "sendDuty", "sendMaintenance",
        "sendBeat", "sendWorker",
    }  # fmt: skip


def _payload_validator(message: str) -> Draft7Validator:
    payload = DOCUMENT["components"]["messages"][message]["payload"]
    whole = {**payload, "components": DOCUMENT["components"]}
    return Draft7Validator(whole, format_checker=Draft7Validator.FORMAT_CHECKER)


def test_examples_and_bad_instances_by_the_payload_schemas() -> None:
    """AsyncAPI's own schema format is a superset of JSON Schema draft 07."""
    for message, body in DOCUMENT["components"]["messages"].items():
        assert body["examples"]
        for example in body["examples"]:
            assert list(_payload_validator(message).iter_errors(example["payload"])) == []
    for message, place, bad in BAD:
        validator = _payload_validator(message)
        assert validator.is_valid(good(message))
        assert not validator.is_valid(spoilt(message, place, bad)), (message, place, bad)


@pytest.mark.node
def test_another_validator_agrees(node_folder: Path, tmp_path: Path) -> None:
    """OUTSIDE: npm ajv (its 2020-12 class, in strict mode, with ajv-formats).

    It runs the patterns as ECMA-262 with the u flag, which Python's `re` is not.
    """
    script = copy_script("validate.mjs", node_folder)
    cases = [
        {"kind": kind_of(m).name, "payload": good(m), "valid": True}
        for m in dict.fromkeys(message for message, _, _ in BAD)
    ]
    cases += [
        {"kind": kind_of(message).name, "payload": spoilt(message, place, bad), "valid": False}
        for message, place, bad in BAD
    ]
    # A pattern's $ is the end and nothing else in ECMA-262; the same in our reader.
    cases.append(
        {"kind": "heard", "payload": {**good("heard"), "over": "ridge-1\n"}, "valid": False}
    )
    # RFC 3339, 5.8: ajv-formats knows leap seconds.
    for leap in ("1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"):
        cases.append(
            {"kind": "heard", "payload": {**good("heard"), "sent_at": leap}, "valid": True}
        )
    task = tmp_path / "task.json"
    schemas = {name: schema_of(kind) for name, kind in KINDS.items()}
    task.write_text(json.dumps({"schemas": schemas, "cases": cases}))
    done = subprocess.run(
        [program("node"), str(script), str(task)], capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    verdicts = json.loads(done.stdout)
    assert len(verdicts) == len(cases)
    wrong = [case for case, valid in zip(cases, verdicts, strict=True) if case["valid"] != valid]
    assert wrong == []
