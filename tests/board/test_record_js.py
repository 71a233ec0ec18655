"""How far in a record a page is, and its title; the script run in Node. Expected values are made on
paper beside each test."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.board.scripts import Call, call, running

pytestmark = pytest.mark.node

BEGIN = "2027-01-15T08:00:00Z"


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Call]:
    with running(tmp_path_factory.mktemp("scripts")) as run:
        yield run


def row(now: str) -> dict[str, str]:
    return {"begin": BEGIN, "now": now, "missing_from": "2027-01-15T08:00:45Z"}


def head(**counts: int) -> dict[str, Any]:
    gateways = {"up": 0, "down": 0, "silent": 0, "never": 12}
    alerts = {"critical": 0, "warning": 0, "notice": 0, "acknowledged": 0}
    for name, number in counts.items():
        (gateways if name in gateways else alerts)[name] = number
    return {"gateways": gateways, "alerts": alerts}


def test_how_far_in_a_record(calls: Call) -> None:
    for now, stage in (
        (BEGIN, "begin"),
        ("2027-01-15T08:00:00.250Z", "early"),
        ("2027-01-15T08:00:44.999Z", "early"),
        ("2027-01-15T08:00:45Z", "known"),
    ):
        assert call(calls, "record", "stageOf", row(now)) == stage
    assert call(calls, "record", "stageOf", None) is None


def test_only_the_begin_without_anything_known_is_blank(calls: Call) -> None:
    assert call(calls, "record", "isBlank", row(BEGIN), head())
    for known in ("up", "down", "silent", "critical", "warning"):
        assert not call(calls, "record", "isBlank", row(BEGIN), head(**{known: 1})), known
    assert not call(calls, "record", "isBlank", row("2027-01-15T08:00:01Z"), head())
    assert not call(calls, "record", "isBlank", None, head())


def test_that_it_is_a_record_comes_first_in_the_title(calls: Call) -> None:
    for title, critical, made in (
        ("REPLAY, not live: As it was", 2, "REPLAY, not live: (2 critical) As it was"),
        ("REPLAY, not live: (2 critical) As it was", 3, "REPLAY, not live: (3 critical) As it was"),
        ("REPLAY, not live: (2 critical) As it was", 0, "REPLAY, not live: As it was"),
        ("Now", 1, "(1 critical) Now"),
        ("(1 critical) Now", 0, "Now"),
    ):
        assert call(calls, "record", "titleOf", title, critical) == made
