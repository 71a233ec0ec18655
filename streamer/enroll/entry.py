"""What the `streamer` command loads for `enroll`: the rest needs the package that makes
certificates, and `--help` tells everybody."""

import argparse

from streamer.enroll.arguments import add_arguments

__all__ = ["add_arguments", "main"]


def main(arguments: argparse.Namespace) -> int:
    """As `streamer.enroll.command.main`; raises ModuleNotFoundError without that package."""
    from streamer.enroll.command import main as run  # noqa: PLC0415 - see above

    return run(arguments)
