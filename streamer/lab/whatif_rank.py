"""Every single failure of a recorded day, the worst first."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from streamer.lab.load_air import gateway_of
from streamer.lab.whatif import Failure, Loss, lose
from streamer.lab.whatif_ears import Ears
from streamer.lab.whatif_scene import Scene

WHOLE_FROM_MIN: Final = 10
_KEPT_DIGITS: Final = 2  # of the document that is printed from


@dataclass(frozen=True, slots=True)
class Ranked:
    """A loss, and the minutes it is ranked by: out of reach or blind, see `Tally.likely`."""

    loss: Loss
    minutes: float

    @property
    def known_min(self) -> float:
        """The part of `minutes` that is lost of what is known."""
        return sum(tally.lost for tally in self.loss.minutes)


def shown_min(minutes: float) -> float:
    """Minutes as people are shown them: whole ones, below 10 tenths."""
    kept = round(minutes, _KEPT_DIGITS)
    tenths = round(kept, 1)
    return tenths if tenths < WHOLE_FROM_MIN else float(round(kept))


def shown_overs(overs: float) -> int:
    """Overs as people are shown them: whole ones."""
    return round(round(overs, _KEPT_DIGITS))


def single_failures(repeaters: Sequence[str]) -> list[Failure]:
    """Each gateway off, each gateway cut, and each repeater off where its gateway has several."""
    by_gateway: dict[str, list[str]] = defaultdict(list)
    for repeater in repeaters:
        by_gateway[gateway_of(repeater)].append(repeater)
    found = [Failure(f"{gateway} off", frozenset(own)) for gateway, own in by_gateway.items()]
    found += [Failure(f"{gateway} cut", cut=frozenset(own)) for gateway, own in by_gateway.items()]
    found += [
        Failure(f"{repeater} off", frozenset({repeater}))
        for own in by_gateway.values()
        if len(own) > 1
        for repeater in own
    ]
    return found


def rank(scene: Scene, ears: Ears, failures: Iterable[Failure]) -> list[Ranked]:
    """What each would have cost, the worst first; what is shown as equal goes by the overs missed,
    then by name."""
    losses = [lose(scene, ears, failure) for failure in failures]
    known = sum(tally.known for loss in losses for tally in loss.minutes)
    lost = sum(tally.lost for loss in losses for tally in loss.minutes)
    share = lost / known if known > 0 else 1.0
    ranked = [Ranked(loss, sum(tally.likely(share) for tally in loss.minutes)) for loss in losses]
    return sorted(ranked, key=_order)


def _order(one: Ranked) -> tuple[float, int, str]:
    """As shown: else two lines that read alike would stand in an order that nobody can see."""
    missed = shown_overs(one.loss.missed.lost)
    return -shown_min(one.minutes), -missed, one.loss.failure.name
