"""What is known beyond a station's last place: how it keys, how its signal goes, where it may be
heard next, when it leaves coverage, and where to look for it. Documents for commands and board."""

from collections.abc import Collection, Sequence
from statistics import median
from typing import Final

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.domain.coverage import Coverage
from streamer.domain.leaving import SLOW_MPS, ahead, leaving
from streamer.domain.liveness import Sights
from streamer.domain.model import Fix, StationRecord
from streamer.domain.moves import counts_from, next_repeater, visits_of
from streamer.domain.places import distance_km
from streamer.domain.silence import pauses_of
from streamer.domain.trend import LEAST_POINTS, trend_of
from streamer.domain.where_map import GeoJson, as_geojson
from streamer.domain.where_words import age_words
from streamer.domain.whereabouts import CAUTION, Whereabouts, whereabouts
from streamer.reading.common import Desk, Document
from streamer.reading.text import plural
from streamer.state.coverages import fresh_ms, sites_near

MOST_NEAR: Final = 12
"""So many repeaters are asked what they hear, those nearest to the station."""
AHEAD_S: Final = (1800, 3600)
"""A moving station's way is looked at so far ahead."""
DAY_MS: Final = 86_400_000
MOST_STATIONS: Final = 40
FEW: Final = 3


# -- documents -----------------------------------------------------------------------------------


class UsualPauses(Document):
    """The pauses between bursts of overs, absences left out. `usual_s`: half of them are shorter;
    null while fewer than three are known."""

    known: int
    usual_s: float | None
    words: str


class SignalTrend(Document):
    """How its newest overs came in at the repeater where it is. Numbers are null where too little
    was told, or where it could not matter: a strong signal is not looked into."""

    repeater: str
    overs: int
    level_dbm: float | None
    slope_db_per_min: float | None
    low_db_per_min: float | None
    high_db_per_min: float | None
    change_db: float | None
    span_s: float
    errors_now_pct: float | None
    errors_change_pct: float | None
    fading: bool
    words: str


class VisitSeen(Document):
    """A time at one repeater or, in an overlap, between two, in which it `changes` to and fro."""

    repeaters: tuple[str, ...]
    from_at: Moment
    last_over_at: Moment
    changes: int
    reason: str | None


class LikelyNext(Document):
    """Where it may be heard next, by the moves of the last day away from where it is. `share` is
    the part of them, never 1: something not seen yet is allowed for."""

    repeater: str
    share: float
    moves: int
    of_moves: int
    own_moves: int
    own_of_moves: int
    reason: str


class LeavingSoon(Document):
    """`until_s`: seconds until no repeater is likely to hear it; null if that does not come within
    an hour, or if nothing can be said (`known`)."""

    known: bool
    until_s: int | None
    repeater: str | None
    next_repeater: str | None
    next_s: int | None
    next_chance: float | None
    reasons: tuple[str, ...]


class HearerThere(Document):
    """The chance (0 to 1) that a repeater hears it if it keys where it may be, and the interval
    that holds it nine times in ten."""

    repeater: str
    chance: float
    low: float
    high: float
    reports: bool


class WhereToLook(Document):
    """`why` it is told; `lat` and `lon`: the middle of where it may be, which holds it within
    `within_km` four times in five; `range_km`: the stated range of its repeater, where only that is
    known; `cells`: how many the map shows."""

    why: str
    words: tuple[str, ...]
    lat: float | None
    lon: float | None
    within_km: float | None
    range_km: float | None
    cells: int
    hearers: tuple[HearerThere, ...]
    caution: str = CAUTION


class Lookout(Document):
    """`visits` newest first; `look` is null unless a group misses the station, or it was asked."""

    pauses: UsualPauses
    trend: SignalTrend
    visits: tuple[VisitSeen, ...]
    next: LikelyNext | None
    leaving: LeavingSoon
    look: WhereToLook | None


# -- gathering -----------------------------------------------------------------------------------


def look_out(
    desk: Desk, record: StationRecord, sights: Sights, missed: Sequence[str], *, asked: bool
) -> Lookout:
    """`missed`: why it is looked for, such as `overdue in NET`. Raises StoreUnavailable."""
    near = _near(desk, record)
    why = ", ".join(missed) or ("asked for" if asked else "")
    return Lookout(
        pauses=_pauses(desk, record, sights),
        trend=_trend(desk, record),
        visits=_visits(desk, record),
        next=_next(desk, record),
        leaving=_leaving(near, record.fix, desk.now_ms, _reporting(near, sights)),
        look=_where_to_look(why, _searched(desk, record, sights, near)) if why else None,
    )


def where_to_look_map(desk: Desk, record: StationRecord, sights: Sights) -> GeoJson:
    """The cells that a station may be in, as GeoJSON. Raises StoreUnavailable."""
    return as_geojson(_searched(desk, record, sights, _near(desk, record)))


def _pauses(desk: Desk, record: StationRecord, sights: Sights) -> UsualPauses:
    presence = desk.store.presences([record.station]).get(record.station, ())
    spoken_to = {*record.check_ins, *record.check_outs} & set(desk.view.groups)
    policies = [desk.view.policies[name] for name in spoken_to or desk.view.groups]
    longest_s = max(policy.overdue_after_s for policy in policies)
    dark = sights.repeater(record.place.repeater).dark
    lengths = [p.length_s for p in pauses_of(presence, desk.view.learning.grain_s, longest_s, dark)]
    known = plural(len(lengths), "pause") + " known"
    if len(lengths) < FEW:
        words = f"{known}: too few to say how often it keys"
        if not desk.view.learning.enabled:
            words = "nothing is learned: learning is switched off in the region file"
        return UsualPauses(known=len(lengths), usual_s=None, words=words)
    usual_s = float(median(lengths))
    words = f"keys about every {age_words(usual_s)}; {known}"
    return UsualPauses(known=len(lengths), usual_s=usual_s, words=words)


def _trend(desk: Desk, record: StationRecord) -> SignalTrend:
    trend = trend_of(record.path, record.place.repeater, desk.view.learning.hears_dbm)
    overs = plural(trend.points, "over")
    words = trend.reason or f"no sign of fading in {overs}"
    if not trend.fading and trend.points < LEAST_POINTS and not trend.reason:
        words = f"{overs} with a signal there: too few to see a trend"
    return SignalTrend(
        repeater=trend.repeater,
        overs=trend.points,
        level_dbm=trend.level_dbm,
        slope_db_per_min=trend.slope_db_per_min,
        low_db_per_min=trend.low_db_per_min,
        high_db_per_min=trend.high_db_per_min,
        change_db=trend.change_db,
        span_s=trend.span_ms / 1000,
        errors_now_pct=trend.errors_now_pct,
        errors_change_pct=trend.errors_change_pct,
        fading=trend.fading,
        words=words,
    )


def _expire_ms(desk: Desk) -> int:
    return round(desk.view.longest_expire_s * 1000)


def _visits(desk: Desk, record: StationRecord) -> tuple[VisitSeen, ...]:
    return tuple(
        VisitSeen(
            repeaters=visit.repeaters,
            from_at=from_ms(visit.arrived_ms),
            last_over_at=from_ms(visit.last_ms),
            changes=visit.changes,
            reason=visit.reason,
        )
        for visit in visits_of(record, _expire_ms(desk))
    )


def _next(desk: Desk, record: StationRecord) -> LikelyNext | None:
    here = record.place.repeater
    heard = desk.store.heard_since(here, desk.now_ms - DAY_MS)[:MOST_STATIONS]
    others = desk.store.stations([name for name, _ in heard if name != record.station])
    everybody = [record, *(other for other in others if other is not None)]
    expire_ms = _expire_ms(desk)
    found = next_repeater(counts_from(everybody, expire_ms), here, counts_from([record], expire_ms))
    if found is None:
        return None
    return LikelyNext(
        repeater=found.repeater,
        share=found.share,
        moves=found.moves,
        of_moves=found.of_moves,
        own_moves=found.own_moves,
        own_of_moves=found.own_of_moves,
        reason=found.reason,
    )


def _leaving(
    near: dict[str, Coverage], fix: Fix | None, now_ms: int, reporting: Collection[str]
) -> LeavingSoon:
    found = leaving(near, fix, now_ms, reporting)
    chance = found.next_chance
    return LeavingSoon(
        known=found.known,
        until_s=found.until_s,
        repeater=found.repeater,
        next_repeater=found.next_repeater,
        next_s=found.next_s,
        next_chance=None if chance is None else chance.chance,
        reasons=found.reasons,
    )


# -- where to look -------------------------------------------------------------------------------


def _near(desk: Desk, record: StationRecord) -> dict[str, Coverage]:
    """The coverage of the repeater that heard it last and of those nearest to where it was, or to
    where it goes."""
    names = [record.place.repeater]
    places = _places(desk, record)
    if places:
        distances = {
            site.repeater: distance_km(*places[0], site.lat, site.lon)
            for place in places
            for site in sites_near(desk.view, *place)
            if site.lat is not None and site.lon is not None
        }
        names += sorted(distances, key=lambda name: (distances[name], name))
    wanted = list(dict.fromkeys(names))[:MOST_NEAR]
    as_of_ms = fresh_ms(desk.now_ms)
    return {name: desk.kept.coverages.of(desk.store, name, as_of_ms) for name in wanted}


def _places(desk: Desk, record: StationRecord) -> list[tuple[float, float]]:
    """Its last position and where it should be in an hour, else the repeater that heard it."""
    fix, site = record.fix, desk.view.sites.get(record.place.repeater)
    if fix is not None:
        places = [(fix.lat, fix.lon)]
        if fix.course_deg is not None and (fix.speed_mps or 0) >= SLOW_MPS:
            metres = [(fix.speed_mps or 0) * s for s in AHEAD_S]
            places += [ahead(fix.lat, fix.lon, fix.course_deg, m) for m in metres]
        return places
    if site is None or site.lat is None or site.lon is None:
        return []
    return [(site.lat, site.lon)]


def _reporting(near: Collection[str], sights: Sights) -> list[str]:
    return [name for name in near if sights.repeater(name).reporting]


def _searched(
    desk: Desk, record: StationRecord, sights: Sights, near: dict[str, Coverage]
) -> Whereabouts:
    reporting = _reporting(near, sights)
    return whereabouts(record.station, record.place, record.fix, near, reporting, desk.now_ms)


def _where_to_look(why: str, found: Whereabouts) -> WhereToLook:
    middle = found.centre or found.repeater_at or (None, None)
    return WhereToLook(
        why=why,
        words=found.words,
        lat=middle[0],
        lon=middle[1],
        within_km=found.within_km,
        range_km=found.ring_km,
        cells=len(found.cells),
        hearers=tuple(
            HearerThere(
                repeater=h.repeater, chance=h.chance, low=h.low, high=h.high, reports=h.reports
            )
            for h in found.hearers
        ),
        caution=found.caution,
    )
