"""The harness of the soak: it sees what it is there to see. The hour itself is `make soak`."""

import json
import math
import time
from pathlib import Path

import pytest

from streamer.contract.topics import Kind
from tests.soak.__main__ import main
from tests.soak.gateways import Ledger
from tests.soak.memory import Slope, kind_of, slope
from tests.soak.verdict import _creeps, _told


def test_a_slope_is_that_of_the_line() -> None:
    """By hand: 100 MB and 3 MB more each hour, read every minute, is 3 MB an hour without error;
    what was read before the warm-up does not count."""
    at_s = [60.0 * n for n in range(120)]
    values = [100 + 3 * t / 3600 for t in at_s]
    found = slope(at_s, [500.0] * 30 + values[30:], at_s[30])
    assert found is not None
    assert found.per_h == pytest.approx(3)
    assert found.error == pytest.approx(0, abs=1e-9)
    assert found.beyond(2.9)
    assert not found.beyond(3.1)


def test_chance_is_no_slope() -> None:
    """A wave about a level that turns forty times: its slope is within two errors of nothing."""
    at_s = [5.0 * n for n in range(720)]
    found = slope(at_s, [100 + math.sin(n / 9 * math.pi) for n in range(720)], 0)
    assert found is not None
    assert abs(found.per_h) <= 2 * found.error + 0.05
    assert not found.beyond(0.5)


def test_too_little_gives_no_slope() -> None:
    assert slope([0, 5, 10], [1, 2, 3], 0) is None
    assert slope([0, 5, 10, 15, 20], [1, 2, 3, 4, 5], 16) is None


@pytest.mark.parametrize(
    ("per_h", "error", "beyond"), [(9, 1, True), (9, 2.5, False), (-9, 1, False), (5, 0, False)]
)
def test_beyond_is_by_two_errors(per_h: float, error: float, beyond: bool) -> None:
    assert Slope(per_h, error, 30).beyond(5) is beyond


def test_what_creeps_is_seen() -> None:
    at_s = [float(n) for n in range(100)]
    assert _creeps([8 + n // 20 for n in range(100)], at_s, 25)
    assert not _creeps([8 + n % 3 for n in range(100)], at_s, 25)
    assert not _creeps([20] * 10 + [8] * 90, at_s, 25)


def test_kinds_of_keys() -> None:
    assert kind_of("{soak:3}:station:QA1AB") == "station"
    assert kind_of("{soak:region}:meta") == "meta"


def test_every_difference_is_told() -> None:
    ours = {"a": {"x": 1, "y": 2}, "b": [1], "d": 1}
    told = _told(ours, {"a": {"x": 1, "y": 3}, "b": [2], "c": {}})
    assert [line.split(" ")[0].rstrip(":") for line in told] == ["d", "c", "a", "b"]
    assert _told({"a": {"x": 1}}, {"a": {"x": 1}}) == []


def test_what_an_agent_had_not_committed_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "ledger"
    ledger = Ledger(path)

    def write(boot: str, *numbers: int) -> None:
        with path.open("a") as file:
            for seq in numbers:
                file.write(f"heard\t{json.dumps({'boot': boot, 'seq': seq})}\n")

    write("b1", 1, 2)
    assert ledger.settled(time.monotonic()) == []  # its transaction may still be taken back
    assert [e["seq"] for _, e, _ in ledger.settled(time.monotonic() + 4)] == [1, 2]
    write("b1", 3, 4, 5)
    with path.open("a") as file:
        file.write("heard\t{")  # killed in the middle
    assert [(kind, e["seq"]) for kind, e, _ in ledger.ended(("b1", 4))] == [
        (Kind.HEARD, 3), (Kind.HEARD, 4),
    ]  # fmt: skip


@pytest.mark.parametrize("words", [["--minutes", "0"], ["--rate", "-1"], ["--between", "9", "2"]])
def test_used_wrongly(words: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2


@pytest.mark.mosquitto
@pytest.mark.redis
@pytest.mark.slow
@pytest.mark.timeout(300)
def test_some_seconds_of_it(capfd: pytest.CaptureFixture[str]) -> None:
    words = ["--minutes", "0.1", "--rate", "300", "--seed", "3", "--between", "1.5", "2.5"]
    code = main(words)
    out, err = capfd.readouterr()
    assert code == 0, out + err
    assert "every event is counted once and in a journal" in out
    assert "killed" in err
    for name in ("worker-1", "board-1", "agent-pass", "redis", "station"):
        assert f"\n{name} " in out
