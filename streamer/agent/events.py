"""From what a source gives (a JSON object) to the body of an event, ready for the spool.

A source may leave out what the agent knows: `v`, `boot`, `seq`, `sent_at`, `clock_offset_s`, the
gateway's name in `repeater`, and `over` if its radio has none. Then the agent makes one up at key
down and keeps it until key up; such an over is known at this gateway alone.
"""

import contextlib
import re
from collections import OrderedDict
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import to_json

from streamer.agent.nmea import NmeaError, position_from
from streamer.agent.spool import Body
from streamer.clock import from_ms
from streamer.contract.common import NAME_PATTERN
from streamer.contract.events import Heard, Phase, Position, Route
from streamer.contract.topics import Kind

_OURS: Final = frozenset({"v", "boot", "seq", "sent_at", "clock_offset_s"})
_ADDED: Final[dict[str, Any]] = {
    "v": 1,
    "boot": "00000000",
    "seq": 1,
    "sent_at": "2000-01-01T00:00:00Z",
}
_EXTRA: Final = frozenset({"event", "nmea", "ended_at"})
_HEARD: Final = frozenset(Heard.model_fields) | _EXTRA
_ROUTE: Final = frozenset(Route.model_fields) | _EXTRA
_OPEN_OVERS: Final = 256
_PORT: Final = re.compile(NAME_PATTERN)


class EventError(ValueError):
    """What a source gave is no event; the text says what is wrong."""


@dataclass(frozen=True, slots=True)
class RepeaterChange:
    """A repeater of this gateway came up or went down."""

    port: str
    up: bool
    at: datetime


@dataclass(frozen=True, slots=True)
class Made:
    """An event, or a repeater's change, and remarks that do not hinder it."""

    what: Body | RepeaterChange
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _OpenOver:
    over: str
    started_at: datetime | None
    position: Position | None = None


class EventMaker:
    """Makes events of one gateway. Not thread-safe: its owner locks.

    `ports` are the `[[repeater]]` of the agent's file; with none given every port is taken.
    """

    def __init__(self, gateway: str, ports: Collection[str] = ()) -> None:
        self._gateway = gateway
        self._ports = ports
        self._open: OrderedDict[tuple[str, str], _OpenOver] = OrderedDict()
        self._late = 0

    def make(
        self, given: Any, now_ms: int, repeater: str | None = None, *, late: bool = False
    ) -> Made:
        """The event of a JSON object. `repeater` is the port if the object names none.

        With `late`, `now_ms` is not now but when the object was given at the latest: an over that
        tells no time is of then, instead of when it is recorded. Raises EventError.
        """
        if not isinstance(given, dict):
            raise EventError("a JSON object is expected")
        fields = {key: value for key, value in given.items() if value is not None}
        kind = fields.get("event") or _guess(fields)
        self._name_repeater(fields, repeater)
        if kind == "repeater":
            return self._repeater(fields, now_ms)
        if kind not in ("heard", "route"):
            raise EventError(f"event {str(kind)[:40]!r}: heard, route or repeater is expected")
        remarks = list(self._stranger(fields))
        known = _HEARD if kind == "heard" else _ROUTE
        if strange := sorted(str(key)[:32] for key in fields.keys() - known):
            remarks.append(f"fields not known and left out: {', '.join(strange[:8])}")
        if kind == "route":
            fields.setdefault("at", _text(from_ms(now_ms)))
            return Made(Body(Kind.ROUTE, _validated(Route, fields)), tuple(remarks))
        return self._heard(fields, now_ms, remarks, late)

    @contextlib.contextmanager
    def undone_if_raised(self) -> Iterator[None]:
        """Overs are open as before if what is done within raises."""
        before = self._open.copy()
        try:
            yield
        except BaseException:
            self._open = before
            raise

    def place(self, sentence: str, repeater: str, now_ms: int) -> None:
        """Keep a sentence's position for the over in progress on a port; its end will carry it.

        Raises NmeaError, also when there is no over that the position could belong to.
        """
        name = f"{self._gateway}/{repeater}"
        position = position_from(sentence, from_ms(now_ms))
        for key in reversed(self._open):
            if key[0] == name:
                self._open[key] = replace(self._open[key], position=position)
                return
        raise NmeaError(f"no over in progress on {name}: the position belongs to nobody")

    def _name_repeater(self, fields: dict[str, Any], default: str | None) -> None:
        named = fields.get("repeater", default)
        if isinstance(named, str) and "/" not in named:
            named = f"{self._gateway}/{named}"
        if named is not None:
            fields["repeater"] = named
        if isinstance(named, str) and not named.startswith(f"{self._gateway}/"):
            raise EventError(
                f"repeater {named[:70]!r} is not of this gateway, {self._gateway}; "
                "give the port alone"
            )
        if isinstance(named, str) and _PORT.fullmatch(named.partition("/")[2]) is None:
            raise EventError(f"repeater {named[:70]!r}: no name of a port; {self._known()}")

    def _stranger(self, fields: dict[str, Any]) -> Iterator[str]:
        """A port that the agent's file does not have. The event goes all the same: the region file
        may know it, and only there it can be refused; but the keeper does not see that."""
        port = str(fields.get("repeater")).partition("/")[2]
        if self._ports and port and port not in self._ports:
            yield (
                f"repeater {port!r} is no [[repeater]] of the agent's file, {self._known()}; "
                "unless the region file has it, workers refuse this"
            )

    def _known(self) -> str:
        return f"ports are: {', '.join(self._ports)}" if self._ports else "a port is such as uhf"

    def _repeater(self, fields: dict[str, Any], now_ms: int) -> Made:
        up, name = fields.get("up"), fields.get("repeater")
        if not isinstance(up, bool):
            raise EventError("up: true or false is expected")
        if not isinstance(name, str):
            raise EventError("repeater: the port's name is expected")
        at = _moment(fields.get("at")) or from_ms(now_ms)
        return Made(RepeaterChange(name.partition("/")[2], up, at))

    def _heard(self, fields: dict[str, Any], now_ms: int, remarks: list[str], late: bool) -> Made:
        sentence = fields.pop("nmea", None)
        if sentence is not None and "position" not in fields:
            try:
                near = _moment(fields.get("started_at")) or from_ms(now_ms)
                fields["position"] = _position_fields(position_from(str(sentence), near))
            except NmeaError as error:
                remarks.append(f"nmea: {error}; the event goes without a position")
        with self.undone_if_raised():
            self._follow(fields, now_ms, late)
            body = Body(
                Kind.HEARD, _validated(Heard, fields), fields["over"], fields["phase"] == "end"
            )
            return Made(body, tuple(remarks))

    def _follow(self, fields: dict[str, Any], now_ms: int, late: bool) -> None:
        """Fill in, from the over in progress, what the source does not know."""
        repeater, station = fields.get("repeater"), fields.get("station")
        key = (str(repeater), str(station))
        begins = fields.get("phase") == Phase.START
        ended = _moment(fields.pop("ended_at", None))
        own = _moment(fields.get("started_at")) if begins else ended
        if late and begins:
            fields.setdefault("started_at", _text(from_ms(now_ms)))
        elif late:
            ended = ended or from_ms(now_ms)
        duration = fields.get("duration_s")
        known = self._open.pop(key, None)
        given = fields.get("over")
        if begins:
            over = given or self._made_up(key[0], own, now_ms, late)
            fields["over"] = over
            self._open[key] = _OpenOver(str(over), _moment(fields.get("started_at")))
            while len(self._open) > _OPEN_OVERS:
                self._open.popitem(last=False)
            return
        if known is not None and given not in (None, known.over):
            known = None
        fields["over"] = given or (
            known.over if known else self._made_up(key[0], own, now_ms, late)
        )
        if known is not None and known.started_at is not None:
            fields.setdefault("started_at", _text(known.started_at))
        elif ended is not None and isinstance(duration, int | float) and 0 <= duration <= 86_400:
            try:
                begun = ended - timedelta(seconds=duration)
            except OverflowError as error:
                raise EventError(f"ended_at: {_text(ended)} is no time of these days") from error
            fields.setdefault("started_at", _text(begun))
        elif ended is not None and duration is None:
            fields.setdefault("started_at", _text(ended))
        if known is not None and known.position is not None and "position" not in fields:
            fields["position"] = _position_fields(known.position)

    def _made_up(self, repeater: str, own: datetime | None, now_ms: int, late: bool) -> str:
        """A name for an over: by its `own` time, so that it is the same if it is told once more."""
        if own is not None:
            return f"{int(own.timestamp() * 1000):x}-{repeater}"[:40]
        if not late:
            return f"{now_ms:x}-{repeater}"[:40]
        self._late += 1  # of a file's lines that are read late all have one moment
        return f"{now_ms:x}.{self._late:x}-{repeater}"[:40]


def _guess(fields: dict[str, Any]) -> str | None:
    """The kind of an object that does not say `event`."""
    if "phase" in fields or "station" in fields:
        return "heard"
    if "action" in fields or "group" in fields:
        return "route"
    return "repeater" if "up" in fields else None


def _moment(value: Any) -> datetime | None:
    if not isinstance(value, str):
        return None
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        return None  # the model will say what is wrong with it
    return moment if moment.tzinfo else None


def _text(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _position_fields(position: Position) -> dict[str, Any]:
    fields: dict[str, Any] = position.model_dump(mode="json", exclude_none=True)
    return fields


def _validated(model: type[Heard] | type[Route], fields: dict[str, Any]) -> bytes:
    fields = {k: v for k, v in fields.items() if k not in _OURS and k not in _EXTRA}
    try:
        event = model.model_validate_json(to_json({**_ADDED, **fields}))
    except ValidationError as error:
        found = error.errors(include_url=False, include_context=False)[:3]
        parts = [
            f"{'.'.join(str(step) for step in e['loc'])}: {e['msg']}"
            + ("" if e["type"] == "missing" else f" (it is {e['input']!r:.40})")
            for e in found
        ]
        raise EventError("; ".join(parts)) from error
    except ValueError as error:  # lone surrogates cannot be written as UTF-8
        raise EventError(str(error)) from error
    return event.model_dump_json(exclude=set(_OURS), exclude_none=True).encode()
