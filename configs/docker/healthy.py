#!/opt/streamer/bin/python
"""The health check of a container: `healthy URL` ends with 0 if URL answers with status 200.

It asks its own container, so a certificate's name cannot fit 127.0.0.1 and is not judged.
"""

import ssl
import sys
import urllib.error
import urllib.request
from typing import Final

WITHIN_S: Final = 5.0


def main(words: list[str]) -> int:
    """Exit codes: 0 healthy, 1 not, 2 used wrongly."""
    if len(words) != 1 or not words[0].startswith(("http://127.0.0.1:", "https://127.0.0.1:")):
        print("healthy: give one address, such as http://127.0.0.1:9101/healthz", file=sys.stderr)
        return 2
    context = ssl._create_unverified_context()  # nosec B323 # to itself alone
    try:
        with urllib.request.urlopen(words[0], timeout=WITHIN_S, context=context) as answer:  # nosec B310 # its begin is judged above
            said = answer.read(1000)
    except urllib.error.HTTPError as error:
        # Docker shows what a check prints: `docker inspect` then says what is wrong.
        print(f"{error.code} {error.read(1000).decode(errors='replace')}")
        return 1
    except OSError as error:
        print(error)
        return 1
    print(said.decode(errors="replace"))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
