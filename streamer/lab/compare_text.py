"""What a comparison of settings found, for a terminal."""

from collections.abc import Iterator
from typing import Final

from streamer.lab.compare_report import FEW_DAYS, CarriedThere, CompareReport, Measured
from streamer.reading.text import age, plural, table, wrap

WIDEST: Final = 22
"""A setting that is longer would not leave room for its figures."""
WIDEST_BESIDE_PINS: Final = 9
"""The same with one column more."""
MOST_NUMBERS: Final = 12
"""Settings named at most of those that may not be advised."""
MOST_BUSY: Final = 12
"""Repeaters and groups listed at most."""


def compare_lines(report: CompareReport) -> list[str]:
    """The table, the outcome, and what both rest on."""
    return [
        *_head(report), "", *_table(report), "", *_alerts(report), "", *_causes(report), "",
        *_busiest(report), "", *_outcome(report), "", *_mind(report),
    ]  # fmt: skip


def _head(report: CompareReport) -> Iterator[str]:
    span_s = (report.until_at - report.from_at).total_seconds()
    yield from wrap(
        f"Region {report.region}, {report.from_at:%Y-%m-%d %H:%M}Z to "
        f"{report.until_at:%Y-%m-%d %H:%M}Z ({age(span_s)}, {plural(report.days, 'UTC date')}): "
        f"{plural(report.overs, 'over')} of {plural(report.stations, 'station')}, "
        f"{report.overs_to_groups} to groups; {plural(len(report.settings), 'setting')}"
    )
    for note in report.notes:
        yield from wrap(f"Note: {note}", "", "      ")


def _table(report: CompareReport) -> list[str]:
    legend, pins = _legend(report), _has_pins(report)
    heads = ["NO", "SETTING", "CARRIED", "WASTED", "ON PINS", "MISSED", "MOVES", "CHANGES"]
    rows = [
        [
            f"{one.number}{'*' if one.on_front else '!' if one.not_advised else ''}",
            "" if legend else one.setting,
            age(one.carried_s),
            age(one.wasted_s),
            age(one.on_pins_s) if pins else "",
            str(one.missed),
            str(one.moves),
            str(one.changes),
        ]
        for one in report.settings
    ]
    what = (
        "waste, missed overs and false alerts" if report.truth_known else "waste and missed overs"
    )
    return [
        *table(heads, rows),
        *wrap(
            f"* beaten by none: no other that may be advised is as good in {what}, and better in "
            "one of them",
            "", "  ",
        ),
        *_unfit(report),
        *legend,
    ]  # fmt: skip


def _has_pins(report: CompareReport) -> bool:
    return any(one.on_pins_s for one in report.settings)


def _unfit(report: CompareReport) -> Iterator[str]:
    """Why which settings may not be advised."""
    by_reason: dict[str, list[int]] = {}
    for one in report.settings:
        for reason in one.not_advised:
            by_reason.setdefault(reason, []).append(one.number)
    for reason, numbers in by_reason.items():
        more = len(numbers) - MOST_NUMBERS
        named = ", ".join(map(str, numbers[:MOST_NUMBERS])) + (
            f" and {more} more" if more > 0 else ""
        )
        yield from wrap(f"! not advised ({named}): {reason}", "", "  ")


def _alerts(report: CompareReport) -> list[str]:
    """What people would have been told of silent members; one line where all settings agree."""
    truth = report.truth_known
    heads = ["SETTING", "ALERTS", "OUT"] + (
        ["FALSE", "LOST", "UNTOLD", "TOLD AFTER"] if truth else []
    )
    rows = []
    for one in report.settings:
        row = [_name(report, one), str(one.alerts), str(one.out_of_reach)]
        if truth:
            row += [
                f"{one.false_alerts}/{one.alerts_judged}",
                str(one.losses),
                f"{one.untold}/{one.losses}",
                "-" if one.told_after_s is None else age(one.told_after_s),
            ]
        rows.append(row)
    if all(row[1:] == rows[0][1:] for row in rows):
        rows = [["all", *rows[0][1:]]]
    return ["Alerts of silent members", *table(heads, rows, "  ")]


def _legend(report: CompareReport) -> list[str]:
    """What the numbers stand for, where that is too long for the table."""
    widest = WIDEST_BESIDE_PINS if _has_pins(report) else WIDEST
    if max(len(one.setting) for one in report.settings) <= widest:
        return []
    return [line for one in report.settings for line in wrap(
        one.setting, f"{one.number:4}  ", "      "
    )]  # fmt: skip


def _name(report: CompareReport, one: Measured) -> str:
    return f"{one.number}" if _legend(report) else one.setting


def _causes(report: CompareReport) -> list[str]:
    causes = list(report.settings[0].missed_by_cause)
    rows = [
        [_name(report, one), *(str(one.missed_by_cause[cause]) for cause in causes)]
        for one in _shown(report)
    ]
    return ["Why overs were missed", *table(["SETTING", *(c.upper() for c in causes)], rows, "  ")]


def _shown(report: CompareReport) -> list[Measured]:
    """The setting as it is, and the one to take."""
    numbers = dict.fromkeys((0, report.advised.number))
    return [report.settings[number] for number in numbers]


def _wasted(one: CarriedThere) -> str:
    """What was on a pin stands apart."""
    if not one.on_pins_s:
        return age(one.wasted_s)
    wasted = f"{age(one.wasted_s)}, " if one.wasted_s else ""
    return f"{wasted}{age(one.on_pins_s)} on pin"


def _busiest(report: CompareReport) -> list[str]:
    own, new = report.settings[0], report.settings[report.advised.number]
    after = {(one.group, one.repeater): one for one in new.by_repeater}
    keys = {(one.group, one.repeater): one for one in own.by_repeater}
    names = sorted(
        {*keys, *after},
        key=lambda key: (-(keys[key].carried_s if key in keys else 0.0), key),
    )
    rows = []
    for key in names[:MOST_BUSY]:
        row = [*key]
        for found in (keys, after) if new is not own else (keys,):
            one = found.get(key)
            row += [age(one.carried_s), _wasted(one)] if one else ["-", "-"]
        rows.append(row)
    heads = ["GROUP", "REPEATER", "CARRIED", "WASTED"]
    if new is not own:
        heads += ["THEN CARRIED", "THEN WASTED"]
    more = len(names) - MOST_BUSY
    rest = [f"  and {more} more, see --json"] if more > 0 else []
    return [
        "Air-time by group and repeater",
        *table(heads, rows, "  "),
        *rest,
    ]


def _outcome(report: CompareReport) -> Iterator[str]:
    advised = report.advised
    if report.record_s < report.least_s:
        yield from wrap(f"No advice: {advised.reason}.")
    elif not advised.change:
        yield from wrap(f"Keep the region file as it is: {advised.reason}.")
    else:
        lines = "this line" if len(advised.change) == 1 else "these lines"
        yield from wrap(f"Change {lines} in your region file ({advised.reason}):")
        for line in advised.change:
            yield f"  {line}"
    for note in advised.notes:
        yield from wrap(f"Note: {note}", "", "      ")
    few = " That is little: compare again on other days before you rely on it." if (
        round(report.record_s / 86_400) < FEW_DAYS
    ) else ""  # fmt: skip
    yield from wrap(f"This rests on {age(report.record_s)} of record.{few}")


def _mind(report: CompareReport) -> Iterator[str]:
    for meaning in report.meanings:
        yield from wrap(meaning, "", "  ")
    yield from wrap(report.assumption)
    if report.truth_known:
        yield from wrap("Where the truth was given it was taken instead.")
    yield from wrap(f"Mind: {' '.join(report.cautions)}", "", "      ")
