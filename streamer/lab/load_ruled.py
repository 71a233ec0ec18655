"""Where the rules would have carried each group on a recorded day: for gateways that never say what
they carry. The rules are those that `streamer compare` tries settings with."""

from streamer.lab.columns import columns_of
from streamer.lab.day import CarriedSpan, Day
from streamer.lab.holding import Rules
from streamer.lab.ordered import order_spans
from streamer.lab.outcome import fan_outs, held_of


def ruled_spans(day: Day) -> tuple[CarriedSpan, ...]:
    """The fan-out of every group by the day's own settings and orders, by group and repeater."""
    horizon_ms = day.end_ms + 1
    orders = {
        name: order_spans(group, day.acts, day.begin_ms, horizon_ms)
        for name, group in day.view.groups.items()
    }
    pinned = sorted({name for spans in orders.values() for span in spans for name in span.pins})
    columns = columns_of(day, pinned)
    found: list[CarriedSpan] = []
    for number, group in enumerate(columns.groups):
        held, _ = held_of(columns, number, Rules.of(day.view, group))
        fans = fan_outs(columns, held, orders[group])
        for repeater, fan_out in zip(columns.repeaters, fans, strict=True):
            begins, ends = fan_out.carried.begins.tolist(), fan_out.carried.ends.tolist()
            found += [
                CarriedSpan(group, repeater, from_ms, until_ms)
                for from_ms, until_ms in zip(begins, ends, strict=True)
            ]
    return tuple(found)
