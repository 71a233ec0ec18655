"""`python -m streamer`."""

import sys

from streamer.cli import main

if __name__ == "__main__":
    sys.exit(main())
