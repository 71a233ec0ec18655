"""How long each kind of trouble waits: before it is told, and, once gone, before it is over."""

from typing import Final

from streamer.alert_settings import AlertSettings
from streamer.contract.published import AlertKind

_SETTLES: Final = frozenset(
    {
        AlertKind.GATEWAY_LOST, AlertKind.REPEATER_LOST, AlertKind.REPEATER_STARVED,
        AlertKind.NETWORK_LOST, AlertKind.BROKER_LOST, AlertKind.WORKER_LOST,
        AlertKind.CHANNEL_LOST,
    }
)  # fmt: skip
"""Within their wait a cause may show. The others were judged with waiting times of their own."""


def settle_ms(kind: AlertKind, settings: AlertSettings) -> int:
    """From when it is noticed until it is told."""
    if kind is AlertKind.BROKER_LOST:
        return round(settings.broker_settle_s * 1000)
    return round(settings.settle_s * 1000) if kind in _SETTLES else 0


def clear_ms(kind: AlertKind, settings: AlertSettings) -> int:
    """From when it is gone until it is told to be over."""
    return round(settings.clear_s * 1000) if kind in _SETTLES else 0
