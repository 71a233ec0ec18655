"""The dashboard of alerts and of the ways on which people are told of them."""

from typing import Final

from dashboards.make.ask import grown, metric, same
from dashboards.make.panels import Dashboard, Lines, Number, Panel, Query, Table
from streamer.contract.published import Severity

_CHANNEL: Final = "{{channel}}"
_RULES: Final = (
    'ALERTS{alertname=~"Streamer.*", alertstate="firing", alertname!="StreamerWatchdog"}'
)
_CRITICAL_RULES: Final = 'ALERTS{alertname=~"Streamer.*", alertstate="firing", severity="critical"}'


def _open(severity: Severity) -> str:
    return f"sum({same('alerts', 'kind', severity=severity.value)})"


ALERTS_NOW: Final = [
    Number("Critical alerts", "Open or in somebody's hands. The board says which.",
           (Query(_open(Severity.CRITICAL)),), width=3, bad_from=1),
    Number("Other alerts", "Open or in somebody's hands. The board says which.",
           (Query(_open(Severity.WARNING), "warnings"), Query(_open(Severity.NOTICE), "notices"))),
]  # fmt: skip
"""How many there are: also on the dashboard of the region. With many gateways there is always a
notice, so only what is critical is coloured."""

_NOW: Final = [
    *ALERTS_NOW,
    Number("Held", "Trouble that another alert explains.", (Query(same("alerts_held")),), width=3),
    Number("Notices waiting", "Not taken by their channels yet.",
           (Query(f"sum({same('notices_waiting', 'channel')})", "", "a channel"),), width=3),
    Number("Channels that fail", "People may not be told: watch the board.",
           (Query(f"count(min by (channel) ({metric('delivery_well')}) == 0) or vector(0)"),),
           width=4, bad_from=1),
    Number("Beats missing", "The sign that the way of alerts works; from 3 on it does not.",
           (Query(same("beats_missing")),), width=3, bad_from=3),
    Number("Critical rules that fire", "Of Prometheus; the table below has the others too.",
           (Query(f"count({_CRITICAL_RULES}) or vector(0)"),), bad_from=1),
]  # fmt: skip

_ALERTS: Final = [
    Lines("Alerts by kind", "Of the region; the board says of whom.",
          (Query(f"sum by (kind) ({same('alerts', 'kind', 'severity')}) > 0", "{{kind}}",
                 "an alert"),),
          width=16, stacked=True),
    Lines("Held", "Trouble that another alert explains.", (Query(same("alerts_held"), "held"),)),
    Table("Rules that fire", "The runbook, dashboards/README.md, has a heading for each.",
          (Query(_RULES, "", "a rule that fires"),), width=24),
]  # fmt: skip

_CHANNELS: Final = [
    Lines("Told", "Messages that a channel took, in an hour.",
          (Query(f"sum by (channel) ({grown('parcels', '1h', outcome='delivered')})", _CHANNEL,
                 "a channel"),)),
    Lines("Tried again", "Messages that a channel did not take at once, in an hour.",
          (Query(f"sum by (channel) ({grown('parcels', '1h', outcome='retried')})", _CHANNEL,
                 "a channel"),)),
    Lines("Given up", "Messages that nobody got, in an hour: tell these people yourself.",
          (Query(f"sum by (channel) ({grown('parcels', '1h', outcome='dead')})", _CHANNEL,
                 "a channel"),)),
    Lines("Notices waiting", "Of each channel.",
          (Query(same("notices_waiting", "channel"), _CHANNEL, "a channel"),)),
    Lines("Well", "0 while a channel does not take what it is sent.",
          (Query(f"min by (channel) ({metric('delivery_well')})", _CHANNEL, "a channel"),)),
]  # fmt: skip

_ROWS: Final[list[tuple[str, list[Panel]]]] = [
    ("Now", [*_NOW]),
    ("Alerts", [*_ALERTS]),
    ("Channels", [*_CHANNELS]),
]

ALERTS: Final = Dashboard(
    "streamer-alerts",
    "Alerts and channels",
    "What is wrong, and whether people are told of it.",
    _ROWS,
)
