"""What `streamer whatif` found, as one document."""

from collections.abc import Sequence
from typing import Final

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.lab.day import Day
from streamer.lab.hindsight import Assumption
from streamer.lab.whatif import Loss, Person, Rest, Tally
from streamer.lab.whatif_ears import Ears
from streamer.lab.whatif_new import Gain
from streamer.lab.whatif_rank import Ranked
from streamer.lab.whatif_scene import Scene
from streamer.reading.common import Document

CAUTIONS: Final = (
    "The past is no promise. Chances are those of a model: behind hills more may be lost than is "
    "told here. Who is not heard is not in danger, who is heard is not safe.",
    "Call signs are not authenticated.",
)
TAKEN: Final = (
    "Each failure is taken to last for the whole time recorded.",
    "Whether an over would have been heard elsewhere: first, another repeater heard it on the day; "
    "else by learned coverage, where the station said its position within 15 min; else it is "
    "unknown, and is in no sum.",
    "By learned coverage a station is taken to change over to the best repeater that is left, "
    "whatever its band, and to hear what hears it; the repeater that heard it on the day is taken "
    "to be the one that heard it best.",
    "Ranges are made to hold nine times in ten, all overs of one station standing or falling "
    "together; on invented days they held about as often.",
    "Hills that nobody was heard from behind are not known to the model.",
)


class Sum(Document):
    """Of `touched`, what was on the repeaters that fail, `lost` is expected to be lost, nine times
    in ten between `low` and `high`; of `unknown` nothing is known and it is in none of the three.
    `rests_on`: how much of it rests on what."""

    touched: float
    lost: float
    low: float
    high: float
    unknown: float
    rests_on: dict[Rest, float]


class Station(Document):
    """Minutes are those as a member of any group; `overs_elsewhere` were heard by another repeater
    on the day itself."""

    station: str
    overs: int
    overs_elsewhere: int
    overs_lost: float
    overs_unknown: int
    member_min: float
    member_min_lost: float
    member_min_unknown: float


class FailureOutcome(Document):
    """`missed`: overs to a group that members heard on the day and would not have, counted once
    for each member. `ranked_by_min`: minutes out of reach or blind, where what is unknown is taken
    to be lost in the same share as what is known there, or where little is, elsewhere. It is the
    sum of `ranked_known_min`, lost of what is known, and `ranked_unknown_min`, so taken of what is
    not. All three are null where nothing was ranked."""

    failure: str
    off: tuple[str, ...]
    cut: tuple[str, ...]
    overs: Sum
    out_of_reach_min: Sum
    blind_min: Sum
    missed: float
    missed_unknown: float
    ranked_by_min: float | None
    ranked_known_min: float | None
    ranked_unknown_min: float | None
    stations: tuple[Station, ...]


class Helped(Document):
    """A member of whom one repeater alone heard overs; so many of them are expected to be heard by
    the new one too."""

    station: str
    overs: float


class NewRepeater(Document):
    """Of `placed` overs, whose station said where it was, `heard` are expected to be heard there;
    `alone` of them were heard by one repeater only on the day, `stronger` would be heard stronger
    than on any. Of `unknown` overs the place is not known. `helped`: whom it gives a second way,
    the most helped first."""

    repeater: str
    lat: float | None
    lon: float | None
    placed: int
    heard: float
    low: float
    high: float
    alone: float
    stronger: float
    unknown: int
    helped: tuple[Helped, ...]


class WhatIf(Document):
    """`failures` in the order asked for, `ranked` the worst first (None where no ranking was asked
    for). `without` are the failures asked for without the new repeater, where one was given."""

    region: str
    from_at: Moment
    until_at: Moment
    overs: int
    stations: int
    placed: int
    new: tuple[NewRepeater, ...]
    failures: tuple[FailureOutcome, ...]
    without: tuple[FailureOutcome, ...]
    ranked: tuple[FailureOutcome, ...] | None
    troubles: tuple[str, ...]
    notes: tuple[str, ...]
    taken: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS


def report_of(
    day: Day,
    scene: Scene,
    ears: Ears,
    *,
    gains: Sequence[Gain],
    losses: Sequence[Loss],
    without: Sequence[Loss],
    ranked: Sequence[Ranked] | None,
    troubles: Sequence[str],
    notes: Sequence[str],
) -> WhatIf:
    """All that was found, with what it rests on."""
    assumed = Assumption().text
    return WhatIf(
        region=day.view.name,
        from_at=from_ms(day.begin_ms),
        until_at=from_ms(day.end_ms),
        overs=len(day.overs),
        stations=len(scene.stations),
        placed=sum(known.cell is not None for known in scene.known),
        new=tuple(_new(gain, ears) for gain in gains),
        failures=tuple(_outcome(loss) for loss in losses),
        without=tuple(_outcome(loss) for loss in without),
        ranked=None if ranked is None else tuple(_outcome(r.loss, r) for r in ranked),
        troubles=tuple(troubles),
        notes=(*notes, *_notes(ears)),
        taken=(*TAKEN, assumed),
    )


def _notes(ears: Ears) -> list[str]:
    if not ears.unplaced:
        return []
    named = ", ".join(ears.unplaced)
    return [
        f"{named}: where it stands is not in the region file, so what it would hear is known only "
        "near where it heard somebody: give lat and lon"
    ]


def _new(gain: Gain, ears: Ears) -> NewRepeater:
    lat, lon = ears.coverage(gain.repeater).place or (None, None)
    return NewRepeater(
        repeater=gain.repeater, lat=lat, lon=lon, placed=gain.placed, heard=_round(gain.heard),
        low=_round(gain.low), high=_round(gain.high), alone=_round(gain.alone),
        stronger=_round(gain.stronger), unknown=gain.unknown,
        helped=tuple(Helped(station=s, overs=_round(n)) for s, n in gain.helped if _round(n)),
    )  # fmt: skip


def _outcome(loss: Loss, ranked: Ranked | None = None) -> FailureOutcome:
    return FailureOutcome(
        failure=loss.failure.name,
        off=tuple(sorted(loss.failure.off)),
        cut=tuple(sorted(loss.failure.cut)),
        overs=_sum(loss.overs),
        out_of_reach_min=_sum(loss.out_of_reach_min),
        blind_min=_sum(loss.blind_min),
        missed=_round(loss.missed.lost),
        missed_unknown=_round(loss.missed.unknown),
        ranked_by_min=None if ranked is None else _round(ranked.minutes),
        ranked_known_min=None if ranked is None else _round(ranked.known_min),
        ranked_unknown_min=None if ranked is None else _round(ranked.minutes - ranked.known_min),
        stations=tuple(_station(person) for person in loss.people),
    )


def _sum(tally: Tally) -> Sum:
    return Sum(
        touched=_round(tally.touched), lost=_round(tally.lost), low=_round(tally.low),
        high=_round(tally.high), unknown=_round(tally.unknown),
        rests_on={rest: _round(value) for rest, value in tally.rests.items()},
    )  # fmt: skip


def _station(person: Person) -> Station:
    return Station(
        station=person.station, overs=person.overs, overs_elsewhere=person.overs_elsewhere,
        overs_lost=_round(person.overs_lost),
        overs_unknown=person.overs_unknown, member_min=_round(person.minutes),
        member_min_lost=_round(person.minutes_lost),
        member_min_unknown=_round(person.minutes_unknown),
    )  # fmt: skip


def _round(value: float) -> float:
    return round(value, 2)
