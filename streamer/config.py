"""The region file: TOML to checked settings, with errors that say what, where and what to do."""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from streamer.contract.common import GroupName, Name, RepeaterId
from streamer.mqtt.settings import BrokerSettings

MINUTE_S: Final = 60.0
HOUR_S: Final = 3600.0

Seconds = Annotated[float, Field(ge=0, le=366 * 24 * HOUR_S)]
Word = Annotated[str, Field(min_length=1, max_length=20)]


class ConfigError(Exception):
    """A file cannot be used; `problems` lists each fault as `place: what, what is allowed`."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Policy(Table):
    """How a group treats its members; `[policy]` gives the defaults, a group may differ."""

    overdue_after_s: Seconds = Field(20 * MINUTE_S, description="silence: overdue")
    out_of_reach_after_s: Seconds = Field(60 * MINUTE_S, description="silence: out of reach")
    expire_after_s: Seconds = Field(4 * HOUR_S, description="silence: no longer a member")
    linger_s: Seconds = Field(120, description="a repeater stays this long after its last member")
    starved_after_s: Seconds = Field(15, description="wanted but not carried: an alert after this")
    late_after_s: Seconds = Field(24 * HOUR_S, description="older events are kept, not applied")
    check_out_words: tuple[Word, ...] = Field(
        ("OUT", "QRT"), description="a text of just this word checks a station out"
    )

    @model_validator(mode="after")
    def _rising(self) -> "Policy":
        steps = (self.overdue_after_s, self.out_of_reach_after_s, self.expire_after_s)
        if list(steps) != sorted(steps):
            raise ValueError(
                "overdue_after_s, out_of_reach_after_s and expire_after_s must not fall, "
                f"but are {steps[0]:g}, {steps[1]:g}, {steps[2]:g}"
            )
        if self.late_after_s < self.linger_s:
            raise ValueError("late_after_s must not be shorter than linger_s")
        return self


class Repeater(Table):
    id: Name = Field(description="the port's name; the full name is gateway/port")
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
    repeater: tuple[Repeater, ...] = Field(min_length=1)


class Group(Table):
    name: GroupName
    title: str = ""
    pins: tuple[RepeaterId, ...] = Field((), description="repeaters that always carry the group")
    bars: tuple[RepeaterId, ...] = Field((), description="repeaters that never carry it")
    policy: dict[str, Any] = Field({}, description="settings that differ from [policy]")


class Limits(Table):
    """What the workers judge with, the same for all groups."""

    gateway_lost_after_s: Seconds = Field(90, description="no heartbeat for so long")
    future_s: Seconds = Field(30, description="events further ahead are refused")
    clock_skew_s: Seconds = Field(5, description="a clock further off raises an alert")
    events_lost_after_s: Seconds = Field(60, description="a hole in seq, open for so long")
    reply_within_s: Seconds = Field(30, description="older check-ins are not answered on the air")
    max_speed_kmh: Annotated[float, Field(gt=0)] = Field(
        250, description="a station that moves faster is in two places"
    )
    two_places_hold_s: Seconds = Field(900, description="how long the alert stands")
    loop_hold_s: Seconds = Field(300, description="how long the alert stands")
    roster_refresh_s: Seconds = Field(5, description="least time between rosters without a change")
    quarantine_size: Annotated[int, Field(ge=1, le=10_000)] = 200
    refused_size: Annotated[int, Field(ge=1, le=100_000)] = 2000


class Region(Table):
    """One region file."""

    region: Name
    title: str = ""
    extra_prefixes: tuple[str, ...] = Field(
        (), description="call sign prefixes accepted though no series holds them"
    )
    accepted_calls: tuple[str, ...] = ()
    denied_calls: tuple[str, ...] = ()
    open_gateways: bool = Field(False, description="accept gateways that are not listed here")
    partitions: Annotated[int, Field(ge=1, le=256)] = Field(
        4, description="Redis hash slots in use; cannot be changed while the state is kept"
    )
    broker: BrokerSettings = BrokerSettings()
    redis_url: str = "redis://127.0.0.1:6379/0"
    limits: Limits = Limits()
    policy: Policy = Policy()
    gateway: tuple[Gateway, ...] = ()
    group: tuple[Group, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _consistent(self) -> "Region":
        problems = [*self._doubles(), *self._unknown_repeaters()]
        for group in self.group:
            try:
                self._policy_of(group)
            except ValidationError as error:
                problems += [f"group {group.name}: {text}" for text in problem_lines(error)]
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def _doubles(self) -> list[str]:
        found = []
        names = {
            "gateway": [g.id for g in self.gateway],
            "group": [g.name for g in self.group],
            "repeater": [r for g in self.gateway for r in (f"{g.id}/{p.id}" for p in g.repeater)],
        }
        for what, listed in names.items():
            doubled = sorted({name for name in listed if listed.count(name) > 1})
            found += [f"{what} {name} is given twice: keep one" for name in doubled]
        return found

    def _unknown_repeaters(self) -> list[str]:
        known = {f"{g.id}/{p.id}" for g in self.gateway for p in g.repeater}
        if self.open_gateways:
            return []
        return [
            f"group {group.name}: {what} {name!r}: no such repeater"
            for group in self.group
            for what, names in (("pin", group.pins), ("bar", group.bars))
            for name in names
            if name not in known
        ]

    def _policy_of(self, group: Group) -> Policy:
        return Policy.model_validate({**self.policy.model_dump(), **group.policy})


@dataclass(frozen=True, slots=True)
class Site:
    """A repeater as configured, under its full name."""

    repeater: str
    gateway: str
    lat: float | None
    lon: float | None
    antenna_m: float | None
    range_km: float | None


class RegionView:
    """A region made ready for quick questions. Built once per (re)load, never changed."""

    def __init__(self, region: Region) -> None:
        self.region = region
        self.name = region.region
        self.limits = region.limits
        self.groups = {group.name: group for group in region.group}
        self.policies = {g.name: region._policy_of(g) for g in region.group}
        self.gateways = {g.id: g for g in region.gateway}
        self.sites = {
            f"{g.id}/{p.id}": Site(f"{g.id}/{p.id}", g.id, p.lat, p.lon, p.antenna_m, p.range_km)
            for g in region.gateway
            for p in g.repeater
        }
        self.longest_linger_s = max(p.linger_s for p in self.policies.values())
        self.longest_late_s = max(p.late_after_s for p in self.policies.values())
        self.longest_expire_s = max(p.expire_after_s for p in self.policies.values())
        self.check_out_words = frozenset(
            word.upper() for p in self.policies.values() for word in p.check_out_words
        )

    def knows_gateway(self, gateway: str) -> bool:
        return self.region.open_gateways or gateway in self.gateways

    def knows_repeater(self, repeater: str) -> bool:
        return self.region.open_gateways or repeater in self.sites


def problem_lines(error: ValidationError) -> list[str]:
    """Each fault of a validation as `place: what (got ...)`."""
    lines = []
    for e in error.errors(include_url=False):
        place = ".".join(f"[{s + 1}]" if isinstance(s, int) else str(s) for s in e["loc"])
        got = "" if isinstance(e["input"], dict | list) else f" (got {repr(e['input'])[:60]})"
        text = e["msg"].removeprefix("Value error, ")
        if e["type"] == "extra_forbidden":
            text, got = "no such setting; is it misspelt?", ""
        lines.append(f"{place or 'file'}: {text.replace('.[', '[')}{got}".replace(".[", "["))
    return lines


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file's content; raises ConfigError."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(
            path, [f"cannot be read: {error.strerror}; is the path right?"]
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(path, [f"not TOML: {error}"]) from error


def load_region(path: Path) -> RegionView:
    """A region file; raises ConfigError with every fault found."""
    content = read_toml(path)
    try:
        return RegionView(Region.model_validate(content))
    except ValidationError as error:
        raise ConfigError(path, problem_lines(error)) from error
