"""Lengths of time as people type them."""

import re
from typing import Final

_UNITS: Final = {"": 1.0, "s": 1.0, "m": 60.0, "h": 3600.0}


def seconds_of(text: str) -> float:
    """'20s', '2m', '1h' or '20' (seconds); raises ValueError, saying what is expected."""
    found = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)([smh]?)", text.strip())
    seconds = float(found[1]) * _UNITS[found[2]] if found else 0.0
    if seconds <= 0:
        raise ValueError(f"{text!r}: give a time such as 20s, 2m or 1h")
    return seconds
