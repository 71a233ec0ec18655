"""Lengths of time, moments and counts in plain words, for every text that people read. Pure."""

from itertools import pairwise

from streamer.clock import from_ms


def printable(text: str) -> str:
    """`text` with everything that is not printed written as an escape.

    What came by radio or by the network is shown as it is, but must not command the terminal.
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def age(seconds: float) -> str:
    """A length of time in at most two units: `48 s`, `3 min 5 s`, `2 h`, `3 d 4 h`."""
    if seconds < 0:
        return f"in {age(-seconds)}"
    whole = int(seconds)
    units = (("d", 86_400), ("h", 3600), ("min", 60), ("s", 1))
    for (big, size), (small, part) in pairwise(units):
        if whole >= size:
            rest = whole % size // part
            return f"{whole // size} {big}" + (f" {rest} {small}" if rest else "")
    return f"{whole} s"


def ago(ms: int, now_ms: int) -> str:
    """How long before now; what lies ahead says `in ...`."""
    text = age((now_ms - ms) / 1000)
    return text if text.startswith("in ") else f"{text} ago"


def moment(ms: int, now_ms: int) -> str:
    """A time in UTC, with the date if it is not today's."""
    at, now = from_ms(ms), from_ms(now_ms)
    return f"{at:%H:%M:%S}Z" if at.date() == now.date() else f"{at:%Y-%m-%d %H:%M:%S}Z"


def plural(count: int, one: str, many: str | None = None) -> str:
    """`1 member`, `2 members`."""
    return f"{count} {one if count == 1 else many or one + 's'}"
