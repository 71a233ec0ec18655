"""The JSON API: what it says fits its own OpenAPI document, what it does stands in the log, what
goes wrong is a problem document.

Outside judges: jsonschema (JSON Schema 2020-12, which OpenAPI 3.1 uses), RFC 9457 for problems.
"""

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.routing import APIRoute
from geojson_pydantic import FeatureCollection
from jsonschema import Draft202012Validator

from streamer.board import access, acting, api, base_layer, duty_api, feed, rows
from streamer.board.app import openapi
from streamer.domain.whereabouts import CAUTION
from streamer.state.store import StoreMismatch, connect
from tests.board.desk import Asker, app_of, settings_in
from tests.board.seen import Seen
from tests.servers import Redis

pytestmark = pytest.mark.redis
MEMBER = "QA1ABC"


class Office:
    """A region with something going on, the app, and people of every role."""

    def __init__(self, url: str, folder: Path, runner: asyncio.Runner) -> None:
        self.seen = seen = Seen(url)
        ridge = seen.tellers["ridge"]
        ports = [{"id": f"ridge/{port}", "up": True} for port in ("uhf", "vhf")]
        seen.say(
            ridge.state(seen.now_ms, repeaters=ports),
            ridge.route(seen.now_ms, "NET", "carrying"),
            ridge.heard(seen.now_ms, MEMBER, "o1", to="TALK", rssi_dbm=-90.0),
            ridge.heard(seen.now_ms, "NOISE", "o2", to="TALK"),
        )
        seen.pass_s(6)
        seen.show()
        self.app = app_of(seen, settings_in(folder, public=True))
        self.folder, self.runner = folder, runner
        self.nobody = Asker(self.app, runner)
        self.watch, self.desk, self.chief = (
            Asker(self.app, runner).enter(name) for name in ("watch", "desk", "chief")
        )

    def away(self) -> Asker:
        """The same with a Redis that does not answer."""
        client = connect(f"unix://{self.folder}/none.sock", 1.0)
        app = app_of(self.seen, settings_in(self.folder, public=True), client)
        return Asker(app, self.runner).enter("chief")

    def show(self) -> None:
        self.seen.settle()
        self.seen.show()


@pytest.fixture
def office(empty_redis: Redis, tmp_path: Path) -> Iterator[Office]:
    with asyncio.Runner() as runner:
        yield Office(empty_redis.url, tmp_path, runner)


def must_be_problem(said: httpx.Response, status: int) -> dict[str, Any]:
    """RFC 9457: the media type, and `status` the same as the answer's."""
    assert said.status_code == status, said.text
    assert said.headers["content-type"] == "application/problem+json"
    found: dict[str, Any] = said.json()
    assert found["status"] == status
    assert found["type"] == "about:blank"
    assert found["title"]
    assert found["detail"]
    return found


# -- reading -----------------------------------------------------------------------------------

TABLES: dict[str, Any] = {
    "head": rows.HeadDocument,
    "alerts": rows.AlertsDocument,
    "gateways": rows.GatewaysDocument,
    "groups": rows.GroupsDocument,
    "groups/TALK/fanout": rows.FanOutDocument,
    "groups/TALK/roster": rows.RosterDocument,
    "places": rows.PlacesDocument,
    "public": rows.PublicDocument,
}
ASKED = (
    "stations/QA1ABC",
    "stations/qa1abc%2Fp",
    "stations/QA1ABC?look=true",
    "whereabouts/QA1ABC",
    "repeaters/ridge/uhf",
    "repeaters/ridge/uhf/coverage",
    "quarantine",
    "refused",
    "log",
    "duties",
    "calls",
)


def test_every_table_is_also_a_document(office: Office) -> None:
    for path, model in TABLES.items():
        said = office.watch.get(f"/api/v1/{path}")
        assert said.status_code == 200, path
        document: Any = model.model_validate_json(said.content)
        assert document.rows, path
        name = said.json()["table"]
        assert name in office.seen.picture.tables.names
        assert said.json()["rows"] == office.seen.rows(name)


def test_answers_fit_the_openapi_document(office: Office) -> None:
    for path in (*TABLES, *ASKED):
        must_fit(office, path)


def must_fit(office: Office, path: str) -> None:
    said = office.chief.get(f"/api/v1/{path}")
    assert said.status_code == 200, said.text
    document = office.chief.get("/api/openapi.json").json()
    template = next(p for p in document["paths"] if fits(p, f"/api/v1/{path}"))
    content = document["paths"][template]["get"]["responses"]["200"]["content"]
    (kind,) = content
    assert said.headers["content-type"] == kind
    whole = {**content[kind]["schema"], "components": document["components"]}
    Draft202012Validator.check_schema(whole)
    validator = Draft202012Validator(whole, format_checker=Draft202012Validator.FORMAT_CHECKER)
    assert list(validator.iter_errors(said.json())) == []
    assert not validator.is_valid([1])


def fits(template: str, path: str) -> bool:
    parts, given = template.split("/"), path.split("/")
    pairs = zip(parts, given, strict=False)
    return len(parts) == len(given) and all(p[:1] == "{" or p == g for p, g in pairs)


def test_what_was_rejected_is_told_and_an_identity_can_be_accepted(office: Office) -> None:
    (cage,) = office.watch.get("/api/v1/quarantine").json()["quarantined"]
    assert (cage["gateway"], [c["identity"] for c in cage["identities"]]) == ("ridge", ["NOISE"])
    assert office.chief.ask("POST", "/api/v1/calls/noise", {"note": "it is us"}).status_code == 204
    (call,) = office.watch.get("/api/v1/calls").json()["calls"]
    assert (call["call"], call["by"], call["note"]) == ("NOISE", "chief", "it is us")
    must_be_problem(office.chief.ask("POST", "/api/v1/calls/NOISE"), 409)
    assert office.chief.ask("DELETE", "/api/v1/calls/NOISE").status_code == 204
    assert office.watch.get("/api/v1/calls").json()["calls"] == []
    must_be_problem(office.chief.ask("DELETE", "/api/v1/calls/NOISE"), 404)


def test_what_is_not_there_is_404_and_says_what_is(office: Office) -> None:
    for path in (
        "stations/QZ9ZZZ", "whereabouts/QZ9ZZZ", "repeaters/ridge/shf",
        "repeaters/ridge/shf/coverage", "groups/TALKS/fanout", "nothing/here",
    ):  # fmt: skip
        found = must_be_problem(office.watch.get(f"/api/v1/{path}"), 404)
        assert "errors" not in found
    found = must_be_problem(office.watch.get("/api/v1/groups/TALKS/roster"), 404)
    assert "TALK" in found["detail"]


def test_where_to_look_and_learned_coverage_are_geojson(office: Office) -> None:
    """Source: geojson-pydantic, which follows RFC 7946."""
    seen = office.seen
    place = {"lat": -46.1, "lon": 20.2}
    more: dict[str, Any] = {"rssi_dbm": -97.0, "position": place, "phase": "end", "duration_s": 2.0}
    seen.say(seen.tellers["ridge"].heard(seen.now_ms, MEMBER, "o9", to="TALK", **more))
    said = office.watch.get("/api/v1/repeaters/ridge/uhf/coverage")
    assert len(FeatureCollection.model_validate_json(said.content).features) == 1
    found = office.watch.get(f"/api/v1/whereabouts/{MEMBER}")
    assert FeatureCollection.model_validate_json(found.content).features
    assert found.json()["caution"] == CAUTION
    look = office.watch.get(f"/api/v1/stations/{MEMBER}").json()["lookout"]["look"]
    assert look is None
    asked = office.watch.get(f"/api/v1/stations/{MEMBER}?look=true").json()["lookout"]["look"]
    assert (asked["why"], asked["caution"]) == ("asked for", CAUTION)


# -- acting ------------------------------------------------------------------------------------


def log_of(office: Office) -> list[tuple[str, str, str, str | None]]:
    entries = office.desk.get("/api/v1/log").json()["entries"]
    return [(e["by"], e["act"], e["subject"], e["note"]) for e in entries]


def test_an_alert_is_taken_in_hand_in_the_name_of_who_is_signed_in(office: Office) -> None:
    (alert,) = [a for a in office.seen.rows("alerts") if a.startswith("repeater_starved")]
    path = f"/api/v1/alerts/{alert}/acknowledgement"
    said = office.desk.ask("POST", path, {"note": " on my way "})
    assert said.status_code == 200, said.text
    assert (said.json()["acknowledged_by"], said.json()["note"]) == ("desk", "on my way")
    office.show()
    assert office.seen.rows("alerts")[alert]["acknowledged_by"] == "desk"
    must_be_problem(office.chief.ask("POST", path), 409)
    assert office.chief.ask("POST", path, {"take_over": True}).status_code == 200
    assert log_of(office) == [
        ("chief", "acknowledge", alert, None), ("desk", "acknowledge", alert, "on my way"),
    ]  # fmt: skip
    must_be_problem(office.desk.ask("POST", "/api/v1/alerts/none/acknowledgement"), 404)


def test_nobody_can_act_in_another_name(office: Office) -> None:
    body = {"title": "Walk", "kind": "exercise", "groups": ["TALK"], "by": "chief"}
    found = must_be_problem(office.desk.ask("POST", "/api/v1/duties", body), 422)
    assert found["errors"] == ["body.by: Extra inputs are not permitted"]


def test_a_member_is_checked_out_by_hand(office: Office) -> None:
    path = f"/api/v1/groups/TALK/members/{MEMBER}/check-out"
    assert office.desk.ask("POST", path, {"note": "went home"}).status_code == 204
    office.show()
    assert office.seen.rows("roster/TALK")[MEMBER]["standing"] == "checked_out"
    assert log_of(office) == [("desk", "check_out", f"TALK {MEMBER}", "went home")]
    must_be_problem(office.desk.ask("POST", path.replace(MEMBER, "QZ9ZZZ")), 404)


def test_pin_and_bar_for_a_time(office: Office) -> None:
    path = "/api/v1/groups/TALK/orders/lake/uhf"
    said = office.desk.ask("PUT", path, {"order": "pin", "for_s": 60})
    assert (said.status_code, said.json()["by"], said.json()["order"]) == (200, "desk", "pin")
    office.show()
    assert office.seen.rows("fanout/TALK")["lake/uhf"]["order"]["order"] == "pin"
    assert office.chief.ask("DELETE", path, {"note": "over"}).status_code == 204
    must_be_problem(office.desk.ask("DELETE", path), 404)
    office.show()
    assert log_of(office) == [
        ("chief", "lift", "TALK lake/uhf", "over"), ("desk", "pin", "TALK lake/uhf", None),
    ]  # fmt: skip
    unknown = path.replace("lake", "moon")
    must_be_problem(office.desk.ask("PUT", unknown, {"order": "bar", "for_s": 60}), 404)


def test_a_duty_runs_from_start_to_end(office: Office) -> None:
    body = {"title": "Night walk", "kind": "exercise", "groups": ["TALK"], "note": ""}
    said = office.desk.ask("POST", "/api/v1/duties", body)
    assert said.status_code == 201, said.text
    duty = said.json()
    assert (duty["started_by"], duty["note"]) == ("desk", None)
    office.show()
    assert [d["id"] for d in office.seen.rows("head")["head"]["duties"]] == [duty["id"]]
    ended = office.chief.ask("POST", f"/api/v1/duties/{duty['id']}/end", {"note": "all well"})
    assert (ended.status_code, ended.json()["ended_by"]) == (200, "chief")
    must_be_problem(office.desk.ask("POST", f"/api/v1/duties/{duty['id']}/end"), 409)
    must_be_problem(office.desk.ask("POST", "/api/v1/duties/duty-none/end"), 404)
    listed = office.watch.get("/api/v1/duties").json()["duties"]
    assert [(d["id"], d["ended_by"]) for d in listed] == [(duty["id"], "chief")]


def test_planned_work_from_its_begin_to_its_end(office: Office) -> None:
    body = {"subject": "ridge", "for_s": 7200, "note": "new antenna"}
    said = office.desk.ask("POST", "/api/v1/maintenance", body)
    assert said.status_code == 201, said.text
    work = said.json()
    assert (work["subject"], work["by"], work["note"]) == ("ridge", "desk", "new antenna")
    office.show()
    assert office.watch.get("/api/v1/maintenance").json()["rows"] == {work["id"]: work}
    path = f"/api/v1/maintenance/{work['id']}/end"
    ended = office.chief.ask("POST", path, {"note": "done"})
    assert (ended.status_code, ended.json()["ended_by"]) == (200, "chief")
    must_be_problem(office.desk.ask("POST", path), 409)
    must_be_problem(office.desk.ask("POST", "/api/v1/maintenance/work-none/end"), 404)
    office.show()
    assert office.watch.get("/api/v1/maintenance").json()["rows"] == {}
    assert log_of(office) == [
        ("chief", "end_maintenance", work["id"], "done"),
        ("desk", "start_maintenance", work["id"], "new antenna"),
    ]
    unknown = {"subject": "rigde", "for_s": 60}
    found = must_be_problem(office.desk.ask("POST", "/api/v1/maintenance", unknown), 404)
    assert "did you mean 'ridge'?" in found["detail"]


def test_a_roll_call_notes_who_answers(office: Office) -> None:
    path = "/api/v1/groups/TALK/roll-call"
    must_be_problem(office.desk.ask("DELETE", path), 404)
    said = office.desk.ask("POST", path)
    assert (said.status_code, said.json()["started_by"]) == (201, "desk")
    must_be_problem(office.chief.ask("POST", path), 409)
    assert office.chief.ask("POST", f"{path}/answers/{MEMBER}", {}).status_code == 204
    office.show()
    row = office.seen.rows("roster/TALK")[MEMBER]
    assert (row["answered_how"], row["answered_by"]) == ("desk", "chief")
    assert office.chief.ask("DELETE", path).status_code == 204
    assert [(by, act) for by, act, _, _ in log_of(office)] == [
        ("chief", "end_roll_call"), ("chief", "mark_answered"), ("desk", "start_roll_call"),
    ]  # fmt: skip


def test_a_roll_call_that_is_no_longer_the_one_shown_is_let_be(office: Office) -> None:
    path = "/api/v1/groups/TALK/roll-call"
    shown = {"roll_call": office.desk.ask("POST", path).json()["id"]}
    assert office.chief.ask("DELETE", path).status_code == 204
    office.seen.pass_s(5)
    running = office.chief.ask("POST", path).json()["id"]
    for method, address in (("POST", f"{path}/answers/{MEMBER}"), ("DELETE", path)):
        found = must_be_problem(office.desk.ask(method, address, shown), 409)
        assert "not the one that was shown" in found["detail"]
    office.show()
    assert office.seen.rows("roster/TALK")["#roster"]["roll_call"]["id"] == running
    assert office.seen.rows("roster/TALK")[MEMBER]["answered_at"] is None
    shown = {"roll_call": running}
    assert office.desk.ask("POST", f"{path}/answers/{MEMBER}", shown).status_code == 204
    assert office.desk.ask("DELETE", path, shown).status_code == 204


ACTS: tuple[tuple[str, str, Any], ...] = (
    ("POST", "alerts/some/acknowledgement", {}),
    ("POST", f"groups/TALK/members/{MEMBER}/check-out", {}),
    ("PUT", "groups/TALK/orders/lake/uhf", {"order": "bar", "for_s": 600}),
    ("DELETE", "groups/TALK/orders/lake/uhf", None),
    ("POST", "duties", {"title": "x", "kind": "actual", "groups": ["TALK"]}),
    ("POST", "duties/duty-1/end", {}),
    ("POST", "maintenance", {"subject": "ridge", "for_s": 600}),
    ("POST", "maintenance/work-1/end", {}),
    ("POST", "groups/TALK/roll-call", None),
    ("DELETE", "groups/TALK/roll-call", None),
    ("POST", f"groups/TALK/roll-call/answers/{MEMBER}", {}),
    ("POST", "calls/NOISE", {}),
    ("DELETE", "calls/NOISE", None),
)


def test_the_list_of_acts_is_whole(office: Office) -> None:
    routes = [r for r in acting.router.routes if isinstance(r, APIRoute)]
    there = {(m, r.path) for r in routes for m in r.methods or ()}
    paths = {path.replace("{call:path}", "{call}"): (m, path) for m, path in there}
    found = {
        (method, template)
        for method, path, _ in ACTS
        for template in paths
        if fits(template, f"/api/v1/{path}")
    }
    assert len(there) == len(ACTS)
    assert {t for _, t in found} == set(paths)


def test_acts_need_the_role_and_the_token(office: Office) -> None:
    without = Asker(office.app, office.runner).enter("chief")
    without.token = ""
    for method, path, body in ACTS:
        must_be_problem(office.nobody.ask(method, f"/api/v1/{path}", body), 401)
        must_be_problem(office.watch.ask(method, f"/api/v1/{path}", body), 403)
        if "calls" in path:
            must_be_problem(office.desk.ask(method, f"/api/v1/{path}", body), 403)
        must_be_problem(without.ask(method, f"/api/v1/{path}", body), 403)
    assert log_of(office) == []


def test_everything_says_that_redis_is_away(office: Office) -> None:
    away = office.away()
    for method, path, body in (*ACTS, *(("GET", path, None) for path in ASKED)):
        said = away.ask(method, f"/api/v1/{path}", body)
        found = must_be_problem(said, 503)
        assert int(said.headers["retry-after"]) > 0
        assert "none.sock" not in found["detail"]


def test_tables_do_not_need_redis(office: Office) -> None:
    assert office.away().get("/api/v1/groups").status_code == 200


# -- what is given wrongly ---------------------------------------------------------------------

DUTY = {"title": "x", "kind": "actual", "groups": ["TALK"]}
ORDER = {"order": "pin", "for_s": 600}
WORK = {"subject": "ridge", "for_s": 600}
NOTED = {"note": "x"}
WRONG: list[tuple[str, str, Any, str]] = [
    ("POST", "maintenance", {**WORK, "subject": "Ridge"}, "body.subject"),
    ("POST", "maintenance", {**WORK, "subject": "a/b/c"}, "body.subject"),
    ("POST", "maintenance", {**WORK, "subject": "**"}, "body.subject"),
    ("POST", "maintenance", {**WORK, "subject": "ridge\n"}, "body.subject"),
    ("POST", "maintenance", {**WORK, "for_s": 59}, "body.for_s"),
    ("POST", "maintenance", {**WORK, "for_s": 7 * 86_400 + 1}, "body.for_s"),
    ("POST", "maintenance", {"subject": "ridge"}, "body.for_s"),
    ("POST", "maintenance/WORK-1/end", {}, "path.maintenance_id"),
    ("POST", "duties", {**DUTY, "title": ""}, "body.title"),
    ("POST", "duties", {**DUTY, "title": "x" * 81}, "body.title"),
    ("POST", "duties", {**DUTY, "title": "two\nlines"}, "body.title"),
    ("POST", "duties", {**DUTY, "title": "\x1b[2J"}, "body.title"),
    ("POST", "duties", {**DUTY, "kind": "drill"}, "body.kind"),
    ("POST", "duties", {**DUTY, "groups": []}, "body.groups"),
    ("POST", "duties", {**DUTY, "groups": ["talk"]}, "body.groups[0]"),
    ("POST", "duties", {**DUTY, "note": "x" * 301}, "body.note"),
    ("POST", "duties", {**DUTY, "note": "\x00"}, "body.note"),
    ("POST", "duties", [], "body"),
    ("PUT", "groups/TALK/orders/lake/uhf", {**ORDER, "for_s": 59.9}, "body.for_s"),
    ("PUT", "groups/TALK/orders/lake/uhf", {**ORDER, "for_s": 7 * 86400 + 1}, "body.for_s"),
    ("PUT", "groups/TALK/orders/lake/uhf", {**ORDER, "order": "hold"}, "body.order"),
    ("PUT", "groups/TALK/orders/LAKE/uhf", ORDER, "path.gateway"),
    ("POST", "groups/talk/roll-call", None, "path.group"),
    ("POST", "calls/" + "x" * 33, None, "path.call"),
    ("GET", "log?limit=0", None, "query.limit"),
    ("GET", "log?limit=1001", None, "query.limit"),
    ("GET", "feed", None, "query.tables"),
]


def test_what_is_given_wrongly_is_named(office: Office) -> None:
    for method, path, body, place in WRONG:
        found = must_be_problem(office.chief.ask(method, f"/api/v1/{path}", body), 422)
        assert [line.split(":")[0] for line in found["errors"]] == [place]
    assert log_of(office) == []


BODIES = [
    (b"{", "application/json", 422),
    (b"\xff", "application/json", 400),
    (b'{"note": "\\ud800"}', "application/json", 422),
    (b'{"note": NaN}', "application/json", 422),
    (b"note=x", "application/x-www-form-urlencoded", 422),
    (b'{"note": "x"}', "text/plain", 422),
    (b'{"note":' + b"[" * 20_000 + b"]" * 20_000 + b"}", "application/json", 400),
    (b'{"note": "' + b"x" * 70_000 + b'"}', "application/json", 413),
]


def test_bodies_of_every_sort_are_answered(office: Office) -> None:
    path = f"/api/v1/groups/TALK/members/{MEMBER}/check-out"
    for body, kind, status in BODIES:
        said = office.desk.ask("POST", path, content=body, headers={"content-type": kind})
        must_be_problem(said, status)
    assert log_of(office) == []


def test_what_was_given_is_not_repeated(office: Office) -> None:
    body = {"name": "watch", "password": ["a secret"]}
    said = office.nobody.ask("POST", "/api/v1/session", body)
    must_be_problem(said, 422)
    assert "secret" not in said.text


# -- the rest ----------------------------------------------------------------------------------


def test_an_unforeseen_error_tells_the_browser_nothing(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a secret of ours")

    monkeypatch.setattr(api, "refused", broken)
    said = office.watch.get("/api/v1/refused")
    must_be_problem(said, 500)
    assert "secret" not in said.text
    assert "default-src 'none'" in said.headers["content-security-policy"]


def test_a_state_made_with_other_settings_is_told(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    def other(*_: object) -> None:
        raise StoreMismatch("the state in Redis has partitions = 9")

    monkeypatch.setattr(api, "refused", other)
    found = must_be_problem(office.watch.get("/api/v1/refused"), 503)
    assert "partitions" in found["detail"]


def test_pages_get_a_page_and_programs_a_document(office: Office) -> None:
    page = office.watch.get("/no/such/page")
    assert (page.status_code, page.headers["content-type"]) == (404, "text/html; charset=utf-8")
    must_be_problem(office.watch.get("/api/no/such/thing"), 404)
    must_be_problem(office.watch.get("/static/none.js"), 404)
    wrong = office.chief.ask("PATCH", "/api/v1/duties", {})
    must_be_problem(wrong, 405)
    assert wrong.headers["allow"]


def test_the_document_is_behind_the_roles_and_health_is_not(office: Office) -> None:
    must_be_problem(office.nobody.get("/api/openapi.json"), 401)
    assert office.nobody.get("/healthz").json() == {"status": "ok"}
    assert office.nobody.get("/docs").status_code in (303, 404)


def test_every_route_of_the_api_is_in_the_document_with_its_problems(office: Office) -> None:
    document = openapi(office.app)
    assert document["openapi"].startswith("3.1")
    Draft202012Validator.check_schema(document["components"]["schemas"]["Problem"])
    there = {(m.lower(), r.path_format) for r in api_routes() for m in r.methods or ()}
    told = {(m, path) for path, methods in document["paths"].items() for m in methods}
    assert told == there
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            answers = operation["responses"]
            assert operation.get("description") or operation.get("summary"), path
            if "session" not in path:
                assert {"401", "403", "421"} <= answers.keys(), (method, path)
            for status, answer in answers.items():
                if int(status) >= 400:
                    assert list(answer["content"]) == ["application/problem+json"], (path, status)
    text = json.dumps(document)
    assert "HTTPValidationError" not in text


def api_routes() -> list[APIRoute]:
    """Of the routers themselves."""
    own = (duty_api.asked, duty_api.acts)
    parts = (feed, api.tables, api.asked, acting, *own, access, base_layer)
    routers = [getattr(part, "router", part) for part in parts]
    return [r for router in routers for r in router.routes if isinstance(r, APIRoute)]


def test_examples_of_the_rows_are_rows() -> None:
    for model in (rows.GroupRow, rows.FanOutRow, rows.PlaceRow):
        extra: Any = model.model_config["json_schema_extra"]
        for example in extra["examples"]:
            model.model_validate_json(json.dumps(example))
