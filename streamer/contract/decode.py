"""From the bytes of a payload to events, with a clear word for each element that is wrong."""

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError
from pydantic_core import from_json, to_json

from streamer.contract.common import (
    BOOT_PATTERN,
    MAX_EVENTS_PER_MESSAGE,
    MAX_PAYLOAD_BYTES,
    MAX_SEQ,
    VERSION,
)
from streamer.contract.events import Heard, Route, State
from streamer.contract.moment import without_leap_second
from streamer.contract.published import RefusalReason
from streamer.contract.topics import Kind

InEvent = Heard | Route | State

_Model = type[Heard] | type[Route] | type[State]

_MODELS: Final[dict[str, _Model]] = {
    Kind.HEARD: Heard,
    Kind.ROUTE: Route,
    Kind.STATE: State,
}
_LISTS: Final[dict[str, TypeAdapter[Any]]] = {
    Kind.HEARD: TypeAdapter(list[Heard]),
    Kind.ROUTE: TypeAdapter(list[Route]),
    Kind.STATE: TypeAdapter(list[State]),
}
Translate = Callable[[str, dict[str, Any]], dict[str, Any]]
"""From the kind and the content of an event of another version to the content that an event of
VERSION would have. KeyError, TypeError and ValueError mean that it cannot be one."""
TRANSLATIONS: Final[Mapping[int, Translate]] = MappingProxyType({})
"""Other versions that are read beside VERSION, by their `v`. There has only been one so far. A
change that readers could not skip makes a new VERSION, and what was written before is put here into
its words; so workers read both while gateways are upgraded one by one."""
_MOMENTS: Final = ("sent_at", "started_at", "at", "changed_at")
_LONGEST_INTEGER: Final = 300
"""Digits of an integer that is read as one; it is far outside every range of the contract."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Why a payload, or the element `index` of its array, was not accepted."""

    reason: RefusalReason
    detail: str
    index: int | None = None
    identity: tuple[str, int] | None = None
    """boot and seq, where they could be read: the number is used up, it is no hole."""


def decode(
    kind: str, payload: bytes, translations: Mapping[int, Translate] = TRANSLATIONS
) -> tuple[list[InEvent], list[Problem]]:
    """The events of a payload and what was wrong with the others. Never raises.

    One bad element of an array does not cost the good ones. An array may hold several versions.
    """
    model = _MODELS.get(kind)
    if model is None:
        known = ", ".join(_MODELS)
        return [], [Problem(RefusalReason.KIND, f"kind {kind[:40]!r}: known are {known}")]
    if len(payload) > MAX_PAYLOAD_BYTES:
        text = f"{len(payload)} bytes: at most {MAX_PAYLOAD_BYTES}; send smaller arrays"
        return [], [Problem(RefusalReason.SIZE, text)]
    try:
        if payload[:1] == b"[":
            events = _LISTS[kind].validate_json(payload)
            if len(events) <= MAX_EVENTS_PER_MESSAGE:
                return events, []
        else:
            return [model.model_validate_json(payload)], []
    except ValidationError:
        pass
    return _one_by_one(_Reader(kind, model, translations), payload)


@dataclass(frozen=True, slots=True)
class _Reader:
    """Of one kind, element by element."""

    kind: str
    model: _Model
    translations: Mapping[int, Translate]

    @property
    def known(self) -> str:
        """The versions that are read, for people."""
        return ", ".join(map(str, sorted({VERSION, *self.translations})))

    def of_our_version(self, content: dict[str, Any]) -> dict[str, Any] | None:
        """The content in the words of VERSION; None for a version that is not known. Raises
        ValueError if it is none of its version."""
        version = content.get("v")
        if type(version) is not int:  # true and 1.0 equal 1
            return None
        if version == VERSION:
            return content
        translate = self.translations.get(version)
        if translate is None:
            return None
        try:
            return {**translate(self.kind, content), "v": VERSION}
        except (KeyError, TypeError, ValueError) as error:
            words = f"v {version}: {type(error).__name__}: {error}"
            raise ValueError(words[:450]) from error


def _one_by_one(reader: _Reader, payload: bytes) -> tuple[list[InEvent], list[Problem]]:
    try:
        content = _parse(payload)
    except ValueError as error:
        return [], [Problem(RefusalReason.JSON, f"not JSON: {error}; send UTF-8 JSON (RFC 8259)")]
    if not isinstance(content, list):
        event, problem = _element(reader, content, None)
        return ([event] if event else []), ([problem] if problem else [])
    if len(content) > MAX_EVENTS_PER_MESSAGE:
        text = f"an array of {len(content)}: at most {MAX_EVENTS_PER_MESSAGE} events a message"
        return [], [Problem(RefusalReason.SIZE, text)]
    pairs = [_element(reader, element, index) for index, element in enumerate(content)]
    return [e for e, _ in pairs if e], [p for _, p in pairs if p]


def _parse(payload: bytes) -> Any:
    """The content of a JSON text. Raises ValueError with what is wrong and where.

    The quick parser gives up the whole text for half a surrogate pair, an integer of thousands of
    digits or deep nesting, all of which RFC 8259 allows; the patient one reads them, and then only
    the elements that hold them are refused.
    """
    try:
        return from_json(payload, allow_inf_nan=True)
    except ValueError as error:
        try:
            return json.loads(payload.decode("utf-8"), parse_int=_integer)
        except (ValueError, RecursionError):
            raise error from None


def _integer(digits: str) -> int | float:
    return int(digits) if len(digits) <= _LONGEST_INTEGER else float("inf")


def _element(
    reader: _Reader, content: Any, index: int | None
) -> tuple[InEvent | None, Problem | None]:
    where = "" if index is None else f"element {index}: "
    if not isinstance(content, dict):
        text = f"{where}a {_json_type(content)}: an object is expected"
        return None, Problem(RefusalReason.SHAPE, text, index)
    try:
        ours = reader.of_our_version(content)
    except ValueError as error:
        return None, Problem(RefusalReason.SHAPE, f"{where}{error}", index, _identity(content))
    if ours is None:
        version = content.get("v")
        shown = _json_type(version) if isinstance(version, list | dict) else json.dumps(version)
        text = f"{where}v is {shown[:40]}: this reader knows v {reader.known}"
        return None, Problem(RefusalReason.VERSION, text, index, _identity(content))
    try:
        return reader.model.model_validate_json(to_json(_without_leap_seconds(ours))), None
    except ValidationError as error:
        text = where + _first_errors(error)
        return None, Problem(RefusalReason.SHAPE, text, index, _identity(content))
    except ValueError as error:  # lone surrogates cannot be written as UTF-8
        return None, Problem(RefusalReason.JSON, f"{where}{error}", index)


def _identity(content: dict[str, Any]) -> tuple[str, int] | None:
    boot, seq = content.get("boot"), content.get("seq")
    if not isinstance(boot, str) or not isinstance(seq, int) or isinstance(seq, bool):
        return None
    return (boot, seq) if re.fullmatch(BOOT_PATTERN, boot) and 1 <= seq <= MAX_SEQ else None


def _without_leap_seconds(content: dict[str, Any]) -> dict[str, Any]:
    """The moments of an event, of its position and of its repeaters are looked at."""
    fixed: dict[str, Any] = _fix_moments(content)
    if "position" in content:
        fixed["position"] = _fix_moments(content["position"])
    if isinstance(content.get("repeaters"), list):
        fixed["repeaters"] = [_fix_moments(repeater) for repeater in content["repeaters"]]
    return fixed


def _fix_moments(content: Any) -> Any:
    if not isinstance(content, dict):
        return content
    return {
        key: without_leap_second(value) if key in _MOMENTS and isinstance(value, str) else value
        for key, value in content.items()
    }


def _json_type(value: Any) -> str:
    names = {
        list: "list",
        dict: "object",
        str: "string",
        bool: "boolean",
        type(None): "null",
    }
    return names.get(type(value), "number")


def _first_errors(error: ValidationError) -> str:
    found = error.errors(include_url=False, include_context=False)
    parts = [
        f"{'.'.join(str(step) for step in e['loc'])}: {e['msg']} (got {repr(e['input'])[:40]})"
        for e in found[:3]
    ]
    more = f" and {len(found) - 3} more" if len(found) > 3 else ""
    return ("; ".join(parts) + more)[:450]
