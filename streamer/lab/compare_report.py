"""What a comparison of settings found, as a document: what `--json` prints."""

from collections.abc import Sequence

from pydantic import Field

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.lab.compare import Prepared, SettingOutcome, dates_of
from streamer.lab.grid import at_the_edge, lines_to_change, on_their_own
from streamer.lab.hindsight import Assumption
from streamer.lab.pareto import Choice, Point, Prices, choose, front
from streamer.reading.common import Document

MEANINGS = (
    "carried: air-time on repeaters of the fan-out that did not hear the over themselves",
    "wasted: of that, where no member was within reach other than who spoke",
    "missed: how often a member that was there, checked in by the record, could not hear an over "
    "because its repeater neither heard it nor was in the fan-out",
    "alerts: silences that made a member overdue; false: the member was within reach of a repeater",
)
CAUTIONS = (
    "Figures of the past are no promise.",
    "An over is taken to be known the moment it began: what the way to the workers took is not in "
    "here. What people would have done otherwise under another setting is not in here either.",
    "Not heard is not in danger, heard is not safe; call signs are not authenticated on the air.",
)
FEW_DAYS = 7
"""Below so many days the outcome is said to rest on few: common practice, no source."""


class CarriedThere(Document):
    """Air-time of one group on one repeater, in seconds."""

    group: str
    repeater: str
    carried_s: float
    wasted_s: float


class Measured(Document):
    """What one setting would have done; `number` 0 is the setting as it is."""

    number: int
    setting: str
    on_front: bool
    carried_s: float
    wasted_s: float
    missed: int
    missed_by_cause: dict[str, int]
    moves: int
    changes: int = Field(description="repeaters taken up into a fan-out or dropped from it")
    alerts: int
    out_of_reach: int
    alerts_judged: int = Field(description="alerts of which the truth is known")
    false_alerts: int
    cost_s: float
    by_repeater: tuple[CarriedThere, ...]


class Advised(Document):
    """The setting to take, and what to write into the region file."""

    number: int
    reason: str
    change: tuple[str, ...]
    notes: tuple[str, ...]


class CompareReport(Document):
    region: str
    from_at: Moment
    until_at: Moment
    days: int = Field(description="UTC dates that the recording touches")
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
) -> CompareReport:
    """`outcomes` as `compare` gives them: the setting as it is first."""
    day, columns = prepared.day, prepared.columns
    truth = bool(prepared.truth)
    points = [outcome.point(truth=truth) for outcome in outcomes]
    best = front(points)
    choice = choose(points, prices, truth=truth)
    return CompareReport(
        region=day.view.name,
        from_at=from_ms(day.begin_ms),
        until_at=from_ms(day.end_ms),
        days=dates_of(day),
        overs=len(day.overs),
        overs_to_groups=sum(len(overs.ms) for overs in columns.overs),
        stations=len(columns.stations),
        truth_known=truth,
        missed_price_s=prices.missed_s,
        false_price_s=prices.false_s,
        settings=tuple(
            _measured(columns.repeaters, n, outcome, points[n], n in best, prices, truth)
            for n, outcome in enumerate(outcomes)
        ),
        advised=_advised(prepared, outcomes, choice),
        meanings=MEANINGS,
        assumption=assumption.text,
        cautions=CAUTIONS,
        notes=tuple(notes),
    )


def _advised(prepared: Prepared, outcomes: Sequence[SettingOutcome], choice: Choice) -> Advised:
    view, settings = prepared.day.view, [outcome.setting for outcome in outcomes]
    setting = settings[choice.number]
    return Advised(
        number=choice.number,
        reason=choice.reason,
        change=tuple(lines_to_change(view, setting)),
        notes=(*on_their_own(view, setting), *at_the_edge(settings, choice.number)),
    )


def _measured(
    repeaters: Sequence[str],
    number: int,
    outcome: SettingOutcome,
    point: Point,
    on_front: bool,
    prices: Prices,
    truth: bool,
) -> Measured:
    alarms = outcome.all_alarms
    there = [
        CarriedThere(
            group=name, repeater=repeaters[r], carried_s=ms / 1000,
            wasted_s=group.wasted_ms[r] / 1000,
        )
        for name, group in outcome.groups.items()
        for r, ms in enumerate(group.carried_ms)
        if ms
    ]  # fmt: skip
    return Measured(
        number=number,
        setting=outcome.setting.text,
        on_front=on_front,
        carried_s=outcome.carried_s,
        wasted_s=outcome.wasted_s,
        missed=outcome.missed,
        missed_by_cause={cause.value: count for cause, count in outcome.missed_by_cause.items()},
        moves=outcome.moves,
        changes=outcome.changes,
        alerts=alarms.raised,
        out_of_reach=alarms.out_of_reach,
        alerts_judged=alarms.judged,
        false_alerts=alarms.false,
        cost_s=prices.cost_s(point, truth=truth),
        by_repeater=tuple(there),
    )
