"""The JSON API about one duty: numbers, roster, roll call; who may see names. On a real Redis.

Outside judges: jsonschema by the OpenAPI document, RFC 9457 for problems.
"""

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import APIRoute

from streamer.board import duty_api
from streamer.board.gate import LARGEST_BODY, LARGEST_ROSTER
from streamer.domain.roster import LARGEST_BYTES
from tests.board.desk import Asker
from tests.board.test_api import MEMBER, Office, log_of, must_be_problem, must_fit
from tests.servers import Redis

pytestmark = pytest.mark.redis
AWAY = "QB2DEF"
CSV = f"call,name,unit,assignment,group\n{MEMBER},Ann,Hill club,net control,TALK\n{AWAY},Bob,,,\n"
DUTY = {"title": "Night walk", "kind": "exercise", "groups": ["TALK", "NET"]}


@pytest.fixture
def office(empty_redis: Redis, tmp_path: Path) -> Iterator[Office]:
    with asyncio.Runner() as runner:
        yield Office(empty_redis.url, tmp_path, runner)


def begin(office: Office, **more: Any) -> str:
    said = office.desk.ask("POST", "/api/v1/duties", {**DUTY, "roster": CSV, **more})
    assert said.status_code == 201, said.text
    office.show()
    found: str = said.json()["id"]
    return found


def read(asker: Asker, duty_id: str) -> Any:
    said = asker.get(f"/api/v1/duties/{duty_id}")
    assert said.status_code == 200, said.text
    return said.json()


def test_the_numbers_of_a_duty(office: Office) -> None:
    """Two are expected: one is a member from before the duty began and was not heard since, of the
    other nothing is known."""
    duty_id = begin(office)
    found = read(office.desk, duty_id)
    assert found["duty"]["expected"] == [MEMBER, AWAY]
    numbers = found["numbers"]
    assert (numbers["expected"], numbers["checked_in"], numbers["before"]) == (2, 1, 1)
    assert (numbers["of_expected"]["not_yet_heard"], numbers["others"]) == (1, 0)
    assert [(p["call"], p["presence"]) for p in found["people"]] == [
        (AWAY, "not_yet_heard"), (MEMBER, "checked_in"),
    ]  # fmt: skip
    assert "does not mean missing" in found["caution"]
    must_fit(office, f"duties/{duty_id}")
    ridge = office.seen.tellers["ridge"]
    office.seen.say(ridge.heard(office.seen.now_ms, AWAY, "o9", to=None))
    assert read(office.desk, duty_id)["numbers"]["of_expected"]["heard"] == 1


def test_a_duty_is_not_begun_twice_by_mistake(office: Office) -> None:
    """The command's rule (tests/reading/test_duty.py): a title, in whatever case, and a group."""
    duty_id = begin(office)
    twice = {**DUTY, "title": "night WALK", "groups": ["TALK"]}
    said = must_be_problem(office.chief.ask("POST", "/api/v1/duties", twice), 409)["detail"]
    assert f"'Night walk' runs in TALK already: {duty_id}, started" in said
    assert "by desk; end it first, or choose another title" in said
    assert office.desk.ask("POST", f"/api/v1/duties/{duty_id}/end").status_code == 200
    assert begin(office) != duty_id


def test_names_are_for_those_who_operate(office: Office) -> None:
    duty_id = begin(office)
    ann = read(office.desk, duty_id)["people"][1]
    assert (ann["name"], ann["agency"], ann["assignment"]) == ("Ann", "Hill club", "net control")
    assert read(office.chief, duty_id)["people"][1] == ann
    seen = read(office.watch, duty_id)
    assert [(p["call"], p["expected_in"]) for p in seen["people"]] == [(AWAY, ""), (MEMBER, "TALK")]
    assert {p[k] for p in seen["people"] for k in ("name", "agency", "assignment")} == {None}
    for text in ("Ann", "Hill club", "net control"):
        assert text not in json.dumps(seen)
        assert text not in office.watch.get("/api/v1/duties").text
    must_be_problem(office.nobody.get(f"/api/v1/duties/{duty_id}"), 401)
    must_be_problem(office.watch.get("/api/v1/log"), 403)


def test_a_roster_is_replaced(office: Office) -> None:
    duty_id = begin(office, roster=None)
    path = f"/api/v1/duties/{duty_id}/roster"
    given = {"csv": f"call;phone\n{AWAY};555\n", "note": "by mail"}
    said = office.chief.ask("PUT", path, given)
    assert said.status_code == 200, said.text
    assert (said.json()["duty"]["expected"], said.json()["unread"]) == ([AWAY], ["phone"])
    assert log_of(office)[0] == ("chief", "set_roster", duty_id, "by mail")
    must_be_problem(office.desk.ask("PUT", path.replace("duty-", "dity-"), given), 404)
    office.desk.ask("POST", f"/api/v1/duties/{duty_id}/end")
    must_be_problem(office.desk.ask("PUT", path, given), 409)


def test_a_faulty_roster_is_told_line_by_line_and_nothing_is_done(office: Office) -> None:
    bad = "call,group\nNOBODY,TALK\nQA1ABC,SEARCH\n"
    said = office.desk.ask("POST", "/api/v1/duties", {**DUTY, "roster": bad})
    found = must_be_problem(said, 422)
    assert [line.split(":")[0] for line in found["errors"]] == ["line 2", "line 3"]
    assert office.watch.get("/api/v1/duties").json()["duties"] == []
    duty_id = begin(office)
    path = f"/api/v1/duties/{duty_id}/roster"
    many = "call\n" + "".join(f"WORD{n}\n" for n in range(40))
    errors = must_be_problem(office.desk.ask("PUT", path, {"csv": many}), 422)["errors"]
    assert len(errors) == 21
    assert errors[-1] == "and 20 more like these: mend those first"
    for given in ({"csv": ""}, {}, {"csv": "call\n", "more": 1}, {"csv": "call\n\ud800"}):
        body = json.dumps(given).encode()
        headers = {"content-type": "application/json"}
        must_be_problem(office.desk.ask("PUT", path, content=body, headers=headers), 422)
    assert read(office.desk, duty_id)["numbers"]["expected"] == 2


def test_a_large_roster_passes_the_gate_and_a_larger_one_does_not(office: Office) -> None:
    """A roster may be larger than other acts; it is the CSV that is measured then."""
    duty_id = begin(office)
    path = f"/api/v1/duties/{duty_id}/roster"
    calls = [f"Q{chr(65 + n // 260)}{n % 10}{chr(65 + n // 10 % 26)}AA" for n in range(2000)]
    assert len(set(calls)) == 2000
    text = "call,name\n" + "".join(f"{call},{'n' * 60}\n" for call in calls)
    assert LARGEST_BODY < len(text) < LARGEST_BYTES < LARGEST_ROSTER
    said = office.desk.ask("PUT", path, {"csv": text})
    assert said.status_code == 200, said.text
    assert len(said.json()["duty"]["expected"]) == 2000
    too_long = must_be_problem(
        office.desk.ask("PUT", path, {"csv": "x" * (LARGEST_BYTES + 1)}), 422
    )
    assert "larger than 500 kB" in too_long["errors"][0]
    must_be_problem(office.desk.ask("PUT", path, {"csv": "x" * LARGEST_ROSTER}), 413)
    other = f"/api/v1/duties/{duty_id}/end"
    must_be_problem(office.desk.ask("POST", other, {"note": "x" * LARGEST_BODY}), 413)


def test_a_roll_call_of_the_whole_duty(office: Office) -> None:
    duty_id = begin(office)
    path = f"/api/v1/duties/{duty_id}/roll-call"
    said = office.desk.ask("POST", path)
    assert (said.status_code, sorted(said.json()["roll_calls"])) == (201, ["NET", "TALK"])
    must_be_problem(office.chief.ask("POST", path), 409)
    calls = {c["group"]: c for c in read(office.watch, duty_id)["roll_calls"]}
    assert calls["TALK"]["silent"] == [MEMBER]
    assert calls["NET"]["silent"] == calls["TALK"]["answered"] == []
    office.chief.ask("POST", f"/api/v1/groups/TALK/roll-call/answers/{MEMBER}", {})
    must_fit(office, f"duties/{duty_id}")
    (talk,) = [c for c in read(office.watch, duty_id)["roll_calls"] if c["group"] == "TALK"]
    assert [(a["call"], a["how"], a["by"]) for a in talk["answered"]] == [(MEMBER, "desk", "chief")]
    assert talk["silent"] == []
    assert office.desk.ask("DELETE", path).status_code == 204
    must_be_problem(office.desk.ask("DELETE", path), 404)
    assert read(office.watch, duty_id)["roll_calls"] == []


def test_roll_calls_that_were_not_shown_are_not_ended(office: Office) -> None:
    duty_id = begin(office)
    path = f"/api/v1/duties/{duty_id}/roll-call"
    begun = office.desk.ask("POST", path).json()["roll_calls"]
    shown = {"roll_calls": [call["id"] for call in begun.values()]}
    assert office.chief.ask("DELETE", "/api/v1/groups/TALK/roll-call").status_code == 204
    office.seen.pass_s(5)
    assert office.chief.ask("POST", "/api/v1/groups/TALK/roll-call").status_code == 201
    found = must_be_problem(office.desk.ask("DELETE", path, shown), 409)
    assert "TALK has another roll call" in found["detail"]
    calls = read(office.desk, duty_id)["roll_calls"]
    assert sorted(call["group"] for call in calls) == ["NET", "TALK"]
    shown = {"roll_calls": [call["roll_call"]["id"] for call in calls]}
    assert office.desk.ask("DELETE", path, shown).status_code == 204


def test_one_that_is_over_has_its_roster_alone(office: Office) -> None:
    duty_id = begin(office)
    office.desk.ask("POST", f"/api/v1/duties/{duty_id}/end")
    found = read(office.desk, duty_id)
    assert (found["numbers"], found["roll_calls"]) == (None, [])
    assert [(p["call"], p["presence"], p["name"]) for p in found["people"]] == [
        (MEMBER, None, "Ann"), (AWAY, None, "Bob"),
    ]  # fmt: skip
    must_be_problem(office.desk.get("/api/v1/duties/duty-none"), 404)


ACTS: tuple[tuple[str, str, Any], ...] = (
    ("PUT", "duties/duty-1/roster", {"csv": "call\nQA1ABC\n"}),
    ("POST", "duties/duty-1/roll-call", None),
    ("DELETE", "duties/duty-1/roll-call", None),
)


def test_acts_need_the_role_and_the_token(office: Office) -> None:
    assert len(ACTS) == sum(isinstance(r, APIRoute) for r in duty_api.acts.routes)
    without = Asker(office.app, office.runner).enter("chief")
    without.token = ""
    away = office.away()
    for method, path, body in ACTS:
        must_be_problem(office.nobody.ask(method, f"/api/v1/{path}", body), 401)
        must_be_problem(office.watch.ask(method, f"/api/v1/{path}", body), 403)
        must_be_problem(without.ask(method, f"/api/v1/{path}", body), 403)
        must_be_problem(office.desk.ask(method, f"/api/v1/{path}", body), 404)
        must_be_problem(away.ask(method, f"/api/v1/{path}", body), 503)
    must_be_problem(away.get("/api/v1/duties/duty-1"), 503)
    assert log_of(office) == []
