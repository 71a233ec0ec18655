"""The load of a recorded day, for a terminal."""

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from streamer.domain.channel_load import erlangs_for
from streamer.lab.load import Fit, GroupThere, Growth, HourLoad, LoadReport, RepeaterLoad
from streamer.lab.load_advice import Advice
from streamer.reading.text import age, plural, table, wrap

OFTEN: Final = 0.1
"""An over of ten finds the repeater busy: a mark to read the loads by, no limit of anything."""
MOST_ADVICE: Final = 3
"""Of each kind: with a line to paste, and without."""
MOST_CLASHES: Final = 10
MOST_GROUPS: Final = 15
MOST_GROWN: Final = 15
FEWEST_OVERS: Final = 10
"""A share of fewer overs says little."""

MIND: Final = (
    "Mind: figures of the past and of models, no promise. Members are stations that",
    "      keyed in the record: who only listens is not seen in it. A repeater found",
    "      busy is not an over lost. All that this rests on: --explain",
)


def load_lines(report: LoadReport, by_hour: bool = False, explain: bool = False) -> list[str]:
    """All of it; `by_hour`: also each hour of each repeater; `explain`: also what it rests on."""
    lines = [*_head(report), *_repeaters(report)]
    if by_hour:
        lines += _hours(report)
    lines += [*_groups(report), *_clashes(report)]
    for growth in report.growth:
        lines += _growth(growth)
    lines += [*_advice(report), ""]
    if not explain:
        return [*lines, *MIND]
    lines.append("What this rests on")
    for caution in report.cautions:
        lines += wrap(f"- {caution}", "  ", "    ")
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
    yield from wrap(
        "Offered load in erlangs: air-time asked for, by the time recorded. Above 1 a single "
        "channel cannot carry it."
    )
    rows = [
        [
            one.repeater,
            str(one.overs),
            _load(one.erlangs),
            f"{one.heard_erlangs:.3f}",
            f"{one.erlangs - one.heard_erlangs:.3f}",
            _whole(one.on_air_share),
            _busy_hour(one),
            _dark(one),
        ]
        for one in report.repeaters
    ]
    heads = ["REPEATER", "OVERS", "ALL", "HEARD", "SENT", "ON AIR", "BUSY HOUR", "DARK"]
    yield from table(heads, rows, "  ")
    yield from wrap(
        "HEARD there, SENT on to it from elsewhere; ON AIR: at least one of them; *: 1 erlang or "
        f"more. At {erlangs_for(OFTEN, 1):.2f} erlangs of others, an over of ten finds it busy.",
        "  ",
    )
    if any(_dark(one) for one in report.repeaters):
        yield from wrap(
            "DARK: it or its gateway did not report; nothing counts as sent on to it then, and the "
            "dark time is left out up to the last over heard in it, if any.",
            "  ",
        )


def _load(erlangs: float) -> str:
    """Marked where it shows as 1 or more."""
    text = f"{erlangs:.3f}"
    return f"{text}*" if float(text) >= 1 else text


def _busy_hour(one: RepeaterLoad) -> str:
    if one.busy_hour is None or not one.overs:
        return ""
    return f"{_load(one.busy_hour.erlangs)} {_when(one.busy_hour.start_at)}"


def _dark(one: RepeaterLoad) -> str:
    dark_s = sum(hour.dark_s for hour in one.hours)
    recorded_s = sum(hour.recorded_s for hour in one.hours)
    return _whole(dark_s / recorded_s) if dark_s >= 1 else ""


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
            _load(hour.erlangs),
            _whole(hour.on_air_share),
            _counted(hour),
        ]
        for one in report.repeaters
        for hour in one.hours
        if hour.overs or hour.heard_s or hour.sent_on_s
    ]
    heads = ["REPEATER", "FROM", "OVERS", "HEARD", "SENT", "LOAD", "ON AIR", "COUNTED"]
    yield from table(heads, rows, "  ") or ["  none"]
    if any(row[-1] for row in rows):
        yield "  COUNTED: of the hour, recorded less dark; the load is by that."


def _counted(hour: HourLoad) -> str:
    return f"{hour.counted_s / 60:.0f} min" if hour.counted_s < 3600 else ""


def _groups(report: LoadReport) -> Iterator[str]:
    yield ""
    yield "How often a group's overs find the repeater busy with others"
    if not report.groups:
        yield "  no over to a group"
        return
    often = [one for one in report.groups if one.overs >= FEWEST_OVERS]
    worst = sorted(often, key=lambda one: (-one.met / one.overs, -one.met))[:MOST_GROUPS]
    heads = ["GROUP", "REPEATER", "HERE", "OVERS", "FORMULA", "WAITING", "OVERLAPPING", "LOCAL"]
    yield from table(heads, [_group_row(one) for one in worst], "  ")
    left_out = len(report.groups) - len(worst)
    if left_out:
        yield f"  {'and ' if worst else ''}{left_out} more, see --json"
    yield from wrap(
        f"Those of {FEWEST_OVERS} overs or more, the worst first. HERE: members that keyed and "
        "were there. FORMULA: blocked overs are given up; WAITING: the most, all wait their turn. "
        "OVERLAPPING: overs that overlap another's air by the record when they begin; LOCAL: of "
        "them by somebody who was there and could have listened.",
        "  ",
    )
    yield from wrap(_fit_words(report.fit), "  ")


def _group_row(one: GroupThere) -> list[str]:
    return [
        one.group,
        one.repeater,
        str(one.members),
        str(one.overs),
        _whole(one.busy / one.overs),
        _whole(one.busy_waiting / one.overs),
        f"{one.met}, {_whole(one.met / one.overs)}",
        str(one.met_heard),
    ]


def _fit_words(fit: Fit) -> str:
    text = (
        f"{fit.sendings:,} {'sending' if fit.sendings == 1 else 'sendings'} (an over on a "
        f"repeater) of {fit.overs:,} {'over' if fit.overs == 1 else 'overs'}: by the record "
        f"{fit.met:,} began in others' air, by the formula {fit.busy:,.1f}, with waiting "
        f"{fit.busy_waiting:,.1f}. The record "
    )
    if fit.met < fit.busy:
        return text + "lies outside, below both: people wait for each other more than that."
    if fit.met > fit.busy_waiting:
        return text + "lies outside, above both: overs come in bursts. Trust the record."
    return text + "lies between the two models."


def _clashes(report: LoadReport) -> Iterator[str]:
    yield ""
    yield "Groups that overlap most: overs begun in the other's air, on each repeater"
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
        [
            one.repeater,
            _load(one.erlangs),
            _load(one.erlangs_grown),
            "" if one.busy_hour_erlangs_grown is None else _load(one.busy_hour_erlangs_grown),
        ]
        for one in growth.repeaters
    ]
    yield from table(["REPEATER", "ERLANGS", "THEN", "THEN, BUSY HOUR"], rows, "  ")
    if any(cell.endswith("*") for row in rows for cell in row[2:]):
        yield "  *: 1 erlang or more; a single channel cannot carry it."
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
    yield "Which groups stand in others' way"
    if not report.advice:
        yield from wrap("Nothing would spare others a busy over, by the formula.", "  ")
        return
    bars = [one for one in report.advice if one.lines]
    told = [one for one in report.advice if not one.lines]
    shown = [*bars[:MOST_ADVICE], *told[:MOST_ADVICE]]
    for number, advice in enumerate(shown, 1):
        yield from wrap(f"{number}. {_advice_words(advice)}", "  ", "     ")
        if advice.lines:
            yield from wrap(
                f'In the region file, under [[group]] name = "{advice.group}":', "     "
            )
            yield from (f"       {line}" for line in advice.lines)
    yield from _rest(len(report.advice) - len(shown))
    yield from wrap(
        "Who only listens there is not seen in a record, and a bar cuts them off from the group: "
        "ask before you bar.",
        "  ",
    )


def _advice_words(advice: Advice) -> str:
    takes = (
        f"{advice.group} takes {_whole(advice.air_share)} of the air-time on {advice.repeater}; "
        f"without it {advice.others_busy_after:.1f} instead of {advice.others_busy:.1f} of "
        f"{plural(advice.others_overs, 'over')} of other groups there would find it busy"
    )
    if advice.lines:
        return (
            f"{takes}. No member of it was heard there in the {age(advice.counted_s)} that count: "
            "it may be barred there."
        )
    if not advice.members and not advice.whole:
        return (
            f"{takes}. No member of it was heard there, but part of the record could not be read. "
            "Not to be barred by this: mend or replace that part."
        )
    if not advice.members:
        return (
            f"{takes}. No member of it was heard there, but only {age(advice.counted_s)} count, "
            f"less than {age(advice.least_s)} (--least). Not to be barred by this: take a longer "
            "record."
        )
    return (
        f"{takes}; {advice.members} of its members keyed there. Not to be barred: ask for a second "
        f"channel, or ask its members to use another repeater{_instead_words(advice)}."
    )


def _instead_words(advice: Advice) -> str:
    if advice.instead is None:
        return ""
    return (
        f" ({advice.instead}, less busy, heard {_whole(advice.instead_share or 0)} of its overs "
        "told there as well; what they add to it is not counted)"
    )


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _whole(share: float) -> str:
    """In whole per cent; what is little is not called nothing, what is nearly all not all."""
    percent = 100 * share
    if 0 < percent < 1:
        return "< 1 %"
    return f"{min(round(percent), 99) if percent < 100 else 100} %"


def _when(at: datetime) -> str:
    return f"{at:%m-%d %H}Z"


def _wrapped(text: str, hanging: int) -> list[str]:
    return wrap(text, "", " " * hanging)
