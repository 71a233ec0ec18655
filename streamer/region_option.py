"""How commands are told which region file to work with."""

import argparse
import os
from pathlib import Path
from typing import Final

REGION_VARIABLE: Final = "STREAMER_REGION"
NO_REGION: Final = f"which region? Give --region REGION.toml or set ${REGION_VARIABLE}"


def add_region_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--region",
        type=Path,
        metavar="REGION.toml",
        default=os.environ.get(REGION_VARIABLE),
        help=f"the region file of the workers; else ${REGION_VARIABLE} names it",
    )
