"""Who is a member of a group, where, and in what standing. Pure."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from streamer.clock import from_ms
from streamer.config import Policy
from streamer.contract.published import Standing
from streamer.domain.liveness import RepeaterSight
from streamer.domain.model import Said, Stay, Summary
from streamer.domain.silence_words import about_words, minutes_words, silence_reasons
from streamer.domain.verdict import Silences, Verdict, fixed, soonest_s

CLOSED: Final = frozenset({Standing.EXPIRED, Standing.CHECKED_OUT})
"""Standings of those who are no longer members."""
WORST_FIRST: Final = (
    Standing.OUT_OF_REACH,
    Standing.OVERDUE,
    Standing.BLIND,
    Standing.IN_REACH,
    Standing.EXPIRED,
    Standing.CHECKED_OUT,
)
"""Which standing counts of somebody who is in several groups: the policy of one may be laxer, and
must not hide what another says. Blind comes after those two, because what had come about before
the repeater went dark stays true; members before those who have left, because whoever is still in
one group is missed there; who fell silent before who said goodbye."""
AskSilences = Callable[[], Silences]
"""What is known of the silences of a group's members: asked only when somebody has been silent for
long enough, as it takes reading."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A standing with its reasons; `next_ms` is when time alone may change it."""

    standing: Standing
    reasons: tuple[str, ...]
    next_ms: int | None
    since_ms: int
    verdict: Verdict | None = None
    """What was found of its silence."""

    @property
    def phi(self) -> float | None:
        """How unusual the silence was when it was last looked at, in decades."""
        newest = self.verdict.newest if self.verdict is not None else None
        return None if newest is None else round(newest.phi, 2)

    @property
    def is_member(self) -> bool:
        return self.standing not in CLOSED


@dataclass(frozen=True, slots=True)
class Departure:
    """A member held the group at a repeater from one time to another, and left."""

    repeater: str
    came_ms: int
    left_ms: int

    def held_until_ms(self, linger_ms: int) -> int:
        """Until when the group lingers there."""
        return self.left_ms + linger_ms


def check_out_of(summary: Summary, policy: Policy) -> Said | None:
    """The newest check-out: one said to the group, or its word said to nobody in particular."""
    if not summary.words:
        return summary.check_out
    said = [summary.words[w.upper()] for w in policy.check_out_words if w.upper() in summary.words]
    if summary.check_out is not None:
        said.append(summary.check_out)
    return max(said, key=lambda register: register.ms, default=None)


def is_checked_in(check_in_ms: int | None, check_out_ms: int | None) -> bool:
    """Whether the newest check-in is newer than the newest check-out, which wins a tie."""
    return check_in_ms is not None and (check_out_ms is None or check_out_ms < check_in_ms)


def expiry_ms(last_ms: int, policy: Policy) -> int:
    """When somebody is no longer a member who was last heard at `last_ms`."""
    return last_ms + round(policy.expire_after_s * 1000)


def clock_text(ms: int) -> str:
    """A time of day for people, in UTC."""
    return f"{from_ms(ms):%H:%M:%S}Z"


def judge(
    summary: Summary,
    policy: Policy,
    sight: RepeaterSight,
    now_ms: int,
    silences: AskSilences | None = None,
    known: Verdict | None = None,
) -> Judgement:
    """The standing of a station in a group.

    A station is a member while its newest check-in is newer than its newest check-out (the
    check-out wins a tie) and its newest keying, to anyone, is younger than the expiry. When its
    silence makes it overdue or out of reach is asked of `silences`; without them the latest times
    of the policy decide. `known` is the verdict of an earlier judgement of the same silence.
    """
    return judge_closed(summary, policy, now_ms) or _judge_silence(
        summary, policy, sight, now_ms, silences, known
    )


def judge_closed(summary: Summary, policy: Policy, now_ms: int) -> Judgement | None:
    """As `judge` for a station that is no member any more; None for a member."""
    place = summary.place
    out = check_out_of(summary, policy)
    came_ms = None if summary.check_in is None else summary.check_in.ms
    if not is_checked_in(came_ms, None if out is None else out.ms):
        at_ms = out.ms if out else place.ms
        by_hand = out is not None and not out.repeater
        reason = f"checked out{' by hand' if by_hand else ''} {clock_text(at_ms)}"
        return Judgement(Standing.CHECKED_OUT, (reason,), None, at_ms)
    expires_ms = expiry_ms(place.ms, policy)
    if now_ms >= expires_ms:
        reason = f"silent longer than {minutes_words(policy.expire_after_s)}"
        return Judgement(Standing.EXPIRED, (_heard(summary), reason), None, expires_ms)
    return None


def _heard(summary: Summary) -> str:
    return f"heard {clock_text(summary.place.ms)} on {summary.place.repeater}"


def _judge_silence(
    summary: Summary,
    policy: Policy,
    sight: RepeaterSight,
    now_ms: int,
    silences: AskSilences | None,
    known: Verdict | None,
) -> Judgement:
    start_ms, expires_ms = summary.place.ms, expiry_ms(summary.place.ms, policy)
    judged_ms = now_ms if sight.reporting else _last_judged_ms(sight, start_ms, now_ms)
    when = partial(_when_silent_ms, start_ms, sight.dark)
    verdict = _verdict(summary, policy, sight, judged_ms, when, silences, known)
    overdue_ms, lost_ms = when(verdict.overdue_s), when(verdict.lost_s)
    reasons = [_heard(summary)]
    unheard_ms = sum(max(0, end - max(begin, start_ms)) for begin, end in sight.dark)
    if unheard_ms:
        reasons.append(f"{about_words(unheard_ms / 1000)} without {sight.repeater} are not counted")
    if not sight.reporting:
        reasons.append(f"{sight.reason}: nothing can be said since")
    # What had come about before the repeater went dark stays true.
    if judged_ms >= lost_ms:
        reasons[1:1] = silence_reasons(verdict.lost, policy.out_of_reach_after_s)
        return Judgement(
            Standing.OUT_OF_REACH, tuple(reasons), expires_ms, lost_ms, verdict
        )  # fmt: skip
    look_ms = expires_ms
    if verdict.next_s is not None and sight.reporting:
        look_ms = min(expires_ms, max(now_ms + 1, when(verdict.next_s)))
    if judged_ms >= overdue_ms:
        reasons[1:1] = silence_reasons(verdict.overdue, policy.overdue_after_s)
        next_ms = min(lost_ms, look_ms) if sight.reporting else expires_ms
        return Judgement(
            Standing.OVERDUE, tuple(reasons), min(next_ms, expires_ms), overdue_ms, verdict
        )  # fmt: skip
    if not sight.reporting:
        since_ms = start_ms if sight.since_ms is None else sight.since_ms
        return Judgement(Standing.BLIND, tuple(reasons), expires_ms, since_ms, verdict)
    next_ms = min(overdue_ms, look_ms, expires_ms)
    return Judgement(Standing.IN_REACH, tuple(reasons), next_ms, start_ms, verdict)


def _verdict(
    summary: Summary,
    policy: Policy,
    sight: RepeaterSight,
    judged_ms: int,
    when: Callable[[float], int],
    silences: AskSilences | None,
    known: Verdict | None,
) -> Verdict:
    soonest = soonest_s(policy)
    if silences is None or soonest >= policy.overdue_after_s:
        return fixed(policy)
    start_ms = summary.place.ms
    if judged_ms < when(soonest):
        return replace(fixed(policy), next_s=soonest)
    silence_s = (judged_ms - start_ms - _overlap_ms(start_ms, judged_ms, sight.dark)) / 1000
    return silences().verdict(summary.station, start_ms, silence_s, sight.dark, when, known)


def _overlap_ms(begin_ms: int, end_ms: int, spans: Sequence[tuple[int, int]]) -> int:
    return sum(max(0, min(end_ms, b) - max(begin_ms, a)) for a, b in spans)


def _when_silent_ms(start_ms: int, dark: Sequence[tuple[int, int]], needed_s: float) -> int:
    return when_silent_ms(start_ms, round(needed_s * 1000), dark)


def _last_judged_ms(sight: RepeaterSight, start_ms: int, now_ms: int) -> int:
    """Until when a silence can be judged on a repeater that does not report: until it went dark,
    and not at all beyond the last keying when nobody knows when that was."""
    return start_ms if sight.since_ms is None else min(now_ms, max(sight.since_ms, start_ms))


def when_silent_ms(start_ms: int, needed_ms: int, dark: Sequence[tuple[int, int]]) -> int:
    """When a silence that began at `start_ms` has lasted `needed_ms`, not counting the times in
    which nobody could have been heard. `dark` in order, none overlapping."""
    at_ms, left_ms = start_ms, needed_ms
    for begin_ms, end_ms in dark:
        if end_ms <= at_ms:
            continue
        listened_ms = max(0, begin_ms - at_ms)
        if listened_ms >= left_ms:
            break
        at_ms, left_ms = end_ms, left_ms - listened_ms
    return at_ms + left_ms


def departures(summary: Summary, policy: Policy, judgement: Judgement) -> Iterator[Departure]:
    """The repeaters that the station left while it was a member, with the times.

    It left when it was heard elsewhere, when it checked out, or when it expired.
    """
    return departed(summary, policy, expired=judgement.standing is Standing.EXPIRED)


def departed(summary: Summary, policy: Policy, *, expired: bool) -> Iterator[Departure]:
    """As `departures`, of a station that has expired for the group, or else has not."""
    out = check_out_of(summary, policy)
    for stay in summary.stays:
        end_ms = _end_ms(stay, policy, expired)
        before = _check_in_before(summary, end_ms)
        if before is None:
            continue
        came_ms = max(stay.arrived_ms, min(summary.check_ins_ms))
        if out is not None and before <= out.ms and (end_ms is None or out.ms < end_ms):
            if out.ms >= stay.arrived_ms:
                yield Departure(stay.repeater, min(came_ms, out.ms), out.ms)
        elif end_ms is not None:
            yield Departure(stay.repeater, min(came_ms, end_ms), end_ms)


def _end_ms(stay: Stay, policy: Policy, expired: bool) -> int | None:
    """When a stay ended for the group: as the station was heard elsewhere, or as it expired before
    that. None for the present one of a station that has not expired."""
    expired_ms = expiry_ms(stay.last_ms, policy)
    if stay.left_ms is None:
        return expired_ms if expired else None
    return min(stay.left_ms, expired_ms)


def _check_in_before(summary: Summary, end_ms: int | None) -> int | None:
    """The newest known check-in before a time. Where the kept ones are all newer, the station has
    keyed to the group so often since that it is taken to have been a member before."""
    times = summary.check_ins_ms
    if not times:
        return None
    found = [ms for ms in times if end_ms is None or ms < end_ms]
    if found:
        return max(found)
    return min(times) if len(times) >= CHECK_INS_FULL else None


CHECK_INS_FULL = 8
"""How many check-ins the state keeps of a member (streamer.state.keys); a test holds them equal."""


def checked_in_ms(summary: Summary, policy: Policy) -> int:
    """The oldest kept check-in since the newest check-out (of someone checked out: the newest)."""
    out = check_out_of(summary, policy)
    came = [ms for ms in summary.check_ins_ms if out is None or ms > out.ms]
    return min(came) if came else max(summary.check_ins_ms, default=summary.place.ms)


def member_since_ms(summary: Summary, policy: Policy) -> int:
    """Since when the station holds its group at its present repeater, as far as is known."""
    arrived_ms = summary.stays[0].arrived_ms if summary.stays else summary.place.ms
    return max(arrived_ms, checked_in_ms(summary, policy))
