"""What a comparison of settings found, as a document: what `--json` prints."""

from collections.abc import Sequence
from typing import Final

from pydantic import Field

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.lab.compare import Prepared, SettingOutcome, dates_of
from streamer.lab.compare_advice import LEAST_S, Advice, advise
from streamer.lab.grid import beyond_the_record
from streamer.lab.hindsight import Assumption
from streamer.lab.pareto import Prices
from streamer.reading.common import Document

MEANINGS = (
    "carried: air-time on repeaters of the fan-out that did not hear the over themselves, in "
    "repeater-minutes: one minute on three repeaters is three",
    "wasted: of that, in repeater-minutes too, where no member was within reach other than who "
    "spoke; on pins: the same where the region file or an order pinned the repeater, which is in "
    "no price",
    "missed: how often a member that was there, checked in by the record, could not hear an over "
    "because its repeater neither heard it nor was in the fan-out",
    "moves: a member heard on another repeater than before, while it was held for it",
    "changes: a repeater taken up into a fan-out or dropped from it",
    "alerts: silences that made a member overdue; out: those of them that went on to out of reach; "
    "false: the member was within reach of a repeater",
)
OF_LOSSES: Final = (
    "lost: how often a member was truly out of reach of all; untold: of those, never told of; told "
    "after: the median time from then until people were told that it was overdue"
)
"""Those that begin with a word of the table, in lower case."""
PINS: Final = (
    "Who only listens is in no figure: neither as somebody there nor as somebody who misses. A pin "
    "may be for them: ask who set it."
)
CAUTIONS = (
    "Figures of the past are no promise.",
    "An over is taken to be known the moment it began: what the way to the workers took is not in "
    "here. What people would have done otherwise under another setting is not in here either.",
    "Not heard is not in danger, heard is not safe; call signs are not authenticated on the air.",
)
FEW_DAYS: Final = 7
"""Below so many days the outcome is said to rest on few: common practice, no source."""


class CarriedThere(Document):
    """Air-time of one group on one repeater, in seconds. What was for nobody is either wasted or,
    on a pinned repeater, on pins."""

    group: str
    repeater: str
    carried_s: float
    wasted_s: float
    on_pins_s: float


class Measured(Document):
    """What one setting would have done; `number` 0 is the setting as it is."""

    number: int
    setting: str
    on_front: bool
    not_advised: tuple[str, ...] = Field(description="why it may not be advised, however cheap")
    carried_s: float
    wasted_s: float
    on_pins_s: float = Field(description="as wasted, on repeaters pinned by file or order")
    missed: int
    missed_by_cause: dict[str, int]
    moves: int
    changes: int = Field(description="repeaters taken up into a fan-out or dropped from it")
    alerts: int
    out_of_reach: int
    alerts_judged: int = Field(description="alerts of which the truth is known")
    false_alerts: int
    losses: int = Field(description="members truly out of reach, as far as the truth says")
    untold: int = Field(description="of those, how many people were never told of")
    told_after_s: float | None = Field(description="median until told that it was overdue")
    told_lost_after_s: float | None = Field(description="median until told: out of reach")
    cost_s: float
    by_repeater: tuple[CarriedThere, ...]


class Advised(Document):
    """The setting to take, and what to write into the region file; of too short a record none."""

    number: int
    reason: str
    change: tuple[str, ...]
    notes: tuple[str, ...]


class CompareReport(Document):
    region: str
    from_at: Moment
    until_at: Moment
    days: int = Field(description="UTC dates that the recording touches")
    record_s: float
    least_s: float = Field(description="of a shorter record nothing is advised")
    overs: int
    overs_to_groups: int
    stations: int
    truth_known: bool
    missed_price_s: float
    false_price_s: float
    settings: tuple[Measured, ...]
    advised: Advised
    meanings: tuple[str, ...]
    assumption: str
    cautions: tuple[str, ...]
    notes: tuple[str, ...]


def compare_report(
    prepared: Prepared,
    outcomes: Sequence[SettingOutcome],
    prices: Prices,
    assumption: Assumption,
    notes: Sequence[str] = (),
    least_s: float = LEAST_S,
) -> CompareReport:
    """`outcomes` as `compare` gives them: the setting as it is first."""
    day, columns = prepared.day, prepared.columns
    truth, record_s = bool(prepared.truth), (day.end_ms - day.begin_ms) / 1000
    advice = advise(outcomes, prices, truth=truth, record_s=record_s, least_s=least_s)
    long = beyond_the_record([outcome.setting for outcome in outcomes], record_s)
    return CompareReport(
        region=day.view.name,
        from_at=from_ms(day.begin_ms),
        until_at=from_ms(day.end_ms),
        days=dates_of(day),
        record_s=record_s,
        least_s=least_s,
        overs=len(day.overs),
        overs_to_groups=sum(len(overs.ms) for overs in columns.overs),
        stations=len(columns.stations),
        truth_known=truth,
        missed_price_s=prices.missed_s,
        false_price_s=prices.false_s,
        settings=tuple(
            _measured(
                columns.repeaters,
                n,
                outcome,
                advice,
                prices.cost_s(outcome.point(truth=truth), truth=truth),
            )
            for n, outcome in enumerate(outcomes)
        ),
        advised=Advised(
            number=advice.number, reason=advice.reason, change=advice.change, notes=advice.notes
        ),
        meanings=(*MEANINGS, OF_LOSSES) if truth else MEANINGS,
        assumption=assumption.text,
        cautions=(PINS, *CAUTIONS),
        notes=(*notes, *long),
    )


def _measured(
    repeaters: Sequence[str],
    number: int,
    outcome: SettingOutcome,
    advice: Advice,
    cost_s: float,
) -> Measured:
    alarms = outcome.all_alarms
    there = [
        CarriedThere(
            group=name, repeater=repeaters[r], carried_s=ms / 1000,
            wasted_s=group.wasted_ms[r] / 1000, on_pins_s=group.on_pins_ms[r] / 1000,
        )
        for name, group in outcome.groups.items()
        for r, ms in enumerate(group.carried_ms)
        if ms
    ]  # fmt: skip
    return Measured(
        number=number,
        setting=outcome.setting.text,
        on_front=number in advice.best,
        not_advised=tuple(reason.value for reason in advice.unfit[number]),
        carried_s=outcome.carried_s,
        wasted_s=outcome.wasted_s,
        on_pins_s=outcome.on_pins_s,
        missed=outcome.missed,
        missed_by_cause={cause.value: count for cause, count in outcome.missed_by_cause.items()},
        moves=outcome.moves,
        changes=outcome.changes,
        alerts=alarms.raised,
        out_of_reach=alarms.out_of_reach,
        alerts_judged=alarms.judged,
        false_alerts=alarms.false,
        losses=len(alarms.losses),
        untold=alarms.untold,
        told_after_s=alarms.told_after_s,
        told_lost_after_s=alarms.told_lost_after_s,
        cost_s=cost_s,
        by_repeater=tuple(there),
    )
