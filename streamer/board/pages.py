"""The board's HTML pages: shells that draw themselves from the feed and the API.

`create_app` includes `router`, serves `STATIC` under /static/ and keeps the region as
`app.state.view`. `problem_page` is for the app's handlers: what goes wrong outside of the API is
told as a page.
"""

from collections.abc import Mapping
from http import HTTPStatus
from pathlib import Path
from typing import Annotated, Any, Final, cast

from fastapi import APIRouter, Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.templating import Jinja2Templates
from starlette.exceptions import HTTPException

from streamer.board.access import Role, Who, access_of, need, safe_next, visit_of
from streamer.board.replaying import replay_of
from streamer.config import RegionView
from streamer.contract.published import CAUTION

HERE: Final = Path(__file__).parent
STATIC: Final = HERE / "static"

_templates: Final = Jinja2Templates(directory=HERE / "templates")
_templates.env.trim_blocks = True
_templates.env.lstrip_blocks = True

_NAVIGATION: Final = (
    ("/", "Now", Role.VIEW),
    ("/groups", "Groups", Role.VIEW),
    ("/map", "Map", Role.VIEW),
    ("/wall", "Wall", Role.VIEW),
    ("/quarantine", "Quarantine", Role.VIEW),
    ("/duties", "Duties", Role.VIEW),
    ("/log", "Log", Role.OPERATE),
)
_NOW_OF_A_REPLAY: Final = "As it was"
_NOBODY: Final = Who("", Role.PUBLIC, "", local=False)

router = APIRouter(include_in_schema=False)

Viewer = Annotated[Who, Depends(need(Role.VIEW))]
Operator = Annotated[Who, Depends(need(Role.OPERATE))]
Public = Annotated[Who, Depends(need(Role.PUBLIC))]


# -- shells --------------------------------------------------------------------------------------


@router.get("/")
def now(request: Request, who: Viewer) -> Response:
    title = "Now" if replay_of(request) is None else _NOW_OF_A_REPLAY
    return _page(request, who, "now.html", title, here="/")


@router.get("/groups")
def groups(request: Request, who: Viewer) -> Response:
    return _page(request, who, "groups.html", "Groups", here="/groups")


@router.get("/groups/{group}")
def fan_out(request: Request, who: Viewer, group: str) -> Response:
    return _group_page(request, who, group, "group.html", "")


@router.get("/groups/{group}/members")
def members(request: Request, who: Viewer, group: str) -> Response:
    return _group_page(request, who, group, "members.html", " members")


@router.get("/map")
def map_of_all(request: Request, who: Viewer) -> Response:
    return _page(request, who, "map.html", "Map", here="/map")


@router.get("/repeaters/{gateway}/{port}")
def repeater(request: Request, who: Viewer, gateway: str, port: str) -> Response:
    name = f"{gateway}/{port}"
    return _page(request, who, "repeater.html", name, here="", repeater=name)


@router.get("/stations/{station}")
def station(request: Request, who: Viewer, station: str) -> Response:
    return _page(request, who, "station.html", station, here="", station=station)


@router.get("/wall")
def wall(request: Request, who: Viewer) -> Response:
    return _page(request, who, "wall.html", "Wall", here="/wall")


@router.get("/quarantine")
def quarantine(request: Request, who: Viewer) -> Response:
    return _page(request, who, "quarantine.html", "Quarantine", here="/quarantine")


@router.get("/duties")
def duties(request: Request, who: Viewer) -> Response:
    return _page(request, who, "duties.html", "Duties", here="/duties")


@router.get("/log")
def log(request: Request, who: Operator) -> Response:
    return _page(request, who, "log.html", "Log", here="/log")


@router.get("/public")
def public(request: Request, who: Public) -> Response:
    """Shown as the public sees it, also to those who are signed in."""
    if not access_of(request).settings.public:
        raise HTTPException(HTTPStatus.NOT_FOUND, "The public view of this board is switched off.")
    return _page(request, who, "public.html", "Public view", here="/public", public_page=True)


@router.get("/sign-in")
def sign_in(request: Request, next: str = "/") -> Response:  # noqa: A002 the address says so
    """Open to everybody. Whoever may come in already is sent on."""
    target, who = safe_next(next), _who(request)
    if who.role is not Role.PUBLIC:
        return RedirectResponse(target, HTTPStatus.SEE_OTHER)
    fields = {
        "public_page": True,
        "next": target,
        "public": access_of(request).settings.public,
    }
    return _page(request, who, "sign_in.html", "Sign in", here="/sign-in", **fields)


# -- what goes wrong -----------------------------------------------------------------------------

_TITLES: Final[Mapping[int, str]] = {
    400: "Not understood",
    403: "Not allowed",
    404: "There is no such page",
    405: "Not done this way",
    500: "The board made a mistake",
    503: "Not to be had just now",
}


def problem_page(request: Request, status: int, detail: str) -> Response:
    """What is wrong, in words; `detail` says what to do about it."""
    title = _TITLES.get(status, HTTPStatus(status).phrase)
    who = _who(request)
    fields = {"status": status, "detail": detail, "public_page": who.role is Role.PUBLIC}
    page = _page(request, who, "problem.html", title, here="", **fields)
    page.status_code = status
    return page


def _who(request: Request) -> Who:
    """Who asks, where nothing is demanded; nobody if access has not looked at the request."""
    try:
        visit = visit_of(request)
    except AttributeError:
        return _NOBODY
    return access_of(request).who(visit.session)


# -- rendering -----------------------------------------------------------------------------------


def _view(request: Request) -> RegionView:
    return cast(RegionView, request.app.state.view)


def _group_page(request: Request, who: Who, group: str, template: str, part: str) -> Response:
    """Group names are upper case: whoever types one in lower case is sent to it."""
    known = _view(request).groups
    if group not in known:
        if group.upper() in known:
            rest = "/members" if template == "members.html" else ""
            return RedirectResponse(f"/groups/{group.upper()}{rest}", HTTPStatus.SEE_OTHER)
        raise HTTPException(
            HTTPStatus.NOT_FOUND, f"The region file has no group {group!r}; Groups lists all."
        )
    title = known[group].title
    return _page(
        request, who, template, f"{group}{part}", here="/groups", group=group, group_title=title
    )


def _page(
    request: Request, who: Who, template: str, title: str, *, here: str, **fields: Any
) -> HTMLResponse:
    view, replay = _view(request), replay_of(request)
    context = {
        "region": view.name,
        "region_title": view.region.title or view.name,
        "title": title,
        "here": here,
        "role": str(who.role),
        "name": who.name,
        "local": who.local,
        "csrf_token": who.csrf_token,
        "caution": CAUTION,
        "pages": [
            (address, text if replay is None or address != "/" else _NOW_OF_A_REPLAY)
            for address, text, role in _NAVIGATION
            if who.role.covers(role)
        ],
        "public_page": False,
        "replay": replay,
        **fields,
    }
    # The page holds the session's token: no cache may keep it.
    headers = {"Cache-Control": "no-store"}
    return _templates.TemplateResponse(request, template, context, headers=headers)
