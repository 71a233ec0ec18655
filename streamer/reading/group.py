"""`streamer group`: who would hear a group if somebody keyed to it now, and who would not."""

import argparse
from collections import Counter

from streamer.clock import Clock
from streamer.contract.common import Moment
from streamer.contract.duty import DutyMark
from streamer.contract.published import (
    CAUTION,
    Carriage,
    FanOutRepeater,
    IdleRepeater,
    Member,
    Order,
    RollCall,
    Standing,
    Why,
)
from streamer.domain.duty import duty_text, marks_of
from streamer.domain.fanout import not_carried_since_ms
from streamer.domain.group_now import (
    GroupNow,
    Hears,
    carriage_at,
    carriage_reason,
    goes_out,
    hears,
    is_shown,
)
from streamer.domain.liveness import Sights
from streamer.reading.common import (
    WELL,
    Answer,
    Desk,
    Document,
    Header,
    add_common,
    answer,
    find_group,
    note_lines,
    spoken,
    typed,
)
from streamer.reading.text import ago, moment, plural, table, wrap
from streamer.state import lookups, ordered
from streamer.worker.messages import fanout_body, reach_body, roll_call_of

_TROUBLE_FIRST = (Hears.NO, Hears.UNKNOWN, Hears.YES)


class WantedRepeater(FanOutRepeater):
    """A repeater of the fan-out: whether an over would go out there, and why that is thought.

    `not_yet`: starved, but for less than the policy's starved_after_s: no reason to worry.
    """

    hears: Hears
    hears_reason: str
    starved: bool
    not_yet: bool


class RosterMember(Member):
    """A member, and whether it would hear an over to the group."""

    hears: Hears


class Group(Header):
    """`fanout_version` and `reach_version` are those of the newest published messages; `not_yet`
    are those of `starved` that are given time by the policy."""

    group: str
    title: str
    repeaters: tuple[WantedRepeater, ...]
    starved: tuple[str, ...]
    not_yet: tuple[str, ...]
    idle: tuple[IdleRepeater, ...]
    barred: tuple[str, ...]
    orders: tuple[Order, ...]
    duties: tuple[DutyMark, ...]
    roll_call: RollCall | None
    members: tuple[RosterMember, ...]
    fanout_version: int
    reach_version: int
    caution: str = CAUTION


class GroupCounts(Document):
    """One group in numbers. `standings` has every standing of a member; `not_yet` are those of
    `starved` that are given time by the policy."""

    group: str
    title: str
    members: int
    standings: dict[Standing, int]
    wanted: int
    carried: int
    not_carried: int
    unknown: int
    starved: tuple[str, ...]
    not_yet: tuple[str, ...]
    barred: tuple[str, ...]


class GroupLine(GroupCounts):
    """`idle` carry it for nobody."""

    idle: tuple[str, ...]


class Groups(Header):
    groups: tuple[GroupLine, ...]
    caution: str = CAUTION


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Who would hear a group if somebody keyed to it now, and who would not; without GROUP "
        "one line for each group. Exit code 0: answered; 1: no such group, or the state cannot "
        "be read."
    )
    parser.add_argument("group", metavar="GROUP", nargs="?", help="a group's name, in any case")
    add_common(parser)


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    if arguments.group is None:
        return answer("group", arguments, _work_all, clock)
    name = typed(arguments.group)
    return answer("group", arguments, lambda desk: _work(desk, name), clock)


def _work(desk: Desk, name: str) -> Answer:
    document = group(desk, find_group(desk.view, name))
    return document, lambda: _text(desk, document), WELL


def _work_all(desk: Desk) -> Answer:
    document = groups(desk)
    return document, lambda: _text_all(desk, document), WELL


# -- one group ---------------------------------------------------------------------------------


def group(desk: Desk, name: str) -> Group:
    """A group worked out from its record as of now, by the rules of the workers."""
    sights = lookups.sights(desk.store, desk.now_ms)
    (now,) = desk.groups_now([name], sights)
    snapshot = now.snapshot
    duties = marks_of(ordered.duties_from(desk.store.duties()), name)
    body = fanout_body(desk.view.name, snapshot, now.fanout, duties)
    not_yet = _not_yet(desk, now, sights)
    return Group(
        **desk.header(),
        group=name,
        title=desk.view.groups[name].title,
        repeaters=tuple(_wanted(r, body.starved, not_yet, sights) for r in body.repeaters),
        starved=body.starved,
        not_yet=not_yet,
        idle=body.idle,
        barred=body.barred,
        orders=body.orders,
        duties=duties,
        roll_call=roll_call_of(snapshot.roll_call),
        members=_roster(desk, now),
        fanout_version=snapshot.fanout_version,
        reach_version=snapshot.reach_version,
    )


def _not_yet(desk: Desk, now: GroupNow, sights: Sights) -> tuple[str, ...]:
    """The starved repeaters about which the workers raise no alert yet."""
    snapshot = now.snapshot
    since_ms = desk.now_ms - round(desk.view.policies[snapshot.group].starved_after_s * 1000)
    return tuple(
        w.repeater
        for w in now.fanout.wanted
        if w.starved
        and not_carried_since_ms(w, snapshot.carrying.get(w.repeater), sights) > since_ms
    )


def _wanted(
    entry: FanOutRepeater, starved: tuple[str, ...], not_yet: tuple[str, ...], sights: Sights
) -> WantedRepeater:
    return WantedRepeater(
        **dict(entry),
        hears=goes_out(entry.carriage),
        hears_reason=carriage_reason(entry.repeater, entry.carriage, sights),
        starved=entry.repeater in starved,
        not_yet=entry.repeater in not_yet,
    )


def _roster(desk: Desk, now: GroupNow) -> tuple[RosterMember, ...]:
    shown = [(s, j) for s, j in now.judged if is_shown(j, desk.now_ms)]
    roster = reach_body(desk.view.name, now.snapshot, shown, desk.view.policies[now.snapshot.group])
    return tuple(
        RosterMember(
            **dict(member),
            hears=hears(judgement.standing, carriage_at(member.repeater, now.fanout)),
        )
        for member, (_, judgement) in zip(roster.members, shown, strict=True)
    )


def _text(desk: Desk, found: Group) -> list[str]:
    lines = [*note_lines(desk), *wrap(f"{found.group}  {found.title}")]
    lines += wrap(duty_text(found.duties)) if found.duties else []
    lines += ["", *wrap(_verdict(found)), ""]
    carried = {idle.repeater for idle in found.idle}
    by_hears = {
        h: [_wanted_row(desk, r) for r in found.repeaters if r.hears is h] for h in _TROUBLE_FIRST
    }
    by_hears[Hears.NO] += [
        [Hears.NO, name, "members on it, but it is barred", "", "must not"]
        for name in found.barred
        if name not in carried
    ]
    rows = [row for h in _TROUBLE_FIRST for row in by_hears[h]]
    for idle in found.idle:
        barred = idle.repeater in found.barred
        why = "members on it, but it is barred" if barred else "nobody: idle"
        carries = "yes, but must not" if barred else "yes"
        rows.append([Hears.YES, idle.repeater, why, _ago(idle.since, desk), carries])
    if rows:
        lines += table(["HEARS", "REPEATER", "WANTED FOR", "SINCE", "CARRIED"], rows)
    else:
        lines.append("No repeater: the group has no member and no pin.")
    lines += [line for order in found.orders for line in wrap(_order(desk, order), "", "  ")]
    lines += ["", plural(len(_in(found)), "member") + _left(found)]
    if found.roll_call is not None:
        answered = sum(m.answered_at is not None for m in _in(found))
        begun = ago(_ms(found.roll_call.started_at), desk.now_ms)
        lines += wrap(f"roll call by {found.roll_call.started_by}, {begun}: {answered} answered")
    if found.members:
        present = _in(found)
        members = [_member_row(m, m.hears) for h in _TROUBLE_FIRST for m in present if m.hears is h]
        # Who is no longer a member comes last, and without a word on hearing.
        members += [_member_row(m, "-") for m in found.members if m not in present]
        lines += table(["HEARS", "STATION", "STANDING", "REPEATER", "REASONS"], members)
    return [*lines, "", *wrap(found.caution)]


def _order(desk: Desk, order: Order) -> str:
    until = moment(_ms(order.until), desk.now_ms)
    note = f": {order.note}" if order.note else ""
    return f"ordered by {order.by}: {order.order} {order.repeater} until {until}{note}"


def _member_row(member: RosterMember, hears: str) -> list[str]:
    standing = spoken(member.standing)
    return [hears, member.station, standing, member.repeater, "; ".join(member.reasons)]


def _in(found: Group) -> list[RosterMember]:
    closed = (Standing.EXPIRED, Standing.CHECKED_OUT)
    return [m for m in found.members if m.standing not in closed]


def _left(found: Group) -> str:
    """Apart: one said goodbye, of the other nobody knows why it fell silent."""
    counts = Counter(m.standing for m in found.members)
    closed = [s for s in (Standing.CHECKED_OUT, Standing.EXPIRED) if counts[s]]
    gone = " and ".join(f"{counts[s]} {spoken(s)}" for s in closed)
    return f"; {gone} within the last hour" if gone else ""


def _verdict(found: Group) -> str:
    counts = Counter(r.hears for r in found.repeaters)
    members = Counter(m.hears for m in _in(found))
    late = len(found.not_yet)
    parts = [
        f"{plural(counts[Hears.YES], 'wanted repeater')} would carry it",
        f"{counts[Hears.NO]} would not" + (f" ({late} not yet)" if late else ""),
        f"{counts[Hears.UNKNOWN]} cannot be said",
    ]
    told = ", ".join(parts) if found.repeaters else "no repeater is wanted, so none would carry it"
    text = f"If somebody keyed to {found.group} now: {told}."
    if _in(found):
        text += (
            f" Of {plural(len(_in(found)), 'member')} {members[Hears.YES]} would hear it, "
            f"{members[Hears.NO]} would not, {members[Hears.UNKNOWN]} cannot be said."
        )
    return text


def _wanted_row(desk: Desk, entry: WantedRepeater) -> list[str]:
    reasons = []
    if Why.MEMBER in entry.why:
        reasons.append(", ".join(entry.members))
    if Why.PIN in entry.why:
        reasons.append("pin")
    if Why.LINGER in entry.why:
        until = f" until {moment(_ms(entry.until), desk.now_ms)}" if entry.until else ""
        reasons.append(f"linger{until}")
    if entry.hears is Hears.YES:
        after = entry.carried_after_s
        carried = "yes" if after is None else f"yes, after {after:.1f} s"
    elif entry.hears is Hears.NO:
        carried = "not yet" if entry.not_yet else "no: starved" if entry.starved else "no"
    else:
        carried = f"unknown: {entry.hears_reason}"
    since = _ago(entry.since, desk)
    return [entry.hears, entry.repeater, "; ".join(reasons), since, carried]


def _ms(at: Moment) -> int:
    return round(at.timestamp() * 1000)


def _ago(at: Moment | None, desk: Desk) -> str:
    return "" if at is None else ago(_ms(at), desk.now_ms)


# -- all groups --------------------------------------------------------------------------------


def groups(desk: Desk) -> Groups:
    """Every group of the region file in numbers."""
    sights = lookups.sights(desk.store, desk.now_ms)
    lines = [_line(desk, now, sights) for now in desk.groups_now(list(desk.view.groups), sights)]
    return Groups(**desk.header(), groups=tuple(lines))


def _line(desk: Desk, now: GroupNow, sights: Sights) -> GroupLine:
    standings = Counter(j.standing for _, j in now.judged if j.is_member)
    carriages = Counter(w.carriage for w in now.fanout.wanted)
    name = now.snapshot.group
    return GroupLine(
        group=name,
        title=desk.view.groups[name].title,
        members=standings.total(),
        standings={
            s: standings[s] for s in Standing if s not in (Standing.EXPIRED, Standing.CHECKED_OUT)
        },
        wanted=len(now.fanout.wanted),
        carried=carriages[Carriage.CARRIED],
        not_carried=carriages[Carriage.NOT_CARRIED],
        unknown=carriages[Carriage.UNKNOWN],
        starved=tuple(w.repeater for w in now.fanout.wanted if w.starved),
        not_yet=_not_yet(desk, now, sights),
        idle=tuple(repeater for repeater, _ in now.fanout.idle),
        barred=now.fanout.barred,
    )


def _text_all(desk: Desk, found: Groups) -> list[str]:
    rows = [
        [
            g.group,
            str(g.members),
            ", ".join(f"{n} {spoken(s)}" for s, n in g.standings.items() if n) or "-",
            f"{g.carried} of {g.wanted}" + (f", {g.unknown} unknown" if g.unknown else ""),
            ", ".join(name for name in g.starved if name not in g.not_yet),
            g.title,
        ]
        for g in found.groups
    ]
    heads = ["GROUP", "MEMBERS", "STANDINGS", "CARRIED", "STARVED", "TITLE"]
    return [*note_lines(desk), *table(heads, rows), "", *wrap(found.caution)]
