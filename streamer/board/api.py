"""The JSON API that reads: the tables without the feed, and what is asked of Redis when it is
wanted.

Tables are read in the event loop, which alone may touch them. What Redis is asked for runs in
threads and so is a plain function.
"""

from typing import Annotated, cast

from fastapi import APIRouter, Depends, Path, Query
from redis import Redis
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from streamer.acts.acts import AcceptedCall, Acts
from streamer.board.access import Role, need
from streamer.board.picture import Picture
from streamer.board.problems import responses
from streamer.board.replaying import replay_of
from streamer.board.rows import (
    PUBLIC_TABLE,
    AlertsDocument,
    FanOutDocument,
    GatewaysDocument,
    GroupsDocument,
    HeadDocument,
    MaintenanceDocument,
    PlacesDocument,
    PublicDocument,
    RosterDocument,
    Row,
    fanout_table,
    roster_table,
)
from streamer.clock import Clock, to_ms
from streamer.contract.common import GroupName, Name
from streamer.contract.published import Duty
from streamer.reading.common import Desk, Header, Kept, find_group, open_desk
from streamer.reading.coverage import CoverageMap, LookMap, coverage_map, look_map
from streamer.reading.history import (
    RepeaterHistory,
    StationHistory,
    repeater_history,
    station_history,
)
from streamer.reading.refused import Cage, Refused, refused
from streamer.state.entries import Entry
from streamer.state.store import Store

_VIEW = Depends(need(Role.VIEW))

tables = APIRouter(prefix="/api/v1", tags=["tables"], responses=responses(401, 403, 421))
asked = APIRouter(
    prefix="/api/v1", tags=["on demand"], responses=responses(401, 403, 421, 422, 503)
)

Group = Annotated[GroupName, Path(description="a group's name, upper case", examples=["SHORE"])]
Station = Annotated[str, Path(min_length=1, max_length=64, examples=["QA1ABC"])]
Limit = Annotated[int, Query(ge=1, le=1000, description="how many of the newest")]


# -- what routes stand on ----------------------------------------------------------------------


def picture_of(request: Request) -> Picture:
    return cast(Picture, request.app.state.picture)


def desk_of(request: Request) -> Desk:
    """The state as it is now; in a thread. Raises StoreUnavailable, StoreMismatch."""
    state = request.app.state
    clock = cast(Clock, state.clock)
    kept = cast(Kept, state.kept)
    return open_desk(cast("Redis", state.redis), picture_of(request).view, clock.now_ms(), kept)


def acts_of(request: Request) -> Acts:
    """For whoever acts, and reads what was done. Its scripts are read once a request."""
    state = request.app.state
    store = Store(cast("Redis", state.redis), picture_of(request).view)
    return Acts(store, cast(Clock, state.clock))


AtDesk = Annotated[Desk, Depends(desk_of)]
WithActs = Annotated[Acts, Depends(acts_of)]


# -- tables ------------------------------------------------------------------------------------


def _table(request: Request, name: str) -> Response:
    found = picture_of(request).tables
    found.settle()
    return Response(found.document(name), media_type="application/json")


def _of_group(request: Request, group: str) -> str:
    return find_group(picture_of(request).view, group)


@tables.get("/head", response_model=HeadDocument, dependencies=[_VIEW])
async def head(request: Request) -> Response:
    """How the board itself and the region are, and what may be doubted."""
    return _table(request, "head")


@tables.get("/alerts", response_model=AlertsDocument, dependencies=[_VIEW])
async def alerts(request: Request) -> Response:
    """Open and acknowledged alerts."""
    return _table(request, "alerts")


@tables.get("/maintenance", response_model=MaintenanceDocument, dependencies=[_VIEW])
async def maintenance(request: Request) -> Response:
    """Planned work that is going on."""
    return _table(request, "maintenance")


@tables.get("/gateways", response_model=GatewaysDocument, dependencies=[_VIEW])
async def gateways(request: Request) -> Response:
    """Gateways with their repeaters."""
    return _table(request, "gateways")


@tables.get("/groups", response_model=GroupsDocument, dependencies=[_VIEW])
async def groups(request: Request) -> Response:
    """Every group in numbers."""
    return _table(request, "groups")


@tables.get(
    "/groups/{group}/fanout",
    response_model=FanOutDocument,
    dependencies=[_VIEW],
    responses=responses(404, 422),
)
async def fanout(request: Request, group: Group) -> Response:
    """Where an over to the group would go out now, where not, and why."""
    return _table(request, fanout_table(_of_group(request, group)))


@tables.get(
    "/groups/{group}/roster",
    response_model=RosterDocument,
    dependencies=[_VIEW],
    responses=responses(404, 422),
)
async def roster(request: Request, group: Group) -> Response:
    """The members with their standings; key `#roster` is about the roster itself."""
    return _table(request, roster_table(_of_group(request, group)))


@tables.get("/places", response_model=PlacesDocument, dependencies=[_VIEW])
async def places(request: Request) -> Response:
    """Where members of any group were last heard."""
    return _table(request, "places")


@tables.get("/public", response_model=PublicDocument, dependencies=[Depends(need(Role.PUBLIC))])
async def public(request: Request) -> Response:
    """What everybody may know, if the board is told to show it."""
    return _table(request, PUBLIC_TABLE)


# -- on demand ---------------------------------------------------------------------------------


class Quarantine(Header):
    """Who is heard and not taken for a station, by gateway, heard last first."""

    quarantined: tuple[Cage, ...]


class Duties(Row):
    """Those that run, then those that have ended, the newest first."""

    duties: list[Duty]


class Log(Row):
    """What people ordered, newest first."""

    entries: list[Entry]


class GeoJsonResponse(JSONResponse):
    """RFC 7946, section 12."""

    media_type = "application/geo+json"


class Calls(Row):
    """Identities that were accepted at this board, by call. The region file may accept more."""

    calls: list[AcceptedCall]


@asked.get("/stations/{station:path}", dependencies=[_VIEW], responses=responses(404))
def station(
    desk: AtDesk,
    station: Station,
    look: Annotated[bool, Query(description="also where to look, though nobody misses it")] = False,
) -> StationHistory:
    """Where a station was last heard, its standing in its groups, its path, its signal, how it
    usually keys, and where to look for it if a group misses it."""
    return station_history(desk, station, look=look)


@asked.get(
    "/whereabouts/{station:path}",
    dependencies=[_VIEW],
    responses=responses(404),
    response_class=GeoJsonResponse,
)
def whereabouts(desk: AtDesk, station: Station) -> LookMap:
    """Where a station may be, as GeoJSON: an aid for a search, with its caution."""
    return look_map(desk, station)


@asked.get("/repeaters/{gateway}/{port}", dependencies=[_VIEW], responses=responses(404))
def repeater(request: Request, desk: AtDesk, gateway: Name, port: Name) -> RepeaterHistory:
    """A repeater's last 24 hours: overs, signal, error rate, darkness, who came and went."""
    record = replay_of(request)
    begin_ms = None if record is None else to_ms(record.begin)
    return repeater_history(desk, f"{gateway}/{port}", begin_ms)


@asked.get(
    "/repeaters/{gateway}/{port}/coverage",
    dependencies=[_VIEW],
    responses=responses(404),
    response_class=GeoJsonResponse,
)
def coverage(desk: AtDesk, gateway: Name, port: Name) -> CoverageMap:
    """The cells that a repeater was learned to hear, as GeoJSON; the 4000 best known."""
    return coverage_map(desk, f"{gateway}/{port}")


@asked.get("/quarantine", dependencies=[_VIEW])
def quarantine(desk: AtDesk, limit: Limit = 200) -> Quarantine:
    """Identities that are not taken for stations."""
    found = refused(desk, limit)
    return Quarantine(**desk.header(), quarantined=found.quarantined)


@asked.get("/refused", dependencies=[_VIEW])
def refused_input(desk: AtDesk, limit: Limit = 50) -> Refused:
    """Input that was not accepted: counts by reason, the newest with detail."""
    return refused(desk, limit)


@asked.get("/log", dependencies=[Depends(need(Role.OPERATE))])
def log(acts: WithActs, limit: Limit = 200) -> Log:
    """Who did what and when."""
    return Log(entries=acts.log(limit))


@asked.get("/duties", dependencies=[_VIEW])
def duties(acts: WithActs, limit: Limit = 50) -> Duties:
    """Exercises and incidents."""
    return Duties(duties=acts.duties(limit))


@asked.get("/calls", dependencies=[_VIEW])
def calls(acts: WithActs) -> Calls:
    """Identities that were accepted though they are no call signs."""
    return Calls(calls=acts.accepted_calls())
