"""When a silent member becomes overdue, and when out of reach. Pure.

A silence is looked at again and again, each time a tenth longer than before: how unusual it is by
then (`silence`), and what else tells that the station can no longer be heard (`outlook`), both in
decades, added. The first look at which that reaches the threshold of the policy decides, whatever
is known later: a member that nobody has heard again does not come back in reach. What is asked
about a look is asked of what was known at its time, so that whoever asks later finds the same.
"""

import math
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from typing import Final

from streamer.config import Learning, Policy
from streamer.domain.model import Presence
from streamer.domain.outlook import NOTHING_KNOWN, Outlook, Signs, Watcher
from streamer.domain.silence import (
    Law,
    OwnLaw,
    Pause,
    Weighed,
    group_law,
    pauses_of,
    prior_law,
    slower,
    turns_of,
)

LOOK_AGAIN: Final = 1.1
"""How much longer a silence is at each look than at the one before."""
LEAST_PHI: Final = 0.3
"""However bad the outlook is: half of all pauses are as long as this."""
TEMPO_GRAINS: Final = 60
"""How far back it is asked whether the group keys less than usual."""
LAWS_EVERY_GRAINS: Final = 10
"""Others' laws change slowly: worked out once in so long."""
ON_THE_WAY_GRAINS: Final = 2
ANEW_MS: Final = 600_000
"""What is remembered of a silence, or of what was usual at a time, is worked out anew after so
long: events that came late may have changed it, and workers are to come to the same."""


@dataclass(frozen=True, slots=True)
class Look:
    """What was found at one length of a silence. `usual_s`: half of its pauses are shorter;
    `slower`: how much slower than usual its group keyed; `pauses`: how many of its own are known.
    """

    silence_s: float
    phi: float
    outlook: Outlook
    usual_s: float
    slower: float
    pauses: float

    @property
    def decades(self) -> float:
        """Everything together; nothing tells against one who is hardly silent."""
        return self.phi + self.outlook.decades if self.phi >= LEAST_PHI else 0.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """Seconds of silence, times in which nobody could hear it left out. `next_s`: when it is looked
    at again, None if that can change nothing."""

    overdue_s: float
    lost_s: float
    next_s: float | None
    overdue: Look | None = None
    lost: Look | None = None
    """The looks that decided; None where the latest times of the policy did, or nothing has yet."""
    newest: Look | None = None


def fixed(policy: Policy) -> Verdict:
    """By the latest times of the policy alone."""
    return Verdict(policy.overdue_after_s, policy.out_of_reach_after_s, None)


def soonest_s(policy: Policy) -> float:
    """Before this nobody is anything but in reach."""
    return min(round(max(1.0, policy.overdue_soonest_s), 3), policy.overdue_after_s)


def decide(
    policy: Policy,
    silence_s: float,
    look: Callable[[float], Look],
    known: Verdict | None = None,
) -> Verdict:
    """Look at a silence that has lasted `silence_s` by now. `known` is what was said of the same
    silence before: its looks need not be taken again."""
    overdue = lost = newest = None
    at_s = soonest_s(policy)
    if known is not None:
        if known.next_s is None:
            return known
        overdue, lost, newest, at_s = known.overdue, known.lost, known.newest, known.next_s
    lost_soonest_s = min(policy.out_of_reach_soonest_s, policy.out_of_reach_after_s)
    end_s = policy.out_of_reach_after_s
    while at_s <= silence_s and at_s < end_s and lost is None:
        newest = look(at_s)
        # Later, the latest time of the policy has decided already.
        in_time = at_s < policy.overdue_after_s
        if overdue is None and in_time and newest.decades >= policy.overdue_phi:
            overdue = newest
        if at_s >= lost_soonest_s and newest.decades >= policy.out_of_reach_phi:
            lost = newest
        # In whole ms, as times are: so that a look falls due when it is said to.
        at_s = round(max(1.0, at_s * LOOK_AGAIN), 3)
    overdue_s = min(overdue.silence_s if overdue else math.inf, policy.overdue_after_s)
    lost_s = min(lost.silence_s if lost else math.inf, end_s)
    undecided = lost is None and at_s < end_s
    return Verdict(
        min(overdue_s, lost_s), lost_s, at_s if undecided else None, overdue, lost, newest
    )


@dataclass(frozen=True, slots=True)
class Slot:
    """What was usual in a group at one time: the law of its pauses, and for each of its members how
    often it should have been heard lately and how often it was."""

    usual: Law
    turns: Mapping[str, tuple[float, float]]
    expected: float
    heard: float

    def slower(self, station: str) -> float:
        """See `silence.slower`; by the others alone."""
        own_expected, own_heard = self.turns.get(station, (0.0, 0.0))
        return slower(self.expected - own_expected, self.heard - own_heard)


def until(presence: Presence, at_s: float) -> Presence:
    """A presence as it was known at a time."""
    return presence[bisect_left(presence, -at_s, key=lambda s: -s) :]


class Silences:
    """The silences of one group's members. `presence` and `signs` tell of a station; `sample` are
    as many members as stand for the group."""

    def __init__(
        self,
        policy: Policy,
        learning: Learning,
        presence: Callable[[str], Presence],
        sample: Iterable[str],
        *,
        duty_since_s: float | None = None,
        watcher: Watcher | None = None,
        signs: Callable[[str], Signs | None] = lambda station: None,
        slots: MutableMapping[int, Slot] | None = None,
    ) -> None:
        self._policy = policy
        self._grain_s = learning.grain_s
        self._presence = presence
        self._sample = tuple(sample)
        self._duty_since_s = duty_since_s
        self._watcher = watcher
        self._signs = signs
        middle_s = math.sqrt(soonest_s(policy) * policy.overdue_after_s)
        self._prior = prior_law(policy.overdue_phi, middle_s)
        self._slots = {} if slots is None else slots
        self._paused: dict[str, tuple[Presence, tuple[Pause, ...]]] = {}

    def verdict(
        self,
        station: str,
        start_ms: int,
        silence_s: float,
        dark: Sequence[tuple[int, int]],
        when_ms: Callable[[float], int],
        known: Verdict | None = None,
    ) -> Verdict:
        """Of a silence since `start_ms` that has lasted `silence_s`, not counting `dark`; `when_ms`
        tells when it had lasted so many seconds; `known` as for `decide`."""
        presence = until(self._presence(station), start_ms / 1000)
        weighed: Weighed | None = None
        own: dict[int, OwnLaw] = {}

        def look(at_s: float) -> Look:
            nonlocal weighed
            at_ms = when_ms(at_s)
            slot = at_ms // 1000 // (LAWS_EVERY_GRAINS * self._grain_s)
            then = self._slot(slot)
            law = own.get(slot)
            if law is None:
                if weighed is None:
                    weighed = self._weigh(presence, start_ms / 1000, dark)
                law = own[slot] = weighed.law(then.usual)
            slow = then.slower(station) ** (1 - law.base.regularity)
            phi = law.phi(at_s, slow)
            outlook = self._outlook(station, at_ms) if phi >= LEAST_PHI else NOTHING_KNOWN
            return Look(at_s, phi, outlook, law.base.usual_s, slow, law.pauses)

        return decide(self._policy, silence_s, look, known)

    def _weigh(self, presence: Presence, now_s: float, dark: Sequence[tuple[int, int]]) -> Weighed:
        longest_s = self._policy.overdue_after_s
        since_s = self._duty_since_s
        if since_s is not None and since_s > now_s:
            since_s = None
        return Weighed(pauses_of(presence, self._grain_s, longest_s, dark), now_s, since_s)

    def _pauses(self, name: str, presence: Presence) -> tuple[Pause, ...]:
        """Mostly those of the slot before: few have been heard since."""
        known = self._paused.get(name)
        if known is None or known[0] != presence:
            pauses = pauses_of(presence, self._grain_s, self._policy.overdue_after_s)
            known = self._paused[name] = presence, pauses
        return known[1]

    def _slot(self, number: int) -> Slot:
        found = self._slots.get(number)
        if found is None:
            found = self._slots[number] = self._make_slot(number)
        return found

    def _make_slot(self, number: int) -> Slot:
        # Only grains that are over, and whose events have come: else it mattered when one asks.
        at_s = float((number * LAWS_EVERY_GRAINS - ON_THE_WAY_GRAINS) * self._grain_s)
        window_s = float(TEMPO_GRAINS * self._grain_s)
        gone_s = at_s - self._policy.expire_after_s
        known = {
            name: presence
            for name in self._sample
            if (presence := until(self._presence(name), at_s)) and presence[0] > gone_s
        }
        pauses = {name: self._pauses(name, presence) for name, presence in known.items()}
        usual = group_law(pauses.values(), self._prior)
        turns = {
            name: turns_of(
                Weighed(own, at_s).base(usual), known[name], window_s, at_s, self._grain_s
            )
            for name, own in pauses.items()
        }
        expected = sum(e for e, _ in turns.values())
        return Slot(usual, turns, expected, sum(h for _, h in turns.values()))

    def _outlook(self, station: str, at_ms: int) -> Outlook:
        signs = self._signs(station)
        if self._watcher is None or signs is None:
            return NOTHING_KNOWN
        return self._watcher.outlook(signs, at_ms)
