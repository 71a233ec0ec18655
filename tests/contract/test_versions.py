"""Old and new beside each other: what an old agent sends read by today's code, what today's code
publishes read by the schemas of old, a Redis that old workers wrote, and how a second `v` is read.

`old/` was recorded by running the code of those commits (bc32ec5: the end of the second issue;
41c8fd7: of the fifth) on real servers, the agent and the worker each against the present one too.
The names in it are invented.
"""

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import TypeAdapter

from streamer.clock import ManualClock
from streamer.contract.common import VERSION
from streamer.contract.decode import TRANSLATIONS, Translate, decode
from streamer.contract.events import Heard, Route, State
from streamer.contract.published import RefusalReason
from streamer.contract.replies import Reply
from streamer.contract.topics import parse_inbound
from tests.contract.cases import KINDS, SHARED, good
from tests.servers import Redis
from tests.state.scene import Bench, Teller, region

OLD = Path(__file__).parent / "old"
INDEX: list[dict[str, Any]] = json.loads((SHARED / "examples/index.json").read_text())


def recorded(name: str) -> list[tuple[str, bytes]]:
    lines = map(json.loads, (OLD / name).read_text().splitlines())
    return [(line["topic"], line["payload"].encode()) for line in lines]


# -- agents and workers of another age -------------------------------------------------------------


def test_what_an_old_agent_sent_is_read() -> None:
    found: list[Any] = []
    for topic, payload in recorded("agent-bc32ec5.ndjson"):
        inbound = parse_inbound(topic)
        assert inbound is not None
        events, problems = decode(inbound.kind, payload)
        assert problems == []
        found += events
    heard = [e for e in found if isinstance(e, Heard)]
    assert [e.station for e in heard] == ["QA1ABC", "QA1ABC", "QB2DEF/P", "QX3GHI", "QB2DEF"]
    assert heard[1].position is not None
    assert (heard[1].duration_s, heard[1].rssi_dbm, heard[1].position.lat) == (2.5, -87.5, -46.51)
    assert [e.action for e in found if isinstance(e, Route)] == ["carrying", "sent"]
    states = [e for e in found if isinstance(e, State)]
    assert {r.id for s in states for r in s.repeaters} == {"ridge/uhf", "ridge/vhf"}
    assert [s.up for s in states if s.seq is not None][-1] is False


def test_what_an_old_worker_left_retained_is_read() -> None:
    """By today's agents, boards and workers, until today's worker has said it anew."""
    read = set()
    for topic, payload in recorded("worker-bc32ec5.ndjson"):
        name = topic.split("/")[2]
        adapter = TypeAdapter[Any](Reply) if name == "reply" else KINDS[name].adapter
        assert adapter.validate_json(payload).v == 1
        read.add(name)
    assert read == {"fanout", "reach", "reply", "alert", "worker"}


@pytest.mark.parametrize("example", INDEX, ids=lambda example: str(example["file"]))
def test_todays_messages_by_the_schemas_of_old(example: dict[str, Any]) -> None:
    """What a reader of those days would say; there was no duty, planned work and beat then."""
    file = OLD / "schema-bc32ec5" / f"{example['message']}.schema.json"
    if not file.exists():
        assert example["message"] in ("duty", "maintenance", "beat")
        return
    payload = json.loads((SHARED / "examples" / example["file"]).read_text())
    schema = json.loads(file.read_text())
    errors = list(Draft202012Validator(schema).iter_errors(payload))
    # "A reader must expect kinds that it does not know": the one thing that a strict one stumbles
    # over.
    new_kind = example["message"] == "alert" and payload["kind"] not in _kinds(schema)
    assert bool(errors) == new_kind, errors


def _kinds(schema: dict[str, Any]) -> list[str]:
    return list(schema["$defs"]["AlertKind"]["enum"])


# -- a store of another age ------------------------------------------------------------------------


@pytest.mark.redis
@pytest.mark.parametrize("commit", ["bc32ec5", "41c8fd7"])
def test_a_worker_goes_on_with_what_an_old_one_left_in_redis(
    commit: str, empty_redis: Redis
) -> None:
    """QA1ABC is a member at ridge/uhf, QB2DEF has checked out at ridge/vhf; five overs and two
    words on routes are counted."""
    content = json.loads((OLD / f"redis-{commit}.json").read_text())
    with empty_redis.client() as client:
        for key, (kind, value) in content.items():
            if kind == "hash":
                client.hset(key, mapping=value)
            elif kind == "zset":
                client.zadd(key, dict(value))
            else:
                assert kind == "list"
                client.rpush(key, *value)
    live = content["{farisle:0}:live"][1]["ridge"]
    ends_ms = json.loads(live)["taken"] + 1000
    view = region(
        region="farisle", partitions=_partitions(content), policy={"linger_s": 900},
        group=[{"name": "SEARCH"}],
        gateway=[{"id": "ridge", "repeater": [{"id": "uhf"}, {"id": "vhf"}]}],
    )  # fmt: skip
    bench = Bench(view, empty_redis.url, ManualClock(ends_ms))
    worker = bench.worker()
    worker.store.prepare(ends_ms)
    known_version = worker.store.groups(["SEARCH"])[0].fanout_version
    worker.settle()
    assert dict(worker.store.gateway("ridge").counts) == {"heard": 5, "route": 2}
    assert worker.store.gateway("ridge").missing == 0
    boot = json.loads(live)["boot"]
    teller = Teller("ridge", boot=boot, seq=7)
    again = Teller("ridge", boot=boot, seq=6)
    worker.run([
        _for(view.name, teller.heard(ends_ms, "QA1ABC", "o-9", "vhf", to="SEARCH")),
        _for(view.name, again.heard(ends_ms, "QB2DEF", "o-4", "vhf", to="SEARCH")),
    ])  # fmt: skip
    worker.settle()
    # The eighth is new; the seventh is known and counts no more.
    counts = worker.store.gateway("ridge").counts
    assert {k: n for k, n in counts.items() if k != "duplicate"} == {"heard": 6, "route": 2}
    said = json.loads(bench.retained["net/farisle/fanout/SEARCH"])
    assert {r["repeater"]: r["why"] for r in said["repeaters"]}["ridge/vhf"][0] == "member"
    assert said["version"] > known_version > 0
    roster = json.loads(bench.retained["net/farisle/reach/SEARCH"])
    assert {m["station"]: m["repeater"] for m in roster["members"]}["QA1ABC"] == "ridge/vhf"


def _partitions(content: dict[str, Any]) -> int:
    return int(content["{farisle:region}:meta"][1]["partitions"])


def _for(name: str, message: Any) -> Any:
    topic = message.topic.replace("net/scene/", f"net/{name}/")
    return type(message)(topic, message.payload, message.qos, message.retain, message.mid)


# -- a second version ------------------------------------------------------------------------------


def of_another(kind: str, content: dict[str, Any]) -> dict[str, Any]:
    """A version for this test alone, in which a station was called `who` and times were seconds."""
    if kind != "heard":
        return content
    left = {k: v for k, v in content.items() if k not in ("who", "began_s")}
    if not isinstance(content["began_s"], int):
        raise TypeError("began_s: a whole number of seconds is expected")
    at = f"2026-01-01T12:00:{content['began_s']:02d}Z"
    return {**left, "station": content["who"], "started_at": at}


BOTH: dict[int, Translate] = {7: of_another}


def another(**changes: Any) -> dict[str, Any]:
    content = {**good("heard"), "v": 7, "who": "QA1ABC", "began_s": 5, **changes}
    for name in ("station", "started_at"):
        content.pop(name)
    return {k: v for k, v in content.items() if v is not ...}


def test_a_second_version_is_read_beside_the_first() -> None:
    payload = json.dumps([good("heard"), another(seq=4), another(seq=5)]).encode()
    events, problems = decode("heard", payload, BOTH)
    assert problems == []
    assert [(e.v, e.seq) for e in events] == [(1, 3), (1, 4), (1, 5)]
    assert isinstance(events[1], Heard)
    assert events[1].station == "QA1ABC"
    assert events[1].started_at is not None
    assert events[1].started_at.second == 5


def test_a_kind_that_has_not_changed_needs_no_translation() -> None:
    events, problems = decode("route", json.dumps({**good("route"), "v": 7}).encode(), BOTH)
    assert (len(events), problems) == (1, [])


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"who": ...}, "v 7: KeyError: 'who'"), ({"began_s": "x"}, "a whole number of seconds")],
)
def test_what_is_none_of_its_version_is_refused_and_its_number_used_up(
    changes: dict[str, Any], words: str
) -> None:
    content = another(**changes)
    events, (problem,) = decode("heard", json.dumps(content).encode(), BOTH)
    assert events == []
    assert (problem.reason, problem.identity) == (RefusalReason.SHAPE, (content["boot"], 3))
    assert words in problem.detail


@pytest.mark.parametrize("v", [2, 0, -1, True, 1.0, "1", None, [1], 10**400])
def test_a_version_that_is_not_known_is_refused_with_those_that_are(v: Any) -> None:
    content = {**good("heard"), "v": v}
    events, (problem,) = decode("heard", json.dumps(content).encode(), BOTH)
    assert events == []
    assert problem.reason is RefusalReason.VERSION
    assert "this reader knows v 1, 7" in problem.detail
    assert problem.identity == (content["boot"], content["seq"])


def test_there_is_one_version_so_far() -> None:
    assert (VERSION, dict(TRANSLATIONS)) == (1, {})
