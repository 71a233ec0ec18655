"""Rows from what is published and from how gateways stand. Pure: no I/O, time passed in."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from streamer.board.rows import (
    AirSaved,
    AlertCounts,
    FanOutRow,
    GatewayCounts,
    GatewayRow,
    GroupRow,
    PlaceRow,
    PublicGroup,
    PublicRepeater,
    RepeaterCounts,
    RepeaterOfGateway,
    RepeaterState,
    RosterHead,
    RosterRow,
)
from streamer.clock import from_ms
from streamer.config import RegionView, Repeater
from streamer.contract.common import Moment
from streamer.contract.duty import DutyMark
from streamer.contract.events import RepeaterState as RepeaterWord
from streamer.contract.published import (
    Alert,
    AlertState,
    Carriage,
    FanOut,
    FanOutRepeater,
    Member,
    Order,
    OrderKind,
    Reach,
    Severity,
    Standing,
)
from streamer.domain.group_now import (
    Hears,
    carriage_among,
    carriage_reason,
    goes_out,
    hears,
    hears_reason,
)
from streamer.domain.liveness import GatewayStanding, Sights, repeaters_of
from streamer.domain.membership import CLOSED, WORST_FIRST
from streamer.reading.gateway import word_of
from streamer.state.air import AirSums, hours_of_day
from streamer.state.keys import HOUR_MS

_IN_WORDS: Final = {
    GatewayStanding.UP: "reporting",
    GatewayStanding.DOWN: "it said that it goes down, or its broker said it for it",
    GatewayStanding.SILENT: "its heartbeat is overdue",
    GatewayStanding.FLOODING: "it floods: much of what it says is refused",
    GatewayStanding.NEVER: "it has sent no heartbeat yet",
}


def moment_of(ms: int | None) -> Moment | None:
    return None if ms is None else from_ms(ms)


# -- gateways ----------------------------------------------------------------------------------


def gateway_rows(view: RegionView, sights: Sights) -> dict[str, GatewayRow]:
    """Those of the region file and, where others may speak, those that did."""
    others = set(sights.known) - set(view.gateways) if view.region.open_gateways else ()
    return {name: _gateway_row(view, sights, name) for name in [*view.gateways, *sorted(others)]}


def _gateway_row(view: RegionView, sights: Sights, name: str) -> GatewayRow:
    sight, known = sights.gateway(name), view.gateways.get(name)
    ports = {f"{name}/{port.id}": port for port in known.repeater} if known else {}
    state = sight.state
    told = {r.id: r for r in state.repeaters} if state else {}
    return GatewayRow(
        gateway=name,
        title=known.title if known else "",
        keeper=known.keeper or None if known else None,
        standing=sight.standing,
        since=moment_of(sight.since_ms),
        reason=_IN_WORDS[sight.standing],
        software=state.software if state else None,
        spooled=state.spooled if state else None,
        clock_offset_s=state.clock_offset_s if state else None,
        repeaters=tuple(
            _repeater_row(sights, repeater, ports.get(repeater), told.get(repeater))
            for repeater in repeaters_of(view, sight)
        ),
    )


def _repeater_row(
    sights: Sights, repeater: str, port: Repeater | None, told: RepeaterWord | None
) -> RepeaterOfGateway:
    up, since_ms, reason = word_of(sights, repeater)
    # The region file goes before what the gateway says of itself, as everywhere.
    place = port if port is not None and port.lat is not None else told

    def first(name: str) -> float | None:
        values = (getattr(source, name) for source in (port, told) if source is not None)
        return next((value for value in values if value is not None), None)

    return RepeaterOfGateway(
        repeater=repeater,
        title=port.title if port else "",
        reporting=up if sights.repeater(repeater).reporting else False,
        since=moment_of(since_ms),
        reason=reason,
        lat=place.lat if place else None,
        lon=place.lon if place else None,
        range_km=first("range_km"),
        antenna_m=first("antenna_m"),
        freq_mhz=first("freq_mhz"),
    )


def gateway_counts(rows: Iterable[GatewayRow]) -> GatewayCounts:
    counts = Counter(row.standing.value for row in rows)
    return GatewayCounts(**counts)


def repeater_state(reporting: bool | None) -> str:
    return "unknown" if reporting is None else "reporting" if reporting else "dark"


def repeater_counts(rows: Iterable[GatewayRow]) -> RepeaterCounts:
    counts = Counter(repeater_state(r.reporting) for row in rows for r in row.repeaters)
    return RepeaterCounts(**counts)


def alert_counts(alerts: Iterable[Alert]) -> AlertCounts:
    found = list(alerts)
    counts = Counter(a.severity for a in found if a.state is not AlertState.ACKNOWLEDGED)
    return AlertCounts(
        critical=counts[Severity.CRITICAL],
        warning=counts[Severity.WARNING],
        notice=counts[Severity.NOTICE],
        acknowledged=len(found) - counts.total(),
    )


def air_saved(sums: AirSums, now_ms: int, first_hour: int | None = None) -> AirSaved:
    """`sums` are those of the day that runs at `now_ms`; `first_hour`, since 1970, is the first of
    it in which an over was counted, None: the day's first."""
    hour = hours_of_day(now_ms)[0] if first_hour is None else first_hour
    return AirSaved(
        from_at=from_ms(hour * HOUR_MS),
        overs=sums.overs,
        addressed_s=sums.addressed_ms / 1000,
        carried_s=sums.carried_ms / 1000,
        flooded_s=sums.flooded_ms / 1000,
        saved_pct=sums.saved_pct,
    )


# -- groups ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class GroupParts:
    """All that the rows of one group are made of. `sights` is None while nothing is known of the
    gateways; `not_yet` are those of the starved that the policy gives time."""

    group: str
    title: str
    titles: Mapping[str, str]
    """Repeater -> its title."""
    fanout: FanOut | None
    reach: Reach | None
    duties: tuple[DutyMark, ...]
    sights: Sights | None
    not_yet: frozenset[str] = field(default_factory=frozenset)

    def carriage(self, repeater: str) -> tuple[Carriage, str]:
        """Whether the group goes out at a repeater, and why that is thought."""
        fanout = self.fanout
        if fanout is None:
            return Carriage.UNKNOWN, "no fan-out has been published yet"
        wanted = ((r.repeater, r.carriage) for r in fanout.repeaters)
        carriage = carriage_among(repeater, wanted, (idle.repeater for idle in fanout.idle))
        if self.sights is None:
            if carriage is Carriage.UNKNOWN:
                return carriage, "nothing is known of the gateways"
            return carriage, carriage_reason(repeater, carriage, _NO_SIGHTS)
        return carriage, carriage_reason(repeater, carriage, self.sights)

    def members(self) -> list[Member]:
        """Without those who have left."""
        return [m for m in self.reach.members if m.standing not in CLOSED] if self.reach else []


_NO_SIGHTS: Final = Sights({}, frozenset(), 0, 0)


def fanout_rows(parts: GroupParts) -> dict[str, FanOutRow]:
    """Wanted repeaters, those that carry for nobody, those held off, those ordered."""
    fanout = parts.fanout
    if fanout is None:
        return {}
    orders = {order.repeater: order for order in fanout.orders}
    barred = {*fanout.barred, *(o.repeater for o in fanout.orders if o.order is OrderKind.BAR)}
    rows = {entry.repeater: _wanted_row(parts, entry, orders) for entry in fanout.repeaters}
    idle_since = {idle.repeater: idle.since for idle in fanout.idle}
    for repeater in [r for r in (*idle_since, *sorted(barred)) if r not in rows]:
        carriage, reason = parts.carriage(repeater)
        rows[repeater] = FanOutRow(
            repeater=repeater,
            title=parts.titles.get(repeater, ""),
            state=RepeaterState.BARRED if repeater in barred else RepeaterState.IDLE,
            wanted=False,
            why=(),
            members=tuple(m.station for m in parts.members() if m.repeater == repeater),
            until=None,
            since=idle_since.get(repeater),
            carriage=carriage,
            carried_after_s=None,
            hears=goes_out(carriage),
            hears_reason=reason,
            order=orders.get(repeater),
        )
    return rows


def _wanted_row(parts: GroupParts, entry: FanOutRepeater, orders: Mapping[str, Order]) -> FanOutRow:
    _, reason = parts.carriage(entry.repeater)
    return FanOutRow(
        title=parts.titles.get(entry.repeater, ""),
        state=_state(parts, entry),
        wanted=True,
        hears=goes_out(entry.carriage),
        hears_reason=reason,
        order=orders.get(entry.repeater),
        **dict(entry),
    )


def _state(parts: GroupParts, entry: FanOutRepeater) -> RepeaterState:
    assert parts.fanout is not None
    if entry.carriage is Carriage.CARRIED:
        return RepeaterState.CARRIED
    if entry.carriage is Carriage.UNKNOWN:
        return RepeaterState.UNKNOWN
    if entry.repeater not in parts.fanout.starved:
        return RepeaterState.NOT_CARRIED
    return RepeaterState.NOT_YET if entry.repeater in parts.not_yet else RepeaterState.STARVED


@dataclass(frozen=True, slots=True)
class Hearing:
    """What a member's row says beside what is published of it."""

    hears: Hears
    reason: str


def hearings(parts: GroupParts) -> dict[str, Hearing]:
    """By station of the roster, also those who have left."""
    if parts.reach is None:
        return {}
    known: dict[str, tuple[Carriage, str]] = {}
    found = {}
    for member in parts.reach.members:
        where = member.repeater
        if where not in known:
            known[where] = parts.carriage(where)
        carriage, why = known[where]
        found[member.station] = Hearing(
            hears(member.standing, carriage), hears_reason(member.standing, where, carriage, why)
        )
    return found


def roster_row(member: Member, hearing: Hearing) -> RosterRow:
    return RosterRow(**dict(member), hears=hearing.hears, hears_reason=hearing.reason)


def roster_head(parts: GroupParts) -> RosterHead:
    reach = parts.reach
    return RosterHead(
        group=parts.group,
        title=parts.title,
        version=reach.version if reach else 0,
        at=reach.at if reach else None,
        roll_call=reach.roll_call if reach else None,
        duties=parts.duties,
    )


def group_row(parts: GroupParts, heard: Mapping[str, Hearing]) -> GroupRow:
    """One group in numbers."""
    fanout, members = parts.fanout, parts.members()
    standings = Counter(m.standing for m in members)
    would = Counter(heard[m.station].hears for m in members)
    carriages = Counter(r.carriage for r in fanout.repeaters) if fanout else Counter[Carriage]()
    return GroupRow(
        group=parts.group,
        title=parts.title,
        members=len(members),
        standings={s: standings[s] for s in Standing if s not in CLOSED},
        wanted=carriages.total(),
        carried=carriages[Carriage.CARRIED],
        not_carried=carriages[Carriage.NOT_CARRIED],
        unknown=carriages[Carriage.UNKNOWN],
        starved=fanout.starved if fanout else (),
        not_yet=tuple(r for r in fanout.starved if r in parts.not_yet) if fanout else (),
        idle=fanout.idle if fanout else (),
        barred=fanout.barred if fanout else (),
        would_hear=would[Hears.YES],
        would_not_hear=would[Hears.NO],
        cannot_say=would[Hears.UNKNOWN],
        orders=fanout.orders if fanout else (),
        roll_call=parts.reach.roll_call if parts.reach else None,
        duties=parts.duties,
    )


# -- places and the public ---------------------------------------------------------------------


def place_row(station: str, of_groups: Mapping[str, Member]) -> PlaceRow:
    """A member of at least one group; rosters are of different ages, so the newest word counts."""
    members = of_groups.values()
    newest = max(members, key=lambda m: m.last_heard_at)
    fix = max(
        (m for m in members if m.position_at is not None),
        key=lambda m: m.position_at or m.last_heard_at,
        default=None,
    )
    return PlaceRow(
        station=station,
        lat=fix.lat if fix else None,
        lon=fix.lon if fix else None,
        position_at=fix.position_at if fix else None,
        repeater=newest.repeater,
        last_heard_at=newest.last_heard_at,
        standing=min((m.standing for m in members), key=WORST_FIRST.index),
        groups=tuple(sorted(of_groups)),
    )


def public_group(row: GroupRow) -> PublicGroup:
    late = len(row.starved) - len(row.not_yet)
    if not row.wanted:
        state = "quiet"
    elif late:
        state = "starved"
    else:
        state = "carried" if row.carried else "unknown" if row.unknown else "quiet"
    return PublicGroup(
        title=row.title,
        state=state,
        members=row.members,
        wanted=row.wanted,
        carried=row.carried,
        would_hear=row.would_hear,
        would_not_hear=row.would_not_hear,
        cannot_say=row.cannot_say,
    )


def public_repeater(row: RepeaterOfGateway) -> PublicRepeater:
    return PublicRepeater(title=row.title, state=repeater_state(row.reporting))
