"""The region file: TOML to checked settings, with errors that say what, where and what to do."""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError, field_validator, model_validator

from streamer.alert_settings import AlertSettings, Channel, unknown_groups
from streamer.config_types import (
    HOUR_S,
    MINUTE_S,
    AsTuple,
    MaybePath,
    Phi,
    PositiveSeconds,
    Seconds,
    Table,
    Title,
    Word,
)
from streamer.contract.common import GroupName, Name, RepeaterId
from streamer.domain.callsign import CallSignRules
from streamer.limits_settings import Limits
from streamer.mqtt.settings import WorkersBroker
from streamer.privacy_settings import Privacy
from streamer.problems import NotToml, problem_lines, suggestion, toml_of
from streamer.redis_settings import (
    REDIS_PASSWORD_VARIABLE,
    RedisAddress,
    RedisSettings,
    check_redis_url,
    parse_redis_url,
    redis_address,
)
from streamer.redis_settings import problems_of as redis_problems


class ConfigError(Exception):
    """A file cannot be used; `problems` lists each fault as `place: what, what is allowed`."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))


class PolicySettings(Table):
    """The times of a policy, each by itself."""

    overdue_phi: Phi = Field(1.1, description="silence so unusual for the member: overdue")
    out_of_reach_phi: Phi = Field(2.5, description="silence so unusual for it: out of reach")
    overdue_soonest_s: Seconds = Field(5 * MINUTE_S, description="never overdue before")
    out_of_reach_soonest_s: Seconds = Field(8 * MINUTE_S, description="never out of reach before")
    overdue_after_s: PositiveSeconds = Field(
        2 * HOUR_S, description="silence: overdue at the latest"
    )
    out_of_reach_after_s: PositiveSeconds = Field(
        3 * HOUR_S, description="silence: out of reach at the latest"
    )
    expire_after_s: PositiveSeconds = Field(4 * HOUR_S, description="silence: no longer a member")
    linger_s: Seconds = Field(120, description="a repeater stays this long after its last member")
    starved_after_s: Seconds = Field(15, description="wanted but not carried: an alert after this")
    late_after_s: Seconds = Field(24 * HOUR_S, description="older events are kept, not applied")
    member_alerts: bool = Field(
        True, description="alerts for members overdue or out of reach; false where nobody watches"
    )
    check_out_words: Annotated[tuple[Word, ...], AsTuple] = Field(
        ("OUT", "QRT"), description="a text of just this word checks a station out"
    )

    @field_validator("check_out_words")
    @classmethod
    def _sayable(cls, words: tuple[str, ...]) -> tuple[str, ...]:
        for word in words:
            if word != word.strip():
                raise ValueError(f"{word!r} begins or ends with a blank and would never match")
        return words


class Policy(PolicySettings):
    """How a group treats its members; `[policy]` gives the defaults, a group may differ."""

    @model_validator(mode="after")
    def _rising(self) -> "Policy":
        steps = (self.overdue_after_s, self.out_of_reach_after_s, self.expire_after_s)
        if list(steps) != sorted(steps):
            raise ValueError(
                "overdue_after_s, out_of_reach_after_s and expire_after_s must not fall, "
                f"but are {steps[0]:g}, {steps[1]:g}, {steps[2]:g}"
            )
        if self.out_of_reach_phi < self.overdue_phi:
            raise ValueError(
                "out_of_reach_phi must not be lower than overdue_phi, "
                f"but they are {self.out_of_reach_phi:g} and {self.overdue_phi:g}"
            )
        if self.late_after_s < self.linger_s:
            raise ValueError(
                "late_after_s must not be shorter than linger_s, "
                f"but they are {self.late_after_s:g} and {self.linger_s:g}"
            )
        return self


class Repeater(Table):
    id: Name = Field(description="the port's name; the full name is gateway/port")
    title: Title = ""
    lat: Annotated[float, Field(ge=-90, le=90)] | None = None
    lon: Annotated[float, Field(ge=-180, le=180)] | None = None
    antenna_m: Annotated[float, Field(ge=0, le=10_000)] | None = None
    range_km: Annotated[float, Field(gt=0, le=2000)] | None = None
    freq_mhz: Annotated[float, Field(gt=0, le=300_000)] | None = None

    @model_validator(mode="after")
    def _place(self) -> "Repeater":
        if (self.lat is None) != (self.lon is None):
            raise ValueError("lat and lon go together: give both or neither")
        return self


class Gateway(Table):
    id: Name
    title: Title = ""
    keeper: Title = Field(
        "", description="whom to call about the site; shown with its alerts, never published"
    )
    repeater: Annotated[tuple[Repeater, ...], AsTuple] = Field(min_length=1)


class Group(Table):
    name: GroupName
    title: Title = ""
    pins: Annotated[tuple[RepeaterId, ...], AsTuple] = Field(
        (), description="repeaters that always carry the group"
    )
    bars: Annotated[tuple[RepeaterId, ...], AsTuple] = Field(
        (), description="repeaters that never carry it"
    )
    policy: PolicySettings = Field(
        PolicySettings(), description="settings that differ from [policy]"
    )


class Learning(Table):
    """What is learned of stations and repeaters from what is heard, and judged by it."""

    enabled: bool = Field(True, description="false: silence is judged by the latest times alone")
    grain_s: Annotated[int, Field(ge=1, le=3600)] = Field(
        60, description="overs so close together count as one when a station's silences are learned"
    )
    cell_resolution: Annotated[int, Field(ge=3, le=10)] = Field(
        7, description="size of the cells of learned coverage, as H3 counts it; 7: 5 km2"
    )
    station_dbm: Annotated[float, Field(ge=0, le=60)] = Field(
        37, description="power of a usual station with its antenna; 37 dBm are 5 W"
    )
    hears_dbm: Annotated[float, Field(ge=-150, le=-50)] = Field(
        -116, description="weakest signal that a repeater usually hears"
    )
    carrier_stuck_after_s: PositiveSeconds = Field(
        180, description="an over that lasts longer is no over"
    )
    busy_pct: Annotated[float, Field(gt=0, le=100)] = Field(
        60, description="time on the air in a quarter of an hour that calls a repeater busy"
    )


class Journal(Table):
    """What workers record (streamer.journal)."""

    folder: MaybePath = Field(None, description="else none")
    keep_days: Annotated[float, Field(gt=0, le=3660)] = 30
    keep_gb: Annotated[float, Field(gt=0, le=100_000)] = Field(
        10, description="of a region's files"
    )


class Region(Table):
    """One region file."""

    region: Name
    title: Title = ""
    extra_prefixes: Annotated[tuple[str, ...], AsTuple] = Field(
        (), description="call sign prefixes accepted though no series holds them"
    )
    accepted_calls: Annotated[tuple[str, ...], AsTuple] = ()
    denied_calls: Annotated[tuple[str, ...], AsTuple] = ()
    open_gateways: bool = Field(False, description="accept gateways that are not listed here")
    partitions: Annotated[int, Field(ge=1, le=256)] = Field(
        4, description="Redis hash slots in use; cannot be changed while the state is kept"
    )
    broker: WorkersBroker = WorkersBroker()
    redis_url: str = Field(
        "redis://127.0.0.1:6379/0", description="a server, a cluster or what sentinels watch"
    )
    redis_password_file: Annotated[Path | None, Field(strict=False)] = Field(
        None, description=f"a file with the password alone; else ${REDIS_PASSWORD_VARIABLE} is read"
    )
    redis: RedisSettings = RedisSettings()
    limits: Limits = Limits()
    learning: Learning = Learning()
    journal: Journal = Journal()
    privacy: Privacy = Privacy()
    alerts: AlertSettings = AlertSettings()
    channel: Annotated[tuple[Channel, ...], AsTuple] = ()
    policy: Policy = Policy()
    gateway: Annotated[tuple[Gateway, ...], AsTuple] = ()
    group: Annotated[tuple[Group, ...], AsTuple] = Field(min_length=1)

    @field_validator("redis_url")
    @classmethod
    def _reachable(cls, url: str) -> str:
        return check_redis_url(url)

    @model_validator(mode="after")
    def _consistent(self) -> "Region":
        problems = [
            *self._doubles(),
            *self._unknown_repeaters(),
            *unknown_groups(self.channel, [g.name for g in self.group]),
            *self._contradictions(),
            *self._call_signs(),
            *self._policies(),
            *redis_problems(parse_redis_url(self.redis_url, self.redis)),
        ]
        if problems:
            raise ValueError("\n".join(problems))
        return self

    def _doubles(self) -> list[str]:
        names = {
            "gateway": [g.id for g in self.gateway],
            "group": [g.name for g in self.group],
            "repeater": [f"{g.id}/{p.id}" for g in self.gateway for p in g.repeater],
            "channel": [c.name for c in self.channel],
        }
        return [
            f"{what} {name}: is given {count} times: keep one"
            for what, listed in names.items()
            for name, count in sorted(Counter(listed).items())
            if count > 1
        ]

    def _unknown_repeaters(self) -> list[str]:
        if self.open_gateways:
            return []
        known = sorted({f"{g.id}/{p.id}" for g in self.gateway for p in g.repeater})
        return [
            f"group {group.name} {what}: no such repeater {name!r}; {suggestion(name, known)}"
            for group in self.group
            for what, names in (("pins", group.pins), ("bars", group.bars))
            for name in names
            if name not in known
        ]

    def _contradictions(self) -> list[str]:
        return [
            f"group {group.name}: {name} is both in pins and in bars: strike it from one list"
            for group in self.group
            for name in sorted(set(group.pins) & set(group.bars))
        ]

    def _call_signs(self) -> list[str]:
        try:
            CallSignRules(self.extra_prefixes, self.accepted_calls, self.denied_calls)
        except ValueError as error:
            text = str(error)
            return [text if re.match(r"\w+: ", text) else f"accepted_calls, denied_calls: {text}"]
        return []

    def _policies(self) -> list[str]:
        problems = []
        for group in self.group:
            try:
                self._policy_of(group)
            except ValidationError as error:
                found = problem_lines(error, Policy, {})
                problems += [f"group {group.name} policy: {text}" for text in found]
        return problems

    def _policy_of(self, group: Group) -> Policy:
        own = group.policy.model_dump(exclude_unset=True)
        return Policy.model_validate({**self.policy.model_dump(), **own})


@dataclass(frozen=True, slots=True)
class Site:
    """A repeater as configured, under its full name."""

    repeater: str
    gateway: str
    lat: float | None
    lon: float | None
    antenna_m: float | None
    range_km: float | None
    freq_mhz: float | None = None


class RegionView:
    """A region made ready for quick questions. Built once per (re)load, never changed."""

    def __init__(self, region: Region) -> None:
        self.region = region
        self.name = region.region
        self.limits = region.limits
        self.learning = region.learning
        self.groups = {group.name: group for group in region.group}
        self.policies = {g.name: region._policy_of(g) for g in region.group}
        self.gateways = {g.id: g for g in region.gateway}
        self.sites = {
            f"{g.id}/{p.id}": Site(
                f"{g.id}/{p.id}", g.id, p.lat, p.lon, p.antenna_m, p.range_km, p.freq_mhz
            )
            for g in region.gateway
            for p in g.repeater
        }
        self.longest_linger_s = max(p.linger_s for p in self.policies.values())
        self.longest_late_s = max(p.late_after_s for p in self.policies.values())
        self.longest_expire_s = max(p.expire_after_s for p in self.policies.values())
        self.check_out_words = frozenset(
            word.upper() for p in self.policies.values() for word in p.check_out_words
        )

    def call_sign_rules(self, accepted: Iterable[str] = ()) -> CallSignRules:
        """The rules of the region file, and identities that were accepted since; raises ValueError
        for one that cannot be."""
        region = self.region
        calls = (*region.accepted_calls, *accepted)
        return CallSignRules(region.extra_prefixes, calls, region.denied_calls)

    def knows_gateway(self, gateway: str) -> bool:
        return self.region.open_gateways or gateway in self.gateways

    def knows_repeater(self, repeater: str) -> bool:
        return self.region.open_gateways or repeater in self.sites

    def redis_address(self, instead: str | None = None) -> RedisAddress:
        """As `redis_settings.redis_address`; `instead` of the file's redis_url."""
        region = self.region
        return redis_address(region.redis_url, region.redis_password_file, region.redis, instead)


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file's content; raises ConfigError."""
    try:
        return toml_of(path)
    except NotToml as error:
        raise ConfigError(path, [str(error)]) from error.__cause__


def load_region(path: Path) -> RegionView:
    """A region file; raises ConfigError with every fault found."""
    content = read_toml(path)
    try:
        return RegionView(Region.model_validate(content))
    except ValidationError as error:
        raise ConfigError(path, problem_lines(error, Region, content)) from error


def load_anew(path: Path, view: RegionView) -> RegionView:
    """The file of a program that runs, again. Raises ConfigError, also for a file that is sound
    and needs a restart."""
    fresh = load_region(path)
    if fresh.name != view.name or fresh.region.partitions != view.region.partitions:
        raise ConfigError(path, ["file: other region or partitions: both need a restart"])
    return fresh


def differences(policy: Policy, base: Policy) -> dict[str, Any]:
    """The settings of a group's policy that differ from `[policy]`."""
    return {
        name: value for name, value in policy.model_dump().items() if value != getattr(base, name)
    }
