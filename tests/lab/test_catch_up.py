"""A journal fed into a state in service: what is new is taken in, what is known is not counted."""

import json
from pathlib import Path
from typing import Any

import pytest

from streamer.acts.acts import Acts
from streamer.cli import main
from streamer.clock import ManualClock
from streamer.contract.published import RefusalReason
from streamer.journal import lines as make
from streamer.journal.frames import MAGIC
from streamer.journal.lines import Line
from streamer.journal.names import files_in
from streamer.journal.reader import read, region_of, settings_text
from streamer.journal.writer import FRAME_BYTES
from streamer.lab.catch_up import CatchUp
from streamer.state.keys import ALERTS, REGION
from streamer.state.store import Store, connect
from tests.integration.stage import toml
from tests.journal.make import begun, lines_of_messages
from tests.servers import Redis
from tests.state.scene import START_MS, Teller, moment, region

FOLDER = Path(__file__).parents[2] / "shared" / "journal" / "old" / "484c9d8"


def never(words: str) -> None:
    raise AssertionError(words)


@pytest.fixture
def lines() -> list[Line]:
    return list(read([FOLDER], never))


@pytest.fixture
def store(lines: list[Line], empty_redis: Redis) -> Store:
    view = region_of(next(line for line in lines if line["kind"] == "region"))
    made = Store(connect(empty_redis.url), view)
    made.prepare(lines[-1]["noted_ms"])
    return made


def caught_up(store: Store, lines: list[Line], since_ms: int = 0) -> Any:
    clock = ManualClock(lines[-1]["noted_ms"])
    return CatchUp(store, clock).play(lines, since_ms)


def counts(store: Store) -> dict[str, dict[str, int]]:
    """Without how often something came twice."""
    found = {name: dict(store.gateway(name).counts) for name in store.view.gateways}
    return {n: {k: c for k, c in of.items() if k != "duplicate"} for n, of in found.items()}


@pytest.mark.redis
def test_the_second_time_nothing_is_new(store: Store, lines: list[Line]) -> None:
    numbered = [x for x in lines if x["kind"] in ("heard", "route", "quarantined")]
    events = len({(x["gateway"], x["boot"], x["seq"]) for x in numbered})
    first = caught_up(store, lines)
    assert (first.new, first.too_old) == (events, 0)
    assert first.new + first.known == len(numbered)
    assert first.acts > 0
    duties, before = store.duties(), counts(store)
    assert len(duties) == 1
    log = list(store.log_of(ALERTS))
    again = caught_up(store, lines)
    assert (again.new, again.acts) == (0, 0)
    assert (store.duties(), counts(store), list(store.log_of(ALERTS))) == (duties, before, log)


@pytest.mark.redis
def test_in_two_parts_and_overlapping_it_is_the_same(
    store: Store, lines: list[Line], empty_redis: Redis
) -> None:
    caught_up(store, lines)
    whole = counts(store), sorted(store.duties())
    with empty_redis.client() as client:
        client.flushall()
    store.prepare(lines[-1]["noted_ms"])
    half = len(lines) // 2
    caught_up(store, lines[:half])  # what a backup holds
    partly = counts(store)
    since_ms = lines[half - 200]["noted_ms"]
    done = caught_up(store, lines, since_ms)
    assert done.known > 0
    assert partly != whole[0]
    assert (counts(store), sorted(store.duties())) == whole


@pytest.mark.redis
def test_an_identity_that_was_accepted_before_the_backup_is_no_trouble(empty_redis: Redis) -> None:
    """Its entry stands in a part of the log of its own."""
    store = Store(connect(empty_redis.url), region())
    Acts(store, ManualClock(START_MS)).accept_call("NOBODY", "ann")
    (entry,) = store.log_of(REGION)
    done = caught_up(store, [make.act(START_MS + 500, entry)])
    assert (done.acts, done.troubles) == (0, [])


@pytest.mark.redis
def test_refusals_are_not_counted_again(store: Store, lines: list[Line]) -> None:
    refused = {
        "kind": "refused", "noted_ms": lines[-1]["noted_ms"], "topic": "net/farisle/gw/x/heard",
        "reason": RefusalReason.SHAPE.value, "detail": "x", "size_bytes": 1, "excerpt": "",
    }  # fmt: skip
    before = store.refusals()
    caught_up(store, [*lines, refused])
    assert store.refusals() == before


@pytest.mark.redis
def test_what_stands_in_the_way_is_told(
    empty_redis: Redis, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "region.toml"
    content = {"region": "hills", "group": [{"name": "NET"}], "extra_prefixes": ["Q"]}
    file.write_text(toml(content))
    words = ["catch-up", str(file), str(FOLDER), "--redis", empty_redis.url, "--since"]
    assert main([*words, "2026-11-28T19:00:00Z"]) == 1
    assert "is of region 'farisle', the region file of 'hills'" in capsys.readouterr().err
    with pytest.raises(SystemExit, match="2"):
        main([*words, "yesterday"])
    file.write_text(toml({**content, "region": "farisle"}))
    # Groups that the region file does not have (any more) are told, line by line.
    assert main([*words, "2026-11-28T19:00:00Z"]) == 1
    said = capsys.readouterr()
    assert "is not in the region file" in said.err
    assert "new to the state" in said.out
    nowhere = [*words[:4], "unix:///nowhere.sock", "--since", "2026-11-28T19:00:00Z"]
    assert main([*words[:3], "--redis", *nowhere[4:]]) == 1
    assert "run it again" in capsys.readouterr().err


@pytest.mark.redis
def test_a_spoilt_file_does_not_keep_the_others_out(
    empty_redis: Redis, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a failure of power leaves one: empty. It is told, and so is one without its begin."""
    file, folder, view = tmp_path / "region.toml", tmp_path / "journal", region()
    file.write_text(toml(json.loads(settings_text(view))))
    ridge = Teller("ridge")
    for worker, call in (("one", "QA1ABC"), ("two", "QB2DEF")):
        said = lines_of_messages(view, [ridge.heard(START_MS, call, "o1", to="NET")], START_MS)
        made = begun(folder, view, START_MS, worker)
        made.write([make.published(START_MS, "x", "x" * FRAME_BYTES, False)], 0)
        made.write(said, START_MS)
        made.close(START_MS)
    one, two = files_in(folder)
    assert two.read_bytes().count(MAGIC) == 2
    words = ["catch-up", str(file), str(folder), "--redis", empty_redis.url, "--since"]
    words.append(moment(START_MS - 1000))
    assert main(words) == 0
    assert "events: 2 new to the state" in capsys.readouterr().out
    with empty_redis.client() as client:
        client.flushall()

    (folder / one.name.replace(".000.", ".001.")).touch()
    content = bytearray(two.read_bytes())
    content[40] ^= 0x40
    two.write_bytes(content)
    assert main(words) == 1
    said_of = capsys.readouterr()
    assert "events: 2 new to the state" in said_of.out
    assert ".001.ndjson.zst: not a journal: it is empty" in said_of.err
    assert f"{two}: its begin cannot be read" in said_of.err
