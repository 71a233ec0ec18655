"""The fuzzer of one target: `python -m tests.fuzz.child TARGET [options of libFuzzer] [inputs]`.

Nothing of ours may be imported before it is instrumented, so all imports are within.
"""

import importlib
import sys
from collections.abc import Sequence


def main(words: Sequence[str]) -> None:
    """Does not return: the fuzzer ends the process."""
    import atheris

    with atheris.instrument_imports(include=["streamer"]):
        targets = importlib.import_module("tests.fuzz.targets").KNOWN
    name, *options = words
    atheris.Setup([sys.argv[0], *options], targets[name].run)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1:])
