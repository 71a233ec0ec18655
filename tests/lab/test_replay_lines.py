"""Replays of small journals: another region file on the way, broken lines, the command."""

import json
from argparse import ArgumentParser
from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.journal import lines as make
from streamer.journal.lines import Line
from streamer.journal.reader import JournalError, settings_text
from streamer.lab import replay_command
from streamer.lab.replay import Replay
from streamer.state.entries import Act, Entry
from streamer.state.shapes import OutMessage
from streamer.state.store import Store, connect
from tests.journal.make import begun, lines_of_messages
from tests.servers import Redis
from tests.state.canonical import canonical
from tests.state.scene import GROUPS, START_MS, Teller, moment, region

pytestmark = pytest.mark.redis
VIEW = region()
HOUR_MS = 3_600_000
Play = Callable[..., Replay]


@pytest.fixture
def play(redis_server: Redis) -> Iterator[Play]:
    def played(
        lines: Sequence[Line], *, until_ms: int | None = None, every_ms: int = 60_000, **more: Any
    ) -> Replay:
        redis_server.client().flushall()
        replay = Replay(
            lambda view: [Store(connect(redis_server.url), view)], every_ms, **more
        )  # fmt: skip
        for _ in replay.play(lines, until_ms):
            pass
        return replay

    yield played
    redis_server.client().flushall()


def head(view: RegionView = VIEW, at_ms: int = START_MS) -> list[Line]:
    return [
        make.begin(at_ms, view.name, "w", "test"),
        make.region(at_ms, settings_text(view)),
    ]


def over(teller: Teller, at_ms: int, station: str, to: str, name: str) -> list[Line]:
    """An over of two seconds, noted as its end came."""
    said = [
        teller.heard(at_ms, station, name, to=to),
        teller.heard(
            at_ms, station, name, to=to, phase="end", duration_s=2.0, sent_at=moment(at_ms + 2000)
        ),
    ]
    return lines_of_messages(VIEW, said, at_ms + 2000)


def test_another_region_file_on_the_way_is_taken_over(play: Play, redis_server: Redis) -> None:
    """TALK is dropped and ALERT is new: what was said of TALK is taken back."""
    other = region(group=[{"name": "RESCUE"}, {"name": "NET"}, {"name": "ALERT"}])
    ridge = Teller("ridge")
    retained: dict[str, str] = {}

    def publish(message: OutMessage) -> None:
        retained[message.topic] = message.payload

    lines = [
        *head(),
        *over(ridge, START_MS + 1000, "QA1ABC", "TALK", "o1"),
        *over(ridge, START_MS + 5000, "QB2DEF", "NET", "o2"),
        make.region(START_MS + 9000, settings_text(other)),
        make.region(START_MS + 9500, settings_text(other)),  # another worker's
        *over(ridge, START_MS + 10_000, "QA1ABC", "ALERT", "o3"),
    ]
    replay = play(lines, every_ms=4000, publish=publish)
    assert replay.store.view.groups.keys() == {"RESCUE", "NET", "ALERT"}
    assert retained["net/scene/fanout/TALK"] == retained["net/scene/reach/TALK"] == ""
    (member,) = json.loads(retained["net/scene/reach/ALERT"])["members"]
    assert (member["station"], member["repeater"]) == ("QA1ABC", "ridge/uhf")
    assert replay.store.groups(["NET"])[0].born_ms == START_MS
    assert replay.store.groups(["ALERT"])[0].born_ms == START_MS + 9000


def test_a_region_file_that_is_given_goes_before_that_of_the_journal(play: Play) -> None:
    given = region(group=[{"name": "NET"}])
    ridge = Teller("ridge")
    lines = [*head(), *over(ridge, START_MS, "QA1ABC", "TALK", "o1")]
    replay = play(lines, view=given)
    assert replay.store.view is given
    assert replay.store.groups(["NET"])[0].members == ()
    found = replay.store.station("QA1ABC")
    assert found is not None
    assert (found.place.to, found.check_ins) == ("TALK", {})


def test_up_to_a_time(play: Play) -> None:
    ridge = Teller("ridge")
    lines = [*head(), *(x for n in range(5) for x in over(ridge, START_MS + n * 10_000, "QA1ABC",
                                                          "NET", f"o{n}"))]  # fmt: skip
    replay = play(lines, until_ms=START_MS + 25_000)
    assert replay.clock.now_ms() == START_MS + 25_000
    assert replay.store.gateway("ridge").counts == {"heard": 6}  # three overs, start and end


def test_a_line_that_is_not_whole_is_left_out_and_told(play: Play) -> None:
    ridge = Teller("ridge")
    first, second = over(ridge, START_MS, "QA1ABC", "NET", "o1")
    del second["repeater"]
    unknown = {"kind": "of later versions", "noted_ms": START_MS + 1}
    act = make.act(START_MS + 2, "no entry")
    replay = play([*head(), first, second, unknown, act])
    assert replay.played.events == 1
    wrong, other = replay.played.troubles
    assert "line noted at 2027-01-15 08:00:02Z: KeyError: 'repeater': left out" in wrong
    assert "an act cannot be read" in other


def test_a_group_that_the_given_region_file_lacks(play: Play) -> None:
    said = [Teller("ridge").route(START_MS, "TALK", "carrying")]
    lines = [*head(), *lines_of_messages(VIEW, said, START_MS)]
    replay = play(lines, view=region(group=[{"name": "NET"}]))
    assert "group TALK is not in the region file: left out" in replay.played.troubles[0]


def test_an_act_that_cannot_be_done_again_is_told(play: Play) -> None:
    entry = Entry(at=from_ms(START_MS), by="admin", act=Act.LIFT, subject="NET ridge/uhf")
    replay = play([*head(), make.act(START_MS + 10, entry.model_dump_json())])
    assert replay.played.acts == 0
    assert "lift NET ridge/uhf by admin: nothing is ordered" in replay.played.troubles[0]


def test_what_would_have_expired_is_not_there(play: Play, redis_server: Redis) -> None:
    """History is kept for 25 hours after its hour: a replay of days ends with the last ones."""
    ridge, lines = Teller("ridge"), head()
    for n in range(60):
        lines += over(ridge, START_MS + n * HOUR_MS, "QA1ABC", "NET", f"o{n}")
    play(lines, every_ms=6 * HOUR_MS)
    keys = [k for k in canonical(redis_server.client(), "scene") if ":history:" in k]
    hours = sorted(int(key.rpartition(":")[2]) for key in keys)
    last = (START_MS + 59 * HOUR_MS) // HOUR_MS
    assert hours == list(range(last - 25, last + 1))


def test_lines_without_a_region_file(play: Play) -> None:
    with pytest.raises(JournalError, match="holds no region file: give --region"):
        _ = play(over(Teller("ridge"), START_MS, "QA1ABC", "NET", "o1")).store


class TestCommand:
    def run(self, *words: str | Path) -> int:
        parser = ArgumentParser()
        replay_command.add_arguments(parser)
        return replay_command.main(parser.parse_args([str(word) for word in words]))

    @pytest.fixture
    def journal(self, tmp_path: Path) -> Path:
        writer, ridge = begun(tmp_path / "journal", VIEW, START_MS), Teller("ridge")
        for n in range(20):
            at_ms = START_MS + n * 30_000
            writer.write(over(ridge, at_ms, "QA1ABC", GROUPS[n % 2], f"o{n}"), at_ms + 2000)
        writer.close(START_MS + HOUR_MS // 2)
        return tmp_path / "journal"

    def test_it_says_how_things_stood(self, journal: Path, capsys: Any) -> None:
        assert self.run(journal, "--json") == 0
        found = json.loads(capsys.readouterr().out)
        assert (found["events"], found["refusals"], found["troubles"]) == (40, 0, [])
        groups = {g["group"]: (g["fan_out"], g["standings"]) for g in found["groups"]}
        # Silent for 20 minutes by the end, and expired after four.
        assert groups["NET"] == ([], {"expired": 1})
        assert groups["RESCUE"] == (["mill/vhf"], {"expired": 1})
        until = from_ms(START_MS + 600_000) - timedelta(seconds=10)
        assert self.run(journal, "--until", until.isoformat(), "--every", "7s", "--json") == 0
        earlier = json.loads(capsys.readouterr().out)
        wanted = {g["group"]: g["fan_out"] for g in earlier["groups"]}
        assert wanted == {"NET": ["ridge/uhf"], "RESCUE": ["mill/vhf", "ridge/uhf"], "TALK": []}
        assert earlier["result"] != found["result"]

    def test_the_same_journal_gives_the_same(self, journal: Path, capsys: Any) -> None:
        results = []
        for words in ([], ["--every", "5s"], ["--workers", "3"]):
            assert self.run(journal, *words, "--json") == 0
            results.append(json.loads(capsys.readouterr().out)["result"])
        assert len(set(results)) == 1

    def test_for_people(self, journal: Path, capsys: Any) -> None:
        assert self.run(journal) == 0
        said = capsys.readouterr().out
        assert "nothing here is live" in said
        assert "RESCUE: wanted on mill/vhf; 1 expired" in said

    def test_what_is_wrong_is_told(self, journal: Path, tmp_path: Path, capsys: Any) -> None:
        assert self.run(tmp_path / "none") == 2
        assert "there is no such file or folder" in capsys.readouterr().err
        (tmp_path / "notes.txt").write_text("hello")
        assert self.run(journal, tmp_path / "notes.txt") == 1
        assert "notes.txt: not a journal: it is not compressed" in capsys.readouterr().err
        (path,) = journal.glob("*.zst")
        torn = tmp_path / "torn.zst"
        torn.write_bytes(path.read_bytes()[:-40])
        assert self.run(torn) == 0  # as a killed worker leaves it
        assert "the last part was not ended" in capsys.readouterr().err

    def test_a_time_outside_the_record(self, journal: Path, capsys: Any) -> None:
        assert self.run(journal, "--until", "2020-01-01T00:00:00Z") == 2
        said = capsys.readouterr().err
        assert "--until 2020-01-01T00:00:00Z: the record goes from 2027-01-15T08:00:00Z to" in said
        assert self.run(journal, "--until", "2027-01-16T08:00:00Z") == 0
        assert "what comes after it is silence" in capsys.readouterr().err

    def test_a_region_file_of_another_region(
        self, journal: Path, tmp_path: Path, capsys: Any
    ) -> None:
        other = tmp_path / "other.toml"
        other.write_text('region = "other"\n[[group]]\nname = "NET"\n')
        assert self.run(journal, "--region", other) == 1
        said = capsys.readouterr().err
        assert "the journal is of region 'scene', the region file of 'other'" in said

    @pytest.mark.parametrize("text", ["yesterday", "2026-11-28T13:00:00", "13:00Z"])
    def test_a_time_needs_its_zone(self, journal: Path, text: str, capsys: Any) -> None:
        with pytest.raises(SystemExit):
            self.run(journal, "--until", text)
        assert "a time with its zone is expected" in capsys.readouterr().err
