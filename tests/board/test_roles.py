"""The role matrix: every route of the app times every role, asked of boards in service."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from typing import Any, Final, NamedTuple

import httpx
import pytest
from fastapi import FastAPI

from streamer.board.app import assemble
from streamer.board.gate import SAFE_METHODS
from streamer.board.settings import BoardSettings
from streamer.clock import SystemClock
from tests.board.gateways import Gateways
from tests.board.rig import BoardProcess, Client, Rig
from tests.servers import wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

GROUP: Final = "SEARCH-1"
STATION: Final = "QS2AAA"
LOST: Final = "utterfen"
MADE_UP: Final = "BASECAMP"
ORDERS: Final = f"/api/v1/groups/{GROUP}/orders/galvern/vhf"
ROLL_CALL: Final = f"/api/v1/groups/{GROUP}/roll-call"

VISITORS: Final = ("closed", "open", "watch", "desk", "chief")
"""Nobody where the public view is off, nobody where it is on, and the users with the roles view,
operate and admin."""

# Columns: method and route, the address asked, and what each of VISITORS is to get.
MATRIX: Final = """
GET /                                        /                              303 303 200 200 200
GET /groups                                  /groups                        303 303 200 200 200
GET /groups/{group}                          /groups/SEARCH-1               303 303 200 200 200
GET /groups/{group}/members                  /groups/SEARCH-1/members       303 303 200 200 200
GET /map                                     /map                           303 303 200 200 200
GET /repeaters/{gateway}/{port}              /repeaters/ondrik/vhf          303 303 200 200 200
GET /stations/{station}                      /stations/QS2AAA               303 303 200 200 200
GET /wall                                    /wall                          303 303 200 200 200
GET /quarantine                              /quarantine                    303 303 200 200 200
GET /duties                                  /duties                        303 303 200 200 200
GET /log                                     /log                           303 303 403 200 200
GET /public                                  /public                        303 200 200 200 200
GET /sign-in                                 /sign-in                       200 200 303 303 303
GET /static                                  /static/icon.svg               200 200 200 200 200
GET /healthz                                 /healthz                       200 200 200 200 200
GET /api/{rest:path}                         /api/v2/head                   404 404 404 404 404
GET /api/openapi.json                        /api/openapi.json              401 401 200 200 200
GET /api/v1/feed                             /api/v1/feed?tables=head       401 401 200 200 200
GET /api/v1/feed                             /api/v1/feed?tables=public     401 200 200 200 200
GET /api/v1/feed                             /api/v1/feed?tables=public,head  401 401 200 200 200
GET /api/v1/head                             /api/v1/head                   401 401 200 200 200
GET /api/v1/alerts                           /api/v1/alerts                 401 401 200 200 200
GET /api/v1/maintenance                      /api/v1/maintenance            401 401 200 200 200
GET /api/v1/gateways                         /api/v1/gateways               401 401 200 200 200
GET /api/v1/groups                           /api/v1/groups                 401 401 200 200 200
GET /api/v1/groups/{group}/fanout            /api/v1/groups/SEARCH-1/fanout 401 401 200 200 200
GET /api/v1/groups/{group}/roster            /api/v1/groups/SEARCH-1/roster 401 401 200 200 200
GET /api/v1/places                           /api/v1/places                 401 401 200 200 200
GET /api/v1/public                           /api/v1/public                 401 200 200 200 200
GET /api/v1/base-layer                       /api/v1/base-layer             401 401 200 200 200
GET /api/v1/stations/{station:path}          /api/v1/stations/QS2AAA        401 401 200 200 200
GET /api/v1/whereabouts/{station:path}       /api/v1/whereabouts/QS2AAA     401 401 200 200 200
GET /api/v1/repeaters/{gateway}/{port}       /api/v1/repeaters/ondrik/vhf   401 401 200 200 200
GET /api/v1/repeaters/{gateway}/{port}/coverage  /api/v1/repeaters/ondrik/vhf/coverage  401 401 200 200 200
GET /api/v1/quarantine                       /api/v1/quarantine             401 401 200 200 200
GET /api/v1/refused                          /api/v1/refused                401 401 200 200 200
GET /api/v1/duties                           /api/v1/duties                 401 401 200 200 200
GET /api/v1/duties/{duty_id}                 /api/v1/duties/DUTY            401 401 200 200 200
GET /api/v1/calls                            /api/v1/calls                  401 401 200 200 200
GET /api/v1/log                              /api/v1/log                    401 401 403 200 200
GET /api/v1/session                          /api/v1/session                401 200 200 200 200
POST /api/v1/session                         /api/v1/session                200 200 200 200 200
DELETE /api/v1/session                       /api/v1/session                401 401 204 204 204
POST /api/v1/alerts/{alert_id}/acknowledgement  /api/v1/alerts/gateway_lost.utterfen/acknowledgement  401 401 403 200 200
POST /api/v1/groups/{group}/members/{station}/check-out  /api/v1/groups/SEARCH-1/members/QS2AAA/check-out  401 401 403 204 204
PUT /api/v1/groups/{group}/orders/{gateway}/{port}       /api/v1/groups/SEARCH-1/orders/galvern/vhf  401 401 403 200 200
DELETE /api/v1/groups/{group}/orders/{gateway}/{port}    /api/v1/groups/SEARCH-1/orders/galvern/vhf  401 401 403 204 204
POST /api/v1/duties                          /api/v1/duties                 401 401 403 201 201
POST /api/v1/duties/{duty_id}/end            /api/v1/duties/DUTY/end        401 401 403 200 200
PUT /api/v1/duties/{duty_id}/roster          /api/v1/duties/DUTY/roster     401 401 403 200 200
POST /api/v1/duties/{duty_id}/roll-call      /api/v1/duties/DUTY/roll-call  401 401 403 201 201
DELETE /api/v1/duties/{duty_id}/roll-call    /api/v1/duties/DUTY/roll-call  401 401 403 204 204
POST /api/v1/maintenance                     /api/v1/maintenance            401 401 403 201 201
POST /api/v1/maintenance/{maintenance_id}/end  /api/v1/maintenance/WORK/end  401 401 403 200 200
POST /api/v1/groups/{group}/roll-call        /api/v1/groups/SEARCH-1/roll-call  401 401 403 201 201
DELETE /api/v1/groups/{group}/roll-call      /api/v1/groups/SEARCH-1/roll-call  401 401 403 204 204
POST /api/v1/groups/{group}/roll-call/answers/{station}  /api/v1/groups/SEARCH-1/roll-call/answers/QS2AAA  401 401 403 204 204
POST /api/v1/calls/{call:path}               /api/v1/calls/BASECAMP         401 401 403 403 204
DELETE /api/v1/calls/{call:path}             /api/v1/calls/BASECAMP         401 401 403 403 204
"""  # noqa: E501 a table is read along its lines

DUTY: Final = {"title": "Long hill", "kind": "exercise", "groups": [GROUP]}
PIN: Final = {"order": "pin", "for_s": 600}
WORK: Final = {"subject": LOST, "for_s": 600, "note": "the mast is painted"}
BODIES: Final[dict[str, Any]] = {
    "POST /api/v1/session": {"name": "watch", "password": "seven lamps on the ridge"},
    "POST /api/v1/alerts/{alert_id}/acknowledgement": {"take_over": True},
    "PUT /api/v1/groups/{group}/orders/{gateway}/{port}": PIN,
    "POST /api/v1/duties": DUTY,
    "POST /api/v1/maintenance": WORK,
    "PUT /api/v1/duties/{duty_id}/roster": {"csv": "call\nQS2AAA\n"},
}
_END, _BEGIN = ("DELETE", ROLL_CALL, None), ("POST", ROLL_CALL, None)
BEFORE: Final[dict[str, list[tuple[str, str, Any]]]] = {
    "DELETE /api/v1/groups/{group}/orders/{gateway}/{port}": [("PUT", ORDERS, PIN)],
    "GET /api/v1/duties/{duty_id}": [("POST", "/api/v1/duties", DUTY)],
    "PUT /api/v1/duties/{duty_id}/roster": [("POST", "/api/v1/duties", DUTY)],
    "POST /api/v1/duties/{duty_id}/roll-call": [("POST", "/api/v1/duties", DUTY), _END],
    "DELETE /api/v1/duties/{duty_id}/roll-call": [("POST", "/api/v1/duties", DUTY), _BEGIN],
    "POST /api/v1/duties/{duty_id}/end": [("POST", "/api/v1/duties", DUTY)],
    "POST /api/v1/maintenance/{maintenance_id}/end": [("POST", "/api/v1/maintenance", WORK)],
    "POST /api/v1/groups/{group}/roll-call": [_END],
    "DELETE /api/v1/groups/{group}/roll-call": [_BEGIN],
    "POST /api/v1/groups/{group}/roll-call/answers/{station}": [_END, _BEGIN],
    "DELETE /api/v1/calls/{call:path}": [("POST", f"/api/v1/calls/{MADE_UP}", None)],
}
"""What an administrator does first, so that the act itself can be done; whether that was so already
is no matter."""
PLACES: Final = ("DUTY", "WORK")
"""In addresses they stand for the id of what was done before."""
OWN_SESSION: Final = ("POST /api/v1/session", "DELETE /api/v1/session")
"""These change the session of whoever asks, who must not be needed any more."""


@dataclass(frozen=True)
class Line:
    route: str
    method: str
    address: str
    expected: tuple[int, ...]


def lines() -> list[Line]:
    found = []
    for text in MATRIX.strip().splitlines():
        method, route, address, *cells = text.split()
        found.append(Line(f"{method} {route}", method, address, tuple(map(int, cells))))
    return found


LINES: Final = lines()
CHANGES: Final = [line for line in LINES if line.method not in SAFE_METHODS]


# -- every route has a line ----------------------------------------------------------------------


def routes_of(routes: Any) -> Iterator[str]:
    """`METHOD /path` of every route, also of those that were included."""
    for route in routes:
        inner = getattr(route, "original_router", None)
        if inner is not None:
            yield from routes_of(inner.routes)
        else:
            methods = getattr(route, "methods", None) or {"GET"}  # a mount has none
            yield from (f"{method} {route.path}" for method in methods - {"HEAD"})


def app_of(rig: Rig) -> FastAPI:
    return assemble(BoardSettings(region=rig.region), rig.view, SystemClock())


def test_every_route_has_a_line(rig: Rig) -> None:
    assert set(routes_of(app_of(rig).routes)) == {line.route for line in LINES}


def test_every_documented_operation_is_a_route(rig: Rig) -> None:
    """The walk above finds all that FastAPI itself finds."""
    paths = app_of(rig).openapi()["paths"]
    documented = {f"{m.upper()} {path}" for path, item in paths.items() for m in item}
    assert documented <= {route.replace(":path}", "}") for route in routes_of(app_of(rig).routes)}


# -- who gets what -------------------------------------------------------------------------------


class Boards(NamedTuple):
    closed: BoardProcess
    open: BoardProcess
    visitors: dict[str, Client]
    admin: Client


@pytest.fixture(scope="module")
def boards(rig: Rig, gateways: Gateways) -> Boards:
    gateways.key(STATION, "ondrik/vhf", GROUP)
    gateways.key(MADE_UP, "ondrik/vhf", GROUP)
    gateways.lose(LOST)
    users = ("--users", str(rig.users))
    closed, public = rig.board(*users), rig.board(*users, "--public")
    visitors = {"closed": rig.stranger(closed), "open": rig.stranger(public)}
    visitors |= {name: rig.client(public, name) for name in VISITORS[2:]}
    admin = rig.client(public, "chief")
    wait_until(lambda: admin.rows("alerts"), "the alert")
    wait_until(lambda: STATION in admin.rows(f"groups/{GROUP}/roster"), "the member")
    wait_until(lambda: admin.http.get("/api/v1/quarantine").json()["quarantined"], "quarantine")
    return Boards(closed, public, visitors, admin)


def visitor(name: str, route: str, boards: Boards, rig: Rig) -> Client:
    if route not in OWN_SESSION:
        return boards.visitors[name]
    if name in ("closed", "open"):
        return rig.stranger(boards.closed if name == "closed" else boards.open)
    return rig.client(boards.open, name)


_taken = count()


def fresh(body: Any, rig: Rig) -> Any:
    """Work is planned at a thing once at a time, and of a title one duty runs: each time at another
    repeater, by another title."""
    if body is DUTY:
        return {**DUTY, "title": f"{DUTY['title']} {next(_taken)}"}
    if body is not WORK:
        return body
    sites = sorted(rig.view.sites)
    return {**WORK, "subject": sites[next(_taken) % len(sites)]}


def asked(client: Client, line: Line, address: str, **more: Any) -> httpx.Response:
    """The start of the answer: a stream would not end."""
    options: dict[str, Any] = {"headers": client.headers, **more}
    if line.method in SAFE_METHODS:
        options.pop("json", None)
    elif "json" not in options:
        options["json"] = BODIES.get(line.route, {})
    with client.http.stream(line.method, address, **options) as answer:
        if "text/event-stream" not in answer.headers.get("content-type", ""):
            answer.read()
        return answer


@pytest.mark.parametrize("line", LINES, ids=lambda line: f"{line.route} {line.address}")
def test_each_role_gets_what_it_may(line: Line, boards: Boards, rig: Rig) -> None:
    found = []
    for name in VISITORS:
        address = line.address
        for method, first, body in BEFORE.get(line.route, ()):
            said = boards.admin.ask(method, first, fresh(body, rig))
            for place in PLACES:
                if place in address:
                    address = address.replace(place, said.json()["id"])
        body = fresh(BODIES.get(line.route, {}), rig)
        answer = asked(visitor(name, line.route, boards, rig), line, address, json=body)
        found.append(answer.status_code)
        _check_refusal(answer, address)
    assert dict(zip(VISITORS, found, strict=True)) == dict(
        zip(VISITORS, line.expected, strict=True)
    )


def _check_refusal(answer: httpx.Response, address: str) -> None:
    """The API refuses by a problem document (RFC 9457), a page by the way to the sign-in page."""
    if answer.status_code == 303 and not address.startswith("/sign-in"):
        assert answer.headers["location"].startswith("/sign-in?next=/")
    if answer.status_code >= 400 and address.startswith("/api/"):
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == answer.status_code
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")


@pytest.mark.parametrize(
    "line",
    [line for line in CHANGES if line.route != "POST /api/v1/session"],
    ids=lambda line: line.route,
)
def test_no_change_without_the_token_of_the_session(line: Line, boards: Boards, rig: Rig) -> None:
    """Not even by the administrator. Signing in alone needs none: there is no session yet."""
    address = line.address.replace("DUTY", "duty-x").replace("WORK", "work-x")
    admin = boards.visitors["chief"]
    for headers in ({}, {"X-CSRF-Token": boards.visitors["desk"].csrf_token}):
        assert asked(admin, line, address, headers=headers).status_code == 403
    assert admin.session().json()["name"] == "chief"


@pytest.mark.parametrize("line", CHANGES, ids=lambda line: line.route)
def test_no_change_from_a_page_of_another_site(line: Line, boards: Boards) -> None:
    admin = boards.visitors["chief"]
    for other in ({"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
        headers = {**admin.headers, **other}
        assert asked(admin, line, line.address, headers=headers).status_code == 403
    assert admin.session().json()["name"] == "chief"


def test_the_public_learns_no_call_sign(boards: Boards, gateways: Gateways) -> None:
    """Neither from the table nor from the page, though the board knows some."""
    nobody = boards.visitors["open"]
    gateways.key(STATION, "ondrik/vhf", GROUP)
    wait_until(lambda: STATION in boards.admin.http.get("/api/v1/places").text, "the place")
    for address in ("/api/v1/public", "/public"):
        assert STATION not in nobody.http.get(address).text
