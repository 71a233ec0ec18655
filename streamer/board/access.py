"""Who asks, and whether they may: sessions, roles and tokens for the board's pages and its API.

`create_app` calls `install(app, settings, clock)` and includes `router`. A route says what it
needs:

    who: Annotated[Who, Depends(need(Role.VIEW))]

Without enough rights an API request gets 401 or 403 (as HTTPException, so the app's handlers write
it as a problem), a page request is sent to `/sign-in?next=PATH`. A route without `need` is open to
everybody: only `/static/`, `/sign-in` and `/api/v1/session` may be. A stream that lives long asks
`still(request)` now and then and ends when it is false.

Every request that changes something must carry the session's token in the header X-CSRF-Token,
also in local mode; signing in needs none, but must be JSON from a page of ours.
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import cache, partial
from hmac import compare_digest
from http import HTTPStatus
from typing import Annotated, Final, TypeVar, cast
from urllib.parse import quote, urlsplit

import structlog
from anyio import CapacityLimiter, to_thread
from fastapi import APIRouter, Depends, FastAPI, Response
from pydantic import BaseModel, ConfigDict, Field, SecretStr
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from streamer.board.attempts import Attempts
from streamer.board.gate import SAFE_METHODS, Fault, Gate
from streamer.board.headers import HeadersMiddleware
from streamer.board.sessions import Session, Sessions
from streamer.board.settings import BoardSettings
from streamer.board.users import LOCAL_NAME, LONGEST_PASSWORD, Passwords, Role, User, Users
from streamer.clock import Clock
from streamer.config import ConfigError

__all__ = ["Access", "Role", "Who", "access_of", "install", "need", "router", "safe_next", "still"]

log = structlog.get_logger()

CSRF_HEADER: Final = "X-CSRF-Token"
SESSION_PATH: Final = "/api/v1/session"
SIGN_IN_PATH: Final = "/sign-in"
API_PREFIX: Final = "/api/"
STATIC_PREFIX: Final = "/static/"
FEED_PATH: Final = "/api/v1/feed"
_HASHED_AT_ONCE: Final = 2
MOST_HASHES: Final = 18
_STATE: Final = "board_visit"
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Who:
    """Who sent a request. `name` is empty for the public."""

    name: str
    role: Role
    csrf_token: str
    local: bool
    """Nobody signs in on this board: it serves its own machine alone."""


class SignInNeeded(Exception):
    """A page that only those signed in may see; answered by a redirect."""

    def __init__(self, address: str) -> None:
        self.address = address
        super().__init__(address)


@dataclass(slots=True)
class _Visit:
    """What the middleware found out about a request."""

    session: Session | None
    token: str
    is_new: bool = False


class Access:
    """Everything that decides about access, for one app. Used by the event loop's thread alone.

    Raises ConfigError when the file of users cannot be used.
    """

    def __init__(
        self, settings: BoardSettings, clock: Clock, passwords: Passwords | None = None
    ) -> None:
        self.settings = settings
        self.gate = Gate(settings)
        self.sessions = Sessions(clock)
        self.users = Users(settings.users) if settings.users else None
        self.passwords = passwords or Passwords()
        self._local_role = Role.VIEW if settings.read_only else Role.ADMIN
        self.attempts = Attempts(clock)
        self._hashing = CapacityLimiter(_HASHED_AT_ONCE)
        self._hashes = 0

    def session(self, request: Request, by_hand: bool) -> tuple[str, Session | None]:
        """The token that came along and the session that it opens, if that still stands."""
        token = request.cookies.get(self.settings.cookie, "")
        session = self.sessions.find(token, by_hand) if token else None
        if session is None or self.users is None:
            return token, session
        user = self.users.find(session.name)
        if user is None or user.stamp != session.stamp:
            self.sessions.end(token)
            log.info("session ended: the user's entry has changed", user=session.name)
            return token, None
        return token, session

    def visit(self, request: Request) -> _Visit:
        """Look the visitor up; in local mode let them in."""
        path = request.scope["path"]
        token, session = self.session(request, _by_hand(request))
        reads_page = request.method in SAFE_METHODS and not path.startswith(STATIC_PREFIX)
        if path.startswith(API_PREFIX):
            reads_page = path == SESSION_PATH and request.method == "GET"
        if session is None and self.settings.local and reads_page:
            token, session = self.sessions.begin(LOCAL_NAME, self._local_role, "")
            return _Visit(session, token, is_new=True)
        return _Visit(session, token)

    def fault(self, request: Request, visit: _Visit) -> Fault | None:
        """A request that changes something without the token that belongs to its session."""
        signs_in = request.scope["path"] == SESSION_PATH and request.method == "POST"
        if request.method in SAFE_METHODS or signs_in:
            return None
        if visit.session is None:
            if not self.settings.local:
                return None  # `need` answers 401
        elif compare_digest(
            visit.session.csrf_token.encode(), request.headers.get(CSRF_HEADER, "").encode()
        ):
            return None
        return Fault(
            403,
            f"the header {CSRF_HEADER} is missing or not this session's; "
            f"GET {SESSION_PATH} tells it",
        )

    def who(self, session: Session | None) -> Who:
        """In local mode everybody is, also without a session, which is for the token alone."""
        if session is not None:
            return Who(session.name, session.role, session.csrf_token, self.settings.local)
        if self.settings.local:
            return Who(LOCAL_NAME, self._local_role, "", local=True)
        return Who("", Role.PUBLIC, "", local=False)

    def allows(self, who: Who, role: Role) -> bool:
        if who.role is Role.PUBLIC and not self.settings.public:
            return False
        return who.role.covers(role)

    @property
    def busy(self) -> bool:
        """So many passwords wait to be hashed that the next had better come later."""
        return self._hashes >= MOST_HASHES

    async def hashed(self, work: Callable[[], _T]) -> _T:
        """Do something slow with a password in a thread, when it is its turn."""
        self._hashes += 1
        try:
            return await to_thread.run_sync(work, limiter=self._hashing)
        finally:
            self._hashes -= 1

    def set_cookie(self, headers: MutableHeaders, token: str) -> None:
        """Kept by the browser until it closes; `token` empty: taken away."""
        reply = Response()
        reply.set_cookie(
            self.settings.cookie,
            token,
            max_age=None if token else 0,
            secure=self.settings.secure,
            httponly=True,
            samesite="strict",
        )
        headers.append("set-cookie", reply.headers["set-cookie"])


def _by_hand(request: Request) -> bool:
    """Whether somebody must sit before it. What is read of the API is not: open pages read it again
    and again on their own."""
    on_its_own = request.scope["path"].startswith((API_PREFIX, STATIC_PREFIX))
    return request.method not in SAFE_METHODS or not on_its_own


def access_of(request: Request) -> Access:
    return cast(Access, request.app.state.access)


def visit_of(request: Request) -> _Visit:
    return cast(_Visit, getattr(request.state, _STATE))


def still(request: Request) -> bool:
    """Whether who sent this request is still who they were: for streams, asked now and then."""
    before = visit_of(request).session
    _, now = access_of(request).session(request, by_hand=False)
    return before is now


@cache
def need(role: Role) -> Callable[[Request], Awaitable[Who]]:
    """A dependency that lets through whoever has at least this role, and tells who it is."""

    async def allowed(request: Request) -> Who:
        access = access_of(request)
        who = access.who(visit_of(request).session)
        if access.allows(who, role):
            return who
        if who.role is not Role.PUBLIC:
            raise HTTPException(403, f"this needs the role {role}; {who.name} has {who.role}")
        path = request.scope["path"]
        if path.startswith(API_PREFIX) or request.method not in SAFE_METHODS:
            raise HTTPException(401, f"sign in first: POST {SESSION_PATH}")
        raise SignInNeeded(_address(request))

    return allowed


def _address(request: Request) -> str:
    """Path and query as they came, still percent-encoded."""
    raw = request.scope.get("raw_path") or quote(request.scope["path"]).encode()
    query = request.scope["query_string"]
    return (raw + b"?" + query if query else raw).decode("ascii", "replace")


def safe_next(asked: str) -> str:
    """Where to go after signing in: a path of ours, else `/`.

    Browsers take `//host` and `/\\host` for another site, and drop tabs and line ends before they
    look (WHATWG URL Standard), so anything unusual is refused.
    """
    if not asked.startswith("/") or asked.startswith("//") or "\\" in asked:
        return "/"
    if not asked.isprintable() or " " in asked:
        return "/"
    parts = urlsplit(asked)
    if parts.scheme or parts.netloc or parts.path == SIGN_IN_PATH:
        return "/"
    return asked


# -- in every request ----------------------------------------------------------------------------


class AccessMiddleware:
    """Judges a request, finds its session, hands out a new cookie. Streams pass through."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        fault = self._access.gate.fault(request)
        if fault is None:
            visit = self._access.visit(request)
            fault = self._access.fault(request, visit)
        if fault is not None:
            log.warning("request refused", status=fault.status, reason=fault.detail)
            await _problem(fault)(scope, receive, send)
            return
        setattr(request.state, _STATE, visit)
        on = partial(self._with_cookie, send, visit.token) if visit.is_new else send
        await self._app(scope, receive, on)

    async def _with_cookie(self, send: Send, token: str, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._access.set_cookie(MutableHeaders(scope=message), token)
        await send(message)


def _problem(fault: Fault) -> JSONResponse:
    """RFC 9457; the app's handlers are behind this middleware and never see it."""
    body = {
        "type": "about:blank",
        "title": HTTPStatus(fault.status).phrase,
        "status": fault.status,
        "detail": fault.detail,
    }
    return JSONResponse(body, fault.status, media_type="application/problem+json")


def install(
    app: FastAPI, settings: BoardSettings, clock: Clock, passwords: Passwords | None = None
) -> Access:
    """Put access before an app; raises ConfigError when the file of users cannot be used."""
    access = Access(settings, clock, passwords)
    app.state.access = access
    app.add_middleware(AccessMiddleware, access=access)
    app.add_middleware(HeadersMiddleware, tls=settings.secure)  # around it: refusals have them too
    app.add_exception_handler(SignInNeeded, _to_sign_in)
    return access


async def _to_sign_in(_request: Request, error: Exception) -> Response:
    assert isinstance(error, SignInNeeded)
    return RedirectResponse(f"{SIGN_IN_PATH}?next={quote(error.address, safe='/')}", 303)


# -- signing in ----------------------------------------------------------------------------------

router = APIRouter(tags=["session"])


class SignIn(BaseModel):
    """A name and its password."""

    model_config = ConfigDict(extra="forbid")

    name: str = Field(max_length=32)
    password: SecretStr = Field(max_length=LONGEST_PASSWORD)


class SessionOut(BaseModel):
    """Who is signed in; `csrf_token` goes into the header X-CSRF-Token of requests that change."""

    name: str
    role: Role
    csrf_token: str
    local: bool

    @classmethod
    def of(cls, who: Who) -> "SessionOut":
        return cls(name=who.name, role=who.role, csrf_token=who.csrf_token, local=who.local)


@router.get(SESSION_PATH, summary="Who is signed in")
async def read_session(request: Request) -> SessionOut:
    access = access_of(request)
    who = access.who(visit_of(request).session)
    if not access.allows(who, Role.PUBLIC):
        raise HTTPException(401, f"sign in first: POST {SESSION_PATH}")
    return SessionOut.of(who)


@router.post(SESSION_PATH, summary="Sign in")
async def sign_in(request: Request, response: Response, given: SignIn) -> SessionOut:
    access = access_of(request)
    if access.users is None:
        raise HTTPException(409, "this board serves its own machine alone; nobody signs in")
    address = request.client.host if request.client else ""
    known = access.users.find(given.name) is not None
    wait_s = access.attempts.begin(address, given.name, known)
    if not wait_s and access.busy:
        wait_s = 1
    if wait_s:
        log.warning(
            "sign-in refused: too many tries",
            user=given.name if known else None,
            address=address,
        )
        raise HTTPException(
            429, f"too many tries; wait {wait_s} s", headers={"Retry-After": str(wait_s)}
        )
    user = access.users.find(given.name)
    password = given.password.get_secret_value()
    good = await access.hashed(partial(access.passwords.verify, user, password))
    if user is None or not good:
        access.attempts.failed(given.name, known=user is not None)
        # A name that nobody has may be a password in the wrong field.
        log.warning("sign-in failed", user=user.name if user else None, address=address)
        raise HTTPException(401, "name or password is wrong")
    access.attempts.succeeded(address, user.name)
    fresh = await access.hashed(partial(_hash_anew, access, user, password))
    access.sessions.restamp(user.name, user.stamp, fresh.stamp)
    access.sessions.end(visit_of(request).token)
    token, session = access.sessions.begin(fresh.name, fresh.role, fresh.stamp)
    access.set_cookie(response.headers, token)
    log.info("signed in", user=fresh.name, role=fresh.role, address=address)
    return SessionOut.of(access.who(session))


@router.delete(SESSION_PATH, status_code=204, summary="Sign out")
async def sign_out(
    request: Request, response: Response, who: Annotated[Who, Depends(need(Role.VIEW))]
) -> None:
    access = access_of(request)
    access.sessions.end(visit_of(request).token)
    access.set_cookie(response.headers, "")
    log.info("signed out", user=who.name)


def _hash_anew(access: Access, user: User, password: str) -> User:
    """Bring an old hash up to date while the password is at hand; never a reason to fail."""
    if access.users is None or not access.passwords.outdated(user):
        return user
    try:
        fresh = access.users.store_hash(user, access.passwords.hash(password))
    except (OSError, ConfigError) as error:
        log.warning("hash not brought up to date", user=user.name, error=str(error))
        return user
    log.info("hash brought up to date", user=user.name, stored=fresh is not None)
    return fresh or user
