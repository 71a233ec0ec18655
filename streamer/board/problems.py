"""What goes wrong, as RFC 9457 problem documents: the handlers of the app and its OpenAPI entries.

Pages are told the same as a page. Nothing of an unforeseen error reaches the browser.
"""

from collections.abc import Sequence
from http import HTTPStatus
from typing import Any, Final

import structlog
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from streamer.acts.acts import NotThere, Refused
from streamer.board import pages
from streamer.board.access import API_PREFIX
from streamer.board.headers import STATIC_PREFIX
from streamer.domain.roster import RosterFault
from streamer.reading.common import NotFound
from streamer.state.store import StoreMismatch, StoreUnavailable

log = structlog.get_logger()

MEDIA_TYPE: Final = "application/problem+json"
RETRY_AFTER_S: Final = 2
API_REST: Final = "/api/{rest:path}"
"""The route of whatever in the API is nobody else's."""
_METHODS: Final = ("GET", "HEAD", "POST", "PUT", "DELETE")
_MOST_ERRORS: Final = 20
_SCHEMA: Final = {"$ref": "#/components/schemas/Problem"}
_MEANING: Final = {
    400: "The body cannot be read.",
    401: "Nobody is signed in.",
    403: "The role does not allow it, or the token of the session is missing.",
    404: "There is no such thing.",
    405: "Not done this way.",
    409: "It makes no sense as things stand.",
    411: "The body does not say how long it is.",
    413: "The body is too large.",
    421: "The board is not asked by its name.",
    422: "Something that was given is not as it should be.",
    429: "Too many tries.",
    503: "Redis does not answer, or the board is full; try again.",
}
READS: Final = (401, 403, 421, 422)
"""What may be answered to any request for something."""
CHANGES: Final = (400, 401, 403, 404, 409, 411, 413, 421, 422, 503)
"""What may be answered to any request to change something."""


class Problem(BaseModel):
    """RFC 9457. `errors` has a line for each fault of what was given."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "type": "about:blank",
                    "title": "Not Found",
                    "status": 404,
                    "detail": "no group 'SHORT' in the region file; did you mean SHORE?",
                }
            ]
        }
    )

    type: str = Field("about:blank", description="`title` is that of the status")
    title: str
    status: int = Field(ge=400, le=599)
    detail: str
    errors: list[str] | None = None


def responses(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The OpenAPI entries of these answers."""
    content = {MEDIA_TYPE: {"schema": _SCHEMA}}
    return {s: {"description": _MEANING[s], "content": content} for s in statuses}


def add_problem_schema(document: dict[str, Any]) -> None:
    """Put the model that `responses` names into an OpenAPI document, and take out FastAPI's own
    form of a 422, which is never answered."""
    schemas = document.setdefault("components", {}).setdefault("schemas", {})
    schemas["Problem"] = Problem.model_json_schema(mode="serialization")
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)


def problem(
    status: int,
    detail: str,
    errors: Sequence[str] = (),
    headers: dict[str, str] | None = None,
) -> Response:
    """One problem document."""
    body = Problem(
        title=HTTPStatus(status).phrase, status=status, detail=detail, errors=list(errors) or None
    )
    text = body.model_dump_json(exclude_none=True)
    return Response(text, status, headers, MEDIA_TYPE)


def answer(
    request: Request,
    status: int,
    detail: str,
    errors: Sequence[str] = (),
    headers: dict[str, str] | None = None,
) -> Response:
    """A problem document for programs, a page for people."""
    path = request.url.path
    if path.startswith((API_PREFIX, STATIC_PREFIX)) or request.method not in ("GET", "HEAD"):
        return problem(status, detail, errors, headers)
    page = pages.problem_page(request, status, detail)
    page.headers.update(headers or {})
    return page


class UnforeseenMiddleware:
    """Answers an error that nobody foresaw, within the middleware that adds the headers."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def noting(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, receive, noting)
        except Exception:
            log.exception("a request failed", path=scope.get("path"))
            if scope["type"] != "http" or begun:
                raise  # too late to say anything: the connection is cut
            response = answer(Request(scope), 500, "The board made a mistake; its log says more.")
            await response(scope, receive, send)


def install(app: FastAPI) -> None:
    """Have every error of the app answered so."""
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    for kind in (NotThere, NotFound):
        app.add_exception_handler(kind, _not_there)
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(RosterFault, _roster)
    app.add_exception_handler(StoreUnavailable, _store_away)
    app.add_exception_handler(StoreMismatch, _store_other)


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    headers = dict(error.headers or {})
    if "Allow" in headers:
        headers["Allow"] = ", ".join(_methods(request))
    return answer(request, error.status_code, _said(error), headers=headers)


def _methods(request: Request) -> list[str]:
    """All that the address takes (RFC 9110, 15.5.6); the framework names those of one route."""
    routes = [route for route in request.app.routes if getattr(route, "path", "") != API_REST]
    return [m for m in _METHODS if any(_takes(r, {**request.scope, "method": m}) for r in routes)]


def _takes(route: BaseRoute, scope: Scope) -> bool:
    return route.matches(scope)[0] is Match.FULL


def _said(error: HTTPException) -> str:
    """What whoever raised it says; the framework itself says no more than the status' name."""
    if error.detail == HTTPStatus(error.status_code).phrase:
        return _MEANING.get(error.status_code, str(error.detail))
    return str(error.detail)


async def _invalid(request: Request, error: Exception) -> Response:
    """The values themselves are not repeated: one may be a password."""
    assert isinstance(error, RequestValidationError)
    faults = error.errors()
    lines = [f"{_place(fault['loc'])}: {_words(fault)}" for fault in faults[:_MOST_ERRORS]]
    return answer(request, 422, "; ".join(lines), lines)


def _place(steps: Sequence[Any]) -> str:
    """`body.groups[0]`: where it stood, then what."""
    text = str(steps[0]) if steps else "request"
    for step in steps[1:]:
        text += f"[{step}]" if isinstance(step, int) else f".{step}"
    return text


def _words(fault: dict[str, Any]) -> str:
    return str(fault["msg"]).removeprefix("Value error, ")


async def _not_there(request: Request, error: Exception) -> Response:
    return answer(request, 404, str(error))


async def _refused(request: Request, error: Exception) -> Response:
    return answer(request, 409, str(error))


async def _roster(request: Request, error: Exception) -> Response:
    assert isinstance(error, RosterFault)
    lines = error.told(_MOST_ERRORS)
    return answer(request, 422, f"the roster cannot be taken: {'; '.join(lines)}", lines)


async def _store_away(request: Request, error: Exception) -> Response:
    log.warning("Redis does not answer", path=request.url.path, reason=str(error))
    detail = "Redis does not answer; the state cannot be read or changed now. Try again soon."
    return answer(request, 503, detail, headers={"Retry-After": str(RETRY_AFTER_S)})


async def _store_other(request: Request, error: Exception) -> Response:
    log.error("Redis holds another state", reason=str(error))
    return answer(request, 503, str(error), headers={"Retry-After": "60"})
