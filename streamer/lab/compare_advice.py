"""Which of the settings compared may be advised at all, which one is, and why. Pure.

The figures see members who key. Who only listens, and who is silent because something has happened
to them, is in none of them: what is cheaper for those who are seen may be worse for those who are
not. So some changes are never advised, however cheap (`Unfit`).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from streamer.config import RegionView
from streamer.lab.alarms import Loss
from streamer.lab.compare import SettingOutcome
from streamer.lab.grid import ALERT_FIELDS, at_the_edge, lines_to_change, on_their_own
from streamer.lab.outcome import CAUSES, Cause
from streamer.lab.pareto import Prices, choose, front
from streamer.reading.text import age, plural

LEAST_S: Final = 6 * 3600.0
"""Of a shorter record nothing is advised: common practice, no source. Say yours with --least."""
_BARRED: Final = CAUSES.index(Cause.BARRED)


class Unfit(StrEnum):
    """Why a setting is shown and not advised."""

    ALERTS = (
        "it changes of which silent members people are told, or when; without --truth nobody knows "
        "which alerts were right, and fewer are not better"
    )
    UNPROVEN = (
        "it changes of which silent members people are told, or when, in a group for which the "
        "truth has no member out of reach of whom it would have told"
    )
    LATER = "a member truly out of reach would have been told of later, or not at all"
    EXPIRY = (
        "a shorter expire_after_s drops members who may be listening, and ends the watch over them "
        "sooner"
    )
    PIN = "it strikes a pin, which may be for somebody who only listens: ask who set it"
    BAR = "it adds a bar that cuts off members who were there"


def unfit(own: SettingOutcome, other: SettingOutcome, *, truth: bool) -> tuple[Unfit, ...]:
    """Why `other` must not be advised to whom has `own`; nothing: it may."""
    return tuple(dict.fromkeys(_unfit(own, other, truth)))


def _unfit(own: SettingOutcome, other: SettingOutcome, truth: bool) -> Iterator[Unfit]:
    was, then = own.setting.view, other.setting.view
    for group in was.groups:
        if _alerts_differ(was, then, group):
            if not truth:
                yield Unfit.ALERTS
            elif not any(loss.told for loss in _losses(other, group)):
                yield Unfit.UNPROVEN
        pairs = zip(_losses(own, group), _losses(other, group), strict=True)
        if any(_told_later(a, b) for a, b in pairs):
            yield Unfit.LATER
        if then.policies[group].expire_after_s < was.policies[group].expire_after_s:
            yield Unfit.EXPIRY
        if set(was.groups[group].pins) - set(then.groups[group].pins):
            yield Unfit.PIN
        if set(then.groups[group].bars) - set(was.groups[group].bars) and group in own.groups:
            more = other.groups[group].missed[_BARRED] - own.groups[group].missed[_BARRED]
            if more > 0:
                yield Unfit.BAR


def _losses(outcome: SettingOutcome, group: str) -> Sequence[Loss]:
    """Of a group that is not in the record there are none."""
    return outcome.alarms[group].losses if group in outcome.alarms else ()


def _alerts_differ(was: RegionView, then: RegionView, group: str) -> bool:
    a, b = was.policies[group], then.policies[group]
    return any(getattr(a, name) != getattr(b, name) for name in ALERT_FIELDS)


def _told_later(own: Loss, other: Loss) -> bool:
    """Either word of it: overdue, or out of reach."""
    pairs = (
        (own.overdue_after_ms, other.overdue_after_ms),
        (own.lost_after_ms, other.lost_after_ms),
    )
    return any(a is not None and (b is None or b > a) for a, b in pairs)


@dataclass(frozen=True, slots=True)
class Advice:
    """The number of the setting to take (0: as it is), why, the lines to write, and notes; and of
    every setting whether it is on the front and why it may not be advised."""

    number: int
    reason: str
    change: tuple[str, ...]
    notes: tuple[str, ...]
    best: frozenset[int]
    unfit: tuple[tuple[Unfit, ...], ...]


def advise(
    outcomes: Sequence[SettingOutcome],
    prices: Prices,
    *,
    truth: bool,
    record_s: float,
    least_s: float = LEAST_S,
) -> Advice:
    """`outcomes` as `compare` gives them, the setting as it is first. Front and choice are among
    those that may be advised; of a record shorter than `least_s` nothing is."""
    why = tuple(unfit(outcomes[0], other, truth=truth) for other in outcomes)
    points = [outcome.point(truth=truth) for outcome in outcomes]
    fit = [n for n, reasons in enumerate(why) if not reasons]
    best = frozenset(fit[n] for n in front([points[n] for n in fit]))
    if record_s < least_s:
        reason = (
            f"too little is recorded to advise a change: {age(record_s)}, at least {age(least_s)} "
            "are needed (--least says otherwise)"
        )
        return Advice(0, reason, (), (), best, why)
    choice = choose([points[n] for n in fit], prices, truth=truth)
    number = fit[choice.number]
    own, taken = outcomes[0], outcomes[number]
    reason = choice.reason
    if number:
        reason += f"; {trade(own, taken)}"
    elif len(fit) < len(outcomes):
        reason += ", of what may be advised"
    settings = [outcome.setting for outcome in outcomes]
    costs = [prices.cost_s(point, truth=truth) for point in points]
    notes = (
        *on_their_own(own.setting.view, taken.setting),
        *at_the_edge(settings, number, record_s),
        *_not_advised(outcomes, why, costs, number),
    )
    change = tuple(lines_to_change(own.setting.view, taken.setting))
    return Advice(number, reason, change, notes, best, why)


def trade(own: SettingOutcome, new: SettingOutcome) -> str:
    """What is won and what is lost: `saves 3 min 55 s wasted, misses 13 overs more (92, now
    79)`."""
    saved_s = own.wasted_s - new.wasted_s
    more = new.missed - own.missed
    wasted = f"saves {age(saved_s)} wasted" if saved_s > 0 else f"wastes {age(-saved_s)} more"
    if not more:
        return f"{wasted}, misses as many overs ({own.missed})"
    than = "more" if more > 0 else "fewer"
    return f"{wasted}, misses {plural(abs(more), 'over')} {than} ({new.missed}, now {own.missed})"


def _not_advised(
    outcomes: Sequence[SettingOutcome],
    why: Sequence[Sequence[Unfit]],
    costs: Sequence[float],
    taken: int,
) -> Iterator[str]:
    """For each reason the cheapest setting that would have cost less than the one taken."""
    if any(Unfit.ALERTS in reasons for reasons in why):
        yield "chosen among the settings that leave alerts of silent members as they are"
    for reason in Unfit:
        cheaper = [
            n for n, reasons in enumerate(why) if reason in reasons and costs[n] < costs[taken]
        ]
        if cheaper:
            n = min(cheaper, key=lambda n: (costs[n], n))
            yield (
                f"{outcomes[n].setting.text} would have cost less ({costs[n]:.0f} s, not "
                f"{costs[taken]:.0f} s) and is not advised: {reason.value}"
            )
