"""What must hold of the readers of the wire, for whatever bytes come. Each function checks one."""

import json
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from streamer.contract.common import MAX_EVENTS_PER_MESSAGE, MAX_PAYLOAD_BYTES
from streamer.contract.decode import InEvent, Problem, decode
from streamer.contract.moment import Moment
from streamer.contract.published import (
    Alert,
    Beat,
    Duty,
    FanOut,
    Maintenance,
    Reach,
    Refusal,
    RefusalReason,
    WorkerState,
)
from streamer.contract.replies import Reply
from streamer.contract.topics import Kind, gateway_topic, parse_inbound

PUBLISHED: Final[tuple[Any, ...]] = (
    FanOut, Reach, Alert, Duty, Maintenance, Beat, WorkerState, Refusal, Reply,
)  # fmt: skip
_READERS: Final = tuple(TypeAdapter(model) for model in PUBLISHED)
_MOMENT: Final = TypeAdapter(Moment)
_WHOLE: Final = frozenset({RefusalReason.SIZE, RefusalReason.JSON, RefusalReason.KIND})


def payload(kind: str, content: bytes) -> None:
    """Never raises; each element of an array gives an event or a problem with its place, in their
    order; what is refused can be told; what is accepted is written and read back the same."""
    events, problems = decode(kind, content)
    for problem in problems:
        _can_be_told(problem)
    whole = [p for p in problems if p.index is None]
    if whole:
        assert (len(whole), len(problems), events) == (1, 1, [])
    elif problems or len(events) != 1:
        elements = _elements(content)
        assert len(events) + len(problems) == elements <= MAX_EVENTS_PER_MESSAGE
        places = [p.index for p in problems if p.index is not None]
        assert places == sorted(set(places))
        assert all(0 <= place < elements for place in places)
    for event in events:
        _comes_back(kind, event)


def _elements(content: bytes) -> int:
    """Of an array, by the standard library's reader."""
    found = json.loads(content)
    assert isinstance(found, list)
    return len(found)


def _can_be_told(problem: Problem) -> None:
    told = Refusal.model_validate_json(
        json.dumps(
            {
                "v": 1, "at": "2026-01-01T12:00:00Z", "topic": "t", "size_bytes": 1,
                "reason": problem.reason, "detail": problem.detail, "index": problem.index,
            }
        )
    )  # fmt: skip
    assert told.detail
    if problem.reason in _WHOLE - {RefusalReason.JSON}:
        assert problem.index is None


def _comes_back(kind: str, event: InEvent) -> None:
    text = event.model_dump_json(exclude_none=True).encode()
    if len(text) > MAX_PAYLOAD_BYTES:
        return  # many short digits may be written out longer
    again, problems = decode(kind, text)
    assert not problems, (problems, text)
    assert again == [event]


def topic(text: str) -> None:
    """Of a gateway's topic the parts that make it up again, of any other nothing."""
    found = parse_inbound(text)
    if found is None:
        return
    assert f"net/{found.region}/gw/{found.gateway}/{found.kind}" == text
    if found.kind in [kind.value for kind in Kind]:
        assert gateway_topic(found.region, found.gateway, Kind(found.kind)) == text


def moment(text: str) -> None:
    """A moment is refused as such, or has a zone and is written so that it is read back."""
    try:
        found = _MOMENT.validate_json(json.dumps(text))
    except ValidationError:
        return
    assert found.tzinfo is not None
    assert _MOMENT.validate_json(_MOMENT.dump_json(found)) == found


def published(content: bytes) -> None:
    """What a reader of ours takes it writes so that it takes it again."""
    for reader in _READERS:
        try:
            found = reader.validate_json(content)
        except ValidationError:
            continue
        assert reader.validate_json(reader.dump_json(found)) == found
