"""Where stations were between their overs, as far as a recording can tell afterwards. Pure.

Nobody knows where somebody is who does not key. What is assumed instead, said in words by
`Assumption.text`:
- between two keyings on one repeater the station was within its reach all the time;
- between keyings on two repeaters it was within reach of the first for the first half of the time
  and of the second for the second half;
- before its first keying and after its last it was there for `presence_s`;
- a silence longer than `absence_s` is an absence: of it only `presence_s` after the one keying and
  before the other count.
Common practice, no source. Where the truth is known it goes before (`streamer.lab.truth`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from streamer.reading.text import age

PRESENCE_S: Final = 1800.0
ABSENCE_S: Final = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class Assumption:
    """How long somebody is taken to stay who is not heard, in seconds."""

    presence_s: float = PRESENCE_S
    absence_s: float = ABSENCE_S

    @property
    def text(self) -> str:
        return (
            "Where nobody knows better, a station is taken to be where it keyed: between two "
            "keyings on one repeater all the time, between two repeaters half of the time at each, "
            f"before its first keying and after its last {age(self.presence_s)}; a silence longer "
            f"than {age(self.absence_s)} is an absence."
        )


@dataclass(frozen=True, slots=True)
class Keyed:
    """One keying of a station: when it began and ended, in ms, and the repeater it was put on."""

    began_ms: int
    ended_ms: int
    repeater: str


@dataclass(frozen=True, slots=True)
class There:
    """Within reach of a repeater from one time to another, in ms; the end does not belong to it.
    No repeater: known to be out of reach of all."""

    repeater: str | None
    from_ms: int
    until_ms: int


def where_it_was(
    keyings: Sequence[Keyed], assumption: Assumption, begin_ms: int, end_ms: int
) -> tuple[There, ...]:
    """Of one station, in order, none overlapping; what is between them is absence.

    `keyings` by `began_ms`; what lies outside of `begin_ms` to `end_ms` is cut off.
    """
    if not keyings:
        return ()
    stay_ms, gone_ms = round(assumption.presence_s * 1000), round(assumption.absence_s * 1000)
    found: list[There] = []
    here_ms = keyings[0].began_ms - stay_ms
    for earlier, later in pairwise(keyings):
        last_ms = max(earlier.began_ms, min(earlier.ended_ms, later.began_ms))
        if later.began_ms - last_ms > gone_ms:
            _add(found, earlier.repeater, here_ms, last_ms + stay_ms)
            here_ms = max(last_ms + stay_ms, later.began_ms - stay_ms)
        elif earlier.repeater != later.repeater:
            half_ms = (last_ms + later.began_ms) // 2
            _add(found, earlier.repeater, here_ms, half_ms)
            here_ms = half_ms
    last = keyings[-1]
    _add(found, last.repeater, here_ms, max(last.began_ms, last.ended_ms) + stay_ms)
    return tuple(
        There(t.repeater, max(t.from_ms, begin_ms), min(t.until_ms, end_ms))
        for t in found
        if t.from_ms < end_ms and t.until_ms > begin_ms
    )


def _add(found: list[There], repeater: str, from_ms: int, until_ms: int) -> None:
    if from_ms >= until_ms:
        return
    if found and found[-1].repeater == repeater and found[-1].until_ms == from_ms:
        from_ms = found.pop().from_ms
    found.append(There(repeater, from_ms, until_ms))
