"""What a repeater heard in the last day, and where a station was: documents for charts."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from statistics import fmean
from typing import Any, Final

from streamer.clock import from_ms
from streamer.config import Repeater
from streamer.contract.common import Moment
from streamer.contract.events import RepeaterState
from streamer.contract.published import CAUTION
from streamer.domain.liveness import RepeaterSight, Sights, repeaters_of
from streamer.domain.model import PathEntry, StationRecord, Stay
from streamer.domain.stays import counted, moves_of, stays_of
from streamer.problems import suggestion
from streamer.reading.common import Desk, Document, Header, NotFound
from streamer.reading.gateway import GroupThere, MemberThere, repeater_now
from streamer.reading.health import HealthSeen
from streamer.reading.hours import HourHeard, Span, hours_heard, known_ms
from streamer.reading.where import Where, named, unknown, where
from streamer.state import history, lookups
from streamer.state.buckets import Bucket, Spread
from streamer.state.checkup import checkup_from
from streamer.state.keys import BUCKET_MS

MOST_MOVES: Final = 50


class Readings(Document):
    """How many values were told, and which."""

    readings: int
    mean: float
    min: float
    max: float


class HeardBucket(Document):
    """Five minutes from `start_at` on. An over counts where it began, `air_s` is the time on the
    air of those whose end was heard; null: no value was told."""

    start_at: Moment
    overs: int
    air_s: float
    rssi_dbm: Readings | None
    ber_pct: Readings | None


class Dark(Document):
    """A time in which the repeater could not hear for us; `until_at` is null if it still cannot."""

    from_at: Moment
    until_at: Moment | None


class StationHeard(Document):
    """A station heard on the repeater. `here`: nowhere else since. `overs` and the values are of
    those of its kept overs that were heard here."""

    station: str
    last_heard_at: Moment
    here: bool
    overs: int
    rssi_dbm: Readings | None
    ber_pct: Readings | None


class Way(StrEnum):
    IN = "in"
    OUT = "out"


class MoveSeen(Document):
    """A station came in from, or went out to, the `other` repeater: heard there or here at `at`,
    and where it was before, last at `last_over_before_at`."""

    at: Moment
    station: str
    way: Way
    other: str
    last_over_before_at: Moment


class RepeaterHistory(Header):
    """`reporting` is null if nothing can be said. `buckets` are those of a day, oldest first,
    the last one with the present; `hours` the same by the hour of the clock in UTC; `stations` and
    `moves` newest first."""

    repeater: str
    title: str
    gateway: str
    gateway_title: str
    keeper: str | None
    freq_mhz: float | None
    lat: float | None
    lon: float | None
    antenna_m: float | None
    range_km: float | None
    reporting: bool | None
    since: Moment | None
    reason: str
    groups: tuple[GroupThere, ...]
    members: tuple[MemberThere, ...]
    health: HealthSeen | None
    bucket_s: int
    from_at: Moment
    until_at: Moment
    buckets: tuple[HeardBucket, ...]
    hours: tuple[HourHeard, ...]
    dark: tuple[Dark, ...]
    stations: tuple[StationHeard, ...]
    moves: tuple[MoveSeen, ...]
    caution: str = CAUTION


class StayThere(Document):
    """`until_at`: when it was heard elsewhere, or again after so long a silence that every group
    had given it up; null: nothing else is known since."""

    repeater: str
    title: str
    from_at: Moment
    last_over_at: Moment
    until_at: Moment | None
    overs: int


class RepeaterUsed(Document):
    """The kept overs of a station that were heard on one repeater."""

    repeater: str
    title: str
    overs: int
    air_s: float
    first_over_at: Moment
    last_over_at: Moment
    rssi_dbm: Readings | None
    ber_pct: Readings | None


class StationHistory(Where):
    """Of the kept overs, which `path` lists: `stays` newest first, `repeaters` by the newest over.
    An over heard on several repeaters is one of each of `repeaters`, but of one stay."""

    stays: tuple[StayThere, ...]
    repeaters: tuple[RepeaterUsed, ...]
    caution: str = CAUTION


# -- a repeater --------------------------------------------------------------------------------


def repeater_history(
    desk: Desk, repeater: str, recorded_from_ms: int | None = None
) -> RepeaterHistory:
    """The last day of a repeater; raises NotFound, naming what is near, and StoreUnavailable.

    `recorded_from_ms`: in a replay, the record's begin. What gateways say of the time before it
    does not make it a time that was recorded."""
    sights = lookups.sights(desk.store, desk.now_ms)
    dark = _dark(sights.repeater(repeater))
    day = history.last_day(desk.reader, repeater, desk.now_ms)
    begin_ms = day[0].start_ms
    heard = history.heard_since(desk.reader, repeater, begin_ms)
    _must_exist(desk, sights, repeater, bool(heard))
    records = desk.store.stations([station for station, _ in heard])
    return RepeaterHistory(
        **desk.header(),
        **_as_built(desk, sights, repeater),
        **_as_it_stands(desk, sights, repeater),
        bucket_s=BUCKET_MS // 1000,
        from_at=from_ms(begin_ms),
        until_at=from_ms(day[-1].start_ms + BUCKET_MS),
        buckets=tuple(map(_bucket, day)),
        hours=tuple(
            hours_heard(day, known_ms(desk, repeater, day, recorded_from_ms), dark, desk.now_ms)
        ),
        dark=tuple(_dark_seen(dark, begin_ms)),
        stations=tuple(
            _station(station, ms, record, repeater)
            for (station, ms), record in zip(heard, records, strict=True)
        ),
        moves=_moves(desk, records, repeater, begin_ms),
    )


def _must_exist(desk: Desk, sights: Sights, repeater: str, heard: bool) -> None:
    """Where gateways need not be listed, one exists that has said something."""
    if repeater in desk.view.sites:
        return
    sight = sights.gateway(repeater.partition("/")[0])
    said = heard or repeater in repeaters_of(desk.view, sight)
    if said and desk.view.region.open_gateways:
        return
    known = suggestion(repeater, list(desk.view.sites))
    raise NotFound(f"no repeater {repeater!r} in the region file; {known}")


def _as_built(desk: Desk, sights: Sights, repeater: str) -> dict[str, Any]:
    """Names and place. The region file goes before what the gateway says of itself."""
    gateway, _, port = repeater.partition("/")
    site, state = desk.view.gateways.get(gateway), sights.gateway(gateway).state
    listed = [p for p in site.repeater if p.id == port] if site else []
    told = [r for r in state.repeaters if r.id == repeater] if state else []
    sources: list[Repeater | RepeaterState] = [*listed, *told]
    placed = [source for source in sources if source.lat is not None]

    def first(name: str) -> float | None:
        values = (getattr(source, name) for source in sources)
        return next((value for value in values if value is not None), None)

    return {
        "repeater": repeater,
        "title": listed[0].title if listed else "",
        "gateway": gateway,
        "gateway_title": site.title if site else "",
        "keeper": (site.keeper or None) if site else None,
        "freq_mhz": first("freq_mhz"),
        "lat": placed[0].lat if placed else None,
        "lon": placed[0].lon if placed else None,
        "antenna_m": first("antenna_m"),
        "range_km": first("range_km"),
    }


def _as_it_stands(desk: Desk, sights: Sights, repeater: str) -> dict[str, Any]:
    """Whether it reports, and which groups and members are there."""
    groups = desk.groups_now(list(desk.view.groups), sights)
    checkup = checkup_from(desk.store.gateway(repeater.partition("/")[0]).checkup)
    now = repeater_now(sights, groups, repeater, checkup)
    return {
        "reporting": now.up if sights.repeater(repeater).reporting else False,
        "since": now.since,
        "reason": now.reason,
        "groups": now.groups,
        "members": now.members,
        "health": now.health,
    }


def _bucket(bucket: Bucket) -> HeardBucket:
    return HeardBucket(
        start_at=from_ms(bucket.start_ms),
        overs=bucket.overs,
        air_s=bucket.air_ms / 1000,
        rssi_dbm=_readings(bucket.rssi_dbm),
        ber_pct=_readings(bucket.ber_pct),
    )


def _readings(spread: Spread | None) -> Readings | None:
    if spread is None:
        return None
    mean = round(spread.mean, 4)
    return Readings(readings=spread.readings, mean=mean, min=spread.least, max=spread.most)


def _readings_of(values: Iterable[float | None]) -> Readings | None:
    told = [value for value in values if value is not None]
    if not told:
        return None
    return _readings(Spread(len(told), fmean(told), min(told), max(told)))


def _dark(sight: RepeaterSight) -> list[Span]:
    """When it could not hear for us."""
    spans: list[Span] = [*sight.dark]
    if not sight.reporting and sight.since_ms is not None:
        spans.append((sight.since_ms, None))
    return spans


def _dark_seen(spans: Iterable[Span], begin_ms: int) -> Iterator[Dark]:
    for from_, end in spans:
        if end is None or end > begin_ms:
            until_at = None if end is None else from_ms(end)
            yield Dark(from_at=from_ms(max(begin_ms, from_)), until_at=until_at)


def _station(station: str, ms: int, record: StationRecord | None, repeater: str) -> StationHeard:
    here = [e for e in record.path if e.repeater == repeater] if record else []
    return StationHeard(
        station=station,
        last_heard_at=from_ms(ms),
        here=record is not None and record.place.repeater == repeater,
        overs=len(here),
        rssi_dbm=_readings_of(e.rssi_dbm for e in here),
        ber_pct=_readings_of(e.ber_pct for e in here),
    )


def _moves(
    desk: Desk, records: Sequence[StationRecord | None], repeater: str, begin_ms: int
) -> tuple[MoveSeen, ...]:
    seen = [
        MoveSeen(
            at=from_ms(move.at_ms),
            station=record.station,
            way=Way.IN if move.to_repeater == repeater else Way.OUT,
            other=move.from_repeater if move.to_repeater == repeater else move.to_repeater,
            last_over_before_at=from_ms(move.last_ms),
        )
        for record in records
        if record is not None
        for move in moves_of(_stays(desk, record))
        if repeater in (move.from_repeater, move.to_repeater) and move.at_ms >= begin_ms
    ]
    return tuple(sorted(seen, key=lambda m: m.at, reverse=True)[:MOST_MOVES])


def _stays(desk: Desk, record: StationRecord) -> tuple[Stay, ...]:
    return stays_of(record, round(desk.view.longest_expire_s * 1000))


# -- a station ---------------------------------------------------------------------------------


def station_history(desk: Desk, asked: str, *, look: bool = False) -> StationHistory:
    """A station by its call sign in any case; `look`: also where to look for it, though no group
    misses it. Raises NotFound, saying why it is not known, and StoreUnavailable."""
    station, verdict = named(desk, asked)
    record = desk.store.station(station)
    if record is None:
        raise NotFound(str(unknown(desk, asked, station, verdict).problem))
    titles = {
        f"{gateway.id}/{port.id}": port.title
        for gateway in desk.view.gateways.values()
        for port in gateway.repeater
    }
    overs = list(counted(record))
    return StationHistory(
        **dict(where(desk, record, look=look)),
        stays=tuple(_stay(stay, overs, titles) for stay in _stays(desk, record)),
        repeaters=_used(record.path, titles),
    )


def _stay(stay: Stay, overs: Sequence[PathEntry], titles: Mapping[str, str]) -> StayThere:
    return StayThere(
        repeater=stay.repeater,
        title=titles.get(stay.repeater, ""),
        from_at=from_ms(stay.arrived_ms),
        last_over_at=from_ms(stay.last_ms),
        until_at=None if stay.left_ms is None else from_ms(stay.left_ms),
        overs=sum(
            e.repeater == stay.repeater and stay.arrived_ms <= e.ms <= stay.last_ms for e in overs
        ),
    )


def _used(path: Sequence[PathEntry], titles: Mapping[str, str]) -> tuple[RepeaterUsed, ...]:
    by_repeater: dict[str, list[PathEntry]] = {}
    for entry in path:  # newest first, and so are the repeaters
        by_repeater.setdefault(entry.repeater, []).append(entry)
    return tuple(
        RepeaterUsed(
            repeater=repeater,
            title=titles.get(repeater, ""),
            overs=len(overs),
            air_s=sum(e.duration_ms for e in overs) / 1000,
            first_over_at=from_ms(overs[-1].ms),
            last_over_at=from_ms(overs[0].ms),
            rssi_dbm=_readings_of(e.rssi_dbm for e in overs),
            ber_pct=_readings_of(e.ber_pct for e in overs),
        )
        for repeater, overs in by_repeater.items()
    )
