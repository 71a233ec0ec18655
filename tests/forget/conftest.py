"""`streamer forget` called on a story and a journal."""

from argparse import ArgumentParser
from pathlib import Path

import pytest

from streamer.clock import ManualClock
from streamer.forget import command
from tests.forget.recorded import NOW_MS, record, view
from tests.forget.story import Story
from tests.integration.stage import toml
from tests.reading.conftest import Answered
from tests.servers import Redis
from tests.state.scene import region


class Called:
    """The command, on a story and a journal that has ended."""

    def __init__(self, story: Story, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.story = story
        self.folder = folder
        self.journal = folder / "journal"
        self.journal.mkdir()
        self.file = folder / "region.toml"
        settings = region().region.model_dump(mode="json", exclude_unset=True)
        self.file.write_text(toml(settings))
        self.capsys = capsys
        self.clock = ManualClock(NOW_MS)

    def __call__(self, *words: str, json: bool = False) -> Answered:
        parser = ArgumentParser()
        command.add_arguments(parser)
        common = ["--region", str(self.file), "--redis", self.story.redis.url]
        arguments = parser.parse_args([*words, *common, *(["--json"] if json else [])])
        self.capsys.readouterr()
        code = command.main(arguments, self.clock)
        said = self.capsys.readouterr()
        return Answered(code, said.out, said.err)


@pytest.fixture
def call(empty_redis: Redis, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Called:
    story = Story(empty_redis)
    story.happen()
    made = Called(story, tmp_path, capsys)
    record(made.journal, view())
    return made
