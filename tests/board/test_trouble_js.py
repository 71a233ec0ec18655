"""What pages say of an alert beside its title; the script run in Node. Expected words are made on
paper beside each test."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.board.scripts import Call, call, running

pytestmark = pytest.mark.node


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Call]:
    with running(tmp_path_factory.mktemp("scripts")) as run:
        yield run


def test_how_often_in_order(calls: Call) -> None:
    """English ordinals: common usage, no source."""
    wanted = {1: "1st", 2: "2nd", 3: "3rd", 4: "4th", 11: "11th", 12: "12th", 13: "13th",
              21: "21st", 22: "22nd", 103: "103rd", 111: "111th", 113: "113th"}  # fmt: skip
    for number, words in wanted.items():
        assert call(calls, "trouble", "nth", number) == words


def alert(**more: Any) -> dict[str, Any]:
    return {
        "state": "open", "unsteady": False, "opened_times": 1, "escalated": 0, "held": [],
        "opened_at": "2001-01-01T02:31:00Z", "first_opened_at": "2001-01-01T02:10:00Z", **more,
    }  # fmt: skip


BEGAN = "2001-01-01 02:10:00 UTC"
LATER = "2001-01-01 02:31:00 UTC"


def test_how_it_went_so_far(calls: Call) -> None:
    for given, said in (
        (alert(), []),
        (alert(opened_times=3), [f"3rd time since {BEGAN}"]),
        (alert(opened_times=5, unsteady=True), [f"Comes and goes (5 times since {BEGAN})"]),
        (alert(escalated=1), [f"Nobody has it in hand since {LATER}"]),
        (alert(escalated=1, state="acknowledged"), []),
        (
            alert(opened_times=2, escalated=2),
            [f"2nd time since {BEGAN}", f"Nobody has it in hand since {LATER}"],
        ),
    ):
        assert call(calls, "trouble", "course", given) == said


def held(kind: str, subject: str) -> dict[str, Any]:
    return {"id": f"{kind}.{subject}", "kind": kind, "subject": subject}


def test_what_it_explains_in_short(calls: Call) -> None:
    assert call(calls, "trouble", "explainsShort", alert()) is None
    one, two = held("gateway_lost", "ridge"), held("member_out_of_reach", "QA1ABC")
    assert call(calls, "trouble", "explainsShort", alert(held=[one])) == "explains 1 other"
    assert call(calls, "trouble", "explainsShort", alert(held=[one, two])) == "explains 2 others"
    people = call(calls, "trouble", "heldPeople", alert(held=[one, two]))
    assert people == [two]


def test_planned_work_at_a_site_and_in_the_whole_region(calls: Call) -> None:
    """What ends first stands first, whatever the order in which it came."""

    def work(name: str, subject: str, hour: int) -> list[Any]:
        return [name, {"id": name, "subject": subject, "until": f"2001-01-01T{hour:02}:00:00Z"}]

    works = {"$map": [work("w-1", "ridge", 9), work("w-2", "lake/uhf", 3), work("w-3", "*", 4),
                      work("w-4", "ridge/uhf", 4), work("w-5", "TALK", 1)]}  # fmt: skip
    for names, found in (
        (["ridge/uhf", "ridge"], ["w-3", "w-4", "w-1"]),
        (["lake/uhf", "lake"], ["w-2", "w-3"]),
        (["mill"], ["w-3"]),
        (["TALK", "mill/uhf"], ["w-5", "w-3"]),
    ):
        assert [w["id"] for w in call(calls, "works", "worksAt", works, names)] == found
    assert call(calls, "works", "subjectWords", "*") == "the whole region"
    assert call(calls, "works", "subjectWords", "ridge") == "ridge"
