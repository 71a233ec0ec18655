"""The board as one ASGI app: routes, errors, the OpenAPI document, and what runs beside them."""

import secrets
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from typing import TYPE_CHECKING, Any, Final, Protocol

import anyio
from fastapi import Depends, FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.requests import Request

from streamer import __version__
from streamer.board import (
    access,
    acting,
    api,
    base_layer,
    duty_api,
    feed,
    headers,
    pages,
    problems,
    replay_api,
)
from streamer.board.access import Role, need
from streamer.board.base_layer import NO_BASE_LAYER, load_base_layer
from streamer.board.feed import Feed
from streamer.board.picture import Picture
from streamer.board.replaying import Playing
from streamer.board.settings import BoardSettings
from streamer.board.users import Passwords
from streamer.board.watch import Watch
from streamer.clock import Clock
from streamer.config import RegionView
from streamer.reading.common import Kept
from streamer.state.store import connect

if TYPE_CHECKING:
    from redis import Redis

REDIS_WITHIN_S: Final = 1.0
"""Longer than Redis takes for anything that is asked here, short enough to wait for."""
MADE_WITHIN_MS: Final = 60_000
"""A picture is made ten times a second; a turn that waits for broker and Redis may take seconds."""
OPENAPI_PATH: Final = "/api/openapi.json"
_SESSION_ANSWERS: Final = (400, 401, 403, 409, 411, 413, 421, 422, 429)


class Keeper(Protocol):
    """Keeps the picture up to date while the app runs."""

    def start(self) -> None:
        """Begin, in a thread of its own."""

    def stop(self) -> None:
        """Waits for the thread's end."""

    @property
    def alive(self) -> bool:
        """Whether it still works."""


def assemble(settings: BoardSettings, view: RegionView, clock: Clock) -> FastAPI:
    """A board with its broker and its Redis, which need not be there yet: `uvicorn` serves it.

    Raises ConfigError, ValueError and OSError for what `view` and `settings` name wrongly.
    """
    client = connect(view.redis_address(settings.redis), REDIS_WITHIN_S)
    picture = Picture(view, clock.now_ms())
    watch = Watch(picture, view.region.broker, client, clock, _client_id(view))
    return create_app(settings, picture, client, clock, watch)


def _client_id(view: RegionView) -> str:
    """Boards of one broker must not have the same name, or each would cut the other off."""
    return f"board-{view.name}-{secrets.token_hex(4)}"


def create_app(
    settings: BoardSettings,
    picture: Picture,
    client: "Redis",
    clock: Clock,
    watch: Keeper | None = None,
    passwords: Passwords | None = None,
    replay: Playing | None = None,
) -> FastAPI:
    """The app. `watch` starts and stops with it; without one somebody else feeds `picture`. With
    `replay` it shows a record: every page says so, and nobody can act."""
    app = FastAPI(
        title="Board",
        version=__version__,
        openapi_url=None,  # served below, behind the roles
        docs_url=None,  # their pages would ask other hosts for scripts
        redoc_url=None,
        lifespan=partial(_lifespan, watch),
    )
    app.state.picture = picture
    app.state.redis = client
    app.state.clock = clock
    app.state.kept = Kept()
    app.state.watch = watch
    app.state.replay = replay
    app.state.view = picture.view
    app.state.feed = Feed(picture.tables, clock)
    app.state.base_layer = (
        load_base_layer(settings.base_map) if settings.base_map else NO_BASE_LAYER
    )
    _include(app, replay is not None)
    problems.install(app)
    access.install(app, settings, clock, passwords)
    app.add_middleware(problems.UnforeseenMiddleware)
    app.add_middleware(headers.HeadersMiddleware, tls=settings.secure)
    return app


@asynccontextmanager
async def _lifespan(watch: Keeper | None, _app: FastAPI) -> AsyncIterator[None]:
    if watch is not None:
        watch.start()
    try:
        yield
    finally:
        if watch is not None:
            await anyio.to_thread.run_sync(watch.stop)


def _include(app: FastAPI, replays: bool) -> None:
    viewers = [Depends(need(Role.VIEW))]
    asked = problems.responses(401, 403, 421)
    app.include_router(feed.router)
    app.include_router(api.tables)
    app.include_router(api.asked)
    app.include_router(duty_api.asked)
    for router in [replay_api.router] if replays else [acting.router, duty_api.acts]:
        app.include_router(router)
    app.include_router(access.router, responses=problems.responses(*_SESSION_ANSWERS))
    app.include_router(base_layer.router, dependencies=viewers, responses=asked)
    app.add_api_route(OPENAPI_PATH, _openapi, dependencies=viewers, include_in_schema=False)
    app.add_api_route("/healthz", _health, include_in_schema=False)
    app.mount("/static", StaticFiles(directory=pages.STATIC), name="static")
    app.include_router(pages.router)
    app.add_api_route(problems.API_REST, _nothing, include_in_schema=False)


# -- beside the pages and the API ------------------------------------------------------------------


async def _openapi(request: Request) -> Response:
    return JSONResponse(openapi(request.app))


def openapi(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI 3.1 document, made once."""
    if app.openapi_schema is None:
        document = get_openapi(
            title="Board of a radio region",
            version=__version__,
            openapi_version="3.1.0",
            description=(
                "Reads need the role view, acts the role operate, identities the role admin. "
                "Changes carry the header X-CSRF-Token with the token of GET /api/v1/session. "
                "Errors are problem documents (RFC 9457)."
            ),
            routes=app.routes,
        )
        problems.add_problem_schema(document)
        app.openapi_schema = document
    return app.openapi_schema


async def _health(request: Request) -> Response:
    """For a supervisor: whether the board itself works; what it is told is not judged here."""
    state = request.app.state
    watch: Keeper | None = state.watch
    made_ms: int | None = state.picture.tables.made_ms
    made = made_ms is None or state.clock.now_ms() - made_ms <= MADE_WITHIN_MS
    well = made and (watch is None or watch.alive)
    return JSONResponse({"status": "ok" if well else "failing"}, 200 if well else 503)


async def _nothing(rest: str) -> None:
    raise HTTPException(404, f"no /api/{rest[:100]} here; {OPENAPI_PATH} lists all that is")
