"""Which channel is told of which turn of an alert. Pure."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from streamer.alert_settings import ChannelSettings
from streamer.alerts.case import EARLIER_KEPT, Case
from streamer.alerts.causes import MEMBERS
from streamer.alerts.deliveries import is_about
from streamer.alerts.making import RANK, hushed
from streamer.alerts.notice import Earlier, Notice, Turn
from streamer.alerts.turns import Turned
from streamer.clock import from_ms
from streamer.contract.published import Alert, AlertKind

_HIDING: Final = frozenset(
    {
        AlertKind.GATEWAY_LOST, AlertKind.REPEATER_LOST, AlertKind.REPEATER_DEAF,
        AlertKind.NETWORK_LOST, AlertKind.GATEWAY_FLOODING,
    }
)  # fmt: skip
_NEWS: Final = frozenset({Turn.OPENED, Turn.REOPENED, Turn.WORSE, Turn.UNSTEADY, Turn.ACTUAL})


@dataclass(frozen=True, slots=True)
class Told:
    """A notice for a channel, not to be told before `ms`."""

    channel: str
    ms: int
    notice: Notice


def concerns(channel: ChannelSettings, alert: Alert) -> bool:
    """Whether a channel wants to know of such an alert at all."""
    if RANK[alert.severity] < RANK[channel.least] or is_about(alert, channel.name):
        return False
    if channel.kinds and not _of_kinds(channel.kinds, alert):
        return False
    return not (channel.groups and alert.group is not None and alert.group not in channel.groups)


def _of_kinds(kinds: Collection[AlertKind], alert: Alert) -> bool:
    """Whoever asks for members is told of a machine that hides them: they get no alert then.
    Without a broker all are hidden; that names nobody."""
    hides = alert.kind is AlertKind.BROKER_LOST or (alert.kind in _HIDING and bool(alert.affects))
    return alert.kind in kinds or (hides and not MEMBERS.isdisjoint(kinds))


def stands_on(channel: ChannelSettings, alert: Alert) -> bool:
    """Whether an alert that stands is one of those that the channel should show."""
    return concerns(channel, alert) and channel.step <= alert.escalated and not hushed(alert)


def is_told(channel: ChannelSettings, turned: Turned, before: Sequence[Earlier]) -> bool:
    """Whether a channel is told of a turn. Whoever was told that something is wrong is told what
    became of it; what nobody was told of needs no ending."""
    alert, turn = turned.alert, turned.turn
    if turned.hushed:
        return bool(before) and turn in (Turn.CLEARED, Turn.EXPLAINED)
    if turn in _NEWS:
        return concerns(channel, alert) and (channel.step <= alert.escalated or bool(before))
    if turn is Turn.ESCALATED:
        return concerns(channel, alert) and channel.step == alert.escalated
    if turn is Turn.REMINDED and concerns(channel, alert) and channel.step <= alert.escalated:
        return True  # also a channel that is newer than the alert
    return bool(before)


def notices_of(
    turned: Iterable[Turned], channels: Iterable[ChannelSettings], now_ms: int
) -> tuple[list[Told], dict[str, Case]]:
    """The notices of a round, and by id the cases with what was told noted in them."""
    told: list[Told] = []
    cases: dict[str, Case] = {}
    listed = list(channels)
    for one in turned:
        case = cases.get(one.case.id, one.case)
        known = dict(case.told)
        notice_id = f"{one.alert.id}@{one.alert.version}.{one.turn}"
        for channel in listed:
            before = known.get(channel.name, ())
            if not is_told(channel, one, before):
                continue
            at = from_ms(now_ms)
            notice = Notice(
                id=notice_id, turn=one.turn, at=at, alert=one.alert, cause=one.cause,
                earlier=before,
            )  # fmt: skip
            told.append(Told(channel.name, now_ms + round(channel.gather_s * 1000), notice))
            known[channel.name] = (*before, Earlier(id=notice_id, at=at))[-EARLIER_KEPT:]
        cases[case.id] = case.but(told=known)
    return told, cases
