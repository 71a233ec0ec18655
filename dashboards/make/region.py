"""The dashboard of the region as it is now. It counts; who is where is the board's."""

from typing import Final

from dashboards.make.alerts import ALERTS_NOW
from dashboards.make.ask import LIST, quantile, rate, same
from dashboards.make.panels import Dashboard, Lines, Number, Panel, Query, Table
from streamer.contract.published import CAUTION, Carriage, Standing

_FAILS: Final = "a gateway that does not report"
_GROUP: Final = "~$group"
_AIR: Final = {
    "air_addressed_seconds": "where it was heard",
    "air_carried_seconds": "on other repeaters of fan-outs",
    "air_everywhere_seconds": "if it were sent on everywhere",
}
_WORDS: Final = {
    Standing.IN_REACH: "in reach",
    Standing.OVERDUE: "overdue",
    Standing.OUT_OF_REACH: "out of reach",
    Standing.BLIND: "blind",
}


def _all(attribute: str, label: str) -> str:
    return f"sum({same(attribute, label)})"


def _members(standing: Standing) -> str:
    return f"sum({same('members', 'group', standing=standing.value, group=_GROUP)})"


def _carriage(carriage: Carriage) -> str:
    return same("fanout_repeaters", "group", carriage=carriage.value, group=_GROUP)


_NOW: Final[list[Panel]] = [
    Number(
        "Gateways that report",
        "Of those that the region file lists.",
        (Query(_all("gateway_up", "gateway"), "report"),
         Query(f"count({same('gateway_up', 'gateway')})", "listed")),
    ),
    Number(
        "Repeaters that hear",
        "Those that report and whose gateway does, of those that the region file lists.",
        (Query(_all("repeater_up", "repeater"), "hear"),
         Query(f"count({same('repeater_up', 'repeater')})", "listed")),
    ),
    Number(
        "Memberships by standing",
        f"Who is in two groups counts twice. {CAUTION}",
        tuple(Query(_members(standing), words) for standing, words in _WORDS.items()),
        width=6,
    ),
    Number("Starved", "Repeaters that should carry a group and say that they do not.",
           (Query(f"sum({_carriage(Carriage.NOT_CARRIED)})"),), width=3, bad_from=1),
    *ALERTS_NOW,
]  # fmt: skip

_GATEWAYS: Final[list[Panel]] = [
    Lines(
        "Gateways and repeaters",
        "How many report.",
        (Query(_all("gateway_up", "gateway"), "gateways"),
         Query(_all("repeater_up", "repeater"), "repeaters")),
    ),
    Table("Gateways that do not report", "As they are now; nothing behind them can be judged.",
          (Query(f"{same('gateway_up', 'gateway')} == 0", needs=_FAILS),)),
    Lines(
        "Clocks that are off",
        "Server time less gateway time, the ten that are furthest off. Times are corrected by it.",
        (Query(f"topk(10, abs({same('clock_offset_seconds', 'gateway')}))", "{{gateway}}"),),
        unit="s", bad_from=5,
    ),
    Lines(
        "Events that have not arrived",
        "Holes in what gateways counted, the ten largest; the agents still hold most of them.",
        (Query(f"topk(10, {same('events_missing', 'gateway')})", "{{gateway}}"),),
    ),
    Lines(
        "From keying to carried",
        "How long until a repeater that a keying called for carries the group.",
        (Query(quantile(0.5, "heard_to_carried_seconds"), "median"),
         Query(quantile(0.95, "heard_to_carried_seconds"), "95 of 100")),
        unit="s",
    ),
]  # fmt: skip

_GROUPS: Final[list[Panel]] = [
    Lines("Members by standing", f"Of the chosen groups. {CAUTION}",
          tuple(Query(_members(standing), words) for standing, words in _WORDS.items()),
          stacked=True),
    Lines("Wanted and carried", "Repeaters of the fan-out that say they carry it.",
          (Query(_carriage(Carriage.CARRIED), "{{group}}"),)),
    Lines("Starved", "Repeaters of the fan-out that say they do not carry it.",
          (Query(_carriage(Carriage.NOT_CARRIED), "{{group}}"),)),
    Lines("Not known", "Repeaters of the fan-out whose gateway says nothing of what it carries.",
          (Query(_carriage(Carriage.UNKNOWN), "{{group}}"),)),
    Lines("Idle", "Repeaters that carry the group for nobody.",
          (Query(same("idle_repeaters", "group", group=_GROUP), "{{group}}"),)),
    Lines("Time on the air", "Of overs to groups: seconds in each second, all repeaters together.",
          tuple(Query(f"sum({rate(name)})", words) for name, words in _AIR.items())),
]  # fmt: skip

REGION: Final = Dashboard(
    "streamer-region",
    "Region now",
    "What the workers say of the region. Figures, not people: the board shows who is where.",
    [("Now", _NOW), ("Gateways", _GATEWAYS), ("Groups", _GROUPS)],
    by_group=LIST["members"].name,
)
