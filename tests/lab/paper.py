"""A tiny day for tests, all of it worked out on paper.

Repeaters a, b, c, d (of gateways ga to gd, all /x). Three stations, one group NET. The policy:
linger 60 s, overdue after 300 s, out of reach after 450 s, expiry after 1800 s, nothing learned.
Seconds since T; the recording runs from -100 to 2100.

  over  begins  lasts  who  on  to
     1       0     10   A   a   NET
     2      50     10   C   c   NET
     3     100     10   B   b   NET
     4     200     20   A   a   NET
     5     400      5   A   a   NET
     6     500     30   B   d   NET
     7     540     10   A   a   NET
     8    1000     10   A   a   NET
     9    1100     10   B   b   NET
    10    1200     10   C   c   nobody
    11    1300     10   A   a   NET, "OUT": checks out at 1310
    12    1400     10   B   b   NET

Where they were, with a presence of 600 s: A on a from -100 to 1910. C on c from -100 to 1810. B on
b until half-way between 110 and 500, which is 305; on d until half-way between 530 and 1100, which
is 815; then on b until 2010. Checked in: A from 0 to 1310, B from 100, C from 50.
"""

from typing import Any

from streamer.config import Region, RegionView
from streamer.lab.day import Day, Hearing, RecordedOver
from streamer.lab.hindsight import Assumption

T = 1_800_000_000_000
A, B, C = "QA1ABC", "QB2DEF", "QC3GHI"
OVERS = (
    (0, 10, A, "a", "NET", ""), (50, 10, C, "c", "NET", ""), (100, 10, B, "b", "NET", ""),
    (200, 20, A, "a", "NET", ""), (400, 5, A, "a", "NET", ""), (500, 30, B, "d", "NET", ""),
    (540, 10, A, "a", "NET", ""), (1000, 10, A, "a", "NET", ""), (1100, 10, B, "b", "NET", ""),
    (1200, 10, C, "c", "", ""), (1300, 10, A, "a", "NET", "NET"), (1400, 10, B, "b", "NET", ""),
)  # fmt: skip
ASSUMED = Assumption(presence_s=600, absence_s=6 * 3600)


def region(**changes: Any) -> RegionView:
    content = {
        "region": "paper",
        "extra_prefixes": ["Q"],
        "learning": {"enabled": False},
        "policy": {
            "linger_s": 60, "overdue_after_s": 300, "out_of_reach_after_s": 450,
            "expire_after_s": 1800,
        },
        "gateway": [{"id": f"g{name}", "repeater": [{"id": "x"}]} for name in "abcd"],
        "group": [{"name": "NET"}],
        **changes,
    }  # fmt: skip
    return RegionView(Region.model_validate(content))


def name(letter: str) -> str:
    return f"g{letter}/x"


def day(view: RegionView | None = None, **changes: Any) -> Day:
    overs = tuple(
        RecordedOver(
            f"o{number}", who, to or None, to, T + begin * 1000, T + (begin + lasts) * 1000,
            T + begin * 1000, name(on), (Hearing(name(on), None, None),), out, "", None,
        )
        for number, (begin, lasts, who, on, to, out) in enumerate(OVERS, 1)
    )  # fmt: skip
    found = {
        "view": view or region(), "begin_ms": T - 100_000, "end_ms": T + 2_100_000,
        "overs": overs, "carried": (), "dark": {}, "acts": (), **changes,
    }  # fmt: skip
    return Day(**found)
