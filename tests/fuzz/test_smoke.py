"""Each target on its seeds and on changes of them, with and without the fuzzer.

The fuzzer itself runs for long by `make fuzz`; what it found is in `test_found.py`.
"""

import importlib.util
import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.fuzz.__main__ import main
from tests.fuzz.targets import KNOWN, TARGETS
from tests.servers import REQUIRED

CHANGES = 100
SLOW = {"spool": 25}
"""Changes of what writes files and opens a database each time."""


def changes(seeds: list[bytes], chance: random.Random, count: int) -> Iterator[bytes]:
    """Seeds with bytes turned, taken out, doubled, and parts of others put in."""
    for _ in range(count):
        data = bytearray(chance.choice(seeds))
        for _ in range(chance.randrange(1, 4)):
            at = chance.randrange(len(data) + 1)
            upto = at + chance.choice((1, 2, 8, 64))
            match chance.randrange(4):
                case 0:
                    data[at:upto] = chance.randbytes(min(upto, len(data)) - at)
                case 1:
                    del data[at:upto]
                case 2:
                    data[at:at] = data[at:upto]
                case _:
                    other = chance.choice(seeds)
                    begin = chance.randrange(len(other) + 1)
                    data[at:upto] = other[begin : begin + upto - at]
        yield bytes(data)


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_and_changes_of_them(name: str) -> None:
    target = TARGETS[name]
    seeds = list(target.seeds())
    for seed in seeds:
        target.run(seed)
    for data in changes(seeds, random.Random(name), SLOW.get(name, CHANGES)):
        target.run(data)


def test_a_property_that_does_not_hold_is_seen() -> None:
    """The target `broken` fails for what begins with x."""
    target = KNOWN["broken"]
    tried = changes(list(target.seeds()), random.Random(1), CHANGES)
    with pytest.raises(AssertionError, match="as it should"):
        list(map(target.run, tried))


@pytest.fixture
def atheris() -> None:
    if importlib.util.find_spec("atheris") is None:
        reason = "needs atheris (pip install '.[fuzz]')"
        if os.environ.get(REQUIRED):
            pytest.fail(reason)
        pytest.skip(reason)


@pytest.mark.slow
@pytest.mark.usefixtures("atheris")
def test_the_fuzzer_runs_targets_and_keeps_what_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--runs", "300", "--seed", "1", "--found", str(tmp_path), "--only"]
    assert main([*words, "topic", "broken"]) == 1
    told = capsys.readouterr().out
    assert "topic: well" in told
    assert "broken: FAILED" in told
    (kept,) = (tmp_path / "broken").iterdir()
    assert kept.read_bytes().startswith(b"x")
    assert f"again: python -m tests.fuzz.child broken {kept}" in told
    assert main([*words, "topic"]) == 0


@pytest.mark.parametrize("words", [["0"], ["--runs", "0"], ["--only", "nothing"]])
def test_used_wrongly(words: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
