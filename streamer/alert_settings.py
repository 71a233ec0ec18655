"""How alerts become messages: `[alerts]` and each `[[channel]]` of a region file."""

from collections.abc import Iterable, Sequence
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, field_validator, model_validator

from streamer.config_types import (
    HOUR_S,
    MINUTE_S,
    AsTuple,
    GivenPath,
    MaybePath,
    PositiveSeconds,
    Seconds,
    Table,
)
from streamer.contract.common import GroupName, Name
from streamer.contract.published import AlertKind, Severity
from streamer.problems import suggestion

_Kind = Annotated[AlertKind, Field(strict=False)]


def _checked_url(url: str) -> str:
    try:
        parts = urlsplit(url)
        good = bool(parts.hostname) and parts.port != 0
    except ValueError:
        good = False
    if not good:
        raise ValueError("must be http://HOST/PATH or https://HOST/PATH")
    if parts.password is not None:
        raise ValueError(
            "leave the password out: a region file is no secret; there are settings that name a "
            "file with a password or a whole address"
        )
    return url


_Url = Annotated[
    str,
    Field(min_length=8, max_length=2000, pattern=r"^https?://[^\s]+$"),
    AfterValidator(_checked_url),
]


class AlertSettings(Table):
    """What the lifecycle waits for, the same for every channel."""

    settle_s: Seconds = Field(5, description="a lost gateway or repeater is told after so long")
    broker_settle_s: Seconds = Field(
        30, description="no broker: told after so long; a restart takes less"
    )
    clear_s: Seconds = Field(5, description="trouble must be gone for so long to be cleared")
    reopen_s: Seconds = Field(
        10 * MINUTE_S, description="what comes back within it is the same alert, not a new one"
    )
    unsteady_times: Annotated[int, Field(ge=2, le=100)] = Field(
        3, description="opened so often within unsteady_within_s: single changes are told no more"
    )
    unsteady_within_s: PositiveSeconds = 30 * MINUTE_S
    steady_after_s: PositiveSeconds = Field(
        10 * MINUTE_S, description="unchanged for so long: steady again"
    )
    many_gateways: Annotated[int, Field(ge=2, le=10_000)] = Field(
        3, description="at least so many gateways lost at once have one cause"
    )
    many_gateways_pct: Annotated[float, Field(gt=0, le=100)] = Field(
        50, description="and at least so many of all"
    )
    escalate_after_s: PositiveSeconds = Field(
        5 * MINUTE_S, description="nobody has taken it in hand: the next step's channels are told"
    )
    repeat_critical_s: PositiveSeconds = Field(
        15 * MINUTE_S, description="critical and in nobody's hand: told again so often"
    )
    ask_holder_s: PositiveSeconds = Field(
        HOUR_S, description="critical, about a member and in hand: told again so often"
    )
    remind_s: PositiveSeconds = Field(
        12 * HOUR_S, description="what stands is told again after so long without news of it"
    )
    beat_s: Annotated[float, Field(ge=1, le=86_400)] = Field(
        60, description="how often channels are sent the sign that the way of alerts works"
    )


class ChannelSettings(Table):
    """What every channel has. `step` 0 is told at once, 1 after `escalate_after_s` without anybody
    who took the alert in hand, 2 after twice that."""

    name: Name
    step: Annotated[int, Field(ge=0, le=9)] = 0
    least: Severity = Field(
        Severity.WARNING, strict=False, description="what is less is not told here"
    )
    kinds: Annotated[tuple[_Kind, ...], AsTuple] = Field(
        (), description="only these kinds; without it all"
    )
    groups: Annotated[tuple[GroupName, ...], AsTuple] = Field(
        (), description="of alerts about members and groups only those of these groups"
    )
    gather_s: Seconds = Field(3, description="what happens within it goes into one message")
    pause_s: Seconds = Field(30, description="least time between two messages; they are gathered")
    beat: bool = Field(False, description="send the sign that the way of alerts works here too")
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 10


class WebhookSettings(ChannelSettings):
    """A signed POST of JSON to a program of yours."""

    type: Literal["webhook"]
    url: _Url | None = None
    url_file: MaybePath = Field(None, description="a file with the address, where it is a secret")
    secret_file: MaybePath = Field(None, description="a file with the key that signs messages")
    ca_file: MaybePath = None

    @model_validator(mode="after")
    def _one_url(self) -> "WebhookSettings":
        if (self.url is None) == (self.url_file is None):
            raise ValueError("give either url or url_file")
        return self


class AppriseSettings(ChannelSettings):
    """Mail, SMS or chat by the Apprise library."""

    type: Literal["apprise"]
    urls_file: GivenPath = Field(
        description="a file with one Apprise address a line; it holds secrets"
    )
    short: bool = Field(False, description="first lines alone, for SMS and pagers")


class AlertmanagerSettings(ChannelSettings):
    """Prometheus Alertmanager, API v2."""

    type: Literal["alertmanager"]
    url: _Url
    refresh_s: Annotated[float, Field(ge=1, le=3600)] = Field(
        60, description="open alerts are sent again so often; it forgets those it hears no more of"
    )
    username: str | None = None
    password_file: MaybePath = None
    ca_file: MaybePath = None


class CapSettings(ChannelSettings):
    """OASIS CAP 1.2: files in a folder with an Atom feed, and or by POST."""

    type: Literal["cap"]
    sender: Annotated[str, Field(min_length=3, max_length=200)] = Field(
        description="who sends, unique in the world, such as streamer@eoc.example"
    )
    folder: MaybePath = Field(None, description="each message becomes a file, feed.atom lists them")
    feed_url: _Url | None = Field(None, description="where the folder can be read by others")
    url: _Url | None = Field(None, description="where each message is posted")
    url_file: MaybePath = None
    keep_days: Annotated[float, Field(gt=0, le=3660)] = 30
    language: Annotated[str, Field(pattern=r"^[a-zA-Z]{2,3}(-[a-zA-Z0-9]{2,8})*$")] = "en-US"
    trial: bool = Field(False, description="status Test in every message: nobody is to act on them")
    scope_restriction: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        "For emergency operations staff", description="CAP scope is Restricted, to these"
    )

    @field_validator("scope_restriction")
    @classmethod
    def _said(cls, text: str) -> str:
        if not text.strip():
            raise ValueError("must not be blank: whom are the messages for?")
        return text

    @field_validator("sender")
    @classmethod
    def _plain(cls, sender: str) -> str:
        if any(c.isspace() or c in ",<&" for c in sender):
            raise ValueError("must hold no blank, comma, < or & (CAP 1.2, 3.2.1)")
        return sender

    @model_validator(mode="after")
    def _somewhere(self) -> "CapSettings":
        if self.folder is None and self.url is None and self.url_file is None:
            raise ValueError("give a folder, a url or a url_file: where should messages go?")
        if self.url is not None and self.url_file is not None:
            raise ValueError("give either url or url_file")
        return self


Channel = Annotated[
    WebhookSettings | AppriseSettings | AlertmanagerSettings | CapSettings,
    Field(discriminator="type"),
]


def unknown_groups(channels: Iterable[ChannelSettings], known: Sequence[str]) -> list[str]:
    """Faults of channels that name a group that is not in the region file."""
    return [
        f"channel {channel.name} groups: no such group {name!r}; {suggestion(name, sorted(known))}"
        for channel in channels
        for name in channel.groups
        if name not in known
    ]
