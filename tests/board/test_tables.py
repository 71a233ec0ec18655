"""Whoever follows a table by its deltas has what the table holds, however seldom they look.

The judge is a plain dictionary beside it; texts are read by the standard library's JSON reader and
by the models that the OpenAPI document is made of.
"""

import json
import threading
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict

from streamer.board.rows import RowsEvent
from streamer.board.tables import Table, Tables


class Row(BaseModel):
    model_config = ConfigDict(frozen=True)

    value: int
    text: str = ""


class Follower:
    """As the browser does it: a full text replaces, another changes."""

    def __init__(self, tables: Tables, table: str) -> None:
        self.tables, self.table = tables, table
        self.since: int | None = None
        self.rows: dict[str, Any] = {}
        self.fulls = 0

    def look(self) -> bool:
        delta = self.tables.delta(self.table, self.since)
        if delta is None:
            return False
        said = json.loads(delta.json)
        assert RowsEvent.model_validate(said).version == delta.version
        assert said["table"] == self.table
        if said["full"]:
            self.rows = {}
            self.fulls += 1
            assert said["gone"] == []
        self.rows |= said["rows"]
        for key in said["gone"]:
            self.rows.pop(key, None)
        self.since = delta.version
        return True


KEYS = st.sampled_from(["a", "b", "c", "d", "e/f", 'quote"s', "ü\u2028\n"])
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("put"), KEYS, st.integers(0, 2)),
        st.tuples(st.just("drop"), KEYS, st.none()),
        st.tuples(st.just("replace"), st.none(), st.dictionaries(KEYS, st.integers(0, 2))),
        st.tuples(st.just("settle"), st.none(), st.none()),
        st.tuples(st.just("look"), st.sampled_from(["often", "seldom"]), st.none()),
    ),
    max_size=40,
)


@settings(max_examples=300)
@given(STEPS)
def test_followers_have_what_the_table_holds(steps: list[tuple[str, Any, Any]]) -> None:
    tables, truth = Tables(["t"], most_removals=2), dict[str, int]()
    followers = {name: Follower(tables, "t") for name in ("often", "seldom", "last")}
    for what, key, value in steps:
        match what:
            case "put":
                tables.put("t", key, Row(value=value))
                truth[key] = value
            case "drop":
                tables.drop("t", key)
                truth.pop(key, None)
            case "replace":
                tables.replace("t", {k: Row(value=v) for k, v in value.items()})
                truth = dict(value)
            case "settle":
                tables.settle()
            case "look":
                followers[key].look()
    tables.settle()
    for follower in followers.values():
        follower.look()
        assert {k: row["value"] for k, row in follower.rows.items()} == truth
        assert not follower.look()
    document = json.loads(tables.document("t"))
    assert {k: row["value"] for k, row in document["rows"].items()} == truth


def test_a_row_that_is_as_it_was_is_no_change() -> None:
    tables = Tables(["t"])
    tables.put("t", "a", Row(value=1))
    assert tables.settle()
    version = tables.version
    tables.put("t", "a", Row(value=1))
    tables.replace("t", {"a": Row(value=1)})
    tables.drop("t", "b")
    assert not tables.settle()
    assert tables.version == version


def test_only_what_changed_is_sent() -> None:
    tables = Tables(["t"])
    tables.replace("t", {name: Row(value=1) for name in "abc"})
    tables.settle()
    follower = Follower(tables, "t")
    follower.look()
    tables.put("t", "b", Row(value=2))
    tables.put("t", "b", Row(value=3))
    tables.drop("t", "c")
    tables.settle()
    delta = tables.delta("t", follower.since)
    assert delta is not None
    said = json.loads(delta.json)
    assert (said["full"], said["rows"]) == (False, {"b": {"value": 3, "text": ""}})
    assert said["gone"] == ["c"]


def test_a_row_is_written_once_for_all_who_are_in_step() -> None:
    written = []

    class Counted(Row):
        def model_dump_json(self, **options: Any) -> str:
            written.append(self.value)
            return super().model_dump_json(**options)

    tables = Tables(["t", "u"])
    tables.put("t", "a", Counted(value=1))
    tables.put("u", "a", Counted(value=7))
    tables.settle()
    first = tables.delta("t", None)
    assert all(tables.delta("t", None) is first for _ in range(200))
    tables.put("t", "b", Counted(value=2))
    tables.settle()
    assert first is not None
    second = tables.delta("t", first.version)
    assert all(tables.delta("t", first.version) is second for _ in range(200))
    tables.document("t")
    assert written == [1, 2]  # and nothing of `u`, which nobody looks at


def test_removals_are_remembered_up_to_a_bound_and_then_all_is_told() -> None:
    tables = Tables(["t"], most_removals=3)
    tables.replace("t", {str(n): Row(value=n) for n in range(10)})
    tables.settle()
    early, late = Follower(tables, "t"), Follower(tables, "t")
    early.look()
    for n in range(5):
        tables.drop("t", str(n))
        tables.settle()
        if n == 3:
            late.look()
    assert early.look()
    assert late.look()
    assert (early.fulls, late.fulls) == (2, 1)
    assert early.rows == late.rows
    assert len(early.rows) == 5


def test_an_empty_table_is_told_as_a_whole_and_an_unknown_one_is_an_error() -> None:
    tables = Tables(["t"])
    follower = Follower(tables, "t")
    assert follower.look()
    assert (follower.fulls, follower.rows, follower.since) == (1, {}, 0)
    assert not follower.look()
    with pytest.raises(KeyError):
        tables.delta("u", None)


def test_a_table_that_is_dropped_is_emptied_for_those_who_watch_it() -> None:
    tables = Tables(["t", "u"])
    tables.put("t", "a", Row(value=1))
    tables.settle()
    follower = Follower(tables, "t")
    follower.look()
    tables.arrange(["u", "v"])
    tables.settle()
    assert follower.look()
    assert follower.rows == {}
    assert tables.names == {"u", "v"}
    tables.put("v", "a", Row(value=2))
    tables.settle()
    assert json.loads(tables.document("v"))["rows"] == {"a": {"value": 2, "text": ""}}


def test_versions_rise_and_do_not_fall_behind_across_tables() -> None:
    tables = Tables(["t", "u"])
    seen = []
    for n in range(4):
        tables.put("tu"[n % 2], "a", Row(value=n))
        tables.settle()
        delta = tables.delta("tu"[n % 2], None)
        assert delta is not None
        seen.append(delta.version)
    assert seen == sorted(set(seen))


def test_a_thread_may_change_rows_while_others_read() -> None:
    tables, rounds = Tables(["t"], most_removals=50), 3000
    follower = Follower(tables, "t")

    def change() -> None:
        for n in range(rounds):
            tables.put("t", str(n % 40), Row(value=n))
            if n % 3 == 0:
                tables.drop("t", str((n * 7) % 40))

    thread = threading.Thread(target=change)
    thread.start()
    while thread.is_alive():
        tables.settle()
        follower.look()
    thread.join()
    tables.settle()
    follower.look()
    assert follower.rows == json.loads(tables.document("t"))["rows"]
    assert len(follower.rows) > 20


def test_texts_kept_for_laggards_are_bounded() -> None:
    table = Table("t")
    for version in range(1, 500):
        table.apply({str(version % 7): Row(value=version)}, version)
    for since in range(499):
        assert table.delta(since) is not None
    assert len(table._texts) <= 64
