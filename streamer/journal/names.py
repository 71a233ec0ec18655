"""How the files of a journal are called: region, hour and worker, so that they sort by hour."""

import argparse
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from streamer.clock import from_ms, to_ms
from streamer.config_types import named

SUFFIX: Final = ".ndjson.zst"
SUMS_SUFFIX: Final = ".sha256"
"""Beside a file that was closed: its SHA-256, in the form that `sha256sum -c` reads."""
_NAME = re.compile(
    r"(?P<region>[a-z0-9_-]+)\.(?P<hour>\d{8}T\d{2}Z)\.(?P<worker>.+)\.(?P<number>\d+)"
    + re.escape(SUFFIX)
)
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9_.-]+")


@dataclass(frozen=True, slots=True)
class FileName:
    """`number` tells the files of one worker and hour apart: each start begins another."""

    region: str
    hour_ms: int
    worker: str
    number: int

    def __str__(self) -> str:
        hour = f"{from_ms(self.hour_ms):%Y%m%dT%HZ}"
        worker = _NOT_IN_NAMES.sub("_", self.worker)
        return f"{self.region}.{hour}.{worker}.{self.number:03d}{SUFFIX}"


def folder_of_journal(text: str) -> Path:
    """A folder as an argument of a command. Raises ArgumentTypeError for an empty one, which a
    script leaves where a variable is not set."""
    try:
        return Path(named(text))
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def parse_name(name: str) -> FileName | None:
    """None for the name of a file that is none of a journal."""
    found = _NAME.fullmatch(name)
    if found is None:
        return None
    try:
        hour = datetime.strptime(found["hour"], "%Y%m%dT%HZ").replace(tzinfo=UTC)
    except ValueError:
        return None
    return FileName(found["region"], to_ms(hour), found["worker"], int(found["number"]))


def files_in(folder: Path, region: str | None = None) -> list[Path]:
    """The journal's files in a folder, by hour, worker and number."""
    named = [(parse_name(path.name), path) for path in folder.iterdir()]
    ours = [
        (name.hour_ms, name.worker, name.number, path)
        for name, path in named
        if name is not None and region in (None, name.region)
    ]
    return [path for *_, path in sorted(ours)]


def sums_of(path: Path) -> Path:
    """Where the checksum of a file stands."""
    return path.with_name(path.name + SUMS_SUFFIX)
