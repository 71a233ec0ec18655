"""The benchmark of the comparison on a small week; `python -m tests.bench.compare` does all."""

from itertools import pairwise
from pathlib import Path

import pytest

from streamer.clock import SystemClock
from tests.bench.compare import GATEWAYS, GROUPS, main, region, timed, week_lines, write_week
from tests.bench.compare import STATIONS as CALLS


def test_the_week_has_the_size_it_is_said_to_have() -> None:
    view = region()
    lines = list(week_lines(view, 12_000))
    assert abs(len(lines) - 12_000) < 1200
    assert len({line["station"] for line in lines}) == CALLS
    assert len({line["repeater"] for line in lines}) == 2 * GATEWAYS
    assert len({line.get("to") for line in lines}) == GROUPS + 1  # and nobody
    noted = [line["noted_ms"] for line in lines]
    assert max(a - b for a, b in pairwise(noted)) < 10_000
    assert lines == list(week_lines(view, 12_000))


def test_a_small_week_is_compared(tmp_path: Path) -> None:
    count = write_week(tmp_path, region(), 5000)
    found = timed(tmp_path, 1, SystemClock(), [["linger_s=30,300,900"]])
    assert len(found.outcomes) == 4
    assert sum(group.overs for group in found.outcomes[0].groups.values()) > count / 4
    assert len({outcome.carried_s for outcome in found.outcomes}) > 3


def test_it_prints_how_long_it_took(capsys: pytest.CaptureFixture[str]) -> None:
    main(["--events", "2000", "--processes", "2"])
    out = capsys.readouterr().out
    assert "8 settings, 2 processes" in out
    assert "events/s" in out
