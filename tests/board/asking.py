"""A small app behind the board's access, asked without a network; and a clock for `limits` too."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import httpx
from argon2 import PasswordHasher
from fastapi import Depends, FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.requests import Request
from starlette.responses import Response

from streamer.board import access
from streamer.board.access import Role, Who, need
from streamer.board.settings import BoardSettings
from streamer.board.users import Passwords, User, write_users
from streamer.clock import ManualClock

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
PASSWORD = "seven lamps on the ridge"
LOCAL = "http://127.0.0.1:8750"
PROXY = "https://board.example"
PEOPLE = {"watch": Role.VIEW, "desk": Role.OPERATE, "chief": Role.ADMIN}


def write_people(file: Path, people: dict[str, Role] = PEOPLE, password: str = PASSWORD) -> None:
    hash_of_all = QUICK.hash(password)
    write_users(
        file, {name: User(name=name, role=role, hash=hash_of_all) for name, role in people.items()}
    )


def small_app(settings: BoardSettings, clock: ManualClock, passwords: Passwords) -> FastAPI:
    """A page and an act for each role."""
    settings.check()
    app = FastAPI(docs_url=None, redoc_url=None)
    app.add_exception_handler(RequestValidationError, _not_understood)
    access.install(app, settings, clock, passwords)
    app.include_router(access.router)

    def add(role: Role) -> None:
        async def told(who: Annotated[Who, Depends(need(role))]) -> dict[str, Any]:
            return {"name": who.name, "role": who.role, "local": who.local}

        app.add_api_route(f"/{role}", told, methods=["GET"])
        app.add_api_route(f"/deep/{{rest:path}}/{role}", told, methods=["GET"])
        app.add_api_route(f"/api/v1/{role}", told, methods=["GET", "POST"])

    app.add_api_route("/api/v1/feed", _feed, methods=["GET"])
    for role in Role:
        add(role)
    return app


async def _feed(who: Annotated[Who, Depends(need(Role.VIEW))]) -> str:
    return who.name


async def _not_understood(_request: Request, _error: Exception) -> Response:
    """FastAPI's own would answer with what was sent: the password."""
    return Response(status_code=422)


class Board:
    """The app with one event loop for all that is asked of it."""

    def __init__(
        self,
        settings: BoardSettings,
        clock: ManualClock | None = None,
        hasher: PasswordHasher = QUICK,
        app: FastAPI | None = None,
    ) -> None:
        self.clock = clock or ManualClock()
        self.settings = settings
        self.app = app or small_app(settings, self.clock, Passwords(hasher))
        self.access = self.app.state.access
        self._runner = asyncio.Runner()

    def browser(self, base: str = LOCAL, address: str = "127.0.0.1") -> "Browser":
        return Browser(self, base, address)

    def run(self, coroutine: Any) -> Any:
        return self._runner.run(coroutine)

    def close(self) -> None:
        self._runner.close()


@contextmanager
def board(settings: BoardSettings, **options: Any) -> Iterator[Board]:
    made = Board(settings, **options)
    try:
        yield made
    finally:
        made.close()


class Browser:
    """Keeps cookies, follows nothing by itself; `address` is where it comes from."""

    def __init__(self, of: Board, base: str, address: str) -> None:
        self._board = of
        self.base = base
        self.csrf_token = ""
        transport = httpx.ASGITransport(of.app, client=(address, 40000))
        self._client = httpx.AsyncClient(transport=transport, base_url=base)
        self.cookies = self._client.cookies

    def ask(self, method: str, path: str, **options: Any) -> httpx.Response:
        """With the session's token, unless `headers` are given."""
        options.setdefault("headers", {"X-CSRF-Token": self.csrf_token})
        answer = self._board.run(self._client.request(method, path, **options))
        assert isinstance(answer, httpx.Response)
        return answer

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.ask("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        return self.ask("POST", path, **options)

    def sign_in(self, name: str, password: str = PASSWORD) -> httpx.Response:
        answer = self.post("/api/v1/session", json={"name": name, "password": password})
        if answer.status_code == 200:
            self.csrf_token = answer.json()["csrf_token"]
        return answer
