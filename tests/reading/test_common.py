"""What the commands say when they cannot answer, and what may be doubted when they do."""

from argparse import ArgumentParser, Namespace
from pathlib import Path

import pytest

from streamer.clock import ManualClock
from streamer.config import load_region
from streamer.domain.callsign import CallSignRules, Rejected
from streamer.domain.quarantine import quarantine_name
from streamer.reading import alerts, gateway, group, refused, where
from streamer.redis_settings import parse_redis_url
from streamer.state.store import Store, connect
from tests.reading.conftest import REGION, Story
from tests.servers import Redis
from tests.state.scene import START_MS

COMMANDS = [
    (where, ["QA1ABC"]), (group, []), (group, ["NET"]), (gateway, []), (gateway, ["ridge"]),
    (alerts, []), (refused, []),
]  # fmt: skip


def arguments_of(command: object, *words: str) -> Namespace:
    parser = ArgumentParser()
    command.add_arguments(parser)  # type: ignore[attr-defined]
    return parser.parse_args(words)


@pytest.mark.parametrize(("command", "words"), COMMANDS)
def test_redis_does_not_answer(
    command: object, words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    nowhere = f"unix://{tmp_path}/none.sock"
    arguments = arguments_of(command, *words, "--region", str(REGION), "--redis", nowhere)
    assert command.main(arguments, ManualClock()) == 1  # type: ignore[attr-defined]
    said = capsys.readouterr()
    assert said.out == ""
    assert f"{tmp_path}/none.sock: Redis: " in said.err
    assert "is it running?" in said.err


def test_a_password_that_cannot_be_read_or_is_wrong(
    empty_redis: Redis, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each names the setting, and what to do. Source of the refusal: Redis' own (ACL SETUSER)."""
    file = tmp_path / "region.toml"
    file.write_text(f'redis_password_file = "{tmp_path}/word"\n{REGION.read_text()}')
    words = ["--region", str(file)]
    assert group.main(arguments_of(group, *words), ManualClock()) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert f"redis_password_file '{tmp_path}/word' cannot be read: No such file" in said
    assert "its path, which starts where this program was started" in said
    (tmp_path / "word").write_text("wrong")
    with empty_redis.client() as client:
        client.execute_command("ACL", "SETUSER", "someone", "on", ">right", "~*", "+@all")
        try:
            address = empty_redis.url.replace("unix://", "unix://someone@")
            assert group.main(arguments_of(group, *words, "--redis", address), ManualClock()) == 1
            said = capsys.readouterr().err
            assert "redis_password_file" in said
            assert "redis.acl" in said
            assert "is it running" not in said
            client.execute_command("ACL", "SETUSER", "someone", "-@all", "+ping", "+auth")
            (tmp_path / "word").write_text("right")
            assert group.main(arguments_of(group, *words, "--redis", address), ManualClock()) == 1
            assert "redis.acl does not let this user" in capsys.readouterr().err
        finally:
            client.execute_command("ACL", "DELUSER", "someone")


def test_the_region_file_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "region.toml"
    file.write_text('region = "Hill"\n')
    assert group.main(arguments_of(group, "--region", str(file)), ManualClock()) == 1
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2
    assert all(line.startswith(f"streamer group: {file}: ") for line in said)


def test_used_wrongly(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("STREAMER_REGION", raising=False)
    assert group.main(arguments_of(group), ManualClock()) == 2
    assert "Give --region REGION.toml or set $STREAMER_REGION" in capsys.readouterr().err
    for url, text in (("http://h", "must be redis://"), ("redis://:pw1@h", "leave the password")):
        arguments = arguments_of(group, "--region", str(REGION), "--redis", url)
        assert group.main(arguments, ManualClock()) == 2
        said = capsys.readouterr().err
        assert text in said
        assert "pw1" not in said


def test_the_region_file_by_the_environment(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STREAMER_REGION", str(REGION))
    arguments = arguments_of(group, "--redis", story.redis.url)
    assert group.main(arguments, story.bench.clock) == 0


def test_a_redis_that_no_worker_ever_used(
    empty_redis: Redis, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = arguments_of(group, "--region", str(REGION), "--redis", empty_redis.url)
    assert group.main(arguments, ManualClock(START_MS)) == 0
    assert "no worker has ever kept region scene in this Redis" in capsys.readouterr().out


def test_a_worker_that_has_fallen_silent(story: Story) -> None:
    story.settle()
    assert story.ask(group, json=True).document["notes"] == []
    story.pass_s(31)
    answered = story.ask(group)
    assert answered.lines[0].startswith("Note: no worker has reported for 31 s")
    assert story.ask(group, json=True).document["worker_seen_at"] == "2027-01-15T08:00:00Z"


def test_other_partitions_than_the_workers(
    empty_redis: Redis, story: Story, tmp_path: Path
) -> None:
    file = tmp_path / "region.toml"
    file.write_text(REGION.read_text().replace("partitions = 3", "partitions = 5"))
    arguments = arguments_of(group, "--region", str(file), "--redis", empty_redis.url)
    story.capsys.readouterr()
    assert group.main(arguments, ManualClock()) == 1
    assert "has partitions = 3, the region file says 5" in story.capsys.readouterr().err


def test_commands_change_nothing(story: Story) -> None:
    story.tell(story.lake.heard(story.now_ms, "QA1ABC", "o1", to="NET"))
    with story.redis.client() as client:
        before = _all(client)
        for command, words in COMMANDS:
            story.ask(command, *words)
        assert _all(client) == before


def _all(client: object) -> dict[str, object]:
    readers = {
        "hash": "hgetall",
        "list": "lrange",
        "zset": "zrange",
        "string": "get",
        "set": "smembers",
    }
    found = {}
    for key in client.scan_iter():  # type: ignore[attr-defined]
        kind = client.type(key)  # type: ignore[attr-defined]
        more = {"list": (0, -1), "zset": (0, -1, False, True)}.get(kind, ())
        found[key] = getattr(client, readers[kind])(key, *more)
    return found


def test_an_address_is_told_without_its_secrets() -> None:
    assert parse_redis_url("redis://user:secret@h:7/0").place == "h:7"
    assert parse_redis_url("redis://h").place == "h:6379"
    assert parse_redis_url("unix://:secret@/run/r.sock").place == "/run/r.sock"


def test_quarantine_names_are_those_that_the_intake_writes(story: Story) -> None:
    rules = CallSignRules(load_region(REGION).region.extra_prefixes)
    identities = ["bob", " Mobile  One ", "x" * 32, "\xe9t\xe9", "A/B/C/D", "-"]
    for n, identity in enumerate(identities):
        story.tell(story.ridge.heard(story.now_ms, identity, f"o{n}"))
    store = Store(connect(story.redis.url), story.bench.view)
    verdicts = [rules.judge(identity) for identity in identities]
    names = {quarantine_name(v.raw) for v in verdicts if isinstance(v, Rejected)}
    assert len(names) == len(identities)
    assert set(store.quarantined("ridge")) == names
