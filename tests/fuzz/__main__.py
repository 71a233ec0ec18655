"""`python -m tests.fuzz`: every reader of bytes, each for a while, guided by coverage (atheris).

What fails is kept as a file, and said with the command that repeats it. Exit codes: 0 nothing
found, 1 something failed, 2 used wrongly.
"""

import argparse
import importlib.util
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.fuzz.targets import KNOWN, TARGETS

_LONGEST_INPUT_BYTES = 4096
_MEMORY_MB = 2048


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("seconds", nargs="?", type=float, default=60.0, help="for each target")
    parser.add_argument("--only", nargs="+", choices=sorted(KNOWN), metavar="TARGET")
    parser.add_argument("--runs", type=int, help="so many inputs, instead of the seconds")
    parser.add_argument("--seed", type=int, default=0, help="0: another one each time")
    parser.add_argument(
        "--found", type=Path, default=Path("fuzz-found"), help="folder for failures"
    )
    parser.add_argument("--list", action="store_true", help="name the targets")
    given = parser.parse_args(words)
    if given.list:
        print("\n".join(TARGETS))
        return 0
    if given.seconds <= 0 or (given.runs is not None and given.runs < 1):
        parser.error("the seconds must be above 0, and --runs at least 1")
    if importlib.util.find_spec("atheris") is None:
        parser.error("atheris is not installed: pip install '.[fuzz]' in the folder of streamer")
    wrong = [name for name in given.only or TARGETS if not _fuzz(name, given)]
    if wrong:
        print(f"failed: {', '.join(wrong)}; the inputs are in {given.found}")
    return 1 if wrong else 0


def _fuzz(name: str, given: argparse.Namespace) -> bool:
    """One target in a process of its own: the fuzzer ends its process. Whether all was well."""
    found = (given.found / name).absolute()
    with tempfile.TemporaryDirectory(prefix="streamer-corpus-") as corpus:
        for number, seed in enumerate(KNOWN[name].seeds()):
            (Path(corpus) / f"seed-{number}").write_bytes(seed)
        bound = f"-runs={given.runs}" if given.runs else f"-max_total_time={round(given.seconds)}"
        found.mkdir(parents=True, exist_ok=True)
        options = [
            bound, f"-seed={given.seed}", f"-artifact_prefix={found}/", "-timeout=20",
            f"-max_len={_longest(name)}", f"-rss_limit_mb={_MEMORY_MB}", "-verbosity=0", corpus,
        ]  # fmt: skip
        run = subprocess.run(
            [sys.executable, "-m", "tests.fuzz.child", name, *options],
            check=False, text=True, errors="replace",
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        inputs = len(list(Path(corpus).iterdir()))
    files = sorted(found.iterdir())
    if not files:
        found.rmdir()
    well = run.returncode == 0 and not files
    print(f"{name}: {'well' if well else 'FAILED'}, {inputs} inputs that reach something new")
    if not well:
        print(
            "\n".join(one for one in run.stdout.splitlines() if not one.startswith("INFO"))[-3000:]
        )
        for file in files:
            print(f"again: python -m tests.fuzz.child {name} {file}")
    sys.stdout.flush()
    return well


def _longest(name: str) -> int:
    return max(_LONGEST_INPUT_BYTES, *(2 * len(seed) for seed in KNOWN[name].seeds()))


if __name__ == "__main__":
    sys.exit(main())
