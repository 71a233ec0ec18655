"""Lengths of time as people type them."""

import re
from typing import Final

LONGEST_S: Final = 3660 * 86_400.0
_UNITS: Final = {"": 1.0, "s": 1.0, "m": 60.0, "h": 3600.0}


def seconds_of(text: str) -> float:
    """'20s', '2m', '1h' or '20' (seconds); up to ten years; raises ValueError, saying what is
    expected."""
    found = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)([smh]?)", text.strip())
    seconds = float(found[1]) * _UNITS[found[2]] if found else 0.0
    if not 0 < seconds <= LONGEST_S:
        raise ValueError(f"{text[:40]!r}: give a time such as 20s, 2m or 1h, at most ten years")
    return seconds
