"""The benchmark of replays runs and counts right; its figures are nobody's test."""

from pathlib import Path

import pytest

from tests.bench.replay import noting, record, replayed

pytestmark = pytest.mark.redis


def test_all_that_was_recorded_is_replayed(tmp_path: Path) -> None:
    record(tmp_path, 600)
    assert replayed(tmp_path).events == 600
    assert 0 < replayed(tmp_path, lines=100, portion=1).events < 100
    read_us, noted_us = noting(tmp_path, 300)
    assert min(read_us, noted_us) > 0
