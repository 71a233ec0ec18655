"""The recorded duty that several test files look at; played once."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from streamer.journal.names import files_in
from streamer.journal.reader import read
from streamer.report.duties import duties_of
from streamer.report.facts import DutyFacts, DutyReport
from streamer.report.make import report_of
from streamer.report.record import Record, record_of
from tests.report.duty_day import DutyDay, write_duty_day
from tests.servers import Redis


@dataclass(frozen=True)
class Recorded:
    """A duty's journal in a folder, and the report of it."""

    day: DutyDay
    folder: Path
    record: Record
    duty: DutyFacts
    report: DutyReport

    @property
    def path(self) -> Path:
        (path,) = files_in(self.folder)
        return path


def never(words: str) -> None:
    raise AssertionError(words)


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    folder = tmp_path_factory.mktemp("duty")
    redis = Redis()  # its own: a day must begin with nothing, and others use the session's
    redis.start()
    try:
        day = write_duty_day(folder, redis)
    finally:
        redis.close()
    record = record_of(read([folder], never), None, never)
    duty = duties_of(record.day.acts)[day.duty_id]
    report = report_of(record, duty, files=[path.name for path in files_in(folder)])
    return Recorded(day, folder, record, duty, report)
