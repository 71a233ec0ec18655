"""The agent's file: TOML to checked settings, with errors that say file, table and field."""

from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from streamer.agent.patterns import PatternError, PatternSettings, compile_map
from streamer.contract.common import MAX_EVENTS_PER_MESSAGE, Name
from streamer.contract.events import RepeaterState
from streamer.mqtt.settings import BrokerSettings
from streamer.problems import NotToml, problem_lines, toml_of

SOFTWARE: Final = "streamer-agent 0.1.0"
MAX_LINE_BYTES: Final = 65_536


class AgentConfigError(Exception):
    """A file cannot be used; `problems` lists each fault as `[table] field: what, allowed`."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class RepeaterSettings(Table):
    """A `[[repeater]]` of this gateway, as the heartbeat will describe it."""

    id: Name = Field(description="the port's name; the full name is gateway/port")
    up: bool = Field(True, description="until a source says otherwise")
    freq_mhz: Annotated[float, Field(gt=0, le=300_000)] | None = None
    lat: Annotated[float, Field(ge=-90, le=90)] | None = None
    lon: Annotated[float, Field(ge=-180, le=180)] | None = None
    antenna_m: Annotated[float, Field(ge=0, le=10_000)] | None = None
    range_km: Annotated[float, Field(gt=0, le=2000)] | None = None


class SpoolSettings(Table):
    """The `[spool]` table: where events wait on disk."""

    path: Path = Path("agent-spool.db")
    max_mb: Annotated[float, Field(ge=0.1, le=1_000_000)] = 256
    sync: Literal["full", "normal"] = Field(
        "full", description="full survives a power cut, normal a killed process alone"
    )
    grace_s: Annotated[float, Field(ge=0, le=3600)] = Field(
        35, description="rows stay so long after the broker took them: its autosave plus a little"
    )


class SourceSettings(Table):
    """A `[[source]]` of lines."""

    type: Literal["stdin", "file", "udp", "unix"]
    name: str = Field("", description="for the log; the type and place if left out")
    path: Path | None = Field(None, description="of the file or socket")
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65_535)] | None = None
    mode: Literal["stream", "datagram"] = Field("stream", description="of a unix socket")
    start: Literal["begin", "end"] = Field(
        "end", description="where a file that was never read before is begun"
    )
    format: Literal["json", "pattern", "nmea"] = "json"
    patterns: str | None = Field(None, description="the map of [[pattern]] to use")
    repeater: Name | None = Field(None, description="the port of lines that name none")
    max_line_bytes: Annotated[int, Field(ge=64, le=MAX_LINE_BYTES)] = 4096

    @model_validator(mode="after")
    def _complete(self) -> "SourceSettings":
        if self.type in ("file", "unix") and self.path is None:
            raise ValueError(f'type "{self.type}" needs path')
        if self.type == "udp" and self.port is None:
            raise ValueError('type "udp" needs port (0 lets the machine choose one)')
        if self.format == "pattern" and self.patterns is None:
            raise ValueError('format "pattern" needs patterns, the map of a [[pattern]]')
        if self.format == "nmea" and self.repeater is None:
            raise ValueError('format "nmea" needs repeater: whose overs the positions belong to')
        return self

    @property
    def label(self) -> str:
        place = self.path if self.type in ("file", "unix") else self.port
        return self.name or (self.type if place is None else f"{self.type}:{place}")


class ReplySettings(Table):
    """The `[reply]` table: who gets the acknowledgements to send on the air, as JSON."""

    command: tuple[str, ...] | None = Field(None, description="program and arguments; no shell")
    socket: Path | None = Field(None, description="a UNIX stream socket; one JSON line each")
    timeout_s: Annotated[float, Field(gt=0, le=300)] = 10
    at_once: Annotated[int, Field(ge=1, le=16)] = 2

    @model_validator(mode="after")
    def _one(self) -> "ReplySettings":
        if (self.command is None) == (self.socket is None):
            raise ValueError("give command or socket, one of the two")
        if self.command is not None and not self.command:
            raise ValueError('command is empty; give the program first, such as ["/bin/cat"]')
        return self


class AgentSettings(Table):
    """One agent file."""

    region: Name
    gateway: Name
    software: Annotated[str, Field(max_length=64)] = SOFTWARE
    heartbeat_s: Annotated[float, Field(ge=0.1, le=3600)] = 30
    rate_mps: Annotated[float, Field(gt=0, le=100_000)] = Field(
        50, description="messages a second at most; arrays make a backlog faster than that"
    )
    backlog_array: Annotated[int, Field(ge=1, le=MAX_EVENTS_PER_MESSAGE)] = Field(
        MAX_EVENTS_PER_MESSAGE, description="events in one message of a backlog"
    )
    drain_s: Annotated[float, Field(ge=0, le=600)] = Field(
        5, description="how long a clean stop waits for the broker to take what is left"
    )
    broker: BrokerSettings = BrokerSettings()
    spool: SpoolSettings = SpoolSettings()
    repeater: Annotated[tuple[RepeaterSettings, ...], Field(max_length=64)] = ()
    source: tuple[SourceSettings, ...] = ()
    pattern: tuple[PatternSettings, ...] = ()
    reply: ReplySettings | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> "AgentSettings":
        ports = [repeater.id for repeater in self.repeater]
        maps = {pattern.map for pattern in self.pattern}
        problems = [
            f'[[repeater]] {n}, id: "{port}" is there twice'
            for n, port in enumerate(ports, 1)
            if port in ports[: n - 1]
        ]
        for n, source in enumerate(self.source, 1):
            if source.patterns is not None and source.patterns not in maps:
                problems.append(
                    f'[[source]] {n}, patterns: no [[pattern]] has map = "{source.patterns}"; '
                    f"there are: {', '.join(sorted(maps)) or 'none'}"
                )
            if source.repeater is not None and ports and source.repeater not in ports:
                problems.append(
                    f'[[source]] {n}, repeater: no [[repeater]] has id = "{source.repeater}"; '
                    f"there are: {', '.join(ports)}"
                )
        if [s.type for s in self.source].count("stdin") > 1:
            problems.append("[[source]], type: stdin can be read by one source only")
        try:
            compile_map(self.pattern)
        except PatternError as error:
            problems.append(str(error))
        if problems:
            raise ValueError("\n".join(problems))
        return self

    def states(self) -> dict[str, RepeaterState]:
        """The repeaters as the heartbeat describes them, by port."""
        return {
            r.id: RepeaterState(
                id=f"{self.gateway}/{r.id}",
                up=r.up,
                freq_mhz=r.freq_mhz,
                lat=r.lat,
                lon=r.lon,
                antenna_m=r.antenna_m,
                range_km=r.range_km,
            )
            for r in self.repeater
        }


def load_settings(path: Path | str) -> AgentSettings:
    """Read and check an agent file; raises AgentConfigError with every fault found."""
    path = Path(path)
    try:
        content = toml_of(path)
    except NotToml as error:
        raise AgentConfigError(path, [str(error)]) from error.__cause__
    try:
        return AgentSettings.model_validate(content)
    except ValidationError as error:
        problems = problem_lines(error, AgentSettings, content, lambda place, _: _where(place))
        raise AgentConfigError(path, problems) from error


def _where(loc: tuple[int | str, ...]) -> str:
    """`("source", 0, "port")` to `[[source]] 1, port`."""
    if len(loc) > 1 and isinstance(loc[1], int):
        table, rest = f"[[{loc[0]}]] {loc[1] + 1}", loc[2:]
    elif loc and loc[0] in ("broker", "spool", "reply"):
        table, rest = f"[{loc[0]}]", loc[1:]
    else:
        table, rest = "top of the file", loc
    field = ".".join(str(step) for step in rest)
    return f"{table}, {field}" if field else table
