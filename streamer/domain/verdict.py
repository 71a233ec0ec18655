"""When a silent member becomes overdue, and when out of reach. Pure.

A silence is looked at again and again, each time a tenth longer than before: how unusual it is by
then (`silence`), and what else tells that the station can no longer be heard (`outlook`), both in
decades, added. The first look at which that reaches the threshold of the policy decides, whatever
is known later: a member that nobody has heard again does not come back in reach. What is asked
about a look is asked of what was known at its time, so that whoever asks later finds the same.
"""

import math
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from streamer.config import Learning, Policy
from streamer.domain.model import Presence
from streamer.domain.outlook import NOTHING_KNOWN, Outlook, Signs, Watcher
from streamer.domain.silence import (
    Law,
    OwnLaw,
    group_law,
    learn,
    pauses_of,
    prior_law,
    slower,
)

LOOK_AGAIN: Final = 1.1
"""How much longer a silence is at each look than at the one before."""
LEAST_PHI: Final = 0.3
"""However bad the outlook is: half of all pauses are as long as this."""
TEMPO_GRAINS: Final = 60
"""How far back it is asked whether the group keys less than usual."""
LAWS_EVERY_GRAINS: Final = 10
"""Others' laws change slowly: worked out once in so long."""


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
    return min(policy.overdue_soonest_s, policy.overdue_after_s)


def decide(policy: Policy, silence_s: float, look: Callable[[float], Look]) -> Verdict:
    """Look at a silence that has lasted `silence_s` by now."""
    overdue = lost = newest = None
    lost_soonest_s = min(policy.out_of_reach_soonest_s, policy.out_of_reach_after_s)
    at_s = max(1.0, soonest_s(policy))
    end_s = min(silence_s, policy.out_of_reach_after_s)
    while at_s <= end_s and lost is None:
        newest = look(at_s)
        if overdue is None and newest.decades >= policy.overdue_phi:
            overdue = newest
        if at_s >= lost_soonest_s and newest.decades >= policy.out_of_reach_phi:
            lost = newest
        at_s *= LOOK_AGAIN
    overdue_s = min(overdue.silence_s if overdue else math.inf, policy.overdue_after_s)
    lost_s = min(lost.silence_s if lost else math.inf, policy.out_of_reach_after_s)
    undecided = lost is None and at_s < policy.out_of_reach_after_s
    return Verdict(
        min(overdue_s, lost_s), lost_s, at_s if undecided else None, overdue or lost, lost, newest
    )  # fmt: skip


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
        self._laws: dict[int, tuple[Law, dict[str, Law]]] = {}

    def verdict(
        self,
        station: str,
        start_ms: int,
        silence_s: float,
        dark: Sequence[tuple[int, int]],
        when_ms: Callable[[float], int],
    ) -> Verdict:
        """Of a silence since `start_ms` that has lasted `silence_s`, not counting `dark`; `when_ms`
        tells when it had lasted so many seconds."""
        presence = until(self._presence(station), start_ms / 1000)
        own: dict[int, OwnLaw] = {}

        def look(at_s: float) -> Look:
            at_ms = when_ms(at_s)
            slot = at_ms // 1000 // (LAWS_EVERY_GRAINS * self._grain_s)
            usual, others = self._laws_at(slot)
            law = own.get(slot)
            if law is None:
                law = own[slot] = self._learn(presence, usual, start_ms / 1000, dark)
            free = 1 - law.base.regularity
            slow = self._slower(station, others, at_ms / 1000) ** free
            outlook = self._outlook(station, at_ms)
            phi = law.phi(at_s, slow)
            return Look(at_s, phi, outlook, law.base.usual_s, slow, law.pauses)

        return decide(self._policy, silence_s, look)

    def _learn(
        self, presence: Presence, usual: Law, now_s: float, dark: Sequence[tuple[int, int]]
    ) -> OwnLaw:
        longest_s = self._policy.overdue_after_s
        since_s = self._duty_since_s
        if since_s is not None and since_s > now_s:
            since_s = None
        return learn(pauses_of(presence, self._grain_s, longest_s, dark), usual, now_s, since_s)

    def _laws_at(self, slot: int) -> tuple[Law, dict[str, Law]]:
        found = self._laws.get(slot)
        if found is None:
            at_s = float(slot * LAWS_EVERY_GRAINS * self._grain_s)
            known = {name: until(self._presence(name), at_s) for name in self._sample}
            longest_s = self._policy.overdue_after_s
            pauses = {
                name: pauses_of(p, self._grain_s, longest_s) for name, p in known.items() if p
            }
            usual = group_law(pauses.values(), self._prior)
            laws = {name: learn(own, usual, at_s).base for name, own in pauses.items()}
            found = self._laws[slot] = usual, laws
        return found

    def _slower(self, station: str, laws: Mapping[str, Law], at_s: float) -> float:
        others = (
            (law, until(self._presence(name), at_s))
            for name, law in laws.items()
            if name != station
        )
        return slower(others, TEMPO_GRAINS * self._grain_s, at_s, self._grain_s)

    def _outlook(self, station: str, at_ms: int) -> Outlook:
        signs = self._signs(station)
        if self._watcher is None or signs is None:
            return NOTHING_KNOWN
        return self._watcher.outlook(signs, at_ms)
