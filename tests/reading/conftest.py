"""A region with something going on in it, and the commands called on it."""

import json
from argparse import ArgumentParser
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from streamer.config import load_region
from streamer.mqtt.connection import Incoming
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, Teller

REGION = Path(__file__).with_name("region.toml")
LONG = Path(__file__).with_name("long.toml")
"""The same with longer times, so that there is something to learn."""


@dataclass
class Answered:
    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        return json.loads(self.out)

    @property
    def lines(self) -> list[str]:
        return self.out.splitlines()


@dataclass
class Story:
    """Events merged by a worker's own steps under a clock that the test moves."""

    redis: Redis
    capsys: pytest.CaptureFixture[str]
    region: Path = REGION
    bench: Bench = field(init=False)
    ridge: Teller = field(default_factory=lambda: Teller("ridge"))
    lake: Teller = field(default_factory=lambda: Teller("lake"))
    mill: Teller = field(default_factory=lambda: Teller("mill"))

    def __post_init__(self) -> None:
        self.bench = Bench(load_region(self.region), self.redis.url)
        self.worker = self.bench.worker()
        self.worker.store.prepare(START_MS)

    @property
    def now_ms(self) -> int:
        return self.bench.clock.now_ms()

    def tell(self, *messages: Incoming) -> None:
        """Have the worker take messages over and do all that follows from them."""
        self.worker.run(messages)
        self.settle()

    def settle(self) -> None:
        self.worker.settle()
        self.worker.store.note_worker("worker-1", self.now_ms)

    def pass_s(self, seconds: float) -> None:
        """Time goes by and nobody looks: the worker is at rest."""
        self.bench.clock.advance_s(seconds)

    def ask(self, command: ModuleType, *words: str, json: bool = False) -> Answered:
        """Call a command as the command line would."""
        parser = ArgumentParser()
        command.add_arguments(parser)
        common = ["--region", str(self.region), "--redis", self.redis.url]
        arguments = parser.parse_args([*words, *common, *(["--json"] if json else [])])
        self.capsys.readouterr()
        code = command.main(arguments, self.bench.clock)
        said = self.capsys.readouterr()
        return Answered(code, said.out, said.err)


@pytest.fixture
def story(empty_redis: Redis, capsys: pytest.CaptureFixture[str]) -> Story:
    return Story(empty_redis, capsys)


@pytest.fixture
def long_story(empty_redis: Redis, capsys: pytest.CaptureFixture[str]) -> Story:
    return Story(empty_redis, capsys, LONG)


def must_fit(answered: Answered) -> None:
    """Fits a terminal of 80 columns and tells it nothing but text."""
    assert all(len(line) <= 80 for line in answered.lines), answered.out
    assert all(line.isprintable() for line in answered.lines), answered.out


def named(rows: Sequence[Any], key: str | int, value: str) -> Any:
    """The one row of a document with that value."""
    (found,) = [row for row in rows if row[key] == value]
    return found
