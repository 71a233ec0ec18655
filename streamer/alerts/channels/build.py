"""Channels from a region file. A kind's module, and what it needs, is imported only where such a
channel is configured."""

from collections.abc import Iterable

from streamer.alert_settings import (
    AlertmanagerSettings,
    AppriseSettings,
    CapSettings,
    ChannelSettings,
    WebhookSettings,
)
from streamer.alerts.notice import Channel
from streamer.clock import Clock
from streamer.config import RegionView


class ChannelMissing(Exception):
    """A configured channel needs a package that is not installed; the text says which and how."""


def channels_of(view: RegionView, clock: Clock) -> list[Channel]:
    """Every channel of the region file, in its order. Nothing is opened or read yet. Raises
    ChannelMissing."""
    return [channel_of(settings, view, clock) for settings in view.region.channel]


def channel_of(settings: ChannelSettings, view: RegionView, clock: Clock) -> Channel:
    """One channel; raises ChannelMissing."""
    try:
        return _made(settings, view, clock)
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("streamer"):
            raise
        raise ChannelMissing(
            f"channel {settings.name}: the package {error.name!r} is missing; install it with: "
            "pip install '.[alerts]' in the folder of streamer's sources"
        ) from error


def _made(settings: ChannelSettings, view: RegionView, clock: Clock) -> Channel:
    made: Channel
    if isinstance(settings, WebhookSettings):
        from streamer.alerts.channels.webhook import WebhookChannel  # noqa: PLC0415

        made = WebhookChannel(settings, clock)
    elif isinstance(settings, AppriseSettings):
        from streamer.alerts.channels.apprise_way import AppriseChannel  # noqa: PLC0415

        made = AppriseChannel(settings)
    elif isinstance(settings, AlertmanagerSettings):
        from streamer.alerts.channels.alertmanager import AlertmanagerChannel  # noqa: PLC0415

        made = AlertmanagerChannel(settings, view.name, clock)
    elif isinstance(settings, CapSettings):
        from streamer.alerts.cap.channel import CapChannel  # noqa: PLC0415

        made = CapChannel(settings, view, clock)
    else:
        raise TypeError(f"channel {settings.name}: no such kind of settings: {type(settings)}")
    return made


def faults_of(channels: Iterable[Channel]) -> dict[str, list[str]]:
    """What is wrong with the files and addresses of channels, by name; nothing is sent."""
    found = {}
    for channel in channels:
        faults = getattr(channel, "faults", None)
        if faults is not None and (said := faults()):
            found[channel.name] = list(said)
    return found
