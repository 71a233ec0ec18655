"""The load of a recorded day, for a terminal."""

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from streamer.domain.channel_load import erlangs_for
from streamer.lab.load import Advice, Fit, Growth, LoadReport, RepeaterLoad
from streamer.reading.text import age, plural, table, wrap

OFTEN: Final = 0.1
"""An over of ten finds the repeater busy: a mark to read the loads by, no limit of anything."""
MOST_CLASHES: Final = 10
MOST_GROWN: Final = 15
FITS: Final = 2.0
"""Standard deviations: chance alone goes beyond them one time in twenty."""


def load_lines(report: LoadReport, by_hour: bool = False) -> list[str]:
    """All of it; `by_hour`: also each hour of each repeater."""
    lines = [*_head(report), *_repeaters(report)]
    if by_hour:
        lines += _hours(report)
    lines += [*_groups(report), *_clashes(report)]
    for growth in report.growth:
        lines += _growth(growth)
    lines += [*_advice(report), "", *_wrapped(f"Mind: {' '.join(report.cautions)}", 6)]
    return lines


def _head(report: LoadReport) -> Iterator[str]:
    span_s = (report.until_at - report.from_at).total_seconds()
    yield from wrap(
        f"Region {report.region}, {plural(report.overs, 'over')} in {age(span_s)}: "
        f"{report.from_at:%Y-%m-%d %H:%M}Z to {report.until_at:%Y-%m-%d %H:%M}Z"
    )
    for note in report.notes:
        yield from _wrapped(f"Note: {note}", 6)
    if report.without_end:
        yield from _wrapped(
            f"Note: of {plural(report.without_end, 'over')} the end was never told: counted, but "
            "without air-time",
            6,
        )
    if report.routes_unknown:
        instead = (
            "the fan-out by the rules is taken for what they sent on (--said-only leaves it out)"
            if report.routes_ruled
            else "of their repeaters only what they heard is counted"
        )
        names = ", ".join(report.routes_unknown)
        yield from _wrapped(f"Note: {names}: never said to carry a group; {instead}", 6)


def _repeaters(report: LoadReport) -> Iterator[str]:
    yield ""
    yield "Load in erlangs, the share of time on the air"
    rows = [
        [
            one.repeater,
            str(one.overs),
            f"{one.erlangs:.3f}",
            f"{one.heard_erlangs:.3f}",
            f"{one.erlangs - one.heard_erlangs:.3f}",
            f"{one.busiest.erlangs:.3f}" if one.overs else "",
            _when(one.busiest.start_at) if one.overs else "",
            _dark(one),
        ]
        for one in report.repeaters
    ]
    yield from table(
        ["REPEATER", "OVERS", "ALL", "HEARD", "SENT ON", "BUSIEST", "HOUR FROM", "DARK"], rows, "  "
    )
    yield from wrap(
        f"At {erlangs_for(OFTEN, 1):.2f} erlangs of others, an over of ten finds it busy.", "  "
    )


def _dark(one: RepeaterLoad) -> str:
    dark_s = sum(hour.dark_s for hour in one.hours)
    return age(dark_s) if dark_s else ""


def _hours(report: LoadReport) -> Iterator[str]:
    yield ""
    yield "By the hour (UTC), those with something on the air"
    rows = [
        [
            one.repeater,
            _when(hour.start_at),
            str(hour.overs),
            f"{hour.heard_s:.0f} s",
            f"{hour.sent_on_s:.0f} s",
            f"{hour.erlangs:.3f}",
            age(hour.recorded_s) if hour.recorded_s < 3600 else "",
            age(hour.dark_s) if hour.dark_s else "",
        ]
        for one in report.repeaters
        for hour in one.hours
        if hour.overs or hour.heard_s or hour.sent_on_s
    ]
    heads = ["REPEATER", "FROM", "OVERS", "HEARD", "SENT ON", "ERLANGS", "RECORDED", "DARK"]
    yield from table(heads, rows, "  ") or ["  none"]


def _groups(report: LoadReport) -> Iterator[str]:
    yield ""
    yield "How often a group's overs find the repeater busy with others"
    rows = [
        [
            one.group,
            one.repeater,
            str(one.members),
            str(one.overs),
            _share(one.busy, one.overs),
            _share(one.busy_waiting, one.overs),
            _share(one.met, one.overs),
            str(one.met),
            str(one.met_heard),
        ]
        for one in report.groups
    ]
    heads = ["GROUP", "REPEATER", "MEMBERS", "OVERS", "FORMULA", "WAITING", "MEASURED", "MET",
             "LOCAL"]  # fmt: skip
    yield from table(heads, rows, "  ") or ["  no over to a group"]
    if rows:
        yield from wrap(
            "FORMULA: blocked overs are given up; WAITING: the most, all wait their turn; MET: "
            "overs begun in others' air, LOCAL: of them by somebody who was there and could have "
            "listened.",
            "  ",
        )
        yield from wrap(_fit_words(report.fit), "  ")


def _fit_words(fit: Fit) -> str:
    low, high = fit.busy, fit.busy_waiting
    text = (
        f"Together {fit.met} of {plural(fit.overs, 'over')} began in others' air; the formula "
        f"expects {low:.1f}, with waiting {high:.1f}, by chance alone {FITS * fit.spread:.1f} more "
        "or less: "
    )
    if fit.met < low - FITS * fit.spread:
        return text + "it says too many here: people wait for each other."
    if fit.met > high + FITS * fit.spread:
        return text + "it says too few here: overs come in bursts. Trust what was measured."
    return text + "it fits."


def _clashes(report: LoadReport) -> Iterator[str]:
    yield ""
    yield "Groups that meet most: overs begun in the other's air, counted on each repeater"
    rows = [
        [" and ".join(one.groups), str(one.met), f"{one.both_s:.0f} s", one.most_on]
        for one in report.clashes[:MOST_CLASHES]
    ]
    yield from table(["GROUPS", "OVERS", "BOTH ON AIR", "MOST ON"], rows, "  ") or ["  none"]
    yield from _rest(len(report.clashes) - len(rows))


def _rest(count: int) -> list[str]:
    return [f"  and {count} more; --json has all"] if count else []


def _growth(growth: Growth) -> Iterator[str]:
    yield ""
    yield from wrap(
        f"If {growth.group} gets {plural(growth.more, 'more member')} like the {growth.members} "
        f"that keyed ({growth.overs_per_member:.1f} overs each), on the same repeaters"
    )
    rows = [
        [one.repeater, f"{one.erlangs:.3f}", f"{one.erlangs_grown:.3f}",
         f"{one.busiest_erlangs_grown:.3f}"]
        for one in growth.repeaters
    ]  # fmt: skip
    yield from table(["REPEATER", "ERLANGS", "THEN", "THEN, BUSIEST HOUR"], rows, "  ")
    if any(one.busiest_erlangs_grown >= 1 for one in growth.repeaters):
        yield "  1 erlang and more does not fit on the air: some would give up."
    rows = [
        [one.group, one.repeater, str(one.overs), _percent(one.chance), _percent(one.chance_grown)]
        for one in growth.others[:MOST_GROWN]
    ]
    if rows:
        yield "  Others find the repeater busy, by the formula:"
        yield from table(["GROUP", "REPEATER", "OVERS", "NOW", "THEN"], rows, "  ")
        yield from _rest(len(growth.others) - len(rows))
    else:
        yield "  No other group was there."


def _advice(report: LoadReport) -> Iterator[str]:
    yield ""
    yield "Which group to move or bar where"
    if not report.advice:
        yield from wrap("Nothing would spare others a busy over, by the formula.", "  ")
    for number, advice in enumerate(report.advice, 1):
        yield from wrap(f"{number}. {_advice_words(advice)}", "  ", "     ")
        yield from wrap(f'In the region file, under [[group]] name = "{advice.group}":', "     ")
        yield from (f"       {line}" for line in advice.lines)


def _advice_words(advice: Advice) -> str:
    spared = (
        f"of {plural(advice.others_overs, 'over')} of other groups there "
        f"{advice.others_busy_after:.1f} instead of {advice.others_busy:.1f} would find it busy."
    )
    if not advice.members:
        return (
            f"Bar {advice.group} on {advice.repeater}: {spared} No station that keyed to it was "
            "there; whoever only listens there is cut off."
        )
    people = plural(advice.members, "station")
    if advice.instead is not None:
        return (
            f"Move {advice.group} off {advice.repeater} to {advice.instead}, which heard "
            f"{_percent(advice.instead_share or 0)} of its overs there as well, then bar it: "
            f"{spared} {people} must follow, or will be cut off from the group; what they add "
            f"to {advice.instead} is not counted."
        )
    return (
        f"Bar {advice.group} on {advice.repeater}: {spared} It cuts off {people} there that keyed "
        "to it: only with their consent, and with another repeater for them."
    )


def _share(part: float, overs: int) -> str:
    return _percent(part / overs) if overs else ""


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _when(at: datetime) -> str:
    return f"{at:%m-%d %H:%M}Z"


def _wrapped(text: str, hanging: int) -> list[str]:
    return wrap(text, "", " " * hanging)
