"""Who may see and do what: sessions, roles, tokens, names of the board, tries to sign in."""

import asyncio
import json
import logging
import re
import subprocess
from collections.abc import Iterator
from http.cookies import SimpleCookie
from itertools import product
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import limits.storage.memory
import pytest
from argon2 import PasswordHasher
from fastapi import FastAPI
from fastapi.routing import APIRoute
from redis import Redis
from starlette.types import Message
from structlog.testing import capture_logs

from streamer.board import pages
from streamer.board.access import MOST_HASHES, access_of, safe_next, still
from streamer.board.app import OPENAPI_PATH, create_app, openapi
from streamer.board.attempts import _label, network_of
from streamer.board.headers import CONTENT_SECURITY_POLICY
from streamer.board.picture import Picture
from streamer.board.sessions import IDLE_S, LONGEST_S, LONGEST_VIEW_S, Sessions
from streamer.board.settings import BoardSettings
from streamer.board.users import Role, load_users
from streamer.clock import ManualClock
from streamer.config import Region, RegionView
from tests.board.asking import (
    LOCAL,
    PASSWORD,
    PEOPLE,
    PROXY,
    Board,
    Browser,
    board,
    write_people,
)
from tests.servers import program

MATRIX = {
    # role of the visitor: the least roles that let through
    "watch": [Role.PUBLIC, Role.VIEW],
    "desk": [Role.PUBLIC, Role.VIEW, Role.OPERATE],
    "chief": [Role.PUBLIC, Role.VIEW, Role.OPERATE, Role.ADMIN],
}


@pytest.fixture
def people(tmp_path: Path) -> Path:
    file = tmp_path / "users.toml"
    write_people(file)
    return file


@pytest.fixture
def local() -> Iterator[Board]:
    with board(BoardSettings(region=Path("r"))) as made:
        yield made


@pytest.fixture
def signed(people: Path) -> Iterator[Board]:
    with board(BoardSettings(region=Path("r"), users=people)) as made:
        yield made


@pytest.fixture
def proxied(people: Path) -> Iterator[Board]:
    with board(BoardSettings(region=Path("r"), users=people, behind_proxy=PROXY)) as made:
        yield made


@pytest.fixture
def limits_clock(monkeypatch: pytest.MonkeyPatch) -> ManualClock:
    """`limits` asks the machine for the time; here it asks a clock that we move."""
    clock = ManualClock()

    class Time:
        @staticmethod
        def time() -> float:
            return clock.now_ms() / 1000

    monkeypatch.setattr(limits.storage.memory, "time", Time)
    monkeypatch.setattr(limits.strategies, "time", Time)
    return clock


def problem(answer: httpx.Response, status: int) -> str:
    """Source: RFC 9457, section 3.1: members of a problem."""
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert told["status"] == status
    assert told["title"]
    return str(told["detail"])


def cookie(answer: httpx.Response) -> Any:
    (morsel,) = SimpleCookie(answer.headers["set-cookie"]).values()
    return morsel


# -- on this machine alone -----------------------------------------------------------------------


def test_locally_everybody_may_do_all_but_needs_the_token(local: Board) -> None:
    browser = local.browser()
    answer = browser.get("/admin")
    assert answer.json() == {"name": "local", "role": "admin", "local": True}
    assert "without" not in problem(browser.post("/api/v1/admin"), 403)
    told = browser.get("/api/v1/session").json()
    assert (told["name"], told["role"], told["local"]) == ("local", "admin", True)
    browser.csrf_token = told["csrf_token"]
    assert browser.post("/api/v1/admin").status_code == 200


def test_locally_a_script_that_keeps_no_cookie_opens_no_sessions(local: Board) -> None:
    for _ in range(3):
        browser = local.browser()
        assert browser.get("/api/v1/view").status_code == 200
        assert "set-cookie" not in browser.get("/static/none.js").headers
    assert len(local.access.sessions) == 0


def test_locally_a_change_without_a_session_is_refused(local: Board) -> None:
    browser = local.browser()
    assert "GET /api/v1/session" in problem(browser.post("/api/v1/admin"), 403)
    assert browser.sign_in("chief").status_code == 409


def test_a_token_of_another_session_is_worth_nothing(local: Board) -> None:
    one, two = local.browser(), local.browser()
    one.csrf_token = two.get("/api/v1/session").json()["csrf_token"]
    assert one.get("/api/v1/session").status_code == 200
    problem(one.post("/api/v1/admin"), 403)
    one.csrf_token = ""
    problem(one.post("/api/v1/admin"), 403)


def test_boards_on_one_machine_keep_apart(tmp_path: Path) -> None:
    """Source: RFC 6265, section 8.5: cookies do not provide isolation by port."""
    one, other = (BoardSettings(region=Path("r"), port=port) for port in (8750, 8751))
    with board(one) as first, board(other) as second:
        names = [cookie(made.browser().get("/view")).key for made in (first, second)]
    assert len(set(names)) == 2


# -- roles ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PEOPLE)
def test_each_role_sees_and_does_what_it_may(signed: Board, name: str) -> None:
    browser = signed.browser()
    assert browser.sign_in(name).status_code == 200
    for needed in Role:
        for method, path in (("GET", f"/{needed}"), ("GET", f"/api/v1/{needed}"),
                             ("POST", f"/api/v1/{needed}")):  # fmt: skip
            allowed = 200 if needed in MATRIX[name] or needed is Role.PUBLIC else 403
            assert browser.ask(method, path).status_code == allowed, (method, path)


@pytest.mark.parametrize("public", [False, True])
def test_who_is_not_signed_in_sees_the_public_view_where_it_is_on(
    people: Path, public: bool
) -> None:
    with board(BoardSettings(region=Path("r"), users=people, public=public)) as made:
        browser = made.browser()
        for role in Role:
            opens = public and role is Role.PUBLIC
            assert browser.get(f"/api/v1/{role}").status_code == (200 if opens else 401)
            assert browser.get(f"/{role}").status_code == (200 if opens else 303)
            assert browser.post(f"/api/v1/{role}").status_code == (200 if opens else 401)
        told = browser.get("/api/v1/session")
        assert told.status_code == (200 if public else 401)
        assert "set-cookie" not in told.headers


def test_a_page_without_a_session_leads_to_signing_in_and_back(signed: Board) -> None:
    browser = signed.browser()
    path = "/deep/a%2Fb%20c/view?x=1&y=%26%3D"
    answer = browser.get(path)
    assert answer.status_code == 303
    parts = urlsplit(answer.headers["location"])
    assert (parts.scheme, parts.netloc, parts.path) == ("", "", "/sign-in")
    assert parse_qs(parts.query) == {"next": [path]}


GOOD_NEXT = [
    "/", "/groups", "/groups/SHORE/members", "/stations/QA1ABC%2FP?hours=6#chart", "/a//b", "/:80",
    "/x?next=//evil.example", "/@evil.example", "/%2F%2Fevil.example",
]  # fmt: skip
BAD_NEXT = [
    "", "groups", "//evil.example", "///evil.example", "/\\evil.example", "\\\\evil.example",
    "https://evil.example", "https:evil.example", "javascript:alert(1)", "/\t/evil.example",
    "/\n/evil.example", "\t//evil.example", " //evil.example", "/ /evil.example", "/\r\nX: y",
    "/\u2028x", "/\x00", "/groups\\x", "/sign-in", "/sign-in?next=/sign-in", "?x", "#x", "/\ud800",
]  # fmt: skip


@pytest.mark.parametrize("asked", GOOD_NEXT)
def test_paths_of_ours_are_gone_back_to(asked: str) -> None:
    assert safe_next(asked) == asked


@pytest.mark.parametrize("asked", BAD_NEXT)
def test_anything_else_leads_to_the_first_page(asked: str) -> None:
    assert safe_next(asked) == "/"


WHERE = """
import fs from 'node:fs';
const origins = new Set();
for (const asked of JSON.parse(fs.readFileSync(0))) {
  try { origins.add(new URL(asked, 'https://board.example/sign-in').origin); } catch {}
}
process.stdout.write(JSON.stringify([...origins]));
"""


@pytest.mark.node
def test_a_browser_stays_with_us_wherever_it_is_sent(tmp_path: Path) -> None:
    """Source: the URL parser of Node, which follows the WHATWG URL Standard as browsers do."""
    script = tmp_path / "where.mjs"
    script.write_text(WHERE)

    def origins(asked: list[str]) -> list[str]:
        done = subprocess.run(
            [program("node"), str(script)], input=json.dumps(asked), capture_output=True,
            text=True, check=True,
        )  # fmt: skip
        return list(json.loads(done.stdout))

    pieces = ["/", "\\", "//", ":", "@", "evil.example", "https:", "%2f", "?", "#", "."]
    pieces += ["\t", "\n", " "]
    asked = ["".join(parts) for n in range(1, 5) for parts in product(pieces, repeat=n)]
    asked += ["/" + text for text in asked]
    assert "https://evil.example" in origins(asked)
    going = sorted({safe_next(text) for text in asked})
    assert len(going) > 1000
    assert origins(going) == ["https://board.example"]


def test_the_sign_in_page_is_no_way_to_another_site(local: Board, people: Path) -> None:
    """The page as it is served, for who is in already."""
    local.app.include_router(pages.router)
    for asked in BAD_NEXT[2:8]:
        answer = local.browser().get("/sign-in", params={"next": asked})
        assert (answer.status_code, answer.headers["location"]) == (303, "/")


OPEN = {"/sign-in", "/healthz", "/api/v1/session"}
"""What answers to everybody; the last says whether anybody is signed in."""


def routes_of(app: FastAPI) -> set[tuple[str, str]]:
    """Method and address of whatever the board answers to, parameters filled in."""
    found = {
        (method.upper(), path)
        for path, methods in openapi(app)["paths"].items()
        for method in methods
    }
    found |= {("GET", route.path) for route in pages.router.routes if isinstance(route, APIRoute)}
    return {(method, re.sub(r"\{[^}]+\}", "x", path)) for method, path in found}


def test_nothing_of_the_real_board_opens_to_strangers(people: Path) -> None:
    """Every route there is, so one without `need` shows here. Neither Redis nor broker is there."""
    settings = BoardSettings(region=Path("r"), users=people, public=False)
    view = RegionView(Region.model_validate({"region": "shoal", "group": [{"name": "SHORE"}]}))
    clock, redis = ManualClock(), Redis(port=1)
    app = create_app(settings, Picture(view, clock.now_ms()), redis, clock)
    routes = routes_of(app)
    assert len(routes) > 35
    with board(settings, clock=clock, app=app) as made:
        for method, path in sorted(routes | {("GET", OPENAPI_PATH), ("GET", "/healthz")}):
            if path not in OPEN:
                answer = made.browser().ask(method, path)
                is_page = not path.startswith("/api/")
                assert answer.status_code == (303 if is_page else 401), (method, path)
        for method in ("GET", "DELETE"):
            assert made.browser().ask(method, "/api/v1/session").status_code == 401
        assert made.browser().get("/sign-in").status_code == 200


# -- signing in and out --------------------------------------------------------------------------


def test_signing_in_and_out(signed: Board) -> None:
    browser = signed.browser()
    with capture_logs() as logs:
        told = browser.sign_in("desk").json()
        assert told == {
            "name": "desk", "role": "operate", "local": False, "csrf_token": browser.csrf_token,
        }  # fmt: skip
        assert browser.get("/api/v1/session").json() == told
        kept = dict(browser.cookies)
        answer = browser.ask("DELETE", "/api/v1/session")
    assert answer.status_code == 204
    assert cookie(answer)["max-age"] == "0"
    assert not dict(browser.cookies)
    browser.cookies.update(kept)  # the token itself has become worthless, not only the cookie
    assert browser.get("/api/v1/view").status_code == 401
    assert [(line["event"], line["user"]) for line in logs] == [
        ("signed in", "desk"), ("signed out", "desk"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("desk", "seven lamps on the ridgE"), ("desk", PASSWORD + " "), ("desk", ""),
        ("Desk", PASSWORD), ("nobody", PASSWORD), ("", PASSWORD), ("desk\n", PASSWORD),
    ],
)  # fmt: skip
def test_wrong_name_and_wrong_password_look_the_same(
    signed: Board, name: str, password: str
) -> None:
    browser = signed.browser()
    answer = browser.sign_in(name, password)
    assert (answer.status_code, answer.json()) == (401, {"detail": "name or password is wrong"})
    assert "set-cookie" not in answer.headers


def test_the_log_holds_no_password(signed: Board, caplog: pytest.LogCaptureFixture) -> None:
    browser = signed.browser()
    with capture_logs() as logs, caplog.at_level(logging.DEBUG):
        browser.sign_in("desk", "wrong secret one")
        browser.sign_in("desk", PASSWORD)
        browser.sign_in("typed secret two", "x")  # the password in the wrong field
        browser.sign_in("desk", "y" * 3000)
    text = str(logs) + caplog.text
    assert "secret" not in text
    assert PASSWORD not in text
    assert browser.csrf_token not in text
    assert dict(browser.cookies)["board-8750"] not in text
    assert [line["event"] for line in logs] == ["sign-in failed", "signed in", "sign-in failed"]
    assert [line["user"] for line in logs] == ["desk", "desk", None]


def test_a_session_known_before_signing_in_is_not_the_one_after(signed: Board) -> None:
    """Session fixation (CWE-384): whoever planted a cookie must not know the session."""
    browser = signed.browser()
    browser.cookies.set("board-8750", "planted", domain="127.0.0.1", path="/")
    browser.sign_in("desk")
    assert "planted" not in dict(browser.cookies).values()
    first = next(iter(dict(browser.cookies).values()))
    browser.sign_in("desk")
    other = signed.browser()
    other.cookies.set("board-8750", first)
    assert other.get("/api/v1/view").status_code == 401  # signing in again ends the first
    assert browser.get("/api/v1/view").status_code == 200


@pytest.mark.parametrize("body", [b"name=desk&password=x", b"[]", b'{"name": "desk"}', b"\xff"])
def test_only_json_signs_in(signed: Board, body: bytes) -> None:
    """A form of another site can send text, but not JSON (Fetch, CORS-safelisted content types)."""
    browser = signed.browser()
    for kind in ("text/plain", "application/x-www-form-urlencoded", "application/json"):
        answer = browser.post("/api/v1/session", content=body, headers={"Content-Type": kind})
        assert answer.status_code in (400, 422), kind
    text = b'{"name": "desk", "password": "seven lamps on the ridge"}'
    answer = browser.post("/api/v1/session", content=text, headers={"Content-Type": "text/plain"})
    assert answer.status_code == 422


# -- cookies -------------------------------------------------------------------------------------


def test_the_cookie_over_tls(proxied: Board) -> None:
    """Source: RFC 6265bis, 4.1.3.2: `__Host-` demands Secure, Path=/ and no Domain."""
    browser = proxied.browser(PROXY)
    morsel = cookie(browser.sign_in("desk"))
    assert morsel.key == "__Host-board"
    assert morsel["secure"] is True
    assert morsel["path"] == "/"
    assert morsel["domain"] == ""
    assert morsel["httponly"] is True
    assert morsel["samesite"].lower() == "strict"
    assert morsel["max-age"] == ""
    assert len(morsel.value) >= 43  # 256 bits in base64
    assert browser.get("/operate").status_code == 200
    gone = cookie(browser.ask("DELETE", "/api/v1/session"))
    assert (gone.key, gone["secure"], gone["max-age"]) == ("__Host-board", True, "0")


def test_the_cookie_without_tls(signed: Board) -> None:
    morsel = cookie(signed.browser().sign_in("desk"))
    assert (morsel.key, morsel["secure"], morsel["httponly"]) == ("board-8750", "", True)
    assert morsel["samesite"].lower() == "strict"


# -- requests that others make the browser send ---------------------------------------------------

ORIGINS = {
    "the board's own": ({"Origin": LOCAL, "Sec-Fetch-Site": "same-origin"}, True),
    "no browser": ({}, True),
    "own, an old browser": ({"Origin": LOCAL}, True),
    "another port": ({"Origin": "http://127.0.0.1:3000"}, False),
    "another port, Fetch Metadata alone": ({"Sec-Fetch-Site": "same-site"}, False),
    "another scheme": ({"Origin": "https://127.0.0.1:8750"}, False),
    "another site": ({"Origin": "http://evil.example", "Sec-Fetch-Site": "cross-site"}, False),
    "a frame without origin": ({"Origin": "null"}, False),
    "a lying prefix": ({"Origin": "http://127.0.0.1:8750.evil.example"}, False),
    "two origins": ([("Origin", LOCAL), ("Origin", "http://evil.example")], False),
    "typed into the address bar": ({"Sec-Fetch-Site": "none"}, False),
}


@pytest.mark.parametrize("case", ORIGINS)
def test_changes_come_from_pages_of_ours(local: Board, case: str) -> None:
    """Sources: RFC 6454 for Origin, W3C Fetch Metadata for Sec-Fetch-Site; the token is right
    throughout, so it is the origin that is judged."""
    headers, good = ORIGINS[case]
    browser = local.browser()
    token = browser.get("/api/v1/session").json()["csrf_token"]
    given = [*(headers.items() if isinstance(headers, dict) else headers), ("X-CSRF-Token", token)]
    answer = browser.post("/api/v1/admin", headers=given)
    assert answer.status_code == (200 if good else 403)
    if not good:
        assert "another site" in problem(answer, 403)


@pytest.mark.parametrize("case", ORIGINS)
def test_signing_in_comes_from_pages_of_ours(signed: Board, case: str) -> None:
    headers, good = ORIGINS[case]
    body = {"name": "desk", "password": PASSWORD}
    answer = signed.browser().post("/api/v1/session", json=body, headers=headers)
    assert answer.status_code == (200 if good else 403)


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "BREW"])
def test_every_method_that_may_change_something_needs_the_token(local: Board, method: str) -> None:
    browser = local.browser()
    browser.get("/view")
    assert problem(browser.ask(method, "/api/v1/none"), 403)


def test_origins_are_compared_as_browsers_write_them(people: Path) -> None:
    """Source: RFC 6454, section 6.2: no port where it is the scheme's own."""
    settings = BoardSettings(region=Path("r"), users=people, behind_proxy=PROXY)
    with board(settings) as made:
        body = {"name": "desk", "password": PASSWORD}
        for host in ("board.example", "board.example:443", "BOARD.example"):
            headers = {"Host": host, "Origin": "https://board.example"}
            answer = made.browser(PROXY).post("/api/v1/session", json=body, headers=headers)
            assert answer.status_code == 200, host


# -- names of the board --------------------------------------------------------------------------

GOOD_LOCAL_HOSTS = [
    "localhost", "localhost:8750", "LOCALHOST:1", "127.0.0.1", "127.0.0.1:8750", "127.1.2.3:80",
    "[::1]", "[::1]:8750", "localhost.",
]  # fmt: skip
BAD_HOSTS = [
    "evil.example", "evil.example:8750", "localhost.evil.example", "127.0.0.1.evil.example",
    "192.0.2.7", "[2001:db8::1]", "", "localhost:x", "localhost@evil.example", "a b", "::1",
    "localhost/", "localhost:8750:1", "127.0.0.1#", "localhost?x", "0.0.0.0:8750",
]  # fmt: skip


@pytest.mark.parametrize("host", GOOD_LOCAL_HOSTS)
def test_names_of_this_machine(local: Board, host: str) -> None:
    assert local.browser().get("/view", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("path", ["/view", "/api/v1/view", "/static/x.js", "/none"])
@pytest.mark.parametrize("host", BAD_HOSTS)
def test_other_names_are_not_answered(local: Board, host: str, path: str) -> None:
    """DNS rebinding: a page of evil.example must not reach the board by a name of its own.
    Source of the status: RFC 9110, 15.5.20."""
    answer = local.browser().get(path, headers={"Host": host})
    assert "not asked by this name" in problem(answer, 421)
    assert "set-cookie" not in answer.headers


def test_two_hosts_or_none_are_not_answered(local: Board) -> None:
    """Source: RFC 9112, section 3.2: a request has exactly one Host field."""

    async def ask(headers: list[tuple[bytes, bytes]]) -> int:
        scope = {
            "type": "http", "method": "GET", "path": "/view", "raw_path": b"/view",
            "query_string": b"", "headers": headers, "scheme": "http", "server": ("x", 1),
            "client": ("127.0.0.1", 1), "http_version": "1.1", "asgi": {"version": "3.0"},
        }  # fmt: skip
        sent: list[Message] = []

        async def receive() -> Message:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Message) -> None:
            sent.append(message)

        await local.app(scope, receive, send)
        return int(sent[0]["status"])

    good = (b"host", b"localhost")
    assert local.run(ask([good])) == 200
    assert local.run(ask([good, (b"host", b"evil.example")])) == 421
    assert local.run(ask([good, good])) == 421
    assert local.run(ask([])) == 421


def off_loopback(people: Path, host: str, **more: Any) -> BoardSettings:
    tls: dict[str, Any] = {"tls_cert": Path("c"), "tls_key": Path("k")}
    return BoardSettings(region=Path("r"), host=host, users=people, **tls, **more)


def hosts_that_answer(settings: BoardSettings, hosts: list[str]) -> list[str]:
    with board(settings) as made:
        browser = made.browser("https://x.example")
        return [
            host for host in hosts
            if browser.get("/api/v1/view", headers={"Host": host}).status_code == 401
        ]  # fmt: skip


HOSTS = ["localhost", "192.0.2.7:8750", "192.0.2.8", "[2001:db8::1]:8750", "a.example", "b.example"]


def test_a_board_at_one_address_answers_to_that_and_to_names_given(people: Path) -> None:
    assert hosts_that_answer(off_loopback(people, "192.0.2.7"), HOSTS) == ["192.0.2.7:8750"]
    named = off_loopback(people, "192.0.2.7", names=("A.example",))
    assert hosts_that_answer(named, HOSTS) == ["192.0.2.7:8750", "a.example"]


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_a_board_at_all_addresses_answers_to_addresses_and_names_given(
    people: Path, host: str
) -> None:
    named = off_loopback(people, host, names=("b.example",))
    addresses = ["192.0.2.7:8750", "192.0.2.8", "[2001:db8::1]:8750"]
    assert hosts_that_answer(named, HOSTS) == [*addresses, "b.example"]


def test_behind_a_proxy_only_what_came_by_tls_through_it_counts(proxied: Board) -> None:
    assert proxied.browser(PROXY).get("/api/v1/view").status_code == 401
    plain = proxied.browser("http://board.example")
    assert "X-Forwarded-Proto" in problem(plain.get("/api/v1/view"), 421)
    past = proxied.browser("https://127.0.0.1:8750")
    assert "Host header" in problem(past.get("/api/v1/view"), 421)


# -- sizes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("size", "status"), [(64 * 1024, 422), (64 * 1024 + 1, 413)])
def test_a_large_body_is_refused_before_it_is_read(signed: Board, size: int, status: int) -> None:
    answer = signed.browser().post("/api/v1/session", content=b"x" * size)
    assert answer.status_code == status


@pytest.mark.parametrize("length", ["-1", "1e3", "9" * 5000, "²", "00000000000090000000"])
def test_a_length_that_is_none_is_refused(signed: Board, length: str) -> None:
    headers = [(b"Content-Length", length.encode("latin-1"))]
    assert signed.browser().post("/api/v1/session", headers=headers).status_code == 413


def test_a_body_in_pieces_is_refused(signed: Board) -> None:
    headers = {"Transfer-Encoding": "chunked"}
    assert signed.browser().post("/api/v1/session", headers=headers).status_code == 411


# -- how long a session lasts --------------------------------------------------------------------


def stays(signed: Board, browser: Browser, step_s: float, path: str, steps: int) -> int:
    """How many steps of so many seconds, each with a request, the session outlives."""
    for step in range(steps):
        signed.clock.advance_s(step_s)
        if browser.get(path).status_code in (303, 401):  # 303: a page, to signing in
            return step
    return steps


def test_a_session_ends_when_nothing_is_done(signed: Board) -> None:
    for name in PEOPLE:
        browser = signed.browser()
        browser.sign_in(name)
        signed.clock.advance_s(IDLE_S - 1)
        assert browser.get("/api/v1/view").status_code == 200
        signed.clock.advance_s(IDLE_S)
        assert browser.get("/api/v1/view").status_code == 401
    assert len(signed.access.sessions) == 0


def test_a_session_ends_in_the_end_whatever_is_done(signed: Board) -> None:
    for name, longest_s in (("desk", LONGEST_S), ("chief", LONGEST_S), ("watch", LONGEST_VIEW_S)):
        browser = signed.browser()
        browser.sign_in(name)
        assert stays(signed, browser, 3600, "/view", 400) == longest_s / 3600 - 1


def test_an_open_page_alone_keeps_a_wall_screen_but_no_desk(signed: Board) -> None:
    """The feed comes back by itself every few minutes."""
    for name, kept in (("watch", 60), ("desk", 11)):
        browser = signed.browser()
        browser.sign_in(name)
        lasted = 0
        for _ in range(60):
            signed.clock.advance_s(600)
            lasted += browser.get("/api/v1/feed").status_code == 200
        assert lasted == kept, name


@pytest.mark.parametrize("path", ["/api/v1/view", "/static/none.js", "/api/v1/session"])
def test_what_pages_ask_by_themselves_keeps_a_wall_screen_but_no_desk(
    signed: Board, path: str
) -> None:
    """Pages read documents again every few seconds, whether anybody sits before them or not."""
    for name, kept in (("watch", 60), ("desk", 11), ("chief", 11)):
        browser = signed.browser()
        browser.sign_in(name)
        lasted = 0
        for _ in range(60):
            signed.clock.advance_s(600)
            browser.get(path)
            lasted += len(signed.access.sessions)
            if not signed.access.sessions:
                break
        assert lasted == kept, name
        browser.ask("DELETE", "/api/v1/session")


def test_who_opens_pages_and_acts_stays_at_the_desk(signed: Board) -> None:
    for method, path in (("GET", "/operate"), ("POST", "/api/v1/operate")):
        browser = signed.browser()
        browser.sign_in("desk")
        for _ in range(8):
            signed.clock.advance_s(3600)
            assert browser.get("/api/v1/view").status_code == 200
            assert browser.ask(method, path).status_code == 200


def test_sessions_are_bounded_and_the_one_unused_longest_makes_room() -> None:
    sessions = Sessions(ManualClock(), most=3)
    tokens = [sessions.begin(f"u{n}", Role.VIEW, "")[0] for n in range(3)]
    assert sessions.find(tokens[0], by_hand=True) is not None
    sessions.begin("u3", Role.VIEW, "")
    assert len(sessions) == 3
    assert [sessions.find(token, by_hand=True) is not None for token in tokens] == [
        True, False, True,
    ]  # fmt: skip


def test_the_token_itself_is_not_kept() -> None:
    sessions = Sessions(ManualClock())
    token, session = sessions.begin("desk", Role.VIEW, "stamp")
    assert token not in repr(vars(sessions))
    assert token not in repr(session)
    assert session.csrf_token != token
    other, _ = sessions.begin("desk", Role.VIEW, "stamp")
    assert other != token


@pytest.mark.parametrize("token", ["", "x", "\ud800", "a" * 5000])
def test_made_up_tokens_open_nothing(token: str) -> None:
    sessions = Sessions(ManualClock())
    sessions.begin("desk", Role.VIEW, "stamp")
    assert sessions.find(token, by_hand=True) is None


# -- changes of the file of users ----------------------------------------------------------------


@pytest.mark.parametrize("change", ["removed", "role", "password"])
def test_a_session_ends_with_the_entry_it_began_by(
    signed: Board, people: Path, change: str
) -> None:
    desk, chief = signed.browser(), signed.browser()
    desk.sign_in("desk")
    chief.sign_in("chief")
    before = load_users(people)
    if change == "removed":
        left = {"watch": Role.VIEW, "chief": Role.ADMIN}
        write_people(people, left)
    elif change == "role":
        write_people(people, {**PEOPLE, "desk": Role.VIEW})
    else:
        write_people(people, PEOPLE, "nine boats in the bay")
    changed = load_users(people)
    # chief stays only where chief's own entry does: write_people makes new hashes of all.
    assert changed["chief"].hash != before["chief"].hash
    assert desk.get("/api/v1/view").status_code == 401
    assert desk.post("/api/v1/operate").status_code == 401


def test_others_stay_when_one_is_removed(signed: Board, people: Path) -> None:
    from streamer.board.users import write_users

    desk, chief = signed.browser(), signed.browser()
    desk.sign_in("desk")
    chief.sign_in("chief")
    users = load_users(people)
    del users["desk"]
    write_users(people, users)
    assert desk.get("/api/v1/view").status_code == 401
    assert chief.get("/api/v1/admin").status_code == 200


def test_an_old_hash_is_brought_up_to_date_at_signing_in(people: Path) -> None:
    newer = PasswordHasher(time_cost=1, memory_cost=16, parallelism=1)
    with board(BoardSettings(region=Path("r"), users=people), hasher=newer) as made:
        one, two = made.browser(), made.browser()
        assert one.sign_in("desk").status_code == 200
        fresh = load_users(people)["desk"].hash
        assert fresh.startswith("$argon2id$v=19$m=16,t=1,p=1$")
        assert newer.verify(fresh, PASSWORD)
        assert load_users(people)["chief"].hash.startswith("$argon2id$v=19$m=8,")
        assert one.get("/api/v1/operate").status_code == 200
        assert two.sign_in("desk").status_code == 200
        assert load_users(people)["desk"].hash == fresh
        assert one.get("/api/v1/operate").status_code == 200


def test_a_session_outlives_a_new_hash_of_the_same_password(people: Path) -> None:
    settings = BoardSettings(region=Path("r"), users=people)
    newer = PasswordHasher(time_cost=1, memory_cost=16, parallelism=1)
    with board(settings) as made:
        one, two = made.browser(), made.browser()
        one.sign_in("desk")
        made.access.passwords._hasher = newer  # as if the library's parameters had changed
        assert two.sign_in("desk").status_code == 200
        assert load_users(people)["desk"].hash.startswith("$argon2id$v=19$m=16,")
        assert one.get("/api/v1/operate").status_code == 200


def test_a_file_that_cannot_be_written_is_no_reason_to_refuse(
    people: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def read_only(*_args: Any) -> None:
        raise PermissionError(30, "Read-only file system")

    monkeypatch.setattr("streamer.board.users.write_users", read_only)
    newer = PasswordHasher(time_cost=1, memory_cost=16, parallelism=1)
    with board(BoardSettings(region=Path("r"), users=people), hasher=newer) as made:
        browser = made.browser()
        with capture_logs() as logs:
            assert browser.sign_in("desk").status_code == 200
        assert browser.get("/api/v1/operate").status_code == 200
        assert [line["event"] for line in logs] == ["hash not brought up to date", "signed in"]


def test_a_stream_learns_that_its_visitor_has_gone(signed: Board, people: Path) -> None:
    seen: list[Any] = []

    async def keep(request: Any) -> None:
        seen.append(request)

    from starlette.requests import Request

    keep.__annotations__ = {"request": Request, "return": None}
    signed.app.add_api_route("/api/v1/keep", keep, methods=["GET"])
    desk = signed.browser()
    desk.get("/api/v1/keep")
    desk.sign_in("desk")
    desk.get("/api/v1/keep")
    stranger, request = seen
    assert still(stranger)
    assert still(request)
    assert access_of(request) is signed.access
    desk.ask("DELETE", "/api/v1/session")
    assert not still(request)
    assert still(stranger)


# -- how often -----------------------------------------------------------------------------------


def test_tries_from_one_address_are_limited(people: Path, limits_clock: ManualClock) -> None:
    settings = BoardSettings(region=Path("r"), users=people)
    with board(settings, clock=limits_clock) as made:
        guesser, other = made.browser(), made.browser(address="192.0.2.9")
        for _ in range(10):
            assert guesser.sign_in("desk", "wrong").status_code == 401
        limits_clock.advance_s(100)
        with capture_logs() as logs:
            answer = guesser.sign_in("chief")
        assert answer.status_code == 429
        assert answer.headers["retry-after"] == "200"
        assert [line["event"] for line in logs] == ["sign-in refused: too many tries"]
        assert other.sign_in("desk").status_code == 200  # elsewhere it goes on
        limits_clock.advance_s(199)
        assert guesser.sign_in("chief").status_code == 429
        limits_clock.advance_s(1)
        assert guesser.sign_in("chief").status_code == 200


def test_who_succeeds_has_their_slips_forgotten(people: Path, limits_clock: ManualClock) -> None:
    with board(BoardSettings(region=Path("r"), users=people), clock=limits_clock) as made:
        browser = made.browser()
        for _ in range(5):
            for _ in range(9):
                assert browser.sign_in("desk", "wrong").status_code == 401
            assert browser.sign_in("desk").status_code == 200


def test_who_succeeds_gets_no_more_tries_at_others(people: Path, limits_clock: ManualClock) -> None:
    """Also where the other has signed in from, and in whatever order the minutes begin."""
    with board(BoardSettings(region=Path("r"), users=people), clock=limits_clock) as made:
        assert made.browser().sign_in("chief").status_code == 200
        limits_clock.advance_s(300)
        guesser, tried = made.browser(), 0
        for _ in range(30):
            guesser.sign_in("desk", "wrong")  # a slip of their own
            tried += guesser.sign_in("chief", "wrong").status_code == 401
            guesser.sign_in("desk")
        assert tried == 9  # a tenth leaves no room to sign in
        limits_clock.advance_s(300)
        assert guesser.sign_in("desk").status_code == 200


@pytest.mark.parametrize("name", ["desk", "nobody"])
def test_a_name_is_limited_wherever_the_tries_come_from(
    people: Path, limits_clock: ManualClock, name: str
) -> None:
    """Source: NIST SP 800-63B-4, 3.2.2: no more than 100 failures in a row. And it must not tell
    which names exist: one that nobody has is limited in the same way."""
    with board(BoardSettings(region=Path("r"), users=people), clock=limits_clock) as made:
        for n in range(100):
            browser = made.browser(address=f"192.0.2.{n}")
            assert browser.sign_in(name, "wrong").status_code == 401
        fresh = made.browser(address="198.51.100.1")
        answer = fresh.sign_in(name)
        assert answer.status_code == 429
        assert answer.headers["retry-after"] == str(24 * 3600)
        assert fresh.sign_in("chief").status_code == 200
        limits_clock.advance_s(24 * 3600)
        assert made.browser().sign_in(name).status_code == (200 if name == "desk" else 401)


def test_a_stranger_cannot_lock_anybody_out_where_they_sign_in(
    people: Path, limits_clock: ManualClock
) -> None:
    with board(BoardSettings(region=Path("r"), users=people), clock=limits_clock) as made:
        desk = made.browser(address="198.51.100.1")
        assert desk.sign_in("desk").status_code == 200
        for n in range(100):
            made.browser(address=f"192.0.2.{n}").sign_in("desk", "wrong")
        assert made.browser(address="192.0.2.200").sign_in("desk").status_code == 429
        for _ in range(10):  # at home it is the address alone that is counted
            assert desk.sign_in("desk", "wrong").status_code == 401
        assert desk.sign_in("desk").status_code == 429
        limits_clock.advance_s(300)
        assert desk.sign_in("desk").status_code == 200


def test_made_up_names_do_not_fill_the_memory() -> None:
    """Whoever makes them up shares a bounded number of counters; a real name has its own."""
    assert len({_label(f"n{n}", known=False) for n in range(200_000)}) <= 16**4
    assert _label("desk", known=True) not in {_label("desk", known=False), _label("d", known=True)}


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:0:1::7", "2001:db8:0:1::/64"),
        ("2001:db8:0:1:ffff::9", "2001:db8:0:1::/64"),
        ("2001:db8:0:2::7", "2001:db8:0:2::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("not an address", "unknown"),
        ("", "unknown"),
    ],
)
def test_what_counts_as_one_visitor(address: str, network: str) -> None:
    assert network_of(address) == network


def test_only_so_many_passwords_are_hashed_at_once(signed: Board) -> None:
    """Each takes 64 MiB: the rest wait, and beyond that they are sent away."""

    async def crowd() -> list[int]:
        gate = asyncio.Event()
        turns: list[None] = []

        async def run_sync(work: Any, limiter: Any) -> Any:
            async with limiter:
                turns.append(None)
                await gate.wait()
                return work()

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("anyio.to_thread.run_sync", run_sync)
            asks = []
            for n in range(20):
                transport = httpx.ASGITransport(signed.app, client=(f"192.0.2.{n}", 1))
                client = httpx.AsyncClient(transport=transport, base_url=LOCAL)
                body = {"name": "desk", "password": PASSWORD}
                asks.append(asyncio.ensure_future(client.post("/api/v1/session", json=body)))
            early, _ = await asyncio.wait(asks, return_when=asyncio.FIRST_COMPLETED)
            assert {ask.result().status_code for ask in early} == {429}
            assert len(turns) == 2
            gate.set()
            return [answer.status_code for answer in await asyncio.gather(*asks)]

    statuses = signed.run(crowd())
    assert sorted(statuses) == [200] * MOST_HASHES + [429] * (20 - MOST_HASHES)


# -- headers -------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/view", "/api/v1/view", "/none", "/static/none", "/sign-in"])
@pytest.mark.parametrize("host", ["localhost", "evil.example"])
def test_every_answer_carries_the_headers(local: Board, path: str, host: str) -> None:
    headers = local.browser().get(path, headers={"Host": host}).headers
    policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
    assert headers["content-security-policy"] == CONTENT_SECURITY_POLICY
    assert policy == {
        "default-src": "'none'", "script-src": "'self'", "style-src": "'self'",
        "img-src": "'self' data:", "connect-src": "'self'", "form-action": "'self'",
        "base-uri": "'none'", "frame-ancestors": "'none'",
    }  # fmt: skip
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert "geolocation=()" in headers["permissions-policy"]
    expected = "no-cache" if path.startswith("/static/") else "no-store"
    assert headers["cache-control"] == expected
    assert "strict-transport-security" not in headers
    assert "server" not in headers


def test_over_tls_browsers_are_told_to_stay_with_it(proxied: Board) -> None:
    """Source: RFC 6797, section 6.1."""
    headers = proxied.browser(PROXY).get("/api/v1/view").headers
    assert headers["strict-transport-security"] == "max-age=31536000"
