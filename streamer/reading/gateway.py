"""`streamer gateway`: what a site's keeper asks: is it up, since when, and what hangs on it."""

import argparse
from collections import Counter
from collections.abc import Sequence

from streamer.alerts.maintenance import WHOLE_REGION
from streamer.clock import Clock, from_ms
from streamer.contract.common import Moment
from streamer.contract.published import CAUTION, Alert, Carriage, Maintenance, Standing, Why
from streamer.domain.group_now import GroupNow
from streamer.domain.liveness import GatewayStanding, Sights, repeaters_of
from streamer.domain.model import FloodSpan, GatewaySnapshot, LiveState
from streamer.domain.urgency import urgency
from streamer.problems import suggestion
from streamer.reading.common import (
    WELL,
    Answer,
    Desk,
    Document,
    Header,
    NotFound,
    add_common,
    answer,
    note_lines,
    spoken,
    typed,
)
from streamer.reading.health import HealthSeen, health_seen, health_text
from streamer.reading.held import held_lines
from streamer.reading.maintenance import work_lines, works_now
from streamer.reading.text import age, ago, moment, plural, table, wrap
from streamer.state import lookups
from streamer.state.checkup import Checkup, checkup_from

_SAID = {
    GatewayStanding.UP: "up",
    GatewayStanding.DOWN: "down: it said so, or its broker said it for it",
    GatewayStanding.SILENT: "silent: its heartbeat is overdue",
    GatewayStanding.FLOODING: "flooding: much of what it says is refused",
    GatewayStanding.NEVER: "never heard of: no heartbeat has come",
}


class GroupThere(Document):
    """A group that is wanted on a repeater (`why` says for what) or carried there in vain."""

    group: str
    wanted: bool
    why: tuple[Why, ...]
    carriage: Carriage


class MemberThere(Document):
    """A member whose last over was heard there; one of several groups is there several times."""

    station: str
    group: str
    standing: Standing


class RepeaterNow(Document):
    """`up` is null if nothing can be said: the gateway does not report, or not of this one."""

    repeater: str
    up: bool | None
    since: Moment | None
    reason: str
    groups: tuple[GroupThere, ...]
    members: tuple[MemberThere, ...]
    health: HealthSeen | None


class EventCounts(Document):
    """What the numbered events of the gateway counted as, each once; `duplicates` came again.

    `missing` have not arrived of the newest boots; `given_up` were counted lost long ago.
    """

    heard: int
    route: int
    quarantined: int
    refused: int
    late: int
    future: int
    duplicates: int
    too_old: int
    missing: int
    given_up: int


class FloodSeen(Document):
    """The newest flood: `messages` were refused."""

    since: Moment
    last_at: Moment
    messages: int


class GatewayNow(Document):
    """`standing`: up, down (said so), silent (heartbeat overdue), flooding (much of what it says is
    refused) or never. `heartbeat_at` by the corrected clock of the gateway. What its newest
    word does not say is null; where that word is its will, it says next to nothing."""

    gateway: str
    title: str
    keeper: str | None
    standing: GatewayStanding
    since: Moment | None
    heartbeat_at: Moment | None
    heartbeat_age_s: float | None
    software: str | None
    spooled: int | None
    dropped: int | None
    clock_offset_s: float | None
    counts: EventCounts
    flood: FloodSeen | None
    repeaters: tuple[RepeaterNow, ...]
    alerts: tuple[Alert, ...]
    maintenance: tuple[Maintenance, ...]


class Gateway(Header, GatewayNow):
    """One gateway."""

    caution: str = CAUTION


class Gateways(Header):
    """All of the region file and, where others may speak, those that did."""

    gateways: tuple[GatewayNow, ...]
    caution: str = CAUTION


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Whether a gateway is up and since when, its heartbeat, spool, clock and counts, its "
        "repeaters with the groups and members on them; without NAME one line for each gateway. "
        "Exit code 0: answered; 1: no such gateway, or the state cannot be read."
    )
    parser.add_argument("name", metavar="NAME", nargs="?", help="a gateway, in any case")
    add_common(parser)


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    if arguments.name is None:
        return answer("gateway", arguments, _work_all, clock)
    name = typed(arguments.name)
    return answer("gateway", arguments, lambda desk: _work(desk, name), clock)


def _work(desk: Desk, asked: str) -> Answer:
    looker = _Looker(desk)
    name = asked.lower()
    if name not in looker.names:
        known = suggestion(name, looker.names)
        raise NotFound(f"no gateway {asked!r} in the region file; {known}")
    document = Gateway(**desk.header(), **dict(looker.look(name)))
    return document, lambda: _text(desk, document), WELL


def _work_all(desk: Desk) -> Answer:
    looker = _Looker(desk)
    document = Gateways(**desk.header(), gateways=tuple(map(looker.look, looker.names)))
    return document, lambda: _text_all(desk, document), WELL


# -- looking -----------------------------------------------------------------------------------


def word_of(sights: Sights, repeater: str) -> tuple[bool | None, int | None, str]:
    """Whether a repeater is up (None if nothing can be said), since when in ms, and why."""
    seen, sight = sights.repeater(repeater), sights.gateway(repeater.split("/", 1)[0])
    if sight.standing is GatewayStanding.NEVER:
        return None, seen.since_ms, "its gateway has sent no heartbeat"
    if sight.standing is not GatewayStanding.UP:
        return None, seen.since_ms, seen.reason
    told = {r.id: r.up for r in sight.state.repeaters} if sight.state else {}
    if repeater not in told:
        return None, None, "its gateway's heartbeat does not speak of it"
    return told[repeater], seen.since_ms, seen.reason


def repeater_now(
    sights: Sights, groups: Sequence[GroupNow], repeater: str, checkup: Checkup | None
) -> RepeaterNow:
    """What is known of a repeater, the groups and members there; `checkup` of its gateway."""
    up, since_ms, reason = word_of(sights, repeater)
    return RepeaterNow(
        repeater=repeater,
        up=up,
        since=None if since_ms is None else from_ms(since_ms),
        reason=reason,
        groups=tuple(t for now in groups if (t := _there(now, repeater)) is not None),
        members=tuple(
            MemberThere(station=s.station, group=now.snapshot.group, standing=judgement.standing)
            for now in groups
            for s, judgement in now.judged
            if judgement.is_member and s.place.repeater == repeater
        ),
        health=health_seen(checkup, sights, repeater),
    )


class _Looker:
    """Groups, heartbeats and alerts read once, for as many gateways as are asked for."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._sights = lookups.sights(desk.store, desk.now_ms)
        self._groups = desk.groups_now(list(desk.view.groups), self._sights)
        alerts = desk.store.all_alerts().values()
        self._alerts = sorted(map(Alert.model_validate_json, alerts), key=urgency)
        self._works = works_now(desk)
        others = (
            set(self._sights.known) - set(desk.view.gateways)
            if desk.view.region.open_gateways
            else ()
        )
        self.names = [*desk.view.gateways, *sorted(others)]

    def look(self, name: str) -> GatewayNow:
        sight, live = self._sights.gateway(name), self._sights.state(name)
        known = self._desk.view.gateways.get(name)
        state = sight.state
        heartbeat_ms = _heartbeat_ms(live)
        snapshot = self._desk.store.gateway(name)
        checkup = checkup_from(snapshot.checkup)
        return GatewayNow(
            gateway=name,
            title=known.title if known else "",
            keeper=known.keeper or None if known else None,
            standing=sight.standing,
            since=None if sight.since_ms is None else from_ms(sight.since_ms),
            heartbeat_at=None if heartbeat_ms is None else from_ms(heartbeat_ms),
            heartbeat_age_s=None
            if heartbeat_ms is None
            else (self._desk.now_ms - heartbeat_ms) / 1000,
            software=state.software if state else None,
            spooled=state.spooled if state else None,
            dropped=state.dropped if state else None,
            clock_offset_s=state.clock_offset_s if state else None,
            counts=_counts(snapshot),
            flood=_flood(sight.flood),
            repeaters=tuple(
                repeater_now(self._sights, self._groups, r, checkup)
                for r in repeaters_of(self._desk.view, sight)
            ),
            alerts=tuple(a for a in self._alerts if _is_about(a, name)),
            maintenance=tuple(
                w for w in self._works if w.subject == WHOLE_REGION or _is_at(w.subject, name)
            ),
        )


def _is_about(alert: Alert, gateway: str) -> bool:
    """Its own trouble, also where another alert explains it."""
    return any(_is_at(s, gateway) for s in (alert.subject, *(held.subject for held in alert.held)))


def _is_at(subject: str, gateway: str) -> bool:
    return subject == gateway or subject.startswith(f"{gateway}/")


def _heartbeat_ms(live: LiveState | None) -> int | None:
    """None if its will came last: that is no heartbeat, and only the newest word is kept."""
    return live.ms if live is not None and live.state.get("seq") is not None else None


def _there(now: GroupNow, repeater: str) -> GroupThere | None:
    group = now.snapshot.group
    for wanted in now.fanout.wanted:
        if wanted.repeater == repeater:
            return GroupThere(group=group, wanted=True, why=wanted.why, carriage=wanted.carriage)
    if any(idle == repeater for idle, _ in now.fanout.idle):
        return GroupThere(group=group, wanted=False, why=(), carriage=Carriage.CARRIED)
    return None


def _counts(snapshot: GatewaySnapshot) -> EventCounts:
    counts = snapshot.counts
    plain = ("heard", "route", "quarantined", "refused", "late", "future", "too_old", "given_up")
    return EventCounts(
        **{name: counts.get(name, 0) for name in plain},
        duplicates=counts.get("duplicate", 0),
        missing=snapshot.missing,
    )


def _flood(flood: FloodSpan | None) -> FloodSeen | None:
    if flood is None:
        return None
    return FloodSeen(
        since=from_ms(flood.since_ms), last_at=from_ms(flood.last_ms), messages=flood.messages
    )


# -- for people --------------------------------------------------------------------------------


def _when(at: Moment | None, desk: Desk) -> str:
    if at is None:
        return ""
    ms = round(at.timestamp() * 1000)
    return f"{moment(ms, desk.now_ms)} ({ago(ms, desk.now_ms)})"


def _text(desk: Desk, found: Gateway) -> list[str]:
    lines = [*note_lines(desk), *wrap(f"{found.gateway}  {found.title}".rstrip())]
    since = f", since {_when(found.since, desk)}" if found.since else ""
    facts = [
        ("it is", f"{_SAID[found.standing]}{since}"),
        ("heartbeat", _heartbeat(found, desk)),
        ("software", found.software or "not said"),
        ("spool", _spool(found)),
        ("clock", _clock(found.clock_offset_s)),
        ("events", _events(found.counts)),
        ("keeper", found.keeper or "not in the region file"),
    ]
    if found.flood is not None:
        text = f"{plural(found.flood.messages, 'message')} refused, the last "
        facts.insert(6, ("flood", text + _when(found.flood.last_at, desk)))
    for name, text in facts:
        lines += wrap(text, f"  {name:<11}", " " * 13)
    rows = [_row(desk, r) for r in found.repeaters]
    heads = ["REPEATER", "IS", "SINCE", "GROUPS", "MEMBERS"]
    lines += ["", *(table(heads, rows) if rows else ["No repeater."])]
    for repeater in found.repeaters:
        if repeater.up is None:
            lines += wrap(f"{repeater.repeater}: {repeater.reason}: nothing can be said of it now")
        if repeater.up or repeater.health is not None:
            text = health_text(repeater.health, desk.now_ms)
            lines += wrap(f"{repeater.repeater}: {text}", "", "  ")
    for alert in found.alerts:
        lines += ["", *wrap(f"ALERT {alert.id}: {alert.title}")]
        if alert.acknowledged_by:
            note = f": {alert.note}" if alert.note else ""
            lines += wrap(f"In hand of {alert.acknowledged_by}{note}", "  ")
        lines += held_lines(desk, alert)
        lines += wrap(f"Next: {alert.next_step}", "  ")
    if found.maintenance:
        lines += ["", "MAINTENANCE"]
        lines += [line for work in found.maintenance for line in work_lines(desk, work)]
    return [*lines, "", *wrap(found.caution)]


def _heartbeat(found: GatewayNow, desk: Desk) -> str:
    if found.standing is GatewayStanding.NEVER:
        return "none"
    return _when(found.heartbeat_at, desk) or "ended by its will: the connection was lost"


def _spool(found: GatewayNow) -> str:
    if found.spooled is None:
        return "not said"
    text = f"{plural(found.spooled, 'event')} not yet sent"
    return f"{text}, {found.dropped} given up for want of disk" if found.dropped else text


def _clock(offset_s: float | None) -> str:
    if offset_s is None:
        return "offset not said"
    side = "behind" if offset_s > 0 else "ahead"
    return f"{abs(offset_s):.3f} s {side}; times are corrected" if offset_s else "right"


def _events(counts: EventCounts) -> str:
    parts = [f"{counts.heard} heard", f"{counts.route} route", f"{counts.duplicates} duplicate"]
    parts += [f"{counts.missing} missing", f"{counts.quarantined} quarantined"]
    seldom = ("refused", "late", "future", "too_old", "given_up")
    parts += [f"{n} {spoken(name)}" for name in seldom if (n := getattr(counts, name))]
    # A hole in the numbers is seen by what follows it: of the newest that were lost none is known.
    return f"{', '.join(parts)}; what is missing shows when a later event comes"


def _row(desk: Desk, found: RepeaterNow) -> list[str]:
    up = {True: "up", False: "down", None: "not known"}[found.up]
    since = "" if found.since is None or found.up is None else _when(found.since, desk)
    members = Counter(f"{m.station} {spoken(m.standing)}" for m in found.members)
    groups = ", ".join(map(_group_text, found.groups))
    return [found.repeater, up, since, groups or "-", ", ".join(members) or "-"]


def _group_text(there: GroupThere) -> str:
    if not there.wanted:
        return f"{there.group} carried for nobody"
    return f"{there.group} {spoken(there.carriage)}"


def _text_all(desk: Desk, found: Gateways) -> list[str]:
    heads = [
        "GATEWAY",
        "IS",
        "FOR",
        "HEARTBEAT",
        "REPEATERS",
        "CARRIED",
        "MEMBERS",
        "SPOOL",
        "LOST",
    ]
    rows = [_line(desk, g) for g in found.gateways]
    lines = [*note_lines(desk), *(table(heads, rows) if rows else ["No gateway."])]
    return [*lines, "", *wrap(found.caution)]


def _line(desk: Desk, g: GatewayNow) -> list[str]:
    for_s = None if g.since is None else desk.now_ms / 1000 - g.since.timestamp()
    wanted = [t for r in g.repeaters for t in r.groups if t.wanted]
    carried = _carried(wanted)
    return [
        g.gateway,
        g.standing,
        "" if for_s is None else age(for_s),
        "-" if g.heartbeat_age_s is None else f"{age(g.heartbeat_age_s)} ago",
        f"{sum(r.up is True for r in g.repeaters)} of {len(g.repeaters)} up",
        f"{carried} of {len(wanted)}" if wanted else "-",
        str(len({m.station for r in g.repeaters for m in r.members})),
        "?" if g.spooled is None else str(g.spooled),
        str(g.counts.missing + g.counts.given_up),
    ]


def _carried(wanted: Sequence[GroupThere]) -> int:
    return sum(there.carriage is Carriage.CARRIED for there in wanted)
