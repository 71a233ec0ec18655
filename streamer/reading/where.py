"""`streamer where`: the last place of a station, how it came there, its standing in its groups."""

import argparse
import json
from collections.abc import Sequence
from difflib import get_close_matches
from typing import Final

from streamer.clock import Clock, from_ms
from streamer.contract.common import Moment
from streamer.contract.published import Alert, Standing
from streamer.domain.callsign import Accepted, Verdict, normalise
from streamer.domain.liveness import Sights
from streamer.domain.membership import check_out_of, checked_in_ms
from streamer.domain.model import PathEntry, StationRecord
from streamer.domain.quarantine import quarantine_name
from streamer.domain.urgency import is_about_people, urgency
from streamer.reading.common import (
    WELL,
    WRONG,
    Answer,
    Desk,
    Document,
    Header,
    Misuse,
    add_common,
    answer,
    note_lines,
    spoken,
    typed,
)
from streamer.reading.lookout import Lookout, look_out, where_to_look_map
from streamer.reading.lookout_text import lookout_lines
from streamer.reading.text import ago, complain, moment, plural, table, wrap
from streamer.state import lookups, ordered

MISSED: Final = (Standing.OVERDUE, Standing.OUT_OF_REACH)


class LastHeard(Document):
    repeater: str
    gateway: str
    at: Moment
    age_s: float
    to: str | None
    suffix: str | None
    over: str
    duration_s: float | None
    rssi_dbm: float | None
    ber_pct: float | None
    text: str | None
    repeater_reporting: bool
    repeater_reason: str


class PositionSaid(Document):
    lat: float
    lon: float
    at: Moment
    age_s: float
    speed_mps: float | None
    course_deg: float | None


class OverHeard(Document):
    """`ended_at` and `duration_s` are null while the end is not known, `rssi_dbm` and `ber_pct`
    where the gateway did not say them."""

    repeater: str
    over: str
    started_at: Moment
    ended_at: Moment | None
    duration_s: float | None
    rssi_dbm: float | None
    ber_pct: float | None


class GroupStanding(Document):
    """`standing` is null if the group has not been told of the station yet."""

    group: str
    standing: Standing | None
    reasons: tuple[str, ...]
    since: Moment | None
    checked_in_at: Moment | None
    checked_out_at: Moment | None


class Quarantined(Document):
    identity: str
    gateway: str
    count: int
    last_heard_at: Moment
    reason: str


class Where(Header):
    """`known` is false if nothing was ever heard of the station; then `problem` says why."""

    station: str
    known: bool
    problem: str | None = None
    last_heard: LastHeard | None = None
    position: PositionSaid | None = None
    path: tuple[OverHeard, ...] = ()
    groups: tuple[GroupStanding, ...] = ()
    alerts: tuple[Alert, ...] = ()
    lookout: Lookout | None = None
    quarantined: tuple[Quarantined, ...] = ()
    near: tuple[str, ...] = ()


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Where a station was last heard and how, its position and path, its standing in its "
        "groups with the reasons, how it usually keys, how its signal goes, where it may be heard "
        "next and when it leaves what repeaters hear; and where to look for it, if a group misses "
        "it. Exit code 0: known; 1: never heard, or the state cannot be read."
    )
    parser.add_argument("station", metavar="STATION", help="a call sign, in any case")
    parser.add_argument(
        "--look", action="store_true", help="tell where to look for it though no group misses it"
    )
    parser.add_argument(
        "--geojson",
        action="store_true",
        help="print where to look for it as one GeoJSON FeatureCollection, instead of all else",
    )
    add_common(parser)


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    asked = typed(arguments.station)
    look, geojson = bool(arguments.look), bool(arguments.geojson)

    def work(desk: Desk) -> Answer:
        if geojson and arguments.json:
            raise Misuse("--json and --geojson are two documents: choose one")
        return _work(desk, asked, look=look, geojson=geojson)

    return answer("where", arguments, work, clock)


def _work(desk: Desk, asked: str, *, look: bool, geojson: bool) -> Answer:
    station, verdict = named(desk, asked)
    record = desk.store.station(station)
    if record is None:
        document = unknown(desk, asked, station, verdict)
        complain("where", str(document.problem))
        return document, lambda: [] if geojson else _unknown_text(desk, document), WRONG
    document = where(desk, record, look=look)
    if geojson:
        sights = lookups.sights(desk.store, desk.now_ms)
        shapes = where_to_look_map(desk, record, sights)
        return document, lambda: [json.dumps(shapes, indent=2)], WELL
    return document, lambda: _text(desk, document, record.path), WELL


def named(desk: Desk, asked: str) -> tuple[str, Verdict]:
    """The station that somebody means, in any case and with any suffix, and if it can be one."""
    verdict = desk.view.call_sign_rules(desk.store.accepted()).judge(asked)
    return verdict.call if isinstance(verdict, Accepted) else normalise(asked)[0], verdict


def where(desk: Desk, record: StationRecord, *, look: bool = False) -> Where:
    """Everything about a station that was heard; `look`: also where to look for it, though no group
    misses it."""
    sights = lookups.sights(desk.store, desk.now_ms)
    fix = record.fix
    standings = _standings(desk, record, sights)
    missed = [f"{spoken(g.standing)} in {g.group}" for g in standings if g.standing in MISSED]
    return Where(
        **desk.header(),
        station=record.station,
        known=True,
        last_heard=_last_heard(record, sights, desk.now_ms),
        position=None
        if fix is None
        else PositionSaid(
            lat=fix.lat,
            lon=fix.lon,
            at=from_ms(fix.at_ms),
            age_s=(desk.now_ms - fix.at_ms) / 1000,
            speed_mps=fix.speed_mps,
            course_deg=fix.course_deg,
        ),
        path=tuple(_over(entry) for entry in record.path),
        groups=standings,
        alerts=_alerts(desk, record.station),
        lookout=look_out(desk, record, sights, missed, asked=look),
    )


def _alerts(desk: Desk, station: str) -> tuple[Alert, ...]:
    """What is wrong with the station itself, worst first; groups raise most of it."""
    found = (Alert.model_validate_json(text) for text in desk.store.all_alerts().values())
    own = [a for a in found if a.subject == station and is_about_people(a.kind)]
    return tuple(sorted(own, key=urgency))


def _last_heard(record: StationRecord, sights: Sights, now_ms: int) -> LastHeard:
    place = record.place
    sight = sights.repeater(place.repeater)
    return LastHeard(
        repeater=place.repeater,
        gateway=place.gateway,
        at=from_ms(place.ms),
        age_s=(now_ms - place.ms) / 1000,
        to=place.to,
        suffix=place.suffix,
        over=place.over,
        duration_s=None if place.duration_ms is None else place.duration_ms / 1000,
        rssi_dbm=place.rssi_dbm,
        ber_pct=place.ber_pct,
        text=place.text,
        repeater_reporting=sight.reporting,
        repeater_reason=sight.reason,
    )


def _over(entry: PathEntry) -> OverHeard:
    ended = entry.duration_ms > 0
    return OverHeard(
        repeater=entry.repeater,
        over=entry.over,
        started_at=from_ms(entry.ms),
        ended_at=from_ms(entry.ms + entry.duration_ms) if ended else None,
        duration_s=entry.duration_ms / 1000 if ended else None,
        rssi_dbm=entry.rssi_dbm,
        ber_pct=entry.ber_pct,
    )


def _standings(desk: Desk, record: StationRecord, sights: Sights) -> tuple[GroupStanding, ...]:
    spoken_to = {*record.check_ins, *record.check_outs} & set(desk.view.groups)
    names = sorted(spoken_to)
    told = lookups.summaries_of(desk.reader, record.station, names)
    duties, judging = ordered.duties_from(desk.store.duties()), desk.kept.judging
    standings = []
    for name in names:
        summary = told.get(name)
        if summary is None:
            reason = "a worker is about to tell the group, or died before it could"
            standings.append(
                GroupStanding(
                    group=name, standing=None, reasons=(reason,), since=None,
                    checked_in_at=None, checked_out_at=None,
                )
            )  # fmt: skip
            continue
        judgement = judging.member(desk.store, name, summary, sights, duties, desk.now_ms)
        policy = desk.view.policies[name]
        out = check_out_of(summary, policy)
        standings.append(
            GroupStanding(
                group=name,
                standing=judgement.standing,
                reasons=judgement.reasons,
                since=from_ms(judgement.since_ms),
                checked_in_at=from_ms(checked_in_ms(summary, policy)) if summary.check_in else None,
                checked_out_at=from_ms(out.ms) if out else None,
            )
        )
    return tuple(standings)


def unknown(desk: Desk, asked: str, station: str, verdict: Verdict) -> Where:
    """Why a station is not known: never heard, or heard and not taken for a station."""
    caged = lookups.quarantines(desk.reader, lookups.quarantine_gateways(desk.reader))
    held = tuple(
        Quarantined(
            identity=name, gateway=gateway, count=count, last_heard_at=from_ms(ms), reason=why
        )
        for gateway, names in caged.items()
        for name, (count, ms, why) in sorted(names.items())
        if name == quarantine_name(asked) or normalise(name)[0] == station
    )
    members = {m.station for s in desk.store.groups(list(desk.view.groups)) for m in s.members}
    near = tuple(get_close_matches(station, sorted(members), n=5, cutoff=0.7))
    if held:
        problem = f"{station} was heard, but is not taken for a station"
    elif isinstance(verdict, Accepted):
        problem = f"{station} was never heard, or so long ago that it is forgotten"
    else:
        problem = f"{station} was never heard, and is no call sign"
    if not isinstance(verdict, Accepted):
        problem += f": {verdict.detail}"
    return Where(
        **desk.header(),
        station=station, known=False, problem=problem, quarantined=held, near=near,
    )  # fmt: skip


def _unknown_text(desk: Desk, document: Where) -> list[str]:
    lines = note_lines(desk)
    if document.quarantined:
        lines.append("Quarantined, that is counted, but never a member:")
        rows = [
            [q.gateway, q.identity, plural(q.count, "event"), _when(q.last_heard_at, desk),
             spoken(q.reason)]
            for q in document.quarantined
        ]  # fmt: skip
        lines += table(["GATEWAY", "IDENTITY", "HEARD", "LAST", "REASON"], rows, "  ")
    if document.near:
        lines += wrap(f"Known and alike: {', '.join(document.near)}")
    return lines


def _when(at: Moment, desk: Desk) -> str:
    ms = round(at.timestamp() * 1000)
    return f"{moment(ms, desk.now_ms)} ({ago(ms, desk.now_ms)})"


def _text(desk: Desk, document: Where, path: Sequence[PathEntry]) -> list[str]:
    last = document.last_heard
    assert last is not None
    suffix = f", signing {document.station}/{last.suffix}" if last.suffix else ""
    lines = [*note_lines(desk), f"{document.station}{suffix}"]
    to = f", calling {last.to}" if last.to else ""
    facts = [("last heard", f"on {last.repeater} at {_when(last.at, desk)}{to}")]
    how = [
        f"{last.rssi_dbm:g} dBm" if last.rssi_dbm is not None else "",
        f"{last.ber_pct:g} % bit errors" if last.ber_pct is not None else "",
        f"{last.duration_s:.1f} s long" if last.duration_s is not None else "",
        f"text {last.text!r}" if last.text else "",
    ]
    facts.append(("how", ", ".join(filter(None, how)) or "nothing more was said"))
    if not last.repeater_reporting:
        facts.append(("but", f"{last.repeater_reason}: nothing can be said of now"))
    facts.append(("position", _position(document.position, desk)))
    for name, text in facts:
        lines += wrap(text, f"  {name:<12}", " " * 14)
    lines += ["", "Groups"]
    rows = [
        [g.group, spoken(g.standing) if g.standing else "not told yet", "; ".join(g.reasons)]
        for g in document.groups
    ]
    lines += table(["GROUP", "STANDING", "REASONS"], rows, "  ") if rows else ["  none"]
    if document.lookout is not None:
        lines += ["", *lookout_lines(document.lookout, desk.now_ms)]
    lines += ["", "Newest overs", *_path(path, desk.now_ms)]
    for alert in document.alerts:
        lines += ["", *wrap(f"ALERT {alert.id}: {alert.title}")]
        if alert.acknowledged_by:
            lines += wrap(f"In hand of {alert.acknowledged_by}", "  ")
        lines += [line for reason in alert.reasons for line in wrap(reason, "  ")]
        lines += wrap(f"Next: {alert.next_step}", "  ")
    return lines


def _position(said: PositionSaid | None, desk: Desk) -> str:
    if said is None:
        return "never said"
    text = f"{said.lat:.5f}, {said.lon:.5f} at {_when(said.at, desk)}"
    if said.speed_mps is not None:
        text += f", {said.speed_mps:g} m/s"
    return text + (f", course {said.course_deg:g}" if said.course_deg is not None else "")


def _path(path: Sequence[PathEntry], now_ms: int) -> list[str]:
    rows = [
        [
            moment(e.ms, now_ms),
            moment(e.ms + e.duration_ms, now_ms) if e.duration_ms else "?",
            f"{e.duration_ms / 1000:.1f} s" if e.duration_ms else "",
            e.repeater,
            e.over,
        ]
        for e in path
    ]
    return table(["STARTED", "ENDED", "LONG", "REPEATER", "OVER"], rows, "  ")
