"""What is wrong with a group, a gateway or a station just now. Pure.

A condition is worked out anew from the state each time; what it means to people (opened,
acknowledged, cleared) is the business of `streamer.alerts.lifecycle`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from streamer.config import Policy
from streamer.contract.published import AlertKind, Carriage, Severity, Standing
from streamer.domain.fanout import FanOutResult, Wanted, not_carried_since_ms
from streamer.domain.group_now import GroupNow, carriage_at
from streamer.domain.liveness import Sights
from streamer.domain.membership import CLOSED, Judgement, clock_text
from streamer.domain.model import Summary
from streamer.domain.places import TwoPlaces
from streamer.limits_settings import Limits

LASTING_LOOP: Final = 3
"""So many overs in a loop within `loop_hold_s` are no single mishap."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that is wrong; the same trouble of the same subject always has the same id."""

    id: str
    kind: AlertKind
    severity: Severity
    subject: str
    title: str
    reasons: tuple[str, ...]
    next_step: str
    since_ms: int
    affects: tuple[str, ...] = ()
    opens: bool = True
    """False: it keeps an alert that is there, but is no reason to open one."""
    vague: bool = False
    """Nothing can be said now: an alert that is there keeps its kind and severity."""
    apart: bool = False
    """It has no cause in common with others of its kind: a gateway that never reported."""
    group: str = ""
    """Of what is about a group or its member."""
    repeater: str = ""
    """The repeater concerned: where a member was last heard, where a group is wanted."""
    heard_ms: int | None = None
    """Of a member: when it was last heard."""
    missed: tuple[str, ...] = ()
    """Stations that have expired behind it: its alert alone tells of them."""

    @property
    def expired(self) -> bool:
        """A member that was never heard again and that its group does not count any more."""
        return self.kind is AlertKind.MEMBER_OUT_OF_REACH and self.severity is Severity.WARNING


@dataclass(frozen=True, slots=True)
class Found:
    """Conditions, and when time alone may bring or end one."""

    conditions: tuple[Condition, ...]
    next_ms: int | None
    endings: Mapping[str, str] = field(default_factory=dict)
    """Alert id -> why it can be no more, where more than the usual word can be said."""


def alert_id(kind: str, *subject: str) -> str:
    """The id of an alert: the same trouble of the same subject always has the same."""
    return ".".join([kind, *subject]).replace("/", ".")


def earliest(times: Sequence[int | None]) -> int | None:
    """The first of the times that are known."""
    return min((t for t in times if t is not None), default=None)


def counted(number: int, one: str, many: str) -> str:
    """A number with its noun."""
    return f"{number} {one if number == 1 else many}"


def of_group(now: GroupNow, sights: Sights, policy: Policy, limits: Limits, now_ms: int) -> Found:
    """Members overdue or out of reach, starved repeaters, loops.

    A blind member opens no alert of its own, the gateway's or repeater's alert names it; but one
    that stands is not taken back because a gateway has failed.
    """
    snapshot, group = now.snapshot, now.snapshot.group
    found: list[Condition] = []
    endings: dict[str, str] = {}
    for summary, judgement in now.judged if policy.member_alerts else ():
        condition = _member(group, summary, judgement, now.fanout, snapshot.previous)
        if condition is not None:
            found.append(condition)
        else:
            endings[alert_id("member", group, summary.station)] = _ending(judgement)
    times: list[int | None] = []
    grace_ms = round(policy.starved_after_s * 1000)
    for wanted in now.fanout.wanted:
        if not wanted.starved:
            continue
        said = snapshot.carrying.get(wanted.repeater)
        since_ms = not_carried_since_ms(wanted, said, sights)
        if since_ms + grace_ms > now_ms:
            times.append(since_ms + grace_ms)
            continue
        found.append(_starved(group, wanted, since_ms))
    hold_ms = round(limits.loop_hold_s * 1000)
    fresh = [loop for loop in now.loops if loop.ms + hold_ms > now_ms]
    if fresh:
        newest = fresh[-1]
        times.append(newest.ms + hold_ms)
        found.append(
            Condition(
                alert_id(AlertKind.LOOP, group),
                AlertKind.LOOP,
                Severity.CRITICAL if len(fresh) >= LASTING_LOOP else Severity.WARNING,
                group,
                f"An over of {group} went in a loop",
                (
                    newest.reason,
                    _when_of(len(fresh), newest.ms),
                    "it keeps repeaters on the air for nobody",
                ),
                _loop_step(group, newest.through),
                fresh[0].ms,
                newest.through,
                group=group,
            )
        )
    return Found(tuple(found), earliest(times), endings)


def _starved(group: str, wanted: Wanted, since_ms: int) -> Condition:
    repeater, holders = wanted.repeater, ", ".join(wanted.members) or "a pin"
    return Condition(
        alert_id(AlertKind.REPEATER_STARVED, group, repeater),
        AlertKind.REPEATER_STARVED,
        Severity.CRITICAL if wanted.members else Severity.WARNING,
        repeater,
        f"{group} is wanted on {repeater} but not carried there",
        (f"wanted for {holders}", f"not carried since {clock_text(since_ms)}"),
        _starved_step(repeater, group, wanted.members),
        since_ms,
        wanted.members,
        group=group,
        repeater=repeater,
    )


def _starved_step(repeater: str, group: str, members: Sequence[str]) -> str:
    step = f"Ask the keeper of {repeater} why {group} is not carried."
    if members:
        step += " Until it is, they do not hear the group there: reach them by another way."
    return step


def _ending(judgement: Judgement) -> str:
    """Why a member is in no trouble now. It need not have been heard anew: others' overs that came
    late may have shown its silence to be none."""
    said = judgement.reasons[0]
    return f"in reach as judged now: {said}" if judgement.standing is Standing.IN_REACH else said


def _when_of(loops: int, newest_ms: int) -> str:
    if loops == 1:
        return f"at {clock_text(newest_ms)}"
    return f"the newest of {loops} such overs, at {clock_text(newest_ms)}"


def _loop_step(group: str, through: Sequence[str]) -> str:
    """What to do about a loop: by two ways to one repeater, or round a ring of gateways."""
    first, *ways = through
    if "/" in first:
        return f"Ask the keepers to let only one of {', '.join(ways)} send {group} to {first}."
    ring = ", ".join(through)
    return f"Ask the keeper of one of {ring} to pass {group} on no more: that breaks the ring."


def _member(
    group: str,
    summary: Summary,
    judgement: Judgement,
    fanout: FanOutResult,
    previous: Mapping[str, str],
) -> Condition | None:
    """One alert for a member, whatever becomes of it: overdue, then out of reach, and it does not
    end because the membership expires. It ends when the station is heard or checks out."""
    station, where = summary.station, summary.place.repeater
    kind, severity = AlertKind.MEMBER_OUT_OF_REACH, Severity.CRITICAL
    if judgement.standing is Standing.OVERDUE:
        kind, severity = AlertKind.MEMBER_OVERDUE, Severity.WARNING
        title = f"{station} of {group} is overdue"
        heard_there = carriage_at(where, fanout) is not Carriage.NOT_CARRIED
        way = f"on {group}" if heard_there else f"by another way: {where} does not carry {group}"
        step = f"Call {station} {way}; it was last heard on {where}."
    elif judgement.standing is Standing.OUT_OF_REACH:
        title = f"{station} of {group} is out of reach"
        step = f"Try {station} by another way; ask members near {where} if they hear it."
    elif judgement.standing is Standing.EXPIRED:
        severity = Severity.WARNING
        title = f"{station} was never heard again and is no longer counted in {group}"
        step = f"Find out whether {station} went home; it did not check out."
    elif judgement.standing is Standing.BLIND:
        title = f"{station} of {group} was not in reach before and cannot be judged now"
        step = f"Go on looking for {station} by another way; {where} says nothing about it now."
    else:
        return None
    return Condition(
        alert_id("member", group, station), kind, severity, station, title,
        judgement.reasons, step, judgement.since_ms,
        opens=_opens(judgement, previous.get(station, "")),
        vague=judgement.standing is Standing.BLIND,
        group=group, repeater=where, heard_ms=summary.place.ms,
    )  # fmt: skip


def _opens(judgement: Judgement, before: str) -> bool:
    """Who was a member when last looked at and has expired without ever having been overdue, as its
    repeater was dark for so long, must be told of; who is learnt of only when the membership has
    expired is no news to anybody. `before` is how it stood then, and where."""
    if judgement.standing is Standing.EXPIRED:
        return bool(before) and before.split(" ", maxsplit=1)[0] not in CLOSED
    return judgement.standing is not Standing.BLIND


def of_station(station: str, evidence: TwoPlaces | None, limits: Limits, now_ms: int) -> Found:
    """One call sign in two places, for a time after the newest evidence."""
    if evidence is None:
        return Found((), None)
    ends_ms = evidence.ms + round(limits.two_places_hold_s * 1000)
    if ends_ms <= now_ms:
        return Found((), None)
    condition = Condition(
        alert_id(AlertKind.TWO_PLACES, station),
        AlertKind.TWO_PLACES,
        Severity.WARNING,
        station,
        f"{station} was heard in two places",
        (evidence.reason,),
        f"Ask {station} on the air where it is; somebody else may be using its call sign.",
        evidence.ms,
        evidence.repeaters,
    )
    return Found((condition,), ends_ms)
