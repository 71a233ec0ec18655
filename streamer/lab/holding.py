"""Which repeaters one station makes a group hold, all day long, exact at every deadline. Pure.

The rules are the domain's: whether it is checked in, when it expires, what it has departed from. A
snapshot of the state is judged there at one moment; here one station's keyings are walked through
from each to the next, and between two of them time alone can change something. A property test
(tests/lab/test_holding.py) holds this against `streamer.domain.group_now`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from streamer.config import Policy, RegionView
from streamer.domain.membership import (
    CHECK_INS_FULL,
    departed,
    expiry_ms,
    is_checked_in,
)
from streamer.domain.model import Place, Said, Stay, Summary

Held = tuple[int, int, int]
"""Number of a repeater, from and until in ms; the end does not belong to it."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What one group's members are judged by; `forget_ms` as the state forgets registers."""

    policy: Policy
    stay_expire_ms: int
    forget_ms: int

    @classmethod
    def of(cls, view: RegionView, group: str) -> "Rules":
        """As the workers with that region file."""
        stay_ms = round(view.longest_expire_s * 1000)
        return cls(view.policies[group], stay_ms, stay_ms + round(view.longest_late_s * 1000))


@dataclass(slots=True)
class Walked:
    """`moves`: how often it was heard on another repeater while it was a member."""

    held: list[Held] = field(default_factory=list)
    moves: int = 0


class Walk:
    """Walks through the keyings of stations, one station after the other."""

    def __init__(self, rules: Rules, names: Sequence[str], horizon_ms: int) -> None:
        """`names` of the repeaters by number; nothing is held after `horizon_ms`."""
        self._rules = rules
        self._policy = rules.policy
        self._linger_ms = round(rules.policy.linger_s * 1000)
        self._expire_ms = expiry_ms(0, rules.policy)
        self._names = names
        self._numbers = {name: n for n, name in enumerate(names)}
        self._horizon_ms = horizon_ms
        self._begin()

    def _begin(self) -> None:
        self._done = Walked()
        self._place_ms: int | None = None
        self._repeater = -1
        self._arrived_ms = 0
        self._older: list[Stay] = []
        self._check_ins_ms: list[int] = []
        self._out_ms: int | None = None
        self._ended_ms = 0
        self._checked_in = False
        self._open: Held | None = None

    def of(
        self, ms: Sequence[int], repeaters: Sequence[int], to_group: Sequence[bool],
        outs_ms: Sequence[int],
    ) -> Walked:  # fmt: skip
        """Of one station: all its keyings in order, and when it checked out of the group."""
        self._begin()
        outs = [*outs_ms, self._horizon_ms]
        at, next_out_ms = 0, outs[0]
        last = len(ms) - 1
        for n, now_ms in enumerate(ms):
            while next_out_ms < now_ms:
                at += 1
                self._check_out(next_out_ms, min(now_ms, outs[at]))
                next_out_ms = outs[at]
            next_ms = ms[n + 1] if n < last else self._horizon_ms
            plain = self._key(now_ms, repeaters[n], to_group[n])
            while next_out_ms == now_ms and at < len(outs) - 1:
                at, plain = at + 1, False
                self._leave(now_ms)
                next_out_ms = outs[at]
            if next_ms == now_ms:
                continue  # what is known at one moment is judged at once
            next_ms = min(next_ms, next_out_ms)
            if plain and now_ms + self._expire_ms >= next_ms:
                if self._checked_in:
                    self._hold(self._repeater, now_ms, next_ms)
            else:
                self._settle(now_ms, next_ms)
        for later in range(at, len(outs) - 1):
            self._check_out(outs[later], outs[later + 1])
        if self._open is not None:
            self._done.held.append(self._open)
        return self._done

    def _leave(self, now_ms: int) -> None:
        if self._checked_in:
            self._ended_ms = now_ms
        self._out_ms, self._checked_in = now_ms, False

    def _check_out(self, now_ms: int, next_ms: int) -> None:
        self._leave(now_ms)
        if self._place_ms is not None:
            self._settle(now_ms, next_ms)

    def _key(self, now_ms: int, repeater: int, to_group: bool) -> bool:
        """Take a keying; returns whether all is as it was: same repeater, same membership, nothing
        lingers that may have changed."""
        place_ms = self._place_ms
        self._place_ms = now_ms
        if place_ms is None:
            self._repeater, self._arrived_ms = repeater, now_ms
            plain = False
        else:
            plain = now_ms - place_ms < self._expire_ms
            self._forget(now_ms)
            if repeater != self._repeater or now_ms - place_ms >= self._rules.stay_expire_ms:
                if repeater != self._repeater and plain and self._checked_in:
                    self._done.moves += 1
                self._arrive(now_ms, place_ms, repeater)
                plain = False
        if to_group:
            if not self._check_ins_ms or self._check_ins_ms[0] != now_ms:
                self._check_ins_ms.insert(0, now_ms)
                del self._check_ins_ms[CHECK_INS_FULL:]
            checked_in = is_checked_in(now_ms, self._out_ms)
            plain = plain and checked_in == self._checked_in
            self._checked_in = checked_in
            if not checked_in:
                self._ended_ms = now_ms
        settled_ms = now_ms - self._linger_ms
        quiet = self._out_ms is None or self._out_ms <= settled_ms
        return plain and quiet and self._arrived_ms <= settled_ms

    def _arrive(self, now_ms: int, place_ms: int, repeater: int) -> None:
        gone = Stay(self._names[self._repeater], self._arrived_ms, place_ms, now_ms)
        ended_ms = now_ms - self._linger_ms
        older = [s for s in self._older if s.left_ms is not None and s.left_ms > ended_ms]
        self._older = [gone, *older]
        self._repeater, self._arrived_ms = repeater, now_ms

    def _forget(self, now_ms: int) -> None:
        limit_ms = now_ms - self._rules.forget_ms
        if self._out_ms is not None and self._out_ms < limit_ms:
            self._out_ms = None
        if not self._checked_in and self._ended_ms < limit_ms:
            self._check_ins_ms.clear()

    def _settle(self, now_ms: int, next_ms: int) -> None:
        """What is held from now until the next event."""
        assert self._place_ms is not None
        summary = self._summary(self._place_ms)
        if not self._checked_in:
            self._linger(summary, now_ms, next_ms, expired=False)
            return
        expires_ms = self._place_ms + self._expire_ms
        until_ms = min(expires_ms, next_ms)
        if now_ms < until_ms:
            self._hold(self._repeater, now_ms, until_ms)
            self._linger(summary, now_ms, until_ms, expired=False)
        if expires_ms < next_ms:
            self._linger(summary, max(now_ms, expires_ms), next_ms, expired=True)

    def _summary(self, place_ms: int) -> Summary:
        """What the group would know of it."""
        name = self._names[self._repeater]
        came = tuple(self._check_ins_ms)
        check_in = Said(came[0], "", name, "") if came else None
        check_out = None if self._out_ms is None else Said(self._out_ms, "", name, "")
        stays = (Stay(name, self._arrived_ms, place_ms, None), *self._older)
        place = Place(place_ms, "", name, "")
        return Summary("", "", place, None, check_in, came, check_out, {}, stays)

    def _linger(self, summary: Summary, from_ms: int, until_ms: int, *, expired: bool) -> None:
        for left in departed(summary, self._policy, expired=expired):
            ends_ms = min(left.held_until_ms(self._linger_ms), until_ms)
            if ends_ms > from_ms:
                self._done.held.append((self._numbers[left.repeater], from_ms, ends_ms))

    def _hold(self, repeater: int, from_ms: int, until_ms: int) -> None:
        """As `held`, what goes on where it was made one."""
        known = self._open
        if known is not None:
            if known[0] == repeater and known[2] == from_ms:
                from_ms = known[1]
            else:
                self._done.held.append(known)
        self._open = repeater, from_ms, until_ms
