"""`streamer forget` as it is called, by a clock that the test moves; with real workers see
tests/integration/test_forgetting.py."""

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from streamer.journal.names import files_in
from streamer.lab.replay import Replay
from streamer.state.entries import Act
from streamer.state.store import Store, connect
from tests.forget.conftest import Called
from tests.forget.recorded import NOW_MS, view
from tests.forget.story import GONE, everything, where_named
from tests.journal.make import begun
from tests.reading.conftest import must_fit
from tests.state.scene import region

pytestmark = pytest.mark.redis
BY = ("--by", "Data Officer")


def test_it_forgets_and_says_what_remains(call: Called) -> None:
    done = call(GONE.lower(), *BY, "--journal", str(call.journal))
    must_fit(done)
    assert done.code == 1  # no worker runs to take back what the broker retains
    assert "retained messages at the broker will be taken back as soon as a worker" in (
        " ".join(done.out.split())
    )
    assert "begins anew" in done.out
    left = where_named(call.story.client, GONE)
    assert {p.partition("}:")[2].partition(":")[0].strip("'") for p in left} == {"published", "out"}
    call.story.bench.clock.advance_s(NOW_MS / 1000 - call.story.now_ms / 1000 + 5)
    call.story.worker.settle()
    assert where_named(call.story.client, GONE) == []
    again = call(GONE, *BY, "--journal", str(call.journal))
    assert again.code == 0, again.out


def test_the_log_says_that_and_not_whom(call: Called) -> None:
    done = call(GONE, *BY, "--journal", str(call.journal), json=True).document
    (entry,) = [e for e in call.story.acts.log() if e.act is Act.FORGET]
    assert (entry.by, entry.subject, entry.note) == ("Data Officer", "a station", None)
    assert entry.details == {
        "places": sum(done["places"].values()), "lines": done["journal_lines"], "files": 1,
    }  # fmt: skip
    assert entry.details["places"] > 30
    assert GONE not in entry.model_dump_json()
    assert "FORGOTTEN" not in entry.model_dump_json()  # nor under which name it goes on


def test_a_dry_run_counts_and_changes_nothing(call: Called) -> None:
    before = everything(call.story.client), [p.read_bytes() for p in files_in(call.journal)]
    counted = call(GONE, "--dry-run", "--journal", str(call.journal), json=True)
    assert counted.code == 0
    after = everything(call.story.client), [p.read_bytes() for p in files_in(call.journal)]
    assert after == before
    places = counted.document["places"]
    assert places["its own record"] == 1
    assert places["lists of stations heard"] == 2
    assert places["what repeaters learned of it"] == 2
    assert places["accepted identities"] == 1
    assert counted.document["journal_files"] == 1
    must_fit(call(GONE, "--dry-run"))


def test_a_file_that_is_being_written_is_named_with_the_time(call: Called) -> None:
    call.journal.joinpath("other").mkdir()
    begun(call.journal, view(), NOW_MS, "worker-2")
    done = call(GONE, *BY, "--journal", str(call.journal))
    must_fit(done)
    assert done.code == 1
    said = " ".join(done.out.split())
    # NOW_MS is 13:00 UTC on 15 January 2027: 1.8e9 s since 1970 (`date -u -d @1800018000`).
    assert "worker-2.000.ndjson.zst is being written" in said
    assert "it will be closed by 2027-01-15 14:01:00Z" in said
    assert "1 file of 1" in said


def test_without_a_journal_it_says_so(call: Called) -> None:
    assert "no journal was given" in call(GONE, "--dry-run").out


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ((GONE,), "Give --by NAME"),
        ((GONE, "--by", "  "), "Give --by NAME"),
        ((GONE, "--by", "x" * 65), "at most 64"),
        ((GONE, "--by", f"{GONE.lower()} himself"), "that names the station"),
        (("NET", *BY), "is a group"),
        ((f"{GONE}/P", *BY), "without a suffix"),
        ((GONE, *BY, "--journal", "/nowhere"), "no such folder"),
    ],
)
def test_called_wrongly_it_does_nothing(call: Called, words: Sequence[str], why: str) -> None:
    before = everything(call.story.client)
    done = call(*words)
    assert done.code == 2
    assert why in done.err
    assert everything(call.story.client) == before


def test_names_in_the_region_file_are_said(call: Called) -> None:
    text = call.file.read_text()
    call.file.write_text(f'accepted_calls = ["{GONE}"]\n{text}')
    done = call(GONE, "--dry-run")
    assert "strike it there" in " ".join(done.out.split())


def test_a_replay_takes_such_an_act_for_nothing_to_do(call: Called, tmp_path: Path) -> None:
    call(GONE, *BY)
    (entry,) = [e for e in call.story.acts.log() if e.act is Act.FORGET]
    at_ms = NOW_MS
    lines = [
        {"kind": "begin", "noted_ms": at_ms, "region": "scene"},
        {"kind": "act", "noted_ms": at_ms, "entry": entry.model_dump_json()},
        {"kind": "forgotten", "noted_ms": at_ms, "lines": 3, "done_ms": at_ms},
    ]
    redis = call.story.redis
    redis.client().flushall()
    replay = Replay(lambda v: [Store(connect(redis.url), v)], 1000, view=region())
    for played in replay.play(lines):
        assert played.troubles == []
    assert json.dumps(lines)
