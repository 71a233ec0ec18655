"""Cases and reports as Redis keeps them.

One that cannot be read, because a newer program or a fault has stored it, stops no round: it is
left as it stands, the log tells it once, and nothing that it may be about is taken for over.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import structlog
from pydantic import TypeAdapter, ValidationError

from streamer.alerts.case import Case, Report
from streamer.alerts.conditions import Condition

log = structlog.get_logger()

_CONDITION: Final = TypeAdapter(Condition)


@dataclass(frozen=True, slots=True)
class Read:
    """What of a book can be read. `cases`: without those that a report which cannot be read may be
    about. `partly`: owners of whose report only a part, or nothing, could be read."""

    cases: dict[str, Case]
    reports: dict[str, Report]
    partly: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Heard:
    """What can be read of a report. `unread`: ids of the conditions that cannot, None: nobody
    knows."""

    report: Report
    unread: frozenset[str] | None = frozenset()
    whole: bool = True


def read_book(cases: Mapping[str, str], found: Mapping[str, str]) -> Read:
    """Of cases by id and reports by owner, as JSON, those that can be read."""
    heard = {owner: _heard(owner, text) for owner, text in found.items()}
    unread = frozenset[str]().union(*(h.unread or () for h in heard.values()))
    unheard = [owner for owner, h in heard.items() if h.unread is None]
    known = {}
    for case_id, text in cases.items():
        case = case_from(case_id, text)
        if case is None or case_id in unread:
            continue
        if not any(_may_be_of(owner, case.condition) for owner in unheard):
            known[case_id] = case
    return Read(
        cases=known,
        reports={owner: h.report for owner, h in heard.items()},
        partly=frozenset(owner for owner, h in heard.items() if not h.whole),
    )


# Most texts are those of the last round.
@lru_cache(maxsize=20_000)
def case_from(case_id: str, text: str) -> Case | None:
    """A case from its JSON; None if it cannot be read."""
    try:
        return Case.model_validate_json(text)
    except ValidationError as error:
        log.error(
            "a case of another version cannot be read, it is left alone", case=case_id,
            error=_places(error),
        )  # fmt: skip
        return None


def report_from(owner: str, text: str) -> Report:
    """What can be read of the JSON of a report."""
    return _heard(owner, text).report


@lru_cache(maxsize=5_000)
def _heard(owner: str, text: str) -> _Heard:
    try:
        return _Heard(Report.model_validate_json(text))
    except ValidationError as error:
        log.error(
            "a report of another version cannot be read, what it is about is left alone",
            owner=owner, error=_places(error),
        )  # fmt: skip
    try:
        raw = json.loads(text)
        said = list(raw.get("conditions", ()))
    except (ValueError, TypeError, AttributeError):
        return _Heard(Report(), None, whole=False)
    return _parts(raw, said)


def _parts(raw: dict[str, Any], said: list[Any]) -> _Heard:
    good, unread = [], set()
    for one in said:
        try:
            good.append(_CONDITION.validate_python(one))
        except ValidationError:
            unread.add(str(one.get("id")) if isinstance(one, dict) else "")
    try:
        report = Report.model_validate({**raw, "conditions": good})
    except ValidationError:
        report = Report(conditions=tuple(good))
    return _Heard(report, frozenset(unread), whole=False)


def _may_be_of(owner: str, condition: Condition) -> bool:
    """Whether an owner (`g/NET`, `w/ridge`, `s/QA1ABC`) may have said it."""
    name = owner[2:]
    return name in (condition.group, condition.subject) or any(
        place.startswith(f"{name}/") for place in (condition.subject, condition.repeater)
    )


def _places(error: ValidationError) -> str:
    """Where and what, without what stands there: it may be about people."""
    found = error.errors(include_url=False, include_input=False, include_context=False)
    said = [f"{'.'.join(map(str, one['loc'])) or 'all'}: {one['type']}" for one in found]
    return "; ".join(said)[:300]
