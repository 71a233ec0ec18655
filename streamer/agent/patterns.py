"""The pattern map: named-group regular expressions that turn any log line into events.

A slow expression would stop the whole agent, since `re` holds the interpreter while it searches.
Two bounds keep that away: a line is cut off at MAX_LINE characters (its source may have a lower
limit), and an expression that could match such a line in too many ways is refused
(`backtracking.py`). Two `.*` with more behind them are allowed after `^`, one without it: write
`[^ ]*` rather than `.*`.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

MAX_LINE: Final = 1024

Scalar = str | int | float | bool

_POSITION: Final = {
    "lat": "lat",
    "lon": "lon",
    "speed_mps": "speed_mps",
    "course_deg": "course_deg",
    "position_at": "at",
}
_TEXTS: Final[dict[str, frozenset[str]]] = {
    "heard": frozenset({"repeater", "station", "to", "over", "phase", "text", "nmea"}),
    "route": frozenset({"repeater", "group", "action", "over", "from_gateway"}),
    "repeater": frozenset({"repeater", "up"}),
}
_NUMBERS: Final[dict[str, frozenset[str]]] = {
    "heard": frozenset(
        {"duration_s", "ber_pct", "rssi_dbm", "lat", "lon", "speed_mps", "course_deg"}
    ),
    "route": frozenset({"latency_s"}),
    "repeater": frozenset(),
}
_TIMES: Final[dict[str, frozenset[str]]] = {
    "heard": frozenset({"started_at", "position_at", "time"}),
    "route": frozenset({"at", "time"}),
    "repeater": frozenset({"time"}),
}
_TRUE: Final = frozenset({"1", "true", "up", "yes", "on", "ok"})
_FALSE: Final = frozenset({"0", "false", "down", "no", "off", "failed"})


class PatternError(ValueError):
    """A pattern, or a line that it took apart, makes no event; the text says why."""


class PatternSettings(BaseModel):
    """A `[[pattern]]`: one expression of a map. The first of a map that matches a line wins."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    map: Annotated[str, Field(min_length=1, max_length=64)]
    event: Literal["heard", "route", "repeater"]
    regex: Annotated[str, Field(min_length=1, max_length=2000)]
    fields: dict[str, Scalar] = Field({}, description="values of fields that no group gives")
    values: dict[str, dict[str, Scalar]] = Field(
        {}, description="field: {text of the line = value}; an empty value leaves the field out"
    )
    scale: dict[str, float] = Field({}, description="field: factor, such as duration_s = 0.001")
    time_format: str = Field(
        "iso", description="iso, unix (seconds), or a format of strptime, of all time fields"
    )
    time_zone: Literal["utc", "local"] = Field("utc", description="of times that name no zone")


def fields_of(event: str) -> frozenset[str]:
    """The names that groups, `fields`, `values` and `scale` of such a pattern may use."""
    return _TEXTS[event] | _NUMBERS[event] | _TIMES[event]


@dataclass(frozen=True, slots=True)
class Pattern:
    """A checked `[[pattern]]`."""

    settings: PatternSettings
    regex: re.Pattern[str]

    @property
    def tells_time(self) -> bool:
        """Whether what it makes of a line says itself when that was."""
        names = {*self.regex.groupindex, *self.settings.fields}
        return bool(names & (_TIMES[self.settings.event] - {"position_at"}))

    def event(self, line: str) -> dict[str, Any] | None:
        """The event of a line as a source would give it in JSON, or None if it does not match.

        Raises PatternError when a group holds what its field cannot take.
        """
        found = self.regex.search(line[:MAX_LINE])
        if found is None:
            return None
        made: dict[str, Any] = {"event": self.settings.event, **self.settings.fields}
        for name, text in found.groupdict().items():
            if text is not None:
                self._put(made, name, text.strip())
        return self._shaped(made)

    def _put(self, made: dict[str, Any], name: str, text: str) -> None:
        value: Scalar = self.settings.values.get(name, {}).get(text, text)
        if value == "":
            made.pop(name, None)
            return
        kind = self.settings.event
        if name in _NUMBERS[kind]:
            try:
                number = float(value)
            except ValueError as error:
                raise PatternError(f"group {name!r}: {text[:40]!r} is not a number") from error
            made[name] = number * self.settings.scale.get(name, 1)
        elif name in _TIMES[kind]:
            made[name] = self._moment(name, str(value))
        elif name == "up":
            made[name] = value if isinstance(value, bool) else _truth(name, str(value))
        else:
            made[name] = str(value)

    def _moment(self, name: str, text: str) -> str:
        form = self.settings.time_format
        try:
            if form == "iso":
                moment = datetime.fromisoformat(text)
            elif form == "unix":
                moment = datetime.fromtimestamp(float(text), UTC)
            else:
                moment = datetime.strptime(text, form)  # noqa: DTZ007 - the zone follows
            if moment.tzinfo is None and self.settings.time_zone == "utc":
                moment = moment.replace(tzinfo=UTC)
            moment = moment.astimezone(UTC)  # may lie before the year 1, or after 9999
        except (ValueError, OverflowError, OSError) as error:
            raise PatternError(f"group {name!r}: {text[:40]!r} is not {form!r}") from error
        return moment.isoformat().replace("+00:00", "Z")

    def _shaped(self, made: dict[str, Any]) -> dict[str, Any]:
        """Gather the position's fields and put the line's own time where the event has it."""
        position = {inner: made.pop(name) for name, inner in _POSITION.items() if name in made}
        if "lat" in position and "lon" in position:
            made["position"] = position
        moment = made.pop("time", None)
        if moment is not None and made["event"] in ("route", "repeater"):
            made.setdefault("at", moment)
        elif moment is not None and made.get("phase") == "start":
            made.setdefault("started_at", moment)
        elif moment is not None and made["event"] == "heard":
            made["ended_at"] = moment  # of an end it gives the start, if the duration is known
        return made


def _truth(name: str, text: str) -> bool:
    if text.lower() in _TRUE:
        return True
    if text.lower() in _FALSE:
        return False
    raise PatternError(f"group {name!r}: {text[:40]!r} is neither up nor down; map it in values")


def compile_map(settings: Sequence[PatternSettings]) -> Mapping[str, tuple[Pattern, ...]]:
    """The patterns by map, in the file's order. Raises PatternError naming each fault's place."""
    maps: dict[str, list[Pattern]] = {}
    problems: list[str] = []
    if settings:
        from streamer.agent.backtracking import (  # noqa: PLC0415 - memory, where none is used
            TooSlowError,
            require_quick,
        )
    for number, one in enumerate(settings, 1):
        where = f"[[pattern]] {number}"
        try:
            regex = re.compile(one.regex)
        except (re.error, OverflowError, RecursionError) as error:
            problems.append(f"{where}, regex: {error}")
            continue
        try:
            require_quick(one.regex, MAX_LINE)
        except TooSlowError as error:
            problems.append(f"{where}, regex: {error}")
        problems += _names(where, one, regex)
        maps.setdefault(one.map, []).append(Pattern(one, regex))
    if problems:
        raise PatternError("\n".join(problems))
    return {name: tuple(patterns) for name, patterns in maps.items()}


def _names(where: str, one: PatternSettings, regex: re.Pattern[str]) -> list[str]:
    known = fields_of(one.event)
    uses = {
        "regex": set(regex.groupindex),
        "fields": set(one.fields),
        "values": set(one.values),
        "scale": set(one.scale),
    }
    problems = [
        f"{where}, {field}: no field {name!r} in a {one.event} event; "
        f"known are {', '.join(sorted(known))}"
        for field, names in uses.items()
        for name in sorted(names - known)
    ]
    problems += [
        f"{where}, scale: {name!r} is not a number"
        for name in sorted(uses["scale"] & known - _NUMBERS[one.event])
    ]
    needed = {"heard": ("station", "phase"), "route": ("group", "action"), "repeater": ("up",)}
    given = uses["regex"] | uses["fields"]
    return problems + [
        f"{where}: a {one.event} event needs {name!r}: name a group so, or put it in fields"
        for name in needed[one.event]
        if name not in given
    ]
